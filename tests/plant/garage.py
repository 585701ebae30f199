"""Runs many cars side by side, each with its healthy twin, and keeps their true values."""

from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np

from tests.plant.cars import REFRIGERANTS, Car, stacked
from tests.plant.circuit import STEP_S, Circuit, saturated_humidity
from tests.plant.drives import GRID_S, Drive
from tests.plant.saturation import tables_of

KEEP_EVERY = 2
KEEP_S = KEEP_EVERY * STEP_S
KEPT = (
    "low", "high", "vent", "return_air", "suction", "liquid", "discharge", "evaporator_out", "cabin", "inlet", "fan",
    "air_ok", "ice", "plug", "mass", "stroke",
)  # fmt: skip
CONSTANTS = {
    "volumetric": 1.0, "overcool": 0.0, "fin_fails": 0.0, "restriction": 0.0, "face": 1.0, "moisture": 0.0, "again": 0.0,
    "thaw": 90.0, "plugs": 0.997, "soak": 25.0, "blend": 0.0,
}  # fmt: skip
SMOOTH = ("speed", "rpm", "ambient", "altitude")


@dataclass
class Specimen:
    """One car on one drive: what it is, what is asked of it, what was done to it."""

    car: Car
    drive: Drive
    constants: dict[str, float] = field(default_factory=dict)
    start_mass_kg: float | None = None


@dataclass
class Trace:
    """True values of one car every 0.1 s, and its compressor at every step."""

    t: np.ndarray
    values: dict[str, np.ndarray]
    engaged: np.ndarray
    wanted: np.ndarray
    volts: np.ndarray
    why: np.ndarray
    gauge_zero: np.ndarray
    outside_degc: float


def barometric_pa(altitude_m: np.ndarray) -> np.ndarray:
    """Standard atmosphere (ISO 2533)."""
    return 101325.0 * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588


def run(specimens: list[Specimen]) -> list[Trace]:
    """Drive all specimens as one numpy state; longer drives run on, shorter ones are cut."""
    cars = stacked([s.car for s in specimens])
    n = len(specimens)
    steps = round(max(s.drive.duration_s for s in specimens) / STEP_S) + 1
    grid = _gridded(specimens, steps)
    ambient = np.array([s.drive.ambient_degc for s in specimens])
    humidity = np.array([s.drive.humidity for s in specimens])
    warm = np.array([s.drive.warm_k for s in specimens])
    circuit = Circuit(tables_of(REFRIGERANTS), cars, ambient, humidity, warm)
    _empty(circuit, specimens)
    g = SimpleNamespace(
        **{name: np.array([s.constants.get(name, usual) for s in specimens]) for name, usual in CONSTANTS.items()}
    )
    kept = {name: np.empty((steps // KEEP_EVERY + 1, n), np.float32) for name in KEPT}
    flags = {name: np.empty((steps, n), bool) for name in ("engaged", "wanted")}
    volts, why = np.empty((steps, n), np.float16), np.empty((steps, n), np.int8)
    per = round(GRID_S / STEP_S)
    for step in range(steps):
        row, part = divmod(step, per)
        for name, table in grid.items():
            if name in SMOOTH:
                setattr(g, name, table[row] + (table[row + 1] - table[row]) * (part / per))
            elif part == 0:
                setattr(g, name, table[row])
        if part == 0:
            circuit.pressure = barometric_pa(g.altitude)
            g.outside_w = saturated_humidity(g.ambient, circuit.pressure) * humidity
        out = circuit.step(g)
        flags["engaged"][step], flags["wanted"][step] = out.engaged, out.wanted
        volts[step], why[step] = out.volts, out.why
        if step % KEEP_EVERY == 0:
            for name in KEPT:
                kept[name][step // KEEP_EVERY] = getattr(out, name)
    traces = []
    for i, s in enumerate(specimens):
        own = round(s.drive.duration_s / STEP_S) + 1
        half = (own - 1) // KEEP_EVERY + 1
        t = np.arange(half) * KEEP_S
        altitude = np.interp(t, s.drive.t, grid["altitude"][: len(s.drive.t), i])
        traces.append(
            Trace(
                t,
                {name: kept[name][:half, i].astype(float) for name in KEPT},
                flags["engaged"][:own, i].copy(), flags["wanted"][:own, i].copy(),
                volts[:own, i].astype(float), why[:own, i].copy(),
                barometric_pa(altitude), s.drive.ambient_degc,
            )
        )  # fmt: skip
    return traces


def _gridded(specimens: list[Specimen], steps: int) -> dict[str, np.ndarray]:
    """Signals of all drives over time, one row a grid moment; a drive that is over stays as it ended."""
    rows = steps * STEP_S / GRID_S
    rows = int(np.ceil(rows)) + 2
    grid = {}
    for name in specimens[0].drive.signals:
        table = np.empty((rows, len(specimens)))
        for i, s in enumerate(specimens):
            values = s.drive.signals[name]
            have = min(len(values), rows)
            table[:have, i] = values[:have]
            table[have:, i] = values[have - 1]
        grid[name] = table
    usual = np.array([s.car.fresh for s in specimens])
    grid["fresh"] = np.where(grid["fresh"] < 0.0, usual, grid["fresh"])
    base = np.array([s.car.altitude_m for s in specimens])
    grid["altitude"] = np.where(np.isnan(grid["altitude"]), base, grid["altitude"])
    return grid


def _empty(circuit: Circuit, specimens: list[Specimen]) -> None:
    """Cars that came in empty begin with what was left."""
    n = circuit.n
    for i, s in enumerate(specimens):
        if s.start_mass_kg is not None:
            for k, volume in ((i, circuit.c.low_m3[i]), (n + i, circuit.c.high_m3[i])):
                mass = s.start_mass_kg * volume / (circuit.c.low_m3[i] + circuit.c.high_m3[i])
                fluid = circuit.fluid2[k : k + 1]
                dew = circuit.tables.dew_of(fluid, np.array([volume / mass]))[:, 0]
                circuit.m[k] = mass
                soaked = s.drive.ambient_degc + 273.15
                circuit.u[k] = mass * (dew[1] + dew[3] * max(soaked - dew[0], 0.0)) + circuit.wall2[k] * soaked
