"""The circuit, the cabin and the control of many cars as one numpy state, stepped together.

Two refrigerant nodes a car (low side with its suction line and accumulator, high side with its receiver), each with mass
and energy, in two-phase equilibrium or superheated, and each with its metal; how wet the evaporator is makes superheat,
how much of the condenser is flooded makes subcooling. The evaporator's air side dries, drips, freezes and thaws.
Faults act through factors of the inputs (see `faults.py`), so that the healthy twin of a car runs in the same state.
"""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np

from tests.plant.cars import ALWAYS, CONTINUOUS, CYCLING, EXTERNAL, INTERNAL, ORIFICE, SET_PA
from tests.plant.saturation import CP_F, CP_G, H_F, H_G, STEP_K, U_F, U_G, V_F, V_G, P, Tables

STEP_S = 0.05
CP_AIR, FUSION, EVAPORATION = 1006.0, 334e3, 2.5e6
ICE_CAP_KG = 0.9
STATE_OFF, ENGINE_OFF, DRIVER, CONTROL, THROTTLE, TRIP, DROPOUT = 0, 1, 2, 3, 4, 5, 6


def saturated_humidity(t_degc: np.ndarray, p_pa: np.ndarray) -> np.ndarray:
    """Mass of water a mass of dry air over water (Magnus formula, constants of WMO-No. 8, from memory)."""
    e = 611.2 * np.exp(17.62 * t_degc / (243.12 + t_degc))
    return 0.622 * e / (p_pa - e)


@dataclass
class Nodes:
    """Both refrigerant nodes of all cars, low sides first: what follows from mass and energy."""

    t: np.ndarray
    p: np.ndarray
    props: np.ndarray
    liquid: np.ndarray
    dry: np.ndarray


class Circuit:
    """The state of all cars; `step` advances it by 0.05 s."""

    def __init__(
        self, tables: Tables, cars: SimpleNamespace, ambient: np.ndarray, humidity: np.ndarray, warm: np.ndarray
    ) -> None:
        """``warm`` [K] is how far the condenser still stands above ambient after an earlier drive."""
        self.c, self.tables = cars, tables
        n = self.n = len(cars.fluid)
        self.fluid2 = np.concatenate([cars.fluid, cars.fluid])
        self.volume2 = np.concatenate([cars.low_m3, cars.high_m3])
        # Tube walls and the accumulator's shell follow the refrigerant at once; fins and tanks lag behind.
        self.wall2 = np.concatenate(
            [
                np.where(cars.metering == ORIFICE, 0.55, 0.22) * cars.evaporator_metal
                + 500.0 * (cars.metering == ORIFICE),
                0.25 * cars.condenser_metal,
            ]
        )
        self.pressure = np.full(n, 101325.0)
        k = ambient + 273.15
        self.cabin = ambient + cars.solar_w / 190.0
        self.mass_t = self.cabin + 2.0
        humid = saturated_humidity(ambient, self.pressure) * humidity
        self.cabin_w = humid.copy()
        self.metal_e = self.cabin + 273.15
        self.metal_c = k + warm
        self._fill(k + warm)
        self.bulb, self.fin = self.metal_e.copy(), self.cabin.copy()
        self.body, self.bay = ambient + 1.5 * warm, ambient + 1.0 + 2.0 * warm
        self.opening = np.full(n, 0.1)
        self.duct = self.cabin.copy()
        self.film, self.ice = np.zeros(n), np.zeros(n)
        self.rise, self.inlet = np.zeros(n), ambient + 0.25 * warm
        self.stroke, self.ln_stroke = np.full(n, 0.05), np.full(n, np.log(0.05))
        self.coupling = np.zeros(n)
        self.fan, self.fast = np.zeros(n), np.zeros(n, bool)
        self.low_cut, self.tripped = np.zeros(n, bool), np.zeros(n, bool)
        self.frosted, self.engaged = np.zeros(n, bool), np.zeros(n, bool)
        self.integral = np.full(n, 0.3)
        self.plug, self.cold_s, self.plugged_s = np.zeros(n), np.zeros(n), np.zeros(n)
        # Soaked, air stands at one pressure in all the room that liquid leaves.
        held = self.nodes()
        room = np.maximum(cars.high_m3 - held.liquid[n:] * held.props[V_F][n:], 1e-4)
        self.air_low = cars.air_mol * cars.low_m3 / (cars.low_m3 + room)
        self.air_high = cars.air_mol - self.air_low
        self.suction, self.liquid_line, self.discharge = self.cabin.copy(), ambient + warm, ambient + 1.5 * warm
        self.sub = np.zeros(n)
        self.streaming = np.zeros(n)
        self.flow = np.zeros(n)
        self.since = np.full(n, 100.0)

    def _fill(self, k: np.ndarray) -> None:
        """Soaked: one pressure, liquid where it is coldest (condenser, and an accumulator in the engine bay)."""
        c = self.c
        props, _ = self.tables.at(c.fluid, k)
        share = np.where(c.metering == ORIFICE, 0.5, 0.0)
        vapour_low, vapour_high = c.low_m3 / props[V_G], c.high_m3 / props[V_G]
        liquid = np.maximum(c.charge_kg - vapour_low - vapour_high, 0.0)
        short = np.minimum(c.charge_kg / (vapour_low + vapour_high), 1.0)
        warm = np.where(c.metering == ORIFICE, 1.0, k / (self.metal_e + 1e-9))
        m_low = vapour_low * short * warm + share * liquid
        m_high = c.charge_kg - m_low
        self.m = np.concatenate([m_low, m_high])
        v = self.volume2 / self.m
        tt = np.concatenate([k, k])
        props2, _ = self.tables.at(self.fluid2, tt)
        x = (v - props2[V_F]) / (props2[V_G] - props2[V_F])
        dew = self.tables.dew_of(self.fluid2, v)
        u = np.where(x < 1.0, props2[U_F] + x * (props2[U_G] - props2[U_F]), dew[1] + dew[3] * (tt - dew[0]))
        gas = np.concatenate([(share == 0.0), np.zeros(self.n, bool)])
        held = np.concatenate([self.metal_e, k])
        u = np.where(gas, dew[1] + dew[3] * np.maximum(held - dew[0], 0.0), u)
        held = np.where(gas, held, tt)
        self.u = u * self.m + self.wall2 * held
        self.t2 = tt

    def nodes(self) -> Nodes:
        """Temperature, pressure and liquid of each node from its mass and energy."""
        v, u, wall = self.volume2 / self.m, self.u / self.m, self.wall2 / self.m
        dew = self.tables.dew_of(self.fluid2, v)
        gas = u > dew[1] + wall * dew[0]
        t = self.t2
        for _ in range(2):
            props, slope = self.tables.at(self.fluid2, t)
            span = props[V_G] - props[V_F]
            x = (v - props[V_F]) / span
            dx = (-slope[V_F] - x * (slope[V_G] - slope[V_F])) / span
            lift = props[U_G] - props[U_F]
            error = props[U_F] + x * lift + wall * t - u
            rate = slope[U_F] + x * (slope[U_G] - slope[U_F]) + dx * lift + wall
            t = t - np.clip(error / np.maximum(rate, 50.0), -2.0, 2.0)
        t = np.clip(t, 221.5, 221.0 + STEP_K * 595)
        t_gas = (u - dew[1] + dew[3] * dew[0]) / (dew[3] + wall)
        self.t2 = np.where(gas, dew[0], t)
        props, _ = self.tables.at(self.fluid2, self.t2)
        x = np.clip((v - props[V_F]) / (props[V_G] - props[V_F]), -0.05, 1.0)
        p = np.where(gas, dew[2] * t_gas / dew[0], props[P] * (1.0 + 8.0 * np.maximum(-x, 0.0)))
        liquid = np.where(gas, 0.0, self.m * (1.0 - x))
        return Nodes(np.where(gas, t_gas, t), p, props, liquid, gas)

    def step(self, g: SimpleNamespace) -> SimpleNamespace:
        """Advance by one step; ``g`` holds the inputs, the answer what can be sensed and what is true."""
        c, n = self.c, self.n
        s = self.nodes()
        low, high = slice(0, n), slice(n, 2 * n)
        p_e, p_c, t_e, t_c = s.p[low], s.p[high], s.t[low], s.t[high]
        pe, pc = s.props[:, low], s.props[:, high]
        sat_e, sat_c = self.t2[low], self.t2[high]
        # Air beside the refrigerant: the part of each side that is not liquid.
        gas_c = np.maximum(c.high_m3 - s.liquid[high] * pc[V_F], 1e-4)
        high_air = self.air_high * 8.314 * t_c / gas_c
        low_air = self.air_low * 8.314 * t_e / c.low_m3
        p_low, p_high = p_e + low_air, p_c + high_air
        wet = 1.0 - np.exp(-s.liquid[low] / c.wetting_kg)
        air_in = g.fresh * (g.ambient + 1.0) + (1.0 - g.fresh) * self.cabin
        # What leaves the coil nears the air as the coil dries out.
        sh = np.maximum(air_in + 273.15 - t_e, 0.0) * (1.0 - np.exp(-3.0 * (1.0 - wet)))
        sh = sh + np.where(s.dry[low], np.maximum(t_e - sat_e, 0.0), 0.0)
        out_k = sat_e + sh
        flow_c, _h_suction, h_discharge, wanted = self._compressor(g, s, p_low, p_high, sat_e, out_k, pe, pc, sat_c)
        flooded, _cond_in = self._flooded(s, pc)
        sub = np.maximum(sat_c - 273.15 - self.inlet, 0.0) * (1.0 - np.exp(-3.2 * flooded))
        self.streaming += STEP_S / 8.0 * (np.clip(flow_c / 0.016, 0.0, 1.5) - self.streaming)
        self.sub += STEP_S / 4.0 * (sub * np.clip(flow_c / 0.006, 0.0, 1.0) - self.sub)
        x_out = np.exp(-self._spare(s) / 0.016)
        flow_v, h_valve = self._valve(g, s, p_low, p_high, sat_e, out_k, pe, pc, x_out)
        q_c, fan_air, air_ok = self._condenser(g, s, flooded, p_high, t_c)
        q_e = self._evaporator(g, s, wet, air_in, t_e)
        h_out = pe[H_G] + pe[CP_G] * sh
        self.u[low] += STEP_S * (flow_v * h_valve - flow_c * h_out + q_e + 0.3 * (self.bay + 273.15 - t_e))
        self.u[high] += STEP_S * (flow_c * h_discharge - flow_v * h_valve - q_c)
        self.m[low] += STEP_S * (flow_v - flow_c)
        self.m[high] += STEP_S * (flow_c - flow_v)
        self._leak_and_service(g, s, pc)
        # A vacuum holds a trace; nothing may be drawn below it.
        self.m = np.maximum(self.m, 0.02 * self.volume2)
        self._air_moves(flow_c, flow_v, x_out, p_low, p_high)
        self._moisture(g, sat_e)
        flow = np.maximum(flow_c, 5e-4)
        gain = 1.0 - np.exp(-3.0 / (flow * 950.0))
        running = flow_c > 5e-4
        target = np.where(
            running, out_k - 273.15 + np.maximum(self.bay - out_k + 273.15, 0.0) * gain, 0.5 * (self.cabin + self.bay)
        )
        self.suction += STEP_S / np.where(running, 2.0, 60.0) * (target - self.suction)
        target = np.where(
            running | (np.abs(flow_v) > 2e-3), sat_c - 273.15 - self.sub, 0.7 * (t_c - 273.15) + 0.3 * self.bay
        )
        self.liquid_line += STEP_S / np.where(running, 2.0, 25.0) * (target - self.liquid_line)
        self.flow = flow_c
        drop_s = np.minimum(c.suction_drop * flow_c**2 * pe[V_G] / 0.06, 0.12 * p_low)
        drop_d = np.minimum(c.discharge_drop * flow_c**2, 1e5)
        return SimpleNamespace(
            low=p_low - drop_s, high=p_high + drop_d, vent=self.duct, return_air=self.cabin, suction=self.suction,
            liquid=self.liquid_line, discharge=self.body, evaporator_out=out_k - 273.15, cabin=self.cabin,
            inlet=g.ambient + 0.35 * (self.inlet - g.ambient) + 0.04 * (self.bay - g.ambient),
            engaged=self.engaged, wanted=wanted, volts=self.volts, fan=fan_air, air_ok=air_ok, ice=self.ice / ICE_CAP_KG,
            plug=self.plug, why=self.why, mass=self.m[low] + self.m[high], stroke=self.stroke,
        )  # fmt: skip

    def _control(self, g: SimpleNamespace, p_low: np.ndarray, p_high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Whether the control lets the compressor run, and why not."""
        c = self.c
        self.tripped = p_high > np.where(self.tripped, c.reset_pa, c.trip_pa)
        orifice, clutch = c.metering == ORIFICE, c.compressor == CYCLING
        self.low_cut = np.where(
            orifice & clutch, p_low < np.where(self.low_cut, c.cut_in_pa, c.cut_out_pa), p_high < c.low_limit_pa
        )
        sensor = np.where(g.fin_fails > 0.5, 15.0, self.fin)
        self.frosted = (sensor < np.where(self.frosted, c.fin_on_degc, c.fin_off_degc)) & clutch & ~orifice
        engine, asked = g.rpm > 300.0, g.cooling > 0.5
        allowed = ~self.tripped & ~self.low_cut & ~self.frosted
        why = np.where(~engine, ENGINE_OFF, 0)
        why = np.where((why == 0) & ~asked, DRIVER, why)
        why = np.where((why == 0) & self.tripped, TRIP, why)
        why = np.where((why == 0) & (g.throttle > 0.5), THROTTLE, why)
        why = np.where((why == 0) & ~allowed, CONTROL, why)
        return why == 0, why

    def _compressor(self, g, s, p_low, p_high, sat_e, out_k, pe, pc, sat_c):
        """Flow, and the enthalpies at its inlet and outlet; whether the control wanted it."""
        c = self.c
        wanted, why = self._control(g, p_low, p_high)
        supplied = g.supply > 0.5
        drive = np.where(wanted & supplied, g.grip, 0.0)
        clutched = c.compressor != EXTERNAL
        self.coupling += np.clip(drive - self.coupling, -STEP_S / 0.15, STEP_S / 0.2)
        engaged = np.where(clutched, self.coupling > 0.5, wanted & supplied) & (g.rpm > 300.0)
        self.why = np.where(why == 0, DROPOUT, why)
        self.volts = np.where(g.rpm > 300.0, 13.9, 12.4) * (wanted & supplied & clutched)
        full = np.where(clutched, self.coupling, 1.0)
        self._stroke(g, p_low, p_high, wanted & supplied)
        speed = g.rpm * c.pulley / 60.0 * full * self.stroke
        ratio = np.clip(p_high / np.maximum(p_low, 3e3), 1.0, 60.0)
        ratio = np.where(p_high + c.discharge_drop * self.flow**2 > p_low, ratio, 1.0)
        fast = np.clip(1.0 - 0.12 * (g.rpm * c.pulley / 1000.0 - 1.1), 0.5, 1.0)
        eta = fast * c.volumetric * g.volumetric * np.maximum(1.0 - c.clearance * (ratio**0.9 - 1.0), 0.0)
        v_in = pe[V_G] * (out_k / sat_e) * np.where(s.dry[: self.n], (self.volume2 / self.m)[: self.n] / pe[V_G], 1.0)
        v_in = np.where(s.dry[: self.n], np.maximum(v_in, (self.volume2 / self.m)[: self.n]), v_in)
        flow = eta * c.displacement_m3 * speed / v_in
        flow = np.minimum(flow, np.maximum(self.m[: self.n] - 4e-4, 0.0) * 8.0)
        heat = np.where(flow > 5e-4, 3.0 * (self.bay + 273.15 - out_k) / np.maximum(flow, 2e-3), 0.0)
        heat = np.clip(heat, 0.0, 25e3)
        h_suction = pe[H_G] + pe[CP_G] * np.maximum(out_k - sat_e, 0.0) + heat
        kappa = 1.1
        work = kappa / (kappa - 1.0) * p_low * v_in * (ratio ** ((kappa - 1.0) / kappa) - 1.0) / c.isentropic
        hot = h_suction + 0.92 * work
        cp_out = np.minimum(pc[CP_G], 1500.0)
        t_out = np.clip(sat_c - 273.15 + (hot - pc[H_G]) / cp_out, sat_c - 283.15, 150.0)
        moved = flow * cp_out
        self.body += STEP_S / c.body_j_k * (moved * (t_out - self.body) - 4.0 * (self.body - self.bay))
        h_discharge = hot + cp_out * np.clip(self.body - t_out, -80.0, 60.0)
        self.engaged = engaged
        return flow, h_suction, h_discharge, wanted

    def _stroke(self, g, p_low, p_high, on):
        """Stroke of a variable compressor: a bellows or a controller holds the suction side."""
        c = self.c
        internal, external = c.compressor == INTERNAL, c.compressor == EXTERNAL
        base = np.choose(c.fluid, [SET_PA[0], SET_PA[1], SET_PA[2]]) - (101325.0 - self.pressure)
        set_pa = base + 1.2e4 * (c.set_degc - 2.0) / 2.0 + np.clip(0.03 * (1.3e6 - p_high), -1.5e4, 2e4)
        # The external controller asks for the suction pressure that brings the fin to its target.
        goal = c.set_degc + 2.0 - 14.0 * g.overcool
        error = np.clip(self.fin - goal, -6.0, 6.0)
        self.integral = np.clip(self.integral + STEP_S * 0.004 * error * on, 0.0, 1.0)
        wish = np.clip(0.3 * error / 6.0 + self.integral, 0.0, 1.0)
        floor = np.choose(c.fluid, [2.45e5, 2.7e5, 2.3e5]) * (1.0 - 0.45 * g.overcool)
        set_ext = floor + (1.0 - wish) * 1.6e5
        aim = np.where(internal, set_pa, set_ext)
        # The valve acts on the logarithm of the stroke: suction pressure goes with one over it when little flows.
        least = np.where(external, np.log(0.03), np.log(0.05))
        over = (p_low - aim) / 9e4
        rest = np.where(external, np.log(0.015), np.log(0.3))
        self.ln_stroke += STEP_S * np.where(on, over / 8.0, (rest - self.ln_stroke) / 2.0)
        self.ln_stroke = np.clip(self.ln_stroke, np.minimum(least, rest), 0.0)
        wished = np.exp(np.clip(self.ln_stroke + over, least, 0.0))
        target = np.where(on, np.minimum(wished, g.stroke), np.exp(rest))
        tau = np.where(on, 0.6, np.where(external, 1.5, 2.0))
        self.stroke = np.where(internal | external, self.stroke + STEP_S / tau * (target - self.stroke), g.stroke)

    def _spare(self, s: Nodes) -> np.ndarray:
        """Liquid that is free to reach the metering device: less what flows down the condenser's walls and in the line."""
        return np.maximum(s.liquid[self.n :] - self.c.hold_kg * self.streaming, 0.0)

    def _flooded(self, s: Nodes, pc: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Share of the condenser that holds liquid."""
        c, liquid = self.c, s.liquid[self.n :]
        valve = c.metering != ORIFICE
        section = 0.13 * (1.0 - np.exp(-self._spare(s) / 0.03))
        room = c.receiver_kg
        backed = np.maximum(liquid - room, 0.0) * pc[V_F] / c.condenser_m3
        flooded = np.where(valve, section + backed, self._spare(s) * pc[V_F] / c.condenser_m3)
        return np.minimum(flooded, 0.93), liquid

    def _valve(self, g, s, p_low, p_high, sat_e, out_k, pe, pc, x_out):
        """Flow through the metering device and the enthalpy it carries."""
        c = self.c
        self.bulb += STEP_S / c.bulb_s * (out_k - self.bulb)
        static = c.superheat_k * (1.0 + 0.6 * np.clip((sat_e - 275.0) / -30.0, 0.0, 1.0))
        wish = np.clip((self.bulb - sat_e - static) / c.superheat_span_k + c.bleed, c.bleed, 1.0)
        self.opening += STEP_S / 0.8 * (np.maximum(wish * (1.0 + g.swing), 0.5 * c.bleed) - self.opening)
        orifice = c.metering == ORIFICE
        sub = np.maximum(self.sub, 0.0)
        area = np.where(
            orifice, c.orifice_m2 * (0.72 + 0.022 * np.minimum(sub, 16.0)), c.valve_m2 * self.opening * 0.72
        )
        line = np.where(orifice, c.orifice_m2, c.valve_m2 * 0.6)
        open_share = np.clip(1.0 - g.restriction, 0.004, 1.0)
        narrowed = line * open_share * 0.72
        area = np.where(
            g.restriction > 0.0,
            np.where(orifice, area * open_share, 1.0 / np.sqrt(1 / area**2 + 1 / narrowed**2)),
            area,
        )
        area = area * (1.0 - self.plug)
        drop = p_high - p_low
        v_in = pc[V_F] + x_out * (pc[V_G] - pc[V_F])
        forward = drop >= 0.0
        v_in = np.where(forward, v_in, pe[V_G])
        size = np.abs(drop)
        root = np.where(size > 2e4, np.sqrt(size), size / np.sqrt(2e4))
        flow = area * root * np.sqrt(2.0 / v_in)
        h_liquid = pc[H_F] - pc[CP_F] * self.sub
        h_high = np.where(s.dry[self.n :], pc[H_G], h_liquid + x_out * (pc[H_G] - h_liquid))
        flow = np.where(forward, flow, -flow)
        spare = np.where(forward, self.m[self.n :], self.m[: self.n])
        most = spare * 4.0 * size / (p_low + p_high + 1.0)
        flow = np.clip(flow, -most, most)
        return flow, np.where(forward, h_high, pe[H_G])

    def _condenser(self, g, s, flooded, p_high, t_c):
        """Heat given off by the high side; share of the fan's full speed; share of the due air flow."""
        c = self.c
        self.fast = p_high > np.where(self.fast, c.fan_down_pa, c.fan_up_pa)
        on = (g.rpm > 300.0) & (g.cooling > 0.5)
        stage = np.where(c.fan_mode == ALWAYS, 1.0, np.where(self.fast, 1.0, 0.55))
        smooth = np.clip((p_high - 8e5) / 8e5, 0.3, 1.0)
        stage = np.where(c.fan_mode == CONTINUOUS, smooth, stage) * on
        self.fan += STEP_S / 2.0 * (stage - self.fan)
        thin = self.pressure / 101325.0
        ram = c.ram_kg_s_kmh * g.speed
        due = thin * np.sqrt((c.fan_kg_s * self.fan) ** 2 + ram**2)
        air = thin * np.sqrt((c.fan_kg_s * self.fan * g.fan) ** 2 + ram**2) * g.face
        air_ok = (air + 0.02) / (due + 0.02)
        air = air + 0.03
        scale = np.sqrt(np.maximum(air, 0.02) / 0.5)
        ua = c.condenser_air_ua * np.minimum(scale, 2.1) * (1.0 - flooded) * (0.4 + 0.6 * np.minimum(g.face + 0.1, 1.0))
        ua = ua * np.clip(1.0 - 1.6 * self.air_high, 0.3, 1.0)
        capacity = air * CP_AIR
        reach = capacity * (1.0 - np.exp(-ua / capacity))
        # The lamps, engine and sun keep the condenser a little above ambient at rest.
        q_air = (reach + 4.0) * (self.metal_c - 273.15 - self.inlet)
        k = (
            c.condenser_ua
            * (1.0 - flooded)
            * np.where(s.dry[self.n :], 0.25, 1.0)
            * np.clip(1.0 - 1.0 * self.air_high, 0.3, 1.0)
        )
        inner = (60.0 + k * np.clip(np.abs(self.flow) / 0.01, 0.25, 1.0)) * (t_c - self.metal_c)
        self.metal_c += STEP_S / (0.75 * c.condenser_metal) * (inner - q_air)
        rise = q_air / capacity
        self.rise += STEP_S / 6.0 * (rise - self.rise)
        share = np.where(g.rpm > 300.0, c.recirculation * np.exp(-g.speed / 12.0), 0.0)
        soak = np.where(g.rpm > 300.0, 0.0, 0.12 * (self.bay - g.ambient))
        target = g.ambient + np.minimum(share * self.rise / (1.0 - 0.5 * share), 14.0) + soak
        self.inlet += STEP_S / 5.0 * (target - self.inlet)
        warm = g.ambient + np.where(g.rpm > 300.0, 4.0 + 30.0 * np.exp(-g.speed / 30.0), g.soak)
        self.bay += STEP_S / np.where(g.rpm > 300.0, 260.0, 500.0) * (warm - self.bay)
        return inner, self.fan * g.fan, air_ok

    def _evaporator(self, g, s, wet, air_in, t_e):
        """Heat into the refrigerant; air is cooled and dried, water drips, freezes and thaws; the cabin follows."""
        c = self.c
        blocked = np.clip(self.ice / ICE_CAP_KG, 0.0, 0.985)
        whole = c.blower_kg_s * g.blower + 0.002
        air = np.maximum(whole * (1.0 - blocked) ** 0.8, 0.0015)
        around = 0.07 * whole + 0.001
        ua = c.evaporator_air_ua * np.clip(air / 0.12, 0.02, 2.0) ** 0.6 * (1.0 - 0.5 * blocked)
        reach = 1.0 - np.exp(-ua / (air * CP_AIR))
        surface = self.metal_e - 273.15
        sensible = air * CP_AIR * reach * (air_in - surface)
        outside_w = g.outside_w
        w_in = g.fresh * outside_w + (1.0 - g.fresh) * self.cabin_w
        gap = w_in - saturated_humidity(surface, self.pressure)
        damp = air * reach * np.where(gap > 0.0, gap, gap * np.clip(self.film / 0.05, 0.0, 1.0))
        freezing = surface < -0.8
        frozen = np.where(
            freezing,
            np.maximum(damp, 0.0) * np.clip(-surface / 6.0, 0.0, 1.0)
            + np.minimum(self.film, 1.0) * 0.004 * np.clip(-surface, 0, 5),
            0.0,
        )
        thawed = np.where(
            (surface > 0.0) & (self.ice > 0.0), np.minimum(90.0 * surface / FUSION, self.ice / STEP_S), 0.0
        )
        self.ice = np.clip(self.ice + STEP_S * (frozen - thawed), 0.0, ICE_CAP_KG)
        self.film = np.clip(self.film + STEP_S * (damp - frozen + thawed), 0.0, 0.25)
        latent = damp * EVAPORATION - thawed * FUSION + frozen * FUSION
        inner_ua = (
            c.evaporator_ua
            * np.where(s.dry[: self.n], 0.1, 0.1 + 0.9 * wet)
            * np.clip(0.35 + self.flow / 0.014, 0.35, 1.0)
        )
        held = self.m[: self.n] * 800.0 + self.wall2[: self.n]
        inner = inner_ua * (self.metal_e - t_e) / (1.0 + STEP_S * inner_ua / held * 0.5)
        self.metal_e += (
            STEP_S
            / (np.where(c.metering == ORIFICE, 0.45, 0.78) * c.evaporator_metal + 2000.0 * self.ice)
            * (sensible + latent - inner)
        )
        # The sensor sits where the coil is coldest, near its inlet.
        self.fin += STEP_S / c.fin_s * (0.75 * surface + 0.25 * (t_e - 273.15) - self.fin)
        out = air_in - sensible / (air * CP_AIR)
        mixed = (air * out + around * air_in) / (air + around)
        moved = (air + around) * CP_AIR
        mixed = mixed + 0.7 * g.blower + (1.0 - np.exp(-1.6 / moved)) * np.maximum(self.cabin + 3.0 - mixed, 0.0)
        blowing = g.blower > 0.05
        self.duct += (
            STEP_S
            / np.where(blowing, 12.0, 90.0)
            * (np.where(blowing, mixed + g.blend * (50.0 - mixed), self.cabin + 2.0) - self.duct)
        )
        w_out = w_in - damp / air
        gain = (
            (c.cabin_ua + g.door * 220.0) * (g.ambient - self.cabin) + 0.4 * c.solar_w + 70.0 * c.people
            + 75.0 * (self.mass_t - self.cabin)
        )  # fmt: skip
        self.mass_t += STEP_S / c.mass_j_k * (75.0 * (self.cabin - self.mass_t) + 0.6 * c.solar_w)
        self.cabin += STEP_S / 14e3 * (gain + moved * blowing * (self.duct - self.cabin))
        self.cabin_w += (
            STEP_S
            / 4.0
            * ((air + around) * (w_out - self.cabin_w) + 1.8e-5 * c.people + 0.06 * g.door * (outside_w - self.cabin_w))
        )
        return inner

    def _leak_and_service(self, g, s, pc):
        """A leak of vapour from the high side; a service machine that draws from or charges both sides."""
        n, _c = self.n, self.c
        leak = np.minimum(g.leak, self.m[n:] * 0.2)
        self.m[n:] -= STEP_S * leak
        self.u[n:] -= STEP_S * leak * pc[H_G]
        drawn = np.concatenate([g.draw, g.draw]) * np.maximum(self.m - self.volume2 * 0.005, 0.0)
        self.u -= STEP_S * drawn * (self.u - self.wall2 * s.t) / self.m
        self.m -= STEP_S * drawn
        fill = np.concatenate([0.25 * g.fill, 0.75 * g.fill])
        ambient = np.concatenate([g.ambient, g.ambient]) + 273.15
        if np.any(fill > 0.0):
            props, _ = self.tables.at(self.fluid2, ambient)
            self.m += STEP_S * fill
            self.u += STEP_S * fill * (props[H_F] + 0.08 * (props[H_G] - props[H_F]))

    def _air_moves(self, flow_c, flow_v, x_out, p_low, p_high):
        """Air goes with the vapour."""
        n = self.n
        pumped = self.air_low * np.clip(flow_c / np.maximum(self.m[:n], 1e-3), 0.0, 4.0)
        back = self.air_high * np.clip(flow_v * x_out / np.maximum(self.m[n:], 1e-2), 0.0, 2.0)
        level = (self.air_high * self.c.low_m3 - self.air_low * self.c.high_m3) / (self.c.low_m3 + self.c.high_m3)
        met = np.where((np.abs(p_high - p_low) < 5e4) & (flow_c < 5e-4), 0.02 * level, 0.0)
        moved = pumped - back - met
        self.air_low -= STEP_S * moved
        self.air_high += STEP_S * moved

    def _moisture(self, g, sat_e):
        """Water that freezes in the cold valve, plugs it, and thaws once no flow keeps it cold."""
        cold = sat_e - 273.15 < 2.5
        wet = g.moisture > 0.0
        closed = self.plug > 0.5
        self.cold_s = np.where(
            wet & ~closed & (self.flow > 5e-4), self.cold_s + STEP_S * np.where(cold, 1.0, 0.4), self.cold_s
        )
        self.plugged_s = np.where(closed, self.plugged_s + STEP_S, 0.0)
        closing = wet & (self.cold_s > g.moisture)
        freed = self.plugged_s > g.thaw
        self.cold_s = np.where(freed, g.again, self.cold_s)
        rate = np.where(closing & ~freed, 1.0 / 18.0, -1.0 / 4.0)
        self.plug = np.clip(self.plug + STEP_S * rate, 0.0, g.plugs)
