"""Seeded random vehicles, drives, faults and channel sets, to see the analysis fail on what it was not built on.

All invented. A fault is switched in the plant, so its truth is known; ordinary life (stops, stop/start engines, drivers
who switch cooling off and forget to mark it, full throttle) is in every drive.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from recorder.recording import Recording
from tests.analysis.made import recording_of
from tests.plant.vehicle import Inputs, Trace, Vehicle, drive

KEEP_S = 0.1
FAULTS = (
    "healthy",
    "compressor_dropout",
    "compressor_slip",
    "condenser_airflow_loss",
    "weak_pumping",
    "moisture_freeze",
    "restriction",
    "non_condensables",
    "sensor_gap",
    "sensor_spikes",
)


@dataclass
class Drive:
    """One car's drive: what was asked when, and what was wrong when."""

    duration_s: float
    ambient_degc: float
    engine_on_s: float
    engine_off_s: float
    stops: list[tuple[float, float]]
    cruise_kmh: float
    stop_start: bool = False
    cooling_off: list[tuple[float, float]] = field(default_factory=list)
    throttle: list[tuple[float, float]] = field(default_factory=list)
    fault: str = "healthy"
    windows: list[tuple[float, float]] = field(default_factory=list)
    phase: float = 0.0

    def inputs(self, t: float) -> Inputs:
        """What the drive asks at one moment."""
        on = self.engine_on_s <= t < self.engine_off_s
        standing = any(a <= t < b for a, b in self.stops)
        since = min((t - b for _, b in self.stops if t >= b), default=t)
        until = min((a - t for a, _ in self.stops if t < a), default=1e9)
        kmh = self.cruise_kmh + 8.0 * np.sin(t / 31.0 + self.phase) + 4.0 * np.sin(t / 11.0)
        kmh = 0.0 if standing or not on else max(min(kmh, 6.0 * since, 7.0 * until), 0.0)
        rpm = (780.0 + 10.0 * np.sin(t)) if kmh < 1.0 else 1100.0 + 14.0 * kmh + 80.0 * np.sin(t / 6.0 + self.phase)
        if any(a <= t < b for a, b in self.throttle):
            rpm = 4200.0
        if self.stop_start and standing and any(a + 3.0 <= t < b - 1.0 for a, b in self.stops):
            rpm = 0.0
        cooling = t >= self.engine_on_s + 4.0 and not any(a <= t < b for a, b in self.cooling_off)
        cut = any(a <= t < b for a, b in self.throttle)
        now = any(a <= t < b for a, b in self.windows)
        given = Inputs(self.ambient_degc, rpm if on else 0.0, kmh, cooling and not cut, 1.0 if cooling and on else 0.0)
        return self._faulted(given, t, now=now)

    def _faulted(self, given: Inputs, t: float, *, now: bool) -> Inputs:
        if self.fault == "restriction":
            return replace(given, valve=0.1)
        if not now:
            return given
        changes: dict[str, dict[str, object]] = {
            "compressor_dropout": {"clutch_supply": False},
            "compressor_slip": {"engages": False},
            "condenser_airflow_loss": {"fan": 0.0},
            "valve_hunting": {"swing": 0.7 * np.sin(2 * np.pi * t / 27.0)},
            "weak_pumping": {"stroke": 0.12},
            "moisture_freeze": {"valve": 0.01},
        }
        return replace(given, **changes.get(self.fault, {}))


@dataclass(frozen=True)
class Car:
    """A recording with its truth."""

    name: str
    fault: str
    windows: list[tuple[float, float]]
    recording: Recording


def car(seed: int, fault: str) -> Car:
    """One random car with one fault."""
    rng = np.random.default_rng([seed, FAULTS.index(fault)])
    vehicle, job = _vehicle(rng, fault)
    trip = _drive(rng, vehicle, fault)
    trace = drive(vehicle, trip.inputs, trip.duration_s, KEEP_S)
    columns, t = _sensed(rng, trace, vehicle, trip)
    marks = _marks(rng, trip)
    return Car(f"{fault}-{seed}", fault, trip.windows, recording_of(t, columns, **job, marks=marks))


def _vehicle(rng: np.random.Generator, fault: str) -> tuple[Vehicle, dict[str, object]]:
    orifice = bool(rng.random() < 0.3) and fault not in ("valve_hunting", "moisture_freeze", "restriction")
    variable = (
        not orifice
        and bool(rng.random() < 0.4)
        and fault not in ("compressor_slip", "compressor_dropout", "restriction")
    )
    if fault in ("weak_pumping", "valve_hunting"):
        variable, orifice = True, False
    name, label = ("R134a", "R-134a") if rng.random() < 0.6 else ("R1234yf", "R-1234yf")
    vehicle = Vehicle(
        refrigerant=name,
        charge_kg=float(rng.uniform(0.8, 1.0)),
        displacement_m3=float(rng.uniform(170e-6, 230e-6)),
        condenser_ua=float(rng.uniform(750.0, 1050.0)),
        evaporator_ua=float(rng.uniform(190.0, 260.0)),
        blower_kg_s=float(rng.uniform(0.11, 0.17)),
        solar_w=float(rng.uniform(900.0, 1900.0)),
        orifice=orifice,
        variable=variable,
        set_pa=float(rng.uniform(2.8e5, 3.2e5)),
        air_mol=float(rng.uniform(0.10, 0.16)) if fault == "non_condensables" else 0.0,
    )
    kind = "cycling_clutch" if not variable else str(rng.choice(["variable_internal", "variable_external"]))
    metering = "fixed_orifice" if orifice else "expansion_valve"
    return vehicle, {"refrigerant": label, "metering": metering, "compressor": kind, "altitude_m": 120}


def _drive(rng: np.random.Generator, vehicle: Vehicle, fault: str) -> Drive:
    duration = float(rng.uniform(1300.0, 1900.0))
    stops, t = [(0.0, float(rng.uniform(40.0, 90.0)))], 90.0
    while t < duration - 200.0:
        t += float(rng.uniform(90.0, 230.0))
        length = float(rng.uniform(15.0, 130.0))
        stops.append((t, min(t + length, duration)))
        t += length
    end = duration - (float(rng.uniform(60.0, 160.0)) if rng.random() < 0.5 else 0.0)
    stops.append((end - 20.0, duration))
    trip = Drive(
        duration, float(rng.uniform(24.0, 38.0)), 15.0 + float(rng.uniform(0, 6)), end, stops,
        float(rng.uniform(35, 75)),
        stop_start=bool(rng.random() < 0.2) and fault == "healthy", fault=fault, phase=float(rng.uniform(0, 6)),
    )  # fmt: skip
    if fault == "healthy" and rng.random() < 0.4:
        off = float(rng.uniform(400.0, 900.0))
        trip.cooling_off = [(off, off + float(rng.uniform(40.0, 150.0)))]
    if not vehicle.variable and rng.random() < 0.4:
        at = float(rng.uniform(300.0, 1200.0))
        trip.throttle = [(at, at + float(rng.uniform(5.0, 9.0)))]
    trip.windows = _windows(rng, trip)
    return trip


def _windows(rng: np.random.Generator, trip: Drive) -> list[tuple[float, float]]:
    if trip.fault in ("healthy", "restriction", "non_condensables"):
        return []
    if trip.fault == "condenser_airflow_loss":
        long = [(a + 2.0, b) for a, b in trip.stops[1:-1] if b - a > 60.0]
        return long or [(a + 1.0, a + 90.0) for a, _ in trip.stops[2:4]]
    windows: list[tuple[float, float]] = []
    t = float(rng.uniform(350.0, 450.0))
    while t < trip.engine_off_s - 200.0 and len(windows) < 4:
        length = float(rng.uniform(60.0, 130.0)) * (2.0 if trip.fault == "valve_hunting" else 1.0)
        windows.append((t, min(t + length, trip.engine_off_s - 30.0)))
        t += length + float(rng.uniform(150.0, 300.0))
    return windows


def _sensed(
    rng: np.random.Generator, trace: Trace, vehicle: Vehicle, trip: Drive
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    every = int(rng.choice([1, 2, 4, 5, 10]))
    if trip.fault == "sensor_spikes":
        every = min(every, 4)
    rows = slice(None, None, every)
    t = trace.column("time_s")[rows]
    n = len(t)

    def lagged(values: np.ndarray, tau: float, noise: float) -> np.ndarray:
        out, value, share = values.copy(), values[0], 1.0 - np.exp(-KEEP_S / tau)
        for i, target in enumerate(values):
            value += share * (target - value)
            out[i] = value
        return out[rows] + rng.normal(0.0, noise, n) + rng.normal(0.0, 0.3)

    low = trace.column("low_pa")[rows] / 1e3 - 99.9 + rng.normal(0.0, 0.7, n) + rng.normal(0.0, 2.0)
    high = trace.column("high_pa")[rows] / 1e3 - 99.9 + rng.normal(0.0, 2.5, n) + rng.normal(0.0, 6.0)
    columns = {
        "low_side [kPa]": low,
        "high_side [kPa]": high,
        "vent [degC]": lagged(trace.column("vent_degc"), float(rng.uniform(3.0, 9.0)), 0.08),
        "ambient [degC]": lagged(trace.column("ambient_degc"), 10.0, 0.08),
    }
    if not vehicle.variable and rng.random() < 0.85:
        columns["clutch [V]"] = trace.column("clutch_v")[rows] + rng.normal(0.0, 0.05, n)
    if rng.random() < 0.8:
        columns["engine_speed [1/min]"] = np.maximum(trace.column("engine_rpm")[rows] + rng.normal(0.0, 4.0, n), 0.0)
    if rng.random() < 0.5:
        columns["vehicle_speed [km/h]"] = trace.column("speed_kmh")[rows]
    if rng.random() < 0.3:
        columns["suction_line [degC]"] = lagged(trace.column("suction_degc"), 6.0, 0.08)
        columns["liquid_line [degC]"] = lagged(trace.column("liquid_degc"), 6.0, 0.08)
    _spoil(rng, columns, t, trip)
    return columns, t


def _spoil(rng: np.random.Generator, columns: dict[str, np.ndarray], t: np.ndarray, trip: Drive) -> None:
    name = str(rng.choice(["low_side [kPa]", "high_side [kPa]"]))
    for start, end in trip.windows:
        inside = np.flatnonzero((t >= start) & (t < end))
        if trip.fault == "sensor_gap":
            columns[name][inside] = np.nan
        if trip.fault == "sensor_spikes":
            hit = inside[rng.random(len(inside)) < 0.06]
            hit = hit[np.diff(hit, prepend=-9) > 3]
            columns[name][hit] += rng.choice([-1.0, 1.0], len(hit)) * rng.uniform(120.0, 500.0, len(hit))


def _marks(rng: np.random.Generator, trip: Drive) -> list[dict[str, object]]:
    def late() -> float:
        return float(rng.uniform(0.0, 2.5))

    marks = [(trip.engine_on_s + late(), "engine_on"), (trip.engine_on_s + 4.0 + late(), "ac_on")]
    if trip.engine_off_s < trip.duration_s - 5.0:
        marks.append((trip.engine_off_s + late(), "engine_off"))
    for off, on in trip.cooling_off:
        if rng.random() < 0.7:
            marks += [(off + late(), "ac_off"), (on + late(), "ac_on")]
    return [{"time_s": round(t, 1), "kind": kind, "text": ""} for t, kind in sorted(marks)]
