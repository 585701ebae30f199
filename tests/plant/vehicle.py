"""The vehicle: evaporator, condenser, compressor, expansion valve and cabin as lumped volumes.

Two saturated volumes exchange refrigerant through compressor and valve. Each holds mass and energy, its metal included;
superheat follows from how wet the evaporator is, subcooling from how much liquid the condenser holds. Air sides by
effectiveness. Numbers are those of a minibus of our own making; none is a real vehicle's.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from tests.plant.fluid import Fluid, fluid

STEP_S = 0.05
KAPPA = 1.10


@dataclass(frozen=True)
class Vehicle:
    """Sizes and settings, SI; temperatures in degC where a thermostat is meant."""

    refrigerant: str = "R134a"
    charge_kg: float = 0.95
    evaporator_m3: float = 1.4e-3
    condenser_m3: float = 2.2e-3
    evaporator_metal: float = 2200.0
    condenser_metal: float = 2600.0
    displacement_m3: float = 210e-6
    pulley_ratio: float = 1.25
    volumetric: float = 0.72
    isentropic: float = 0.62
    evaporator_ua: float = 230.0
    condenser_ua: float = 880.0
    blower_kg_s: float = 0.16
    cabin_air_j_k: float = 26e3
    cabin_mass_j_k: float = 160e3
    cabin_ua: float = 150.0
    solar_w: float = 1900.0
    valve_area_m2: float = 3.1e-6
    superheat_set_k: float = 6.5
    frost_off_degc: float = 2.0
    frost_on_degc: float = 5.5
    low_cut_pa: float = 0.3e5
    trip_pa: float = 3.0e6
    reset_pa: float = 2.3e6


@dataclass(frozen=True)
class Inputs:
    """What the drive asks at one moment."""

    ambient_degc: float
    engine_rpm: float
    speed_kmh: float
    cooling: bool
    fan: float


@dataclass
class Trace:
    """True values, one row a kept moment."""

    rows: list[tuple[float, ...]] = field(default_factory=list)
    COLUMNS = (
        "time_s", "low_pa", "high_pa", "vent_degc", "ambient_degc", "suction_degc", "liquid_degc", "return_degc",
        "clutch_v", "engine_rpm", "speed_kmh", "fan_v",
    )  # fmt: skip

    def column(self, name: str) -> np.ndarray:
        """One column as an array."""
        return np.array([row[self.COLUMNS.index(name)] for row in self.rows])


@dataclass
class _State:
    m_e: float
    m_c: float
    u_e: float
    u_c: float
    t_e: float
    t_c: float
    cabin: float
    mass: float
    valve: float = 0.0
    bulb: float = 0.0
    subcooled: float = 0.0
    fin: float = 35.0
    stopped_frost: bool = False
    tripped: bool = False


def drive(vehicle: Vehicle, inputs: Callable[[float], Inputs], duration_s: float, keep_every_s: float) -> Trace:
    """Drive the vehicle and keep its true values."""
    props = fluid(vehicle.refrigerant)
    state = _soaked(vehicle, props, inputs(0.0).ambient_degc)
    trace = Trace()
    every = round(keep_every_s / STEP_S)
    for step in range(round(duration_s / STEP_S) + 1):
        now = step * STEP_S
        row = _advance(vehicle, props, state, inputs(now))
        if step % every == 0:
            trace.rows.append((now, *row))
    return trace


def _soaked(vehicle: Vehicle, props: Fluid, ambient_degc: float) -> _State:
    t = ambient_degc + 273.15
    volume = vehicle.evaporator_m3 + vehicle.condenser_m3
    m_e = vehicle.charge_kg * 0.35 * vehicle.evaporator_m3 / volume
    m_c = vehicle.charge_kg - m_e
    u_e = props._energy(m_e, vehicle.evaporator_m3, t, vehicle.evaporator_metal)
    u_c = props._energy(m_c, vehicle.condenser_m3, t, vehicle.condenser_metal)
    return _State(m_e, m_c, u_e, u_c, t, t, ambient_degc + 1.0, ambient_degc + 6.0, bulb=t, fin=ambient_degc)


def _advance(vehicle: Vehicle, props: Fluid, s: _State, given: Inputs) -> tuple[float, ...]:
    low, high = props.at(props.p, s.t_e), props.at(props.p, s.t_c)
    # Liquid held in each volume says how wet the evaporator and how full the condenser is.
    wet_mass = s.m_e * (1.0 - props.quality(s.m_e, vehicle.evaporator_m3, s.t_e))
    liquid = s.m_c * (1.0 - props.quality(s.m_c, vehicle.condenser_m3, s.t_c))
    wetness = 1.0 - math.exp(-wet_mass / 0.045)
    cooling_air = s.cabin + 273.15
    superheat = (1.0 - wetness) * max(cooling_air - s.t_e, 0.0)
    clutch = _clutch(vehicle, s, given, low, high)
    s.subcooled += STEP_S / 8.0 * ((14.0 * (1.0 - math.exp(-liquid / 0.45)) if clutch else 0.0) - s.subcooled)
    subcooling = s.subcooled
    flow_c = 0.0
    if clutch:
        speed = given.engine_rpm * vehicle.pulley_ratio / 60.0
        efficiency = vehicle.volumetric * max(1.0 - 0.035 * high / low, 0.2)
        flow_c = efficiency * vehicle.displacement_m3 * speed / props.at(props.v_g, s.t_e)
    flow_v = _valve_flow(vehicle, props, s, superheat, liquid, low, high)
    blown = 1.0 if given.engine_rpm > 0 else 0.1
    q_e = vehicle.evaporator_ua * max(wetness, 0.02) * (cooling_air - s.t_e) * blown
    inlet, q_c = _condenser(vehicle, s, given)
    h_suction = props.at(props.h_g, s.t_e) + props.at(props.cp_g, s.t_e) * superheat
    work = KAPPA / (KAPPA - 1) * low * props.at(props.v_g, s.t_e) * ((high / low) ** ((KAPPA - 1) / KAPPA) - 1)
    h_discharge = h_suction + work / vehicle.isentropic
    h_liquid = props.at(props.h_f, s.t_c) - props.at(props.cp_f, s.t_c) * (subcooling)
    s.m_e += STEP_S * (flow_v - flow_c)
    s.m_c += STEP_S * (flow_c - flow_v)
    s.u_e += STEP_S * (flow_v * h_liquid - flow_c * h_suction + q_e)
    s.u_c += STEP_S * (flow_c * h_discharge - flow_v * h_liquid - q_c)
    s.t_e = props.temperature(s.m_e, vehicle.evaporator_m3, s.u_e, vehicle.evaporator_metal, s.t_e)
    s.t_c = props.temperature(s.m_c, vehicle.condenser_m3, s.u_c, vehicle.condenser_metal, s.t_c)
    vent = _cabin(vehicle, s, given, q_e)
    s.fin += STEP_S / 12.0 * (max(vent, s.t_e - 273.15 + 1.0) - s.fin)
    s.stopped_frost = s.fin < (vehicle.frost_on_degc if s.stopped_frost else vehicle.frost_off_degc)
    suction = min(s.t_e - 273.15 + superheat, s.cabin + 5.0)
    liquid_line = s.t_c - 273.15 - subcooling
    volts = 13.9 if given.engine_rpm > 0 else 12.4
    return (
        low, high, vent, inlet, suction, liquid_line, s.cabin,
        volts * clutch, given.engine_rpm, given.speed_kmh, volts * (given.fan > 0.5 and given.engine_rpm > 0),
    )  # fmt: skip


def _clutch(vehicle: Vehicle, s: _State, given: Inputs, low: float, high: float) -> bool:
    s.tripped = high > (vehicle.reset_pa if s.tripped else vehicle.trip_pa)
    wanted = given.cooling and given.engine_rpm > 200 and not s.stopped_frost and not s.tripped
    return wanted and low > vehicle.low_cut_pa


def _valve_flow(
    vehicle: Vehicle, props: Fluid, s: _State, superheat: float, liquid: float, low: float, high: float
) -> float:
    s.bulb += STEP_S / 4.0 * (s.t_e + superheat - s.bulb)
    opening = min(max((s.bulb - s.t_e - vehicle.superheat_set_k) / 8.0 + 0.45, 0.04), 1.0)
    s.valve += STEP_S / 1.5 * (opening - s.valve)
    density = 1.0 / props.at(props.v_f, s.t_c)
    if liquid < 0.02:
        density *= 0.15
    drop = high - low
    return math.copysign(vehicle.valve_area_m2 * s.valve * math.sqrt(2.0 * density * abs(drop)), drop)


def _condenser(vehicle: Vehicle, s: _State, given: Inputs) -> tuple[float, float]:
    """Condenser inlet air [degC], which recirculates at standstill, and heat given off [W]."""
    ram = given.speed_kmh / 60.0
    air = 0.05 + 0.42 * given.fan + 0.75 * ram
    recirculated = (7.0 if given.fan < 0.3 else 2.5) * math.exp(-given.speed_kmh / 12.0)
    inlet = given.ambient_degc + (recirculated if given.engine_rpm > 0 else 0.0)
    capacity = air * 1006.0
    effectiveness = 1.0 - math.exp(-vehicle.condenser_ua / capacity)
    return inlet, effectiveness * capacity * (s.t_c - 273.15 - inlet)


def _cabin(vehicle: Vehicle, s: _State, given: Inputs, q_e: float) -> float:
    """Vent air [degC]; a third of the evaporator's heat is moisture condensing."""
    blower = vehicle.blower_kg_s if given.engine_rpm > 0 else 0.01
    vent = max(s.cabin - 0.68 * q_e / (blower * 1006.0), s.t_e - 273.15)
    gain = vehicle.cabin_ua * (given.ambient_degc - s.cabin) + vehicle.solar_w + 180.0 * (s.mass - s.cabin)
    s.mass += STEP_S * 180.0 * (s.cabin - s.mass) / vehicle.cabin_mass_j_k
    s.cabin += STEP_S * (gain - blower * 1006.0 * (s.cabin - vent)) / vehicle.cabin_air_j_k
    return vent
