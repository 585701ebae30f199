"""Random cars of our own making: sizes, settings and control of an air-conditioning circuit. None is a real vehicle's."""

from dataclasses import dataclass, fields, replace
from types import SimpleNamespace

import numpy as np

REFRIGERANTS = ["R-134a", "R-1234yf", "R-152a"]
VALVE, ORIFICE = 0, 1
CYCLING, INTERNAL, EXTERNAL = 0, 1, 2
METERING_NAMES = ("expansion_valve", "fixed_orifice")
COMPRESSOR_NAMES = ("cycling_clutch", "variable_internal", "variable_external")
ALWAYS, TWO_STAGE, CONTINUOUS = 0, 1, 2


@dataclass(frozen=True)
class Car:
    """One car; SI units, temperatures in degC where a person would set them, pressures absolute."""

    fluid: int = 0
    metering: int = VALVE
    compressor: int = CYCLING
    charge_kg: float = 0.55
    air_mol: float = 0.0
    altitude_m: float = 0.0
    low_m3: float = 1.3e-3
    high_m3: float = 1.35e-3
    condenser_m3: float = 0.55e-3
    receiver_kg: float = 0.5
    hold_kg: float = 0.26
    evaporator_metal: float = 1300.0
    condenser_metal: float = 2600.0
    displacement_m3: float = 160e-6
    pulley: float = 1.3
    volumetric: float = 0.78
    clearance: float = 0.035
    isentropic: float = 0.64
    body_j_k: float = 2600.0
    evaporator_air_ua: float = 270.0
    evaporator_ua: float = 850.0
    wetting_kg: float = 0.035
    blower_kg_s: float = 0.13
    condenser_air_ua: float = 560.0
    condenser_ua: float = 1700.0
    fan_kg_s: float = 0.5
    fan_mode: int = TWO_STAGE
    fan_up_pa: float = 1.55e6
    fan_down_pa: float = 1.2e6
    ram_kg_s_kmh: float = 0.014
    recirculation: float = 0.3
    valve_m2: float = 1.6e-6
    bleed: float = 0.1
    superheat_k: float = 5.0
    superheat_span_k: float = 9.0
    bulb_s: float = 4.0
    orifice_m2: float = 1.05e-6
    cut_out_pa: float = 2.65e5
    cut_in_pa: float = 4.0e5
    fin_off_degc: float = 1.8
    fin_on_degc: float = 4.2
    fin_s: float = 2.0
    set_degc: float = 1.0
    trip_pa: float = 3.0e6
    reset_pa: float = 2.4e6
    low_limit_pa: float = 2.6e5
    suction_drop: float = 2.2e7
    discharge_drop: float = 5.0e7
    cabin_ua: float = 45.0
    solar_w: float = 600.0
    mass_j_k: float = 60e3
    fresh: float = 0.3
    people: float = 1.0


def stacked(cars: list[Car]) -> SimpleNamespace:
    """Each field as an array over the cars."""
    return SimpleNamespace(**{f.name: np.array([getattr(car, f.name) for car in cars]) for f in fields(Car)})


SET_PA = {0: 2.9e5, 1: 3.15e5, 2: 2.7e5}
"""Suction pressure an internally controlled compressor of each fluid holds, absolute."""


def random_car(rng: np.random.Generator, want: dict[str, object] | None = None) -> Car:
    """A car drawn at random; ``want`` fixes metering, compressor or fluid."""
    want = want or {}
    kind = int(rng.choice(4, p=[0.34, 0.22, 0.2, 0.24]))
    metering, compressor = ((VALVE, CYCLING), (ORIFICE, CYCLING), (VALVE, INTERNAL), (VALVE, EXTERNAL))[kind]
    metering, compressor = int(want.get("metering", metering)), int(want.get("compressor", compressor))
    fluid = int(want.get("fluid", rng.choice(3, p=[0.58, 0.37, 0.05])))
    if metering == ORIFICE and fluid == 1:
        fluid = 0
    light = 0.7 if fluid == 2 else 1.0
    size = float(rng.uniform(0.85, 1.2))
    u = rng.uniform
    trip = float(u(2.75e6, 3.2e6)) if fluid != 1 else float(u(2.65e6, 2.95e6))
    off = float(u(1.4, 3.2))
    cut_out = float(u(1.5e5, 1.8e5)) * (1.1 if fluid == 1 else 1.0 if fluid == 0 else 0.9)
    charge = round(float(u(0.47, 0.6)) * light * (1.0 if metering == VALVE else 1.1), 3)
    # The rated charge leaves a reserve of liquid and room above it; the rest is in the evaporator and vapour.
    liquid = charge - 0.14 * light
    car = Car(
        fluid=fluid, metering=metering, compressor=compressor, charge_kg=charge,
        altitude_m=float(rng.choice([0, 0, 50, 150, 300, 450, 650, 900, 1400, 2000])),
        low_m3=(1.25e-3 if metering == VALVE else 2.1e-3) * float(u(0.85, 1.15)),
        high_m3=(1.4e-3 if metering == VALVE else 1.3e-3) * float(u(0.9, 1.1)),
        condenser_m3=0.55e-3 if metering == VALVE else float(u(0.7e-3, 0.9e-3)),
        receiver_kg=liquid + light * float(u(0.0, 0.06)) if metering == VALVE else 0.0,
        hold_kg=liquid - light * float(u(0.15, 0.21) if metering == VALVE else u(0.16, 0.21)),
        evaporator_metal=float(u(1000, 1700)) * size * (1.8 if metering == VALVE else 1.0), condenser_metal=float(u(2200, 3400)) * size,
        displacement_m3=float(u(128e-6, 165e-6)) * size * (0.92 if compressor != CYCLING else 0.68 if metering == VALVE else 0.75),
        pulley=float(u(1.2, 1.4)), volumetric=float(u(0.7, 0.82)), clearance=float(u(0.03, 0.045)),
        isentropic=float(u(0.58, 0.7)),
        evaporator_air_ua=float(u(240, 300)) * size * (1.35 if metering == ORIFICE else 1.0),
        evaporator_ua=float(u(850, 1200)) * size * (1.6 if metering == ORIFICE else 1.0),
        wetting_kg=0.035 * light * float(u(0.85, 1.15)),
        blower_kg_s=float(u(0.105, 0.145)) * size,
        condenser_air_ua=float(u(560, 780)) * size, condenser_ua=float(u(1500, 2100)) * size,
        fan_kg_s=float(u(0.42, 0.62)) * size, fan_mode=int(rng.choice(3, p=[0.3, 0.5, 0.2])),
        fan_up_pa=float(u(1.4e6, 1.75e6)), fan_down_pa=float(u(1.1e6, 1.3e6)),
        recirculation=float(u(0.1, 0.34)),
        valve_m2=float(u(1.35e-6, 1.9e-6)) * size * (1.12 if fluid == 1 else 1.0),
        bleed=float(u(0.055, 0.17)), superheat_k=float(u(3.0, 6.0)), superheat_span_k=float(u(8.0, 12.0)),
        bulb_s=float(u(2.0, 6.0)), orifice_m2=float(u(0.85e-6, 1.15e-6)) * size,
        cut_out_pa=cut_out + 1.013e5, cut_in_pa=cut_out + 1.013e5 + float(u(1.25e5, 1.5e5)),
        fin_off_degc=off, fin_on_degc=off + float(u(1.6, 3.0)), fin_s=float(u(2.0, 4.5)),
        set_degc=float(u(0.0, 4.0)), trip_pa=trip, reset_pa=trip - float(u(4e5, 8e5)),
        low_limit_pa=float(u(2.2e5, 3.0e5)),
        suction_drop=float(u(0.6e7, 2.0e7)), discharge_drop=float(u(2e7, 7e7)),
        cabin_ua=float(u(60, 115)), solar_w=float(u(300, 1300)), mass_j_k=float(u(45e3, 80e3)),
        fresh=float(rng.choice([0.1, 0.2, 0.5, 1.0])), people=float(rng.integers(1, 5)),
    )  # fmt: skip
    return replace(car, **{k: v for k, v in want.items() if k not in ("metering", "compressor", "fluid")})
