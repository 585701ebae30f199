"""Makes the demo recordings: python -m tests.plant.make_recordings [FOLDER].

Everything is invented: Harrow Vale Community Transport, its minibus 7, its drive and its fault. Seeds are fixed, so the
command makes the same digits again.
"""

import os
import shutil
import sys
import uuid
from pathlib import Path

import numpy as np
import polars as pl

from recorder.jobsheet import JobSheet, job_sheet_from
from recorder.marks import Mark, append_mark, utc_ns_of
from recorder.node import Group, NodeDescription
from recorder.recording import Stream
from recorder.sealing import write_sealed
from recorder.streams import stored_values
from tests.plant.cars import ALWAYS, Car
from tests.plant.circuit import STEP_S
from tests.plant.drives import Drive
from tests.plant.garage import Specimen, Trace, run
from tests.plant.sensors import plain, pressure, read, temperature

RATE_HZ = 4.0
DURATION_S = 2160.0
NODE = "hv-node-7"
BEFORE, AFTER = "minibus-7-before", "minibus-7-after"
SOFTWARE = "tests.plant (invented data)"

STOPS = (
    (0, 70),
    (265, 345),
    (545, 640),
    (800, 860),
    (1010, 1130),
    (1330, 1400),
    (1560, 1700),
    (1890, 1960),
    (2070, 2160),
)
"""Standing: start, pick-ups and set-downs, the depot."""
FAN_OUT = ((585, 640), (1020, 1130), (1345, 1400), (1572, 1700))
"""Moments at which the condenser fan has no supply (before the repair); it comes back with the jolt of moving off."""
ENGINE_ON_S, COOLING_ON_S, ENGINE_OFF_S = 18.0, 24.0, 2085.0

MINIBUS = Car(
    charge_kg=0.95, altitude_m=120.0, low_m3=2.0e-3, high_m3=2.3e-3, condenser_m3=0.9e-3, receiver_kg=0.72, hold_kg=0.39,
    evaporator_metal=2300.0, condenser_metal=2600.0, displacement_m3=165e-6, evaporator_air_ua=430.0, evaporator_ua=1500.0,
    wetting_kg=0.055, blower_kg_s=0.19, condenser_air_ua=1000.0, condenser_ua=2900.0, fan_kg_s=0.8, fan_mode=ALWAYS,
    ram_kg_s_kmh=0.02, recirculation=0.85, valve_m2=3.8e-6, fin_off_degc=2.5, fin_on_degc=6.0, fin_s=6.0, trip_pa=2.8e6,
    reset_pa=2.1e6, suction_drop=0.9e7, discharge_drop=2.0e7, cabin_ua=160.0, solar_w=1500.0, mass_j_k=110e3, fresh=0.1,
    people=12.0,
)  # fmt: skip
"""Sixteen seats: about one and a half times a car's circuit; the invented minibus is no real one."""

PROBES = (
    pressure("low_side", "low", 1000.0, "HV-P-011", 1.2, 0.7),
    pressure("high_side", "high", 3500.0, "HV-P-012", -4.0, 2.6),
    temperature("vent", "vent", 5.0, "HV-T-021", 0.1),
    temperature("ambient", "inlet", 10.0, "HV-T-022", -0.2),
    temperature("suction_line", "suction", 6.0, "HV-T-023", 0.3),
    temperature("liquid_line", "liquid", 6.0, "HV-T-024", -0.2),
    temperature("return_air", "return_air", 6.0, "HV-T-025", 0.1),
    plain("clutch", "volts", "V", 0.01, 0.1, 0.05),
    plain("engine_speed", "rpm", "1/min", 1.0, 10.0, 4.0),
    plain("vehicle_speed", "speed", "km/h", 0.1, 1.0, 0.15),
)
JOB = {
    "customer": "Harrow Vale Community Transport (invented)",
    "vehicle": "Minibus 7, 16 seats",
    "vin": "HVCT7BUS000000007",
    "plate": "HV 07 BUS",
    "order_number": "HV-2026-118",
    "refrigerant": "R-134a",
    "refrigerant_identified_by": "label and identifier",
    "metering": "expansion_valve",
    "compressor": "cycling_clutch",
    "receiver": "receiver-drier",
    "rated_charge_kg": 0.95,
    "altitude_m": 120,
    "technician": "A. Okafor (invented)",
    "weather": "sunny, hot afternoon",
}
COMPLAINT = {
    "name": "minibus 7 before",
    "complaint": "Blows warm at some stops on hot afternoons, cold again once the bus moves. Not every time.",
    "complaint_after_min": 5,
    "complaint_when": "idle",
    "odometer_in_km": 128430,
}
REPAIR = {
    "name": "minibus 7 after",
    "complaint": "Check after repair: blew warm at some stops on hot afternoons.",
    "complaint_after_min": 5,
    "complaint_when": "idle",
    "odometer_in_km": 128466,
    "cause": "Contact in the condenser fan's relay socket opened when hot and shaken.",
    "correction": "Relay socket and terminals renewed, fan current measured.",
    "parts": ["relay socket", "two terminals"],
    "labour_h": 1.2,
}


def drive(fan_out: tuple[tuple[int, int], ...], ambient_degc: float, seed: int, duration_s: float) -> Drive:
    """The round: stops, road stretches, slow weather, and when the fan has no supply."""
    waves = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, 4)
    found = Drive("round", duration_s, ambient_degc, 0.4, ENGINE_ON_S, ENGINE_OFF_S)
    t = found.t
    running = (t >= ENGINE_ON_S) & (t < ENGINE_OFF_S)
    since = np.min([np.where(t >= end, t - end, np.inf) for _, end in STOPS], axis=0)
    until = np.min([np.where(t < start, start - t, np.inf) for start, _ in STOPS], axis=0)
    cruise = 44.0 + 9.0 * np.sin(t / 37.0 + waves[0]) + 6.0 * np.sin(t / 13.0 + waves[1])
    speed = np.minimum(np.minimum(cruise, 5.0 * since), 6.0 * until) * (running & ~_within(t, STOPS))
    rolling = 1150.0 + 15.0 * speed + 110.0 * np.sin(t / 7.0 + waves[3])
    idle = 780.0 + 8.0 * np.sin(t / 3.0 + waves[2])
    cooling = (t >= COOLING_ON_S).astype(float)
    always, never = np.ones(len(t)), np.zeros(len(t))
    found.signals = {
        "speed": speed, "rpm": np.where(speed > 0.0, rolling, idle) * running, "cooling": cooling, "blower": cooling * running,
        "ambient": ambient_degc + 0.6 * np.sin(t / 600.0), "fan": 1.0 - _within(t, fan_out),
        "supply": always, "grip": always, "stroke": always, "fresh": np.full(len(t), MINIBUS.fresh),
        "altitude": np.full(len(t), MINIBUS.altitude_m),
        **dict.fromkeys(("door", "throttle", "leak", "draw", "fill", "swing"), never),
    }  # fmt: skip
    return found


def _within(t: np.ndarray, spans: tuple[tuple[int, int], ...]) -> np.ndarray:
    return np.any([np.zeros(len(t), bool), *((t >= start) & (t < end) for start, end in spans)], axis=0)


def seen_at(t: np.ndarray, trace: Trace, driven: Drive, source: str) -> np.ndarray:
    """True values of a probe's source at moments ``t`` [s], in the unit of its channel; pressures gauge."""
    if source == "volts":
        return trace.volts[np.rint(t / STEP_S).astype(int)]
    if source in driven.signals:
        return np.interp(t, driven.t, driven.signals[source])
    values = trace.values[source]
    return np.interp(t, trace.t, (values - trace.gauge_zero) / 1e3 if source in ("low", "high") else values)


def make(out: Path, name: str, job: JobSheet, driven: Drive, trace: Trace, started_at: str, seed: int) -> Path:
    """Write one sealed recording."""
    folder = out / name
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    started_ns = utc_ns_of(started_at)
    n = round(driven.duration_s * RATE_HZ) + 1
    t = np.arange(n) / RATE_HZ
    tick_us = np.rint(t * 1e6).astype(np.int64)
    columns: dict[str, object] = {
        "t": pl.Series(started_ns + tick_us * 1000, dtype=pl.Datetime("ns", "UTC")),
        "tick_us": tick_us,
        "seq": np.arange(n, dtype=np.int64) // 4,
        "boot": np.zeros(n, np.int32),
    }
    raws = {
        p.channel.id: read(p, seen_at(t, trace, driven, p.source), 1.0 / RATE_HZ, np.random.default_rng([seed, i]))
        for i, p in enumerate(PROBES)
    }
    columns |= {p.channel.id: stored_values(raws[p.channel.id], p.channel.scale, p.channel.offset) for p in PROBES}
    columns |= {f"raw_{name}": raw for name, raw in raws.items()}
    channels = tuple(p.channel for p in PROBES)
    description = NodeDescription(NODE, "plant model", 1, (Group(0, RATE_HZ, "int32", channels),))
    for entry in job.marks:
        append_mark(folder, Mark(started_ns + round(entry.time_s * 1e9), entry.kind, entry.text))
    node = {"name": NODE, "description": description.to_dict(), "clock": [], "counters": {"frames": n // 4}}
    identity = str(uuid.uuid5(uuid.NAMESPACE_URL, f"warmspell:{name}"))
    stream = Stream(NODE, RATE_HZ, channels, pl.DataFrame(columns))
    write_sealed(folder, identity, job, (stream,), [node], [], SOFTWARE, "invented: made by tests/plant")
    return folder


def marks(*complaints: float) -> list[dict[str, object]]:
    """Marks pressed by hand, a little late."""
    return [
        {"time_s": ENGINE_ON_S + 0.8, "kind": "engine_on", "text": ""},
        {"time_s": COOLING_ON_S + 0.6, "kind": "ac_on", "text": "full cold, recirculation, blower 3"},
        *({"time_s": t, "kind": "complaint", "text": "driver: warm now"} for t in complaints),
        {"time_s": ENGINE_OFF_S + 1.1, "kind": "engine_off", "text": ""},
    ]


def main(out: Path, duration_s: float = DURATION_S) -> None:
    """Make both recordings; a shorter ``duration_s`` makes the same first part."""
    os.environ["SOURCE_DATE_EPOCH"] = str(utc_ns_of("2026-07-21T18:00:00Z") // 10**9)
    before = job_sheet_from({**JOB, **COMPLAINT, "marks": marks(1101.5, 1668.0)}, "before")
    after = job_sheet_from({**JOB, **REPAIR, "marks": marks()}, "after")
    drives = drive(FAN_OUT, 35.0, 7, duration_s), drive((), 34.6, 8, duration_s)
    traces = run([Specimen(MINIBUS, driven) for driven in drives])
    make(out, BEFORE, before, drives[0], traces[0], "2026-07-14T14:12:00Z", 70)
    make(out, AFTER, after, drives[1], traces[1], "2026-07-21T14:05:00Z", 80)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("recordings"))
