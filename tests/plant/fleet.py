"""Seeded random cars, drives and faults as recordings with known truth: ``python -m tests.plant.fleet FIRST LAST [OUT]``.

A seed makes the same car again, whatever it is run beside. All invented.
"""

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from recorder.importer import import_csv
from recorder.jobsheet import job_sheet_from
from tests.plant.cars import (
    COMPRESSOR_NAMES,
    CYCLING,
    EXTERNAL,
    INTERNAL,
    METERING_NAMES,
    ORIFICE,
    REFRIGERANTS,
    VALVE,
    random_car,
)
from tests.plant.drives import KINDS, humidity_at, mountain_pass, ordinary_life, random_drive, recharge
from tests.plant.faults import RECIPES, Faulty
from tests.plant.garage import Specimen, Trace, run
from tests.plant.sensing import Sensed, sense
from tests.plant.truth import Pair, compressor_of, cycles_of, equalisations_of, faults_of, settlings_of

HEALTHY_SHARE = 0.4
WEIGHTS = {
    "compressor_dropout": 8, "condenser_airflow_loss": 7, "high_pressure_trip": 4, "undercharge": 6, "leak": 3, "overcharge": 5,
    "non_condensables": 5, "restriction": 5, "moisture_freeze": 5, "evaporator_icing": 4, "valve_hunting": 5,
    "weak_pumping": 6, "sensor_fault": 8,
}  # fmt: skip
BATCH = 100


@dataclass(frozen=True)
class Draft:
    """One seed: the healthy specimen and the faulty one made of it."""

    seed: int
    kind: str
    healthy: Specimen
    faulty: Faulty


def draft(seed: int) -> Draft:
    """Draw the car, the drive and the fault of a seed."""
    rng = np.random.default_rng([20260714, seed])
    names = list(WEIGHTS)
    shares = np.array([WEIGHTS[n] for n in names], float)
    kind = "healthy" if rng.random() < HEALTHY_SHARE else str(rng.choice(names, p=shares / shares.sum()))
    recipe = RECIPES.get(kind)
    want: dict[str, object] = {}
    if recipe:
        want = {key: int(rng.choice(choices)) for key, choices in recipe.car.items()}
    if want.get("compressor") in (INTERNAL, EXTERNAL):
        want["metering"] = VALVE
    elif want.get("metering") == ORIFICE:
        want["compressor"] = CYCLING
    elif want.get("compressor") == CYCLING and "metering" not in want:
        want["metering"] = int(rng.choice([VALVE, ORIFICE], p=[0.6, 0.4]))
    elif want.get("metering") == VALVE and "compressor" not in want:
        want["compressor"] = int(rng.choice([CYCLING, INTERNAL, EXTERNAL]))
    if kind == "evaporator_icing":
        want["blower_kg_s"] = float(
            rng.uniform(0.065, 0.1) if want.get("compressor") == EXTERNAL else rng.uniform(0.09, 0.12)
        )
        want["fresh"] = float(rng.uniform(0.4, 1.0))
    car = random_car(rng, want)
    choices = list(recipe.drives) if recipe else list(KINDS)
    drive = random_drive(rng, str(rng.choice(choices)), recipe.hot if recipe else None)
    if kind == "evaporator_icing":
        damp = float(rng.uniform(0.0135, 0.02)) / humidity_at(drive.ambient_degc)
        drive.humidity = min(max(damp, 0.35), 0.95)
    ordinary_life(rng, drive)
    if rng.random() < 0.08 and drive.kind in ("mixed", "motorway"):
        mountain_pass(rng, drive, car.altitude_m)
    healthy = Specimen(car, drive)
    if drive.kind == "recharge":
        healthy.start_mass_kg = recharge(rng, drive, car.charge_kg)
    faulty = recipe.plant(rng, healthy) if recipe else Faulty(healthy, [])
    if recipe and rng.random() < 0.12 and kind not in ("sensor_fault", "evaporator_icing", "valve_hunting"):
        second = str(rng.choice(["condenser_airflow_loss", "compressor_dropout", "undercharge"]))
        if second != kind and not (second == "undercharge" and kind in ("leak", "overcharge")):
            other = RECIPES[second].plant(rng, faulty.specimen)
            faulty = Faulty(other.specimen, [*faulty.planted, *other.planted])
    return Draft(seed, kind, healthy, faulty)


def make(seeds: list[int], out: Path) -> list[Path]:
    """Drive a batch of seeds side by side and store each as CSV, job sheet, truth and sealed recording."""
    drafts = [draft(seed) for seed in seeds]
    specimens = [d.faulty.specimen for d in drafts]
    twinned = [k for k, d in enumerate(drafts) if d.faulty.planted]
    traces = run([*specimens, *(drafts[k].healthy for k in twinned)])
    twins = {k: traces[len(drafts) + i] for i, k in enumerate(twinned)}
    done = []
    for k, one in enumerate(drafts):
        pair = Pair(traces[k], twins.get(k, traces[k]))
        folder = store(one, pair, out)
        if folder is not None:
            done.append(folder)
        (out / f"{one.seed}").mkdir(parents=True, exist_ok=True)
        (out / f"{one.seed}" / "made").touch()
    return done


def fit_to_be_healthy(twin: Trace) -> bool:
    """A healthy twin neither trips nor freezes; a car that does was drawn badly."""
    trips = any(x.get("cause") == "high_pressure_trip" for x in compressor_of(twin)["transitions"])
    return not trips and float(twin.values["ice"].max()) < 0.2 and float(np.isfinite(twin.values["low"]).mean()) == 1.0


def store(one: Draft, pair: Pair, out: Path) -> Path | None:
    """Write one recording and its truth."""
    if not fit_to_be_healthy(pair.twin):
        return None
    rng = np.random.default_rng([7, one.seed])
    sensed = sense(rng, one.faulty, pair.trace)
    compressor = compressor_of(pair.trace)
    faults = faults_of(one.faulty, pair, compressor, sensed.sensors)
    truth = truth_of(one, pair, sensed, compressor, faults)
    folder = out / str(one.seed)
    folder.mkdir(parents=True, exist_ok=True)
    job = job_of(rng, one, faults)
    (folder / "truth.json").write_text(json.dumps(truth))
    (folder / "job.json").write_text(json.dumps(job))
    csv = folder / "drive.csv"
    with csv.open("w", encoding="utf-8") as file:
        frame = pl.DataFrame({"time_s": np.round(sensed.t, 3), **sensed.columns})
        file.write(frame.fill_nan(None).write_csv())
    for old in folder.glob("*/recording.json"):
        for part in old.parent.iterdir():
            part.unlink()
        old.parent.rmdir()
    import_csv(csv, job_sheet_from(job, "job.json"), folder, {})
    csv.unlink()
    return folder


def truth_of(
    one: Draft, pair: Pair, sensed: Sensed, compressor: dict[str, Any], faults: list[dict[str, Any]]
) -> dict[str, Any]:
    """The truth document, as that of the samples."""
    car, drive = one.faulty.specimen.car, one.faulty.specimen.drive
    every = [*faults, *sensed.faults]
    must = [f for f in every if not f.get("optional")]
    return {
        "name": str(one.seed), "about": f"{one.kind}, {drive.kind}", "planted": one.kind, "drive": drive.kind,
        "healthy": not must, "system_healthy": not [f for f in must if f["kind"] != "sensor_fault"],
        "duration_s": round(float(sensed.t[-1]), 2), "sample_rate_hz": sensed.rate_hz,
        "channels": list(sensed.sensors), "compressor": compressor, "cycles": cycles_of(compressor),
        "equalisation": equalisations_of(pair.trace, compressor, faults),
        "settling": settlings_of(pair.trace, one.faulty.specimen, compressor, sensed.felt, faults),
        "faults": every, "sensors": {k: {a: round(float(b), 4) for a, b in v.items()} for k, v in sensed.sensors.items()},
        "hardware": {
            "rated_charge_kg": one.healthy.car.charge_kg, "refrigerant": REFRIGERANTS[car.fluid],
            "metering": METERING_NAMES[car.metering], "compressor": COMPRESSOR_NAMES[car.compressor],
            "altitude_m": car.altitude_m, "fan_mode": int(car.fan_mode), "trip_kpa": car.trip_pa / 1e3,
        },
        "ambient_true_c": drive.ambient_degc, "humidity": round(drive.humidity, 2),
    }  # fmt: skip


def job_of(rng: np.random.Generator, one: Draft, faults: list[dict[str, Any]]) -> dict[str, Any]:
    """What a technician would have written down, sometimes little."""
    car, drive = one.faulty.specimen.car, one.faulty.specimen.drive
    job: dict[str, Any] = {
        "name": f"car-{one.seed}", "refrigerant": REFRIGERANTS[car.fluid], "metering": METERING_NAMES[car.metering],
        "compressor": COMPRESSOR_NAMES[car.compressor], "altitude_m": car.altitude_m, "rated_charge_kg": round(one.healthy.car.charge_kg, 2),
    }  # fmt: skip
    for key, chance in (
        ("metering", 0.06),
        ("compressor", 0.06),
        ("altitude_m", 0.1 if car.altitude_m < 500 else 0.0),
        ("rated_charge_kg", 0.15),
    ):
        if rng.random() < chance:
            del job[key]
    if drive.charged_kg is not None and rng.random() < 0.5:
        job["charged_kg"] = drive.charged_kg
    true_mass = one.faulty.specimen.car.charge_kg
    if drive.charged_kg is None and rng.random() < 0.06:
        job["recovered_kg"] = round(max(true_mass - float(rng.uniform(0.01, 0.05)), 0.05), 3)
    marks = [
        {"time_s": round(t + float(rng.uniform(0.0, 2.5)), 1), "kind": kind}
        for t, kind, _ in drive.marks
        if t < drive.duration_s - 3.0
        and rng.random() > (0.12 if kind not in ("recharged", "charging", "recovery", "vacuum") else 0.0)
    ]
    if rng.random() < 0.06:
        marks = []
    intermittent = [f for f in faults if not f["permanent"]]
    if intermittent and rng.random() < 0.45:
        one_fault = intermittent[int(rng.integers(len(intermittent)))]
        at = min(one_fault["start_s"] + float(rng.uniform(15, 70)), drive.duration_s - 2.0)
        marks.append({"time_s": round(at, 1), "kind": "complaint"})
    elif not faults and rng.random() < 0.1:
        marks.append({"time_s": round(float(rng.uniform(300, drive.duration_s - 60)), 1), "kind": "complaint"})
    job["marks"] = sorted(marks, key=lambda m: m["time_s"])
    return job


def make_all(seeds: list[int], out: Path) -> int:
    """Make many seeds on both cores; those of like length side by side."""
    batches = [seeds[k : k + BATCH] for k in range(0, len(seeds), BATCH)]
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        return sum(len(done) for done in pool.map(make, batches, [out] * len(batches)))


if __name__ == "__main__":
    place = Path(sys.argv[3]) if len(sys.argv) > 3 else Path("/tmp/fleet")
    made = make_all(list(range(int(sys.argv[1]), int(sys.argv[2]))), place)
    print(f"{made} recordings in {place}")
