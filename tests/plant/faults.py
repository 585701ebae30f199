"""Faults put into a car: what changes in the car, in its drive and in the constants of its run.

Each function takes a random generator and a healthy specimen and returns the faulty one. A fault that is a consequence
of the state (a trip, ice, a plug of frozen moisture) is read from the run afterwards, as `truth.py` says.
"""

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field, replace

import numpy as np

from tests.plant.cars import CYCLING, EXTERNAL, INTERNAL, ORIFICE, VALVE
from tests.plant.drives import Drive
from tests.plant.garage import Specimen


@dataclass
class Planted:
    """What was put in: kind, when (empty: always or as the state decides), how bad, and what is known of it."""

    kind: str
    severity: float
    windows: list[tuple[float, float]] = field(default_factory=list)
    permanent: bool = False
    about: dict[str, object] = field(default_factory=dict)


@dataclass
class Faulty:
    """A specimen with its faults; ``sensor`` names a fault of the measurement."""

    specimen: Specimen
    planted: list[Planted]
    sensor: str | None = None


def _copy(s: Specimen) -> Specimen:
    return Specimen(s.car, deepcopy(s.drive), dict(s.constants), s.start_mass_kg)


def spans(
    rng: np.random.Generator, drive: Drive, low_s: float, high_s: float, most: int = 4
) -> list[tuple[float, float]]:
    """Random windows a few minutes into the drive."""
    last = (drive.engine_off_s or drive.duration_s) - 45.0
    t = drive.engine_on_s + float(rng.uniform(200, 420))
    found: list[tuple[float, float]] = []
    for _ in range(int(rng.integers(1, most + 1))):
        length = float(rng.uniform(low_s, high_s))
        if t + length > last:
            break
        found.append((round(t * 4) / 4, round((t + length) * 4) / 4))
        t += length + float(rng.uniform(110, 380))
    if not found:
        start = max(last - high_s - 100.0, drive.engine_on_s + 150.0)
        found = [(round(start), round(start + min(high_s, last - start)))]
    return found


def _inside(drive: Drive, windows: list[tuple[float, float]]) -> np.ndarray:
    t = drive.t
    return np.any([(t >= a) & (t < b) for a, b in windows], axis=0)


def dropout(rng: np.random.Generator, s: Specimen) -> Faulty:
    """Coil open or relay dead (volts drop), a hot clutch that lets go (volts stay), or slip."""
    s = _copy(s)
    way = str(rng.choice(["coil_supply", "air_gap", "slip"], p=[0.4, 0.35, 0.25]))
    windows = spans(rng, s.drive, 25.0, 140.0)
    now = _inside(s.drive, windows)
    about = {"coil_volts": "drops" if way == "coil_supply" else "stays", "way": way}
    severity = 1.0
    if way == "coil_supply" or s.car.compressor == EXTERNAL:
        s.drive.signals["supply"] = np.where(now, 0.0, 1.0)
        about = {"coil_volts": "drops", "way": "coil_supply"}
    else:
        grip = 0.0 if way == "air_gap" else float(rng.uniform(0.12, 0.4))
        severity = round(1.0 - grip, 2)
        s.drive.signals["grip"] = np.where(now, grip, 1.0)
    return Faulty(s, [Planted("compressor_dropout", severity, windows, about=about)])


def airflow(rng: np.random.Generator, s: Specimen) -> Faulty:
    """The condenser fan without supply now and then, slow, or dead for good; or the face blocked."""
    s = _copy(s)
    way = str(rng.choice(["fan_intermittent", "fan_dead", "fan_slow", "blocked"], p=[0.6, 0.15, 0.1, 0.15]))
    if way == "blocked":
        lost = float(rng.uniform(0.62, 0.85))
        s.constants["face"] = 1.0 - lost
        return Faulty(s, [Planted("condenser_airflow_loss", lost, [], permanent=True, about={"way": way})])
    left = float(rng.uniform(0.15, 0.35)) if way == "fan_slow" else float(rng.uniform(0.0, 0.05))
    if way == "fan_intermittent":
        windows = spans(rng, s.drive, 60.0, 260.0)
    else:
        start = s.drive.engine_on_s + float(rng.uniform(200, 600))
        windows = [(round(start), s.drive.engine_off_s or s.drive.duration_s)]
    s.drive.signals["fan"] = np.where(_inside(s.drive, windows), left, 1.0)
    return Faulty(s, [Planted("condenser_airflow_loss", 1.0 - left, windows, about={"way": way})])


def undercharge(rng: np.random.Generator, s: Specimen) -> Faulty:
    """Short from the start."""
    s = _copy(s)
    short = float(rng.uniform(0.22, 0.5))
    s.car = replace(s.car, charge_kg=s.car.charge_kg * (1.0 - short))
    return Faulty(s, [Planted("undercharge", short, permanent=True)])


def leak(rng: np.random.Generator, s: Specimen) -> Faulty:
    """A leak during the drive."""
    s = _copy(s)
    start = s.drive.engine_on_s + float(rng.uniform(150, 500))
    last = s.drive.engine_off_s or s.drive.duration_s
    lost = float(rng.uniform(0.3, 0.55)) * s.car.charge_kg
    rate = lost / max(last - start - 200.0, 250.0)
    s.drive.signals["leak"] = np.where(s.drive.t >= start, rate, 0.0)
    return Faulty(s, [Planted("undercharge", lost / s.car.charge_kg, about={"leak_start_s": start})])


def overcharge(rng: np.random.Generator, s: Specimen) -> Faulty:
    """Too much in."""
    s = _copy(s)
    more = float(rng.uniform(0.35, 0.75))
    s.car = replace(s.car, charge_kg=s.car.charge_kg * (1.0 + more))
    return Faulty(s, [Planted("overcharge", more, permanent=True)])


def air(rng: np.random.Generator, s: Specimen) -> Faulty:
    """Air left in."""
    s = _copy(s)
    mol = float(rng.uniform(0.07, 0.16))
    s.car = replace(s.car, air_mol=mol)
    return Faulty(s, [Planted("non_condensables", mol / 0.15, permanent=True, about={"air_mol": mol})])


def restriction(rng: np.random.Generator, s: Specimen) -> Faulty:
    """A plugged orifice, or a narrow liquid line before the valve."""
    s = _copy(s)
    lost = float(rng.uniform(0.58, 0.88)) if s.car.metering == VALVE else float(rng.uniform(0.45, 0.75))
    s.constants["restriction"] = lost
    return Faulty(s, [Planted("restriction", lost, permanent=True)])


def moisture(rng: np.random.Generator, s: Specimen) -> Faulty:
    """Water that freezes at the valve and thaws, again and again."""
    s = _copy(s)
    first = float(rng.uniform(200, 520))
    s.constants.update(
        moisture=first, again=first * float(rng.uniform(-0.6, 0.4)), thaw=float(rng.uniform(60, 170)),
        plugs=float(rng.uniform(0.985, 0.998)),
    )  # fmt: skip
    return Faulty(s, [Planted("moisture_freeze", s.constants["plugs"])])


def icing(rng: np.random.Generator, s: Specimen) -> Faulty:
    """The fin sensor reads warm (or the controller asks for too much cold) on a damp day."""
    s = _copy(s)
    s.constants.update(fin_fails=1.0, overcool=float(rng.uniform(0.7, 1.0)))
    return Faulty(s, [Planted("evaporator_icing", 0.0)])


def hunting(rng: np.random.Generator, s: Specimen) -> Faulty:
    """The bulb comes loose: the valve swings."""
    s = _copy(s)
    windows = spans(rng, s.drive, 130.0, 380.0, 3)
    period = float(rng.uniform(16, 45))
    t = s.drive.t
    phase = np.cumsum(1.0 + 0.12 * np.sin(2 * np.pi * t / 173.0 + rng.uniform(0, 6))) * 0.25 * 2 * np.pi / period
    depth = float(rng.uniform(0.8, 1.6))
    wave = np.tanh(1.6 * np.sin(phase)) / np.tanh(1.6)
    s.drive.signals["swing"] = np.where(_inside(s.drive, windows), depth * wave, 0.0)
    return Faulty(s, [Planted("valve_hunting", depth, windows, about={"period_s": period})])


def weak(rng: np.random.Generator, s: Specimen) -> Faulty:
    """A control valve that sticks now and then, or valves worn for good."""
    s = _copy(s)
    if s.car.compressor != CYCLING and rng.random() < 0.7:
        left = float(rng.uniform(0.08, 0.2))
        windows = spans(rng, s.drive, 90.0, 260.0, 3)
        s.drive.signals["stroke"] = np.where(_inside(s.drive, windows), left, 1.0)
        return Faulty(s, [Planted("weak_pumping", 1.0 - left, windows, about={"way": "valve_sticks"})])
    left = float(rng.uniform(0.18, 0.42))
    s.constants["volumetric"] = left
    return Faulty(s, [Planted("weak_pumping", 1.0 - left, permanent=True, about={"way": "worn"})])


def sensor(rng: np.random.Generator, s: Specimen) -> Faulty:
    """The measurement is at fault, not the car."""
    way = str(rng.choice(["stuck", "spikes", "gap", "offset", "drift", "fallen", "jitter"]))
    return Faulty(_copy(s), [], way)


@dataclass(frozen=True)
class Recipe:
    """How to plant a kind, and the cars, drives and weather it can be in."""

    plant: Callable[[np.random.Generator, Specimen], Faulty]
    car: dict[str, tuple[int, ...]] = field(default_factory=dict)
    drives: tuple[str, ...] = ("town", "mixed", "motorway", "jam", "workshop", "idle")
    hot: bool | None = None


CLUTCHED = (CYCLING, CYCLING, INTERNAL)
RECIPES = {
    "compressor_dropout": Recipe(dropout, {"compressor": (CYCLING, CYCLING, INTERNAL, EXTERNAL)}),
    "condenser_airflow_loss": Recipe(airflow, drives=("town", "jam", "jam", "idle", "mixed")),
    "high_pressure_trip": Recipe(airflow, drives=("jam", "idle", "jam", "town"), hot=True),
    "undercharge": Recipe(undercharge),
    "leak": Recipe(leak, drives=("town", "mixed", "motorway", "idle")),
    "overcharge": Recipe(overcharge),
    "non_condensables": Recipe(air, drives=("workshop", "workshop", "idle", "town", "mixed")),
    "restriction": Recipe(restriction),
    "moisture_freeze": Recipe(moisture, {"metering": (VALVE, VALVE, VALVE, ORIFICE)}, ("town", "mixed", "motorway", "idle")),
    "evaporator_icing": Recipe(icing, {"compressor": (CYCLING, EXTERNAL, EXTERNAL), "metering": (VALVE,)}, ("town", "mixed", "motorway"), hot=False),
    "valve_hunting": Recipe(hunting, {"metering": (VALVE,), "compressor": (INTERNAL, INTERNAL, EXTERNAL, CYCLING)}, ("town", "mixed", "motorway", "idle", "workshop")),
    "weak_pumping": Recipe(weak, {"compressor": (INTERNAL, EXTERNAL, EXTERNAL, CYCLING), "metering": (VALVE,)}),
    "sensor_fault": Recipe(sensor),
}  # fmt: skip
