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
from tests.plant.sensors import plain, pressure, read, temperature
from tests.plant.vehicle import Inputs, Trace, Vehicle, drive

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

PROBES = (
    pressure("low_side", "low_pa", 1000.0, "HV-P-011", 1.2, 0.7),
    pressure("high_side", "high_pa", 3500.0, "HV-P-012", -4.0, 2.6),
    temperature("vent", "vent_degc", 5.0, "HV-T-021", 0.1),
    temperature("ambient", "ambient_degc", 10.0, "HV-T-022", -0.2),
    temperature("suction_line", "suction_degc", 6.0, "HV-T-023", 0.3),
    temperature("liquid_line", "liquid_degc", 6.0, "HV-T-024", -0.2),
    temperature("return_air", "return_degc", 6.0, "HV-T-025", 0.1),
    plain("clutch", "clutch_v", "V", 0.01, 0.1, 0.05),
    plain("engine_speed", "engine_rpm", "1/min", 1.0, 10.0, 4.0),
    plain("vehicle_speed", "speed_kmh", "km/h", 0.1, 1.0, 0.15),
)
ALTITUDE_KPA = 99.9
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


def asked(fan_out: tuple[tuple[int, int], ...], ambient_degc: float, seed: int):
    """Inputs of the drive as a function of time: stops, road stretches, slow weather."""
    rng = np.random.default_rng(seed)
    waves = rng.uniform(0.0, 2.0 * np.pi, 4)

    def at(t: float) -> Inputs:
        running = ENGINE_ON_S <= t < ENGINE_OFF_S
        standing = any(a <= t < b for a, b in STOPS)
        since = min((t - b for _, b in STOPS if t >= b), default=0.0)
        until = min((a - t for a, _ in STOPS if t < a), default=0.0)
        cruise = 44.0 + 9.0 * np.sin(t / 37.0 + waves[0]) + 6.0 * np.sin(t / 13.0 + waves[1])
        speed = 0.0 if standing or not running else max(min(cruise, 5.0 * since, 6.0 * until), 0.0)
        rpm = 780.0 + 8.0 * np.sin(t / 3.0 + waves[2])
        if speed > 0:
            rpm = 1150.0 + 15.0 * speed + 110.0 * np.sin(t / 7.0 + waves[3])
        fan = 0.0 if any(a <= t < b for a, b in fan_out) else 1.0
        ambient = ambient_degc + 0.6 * np.sin(t / 600.0)
        cooling = t >= COOLING_ON_S
        return Inputs(ambient, rpm if running else 0.0, speed, cooling, fan if cooling and running else 0.0)

    return at


def true_values(trace: Trace, source: str) -> np.ndarray:
    """True values in the unit of the channel; pressures gauge."""
    values = trace.column(source)
    return values / 1e3 - ALTITUDE_KPA if source.endswith("_pa") else values


def make(out: Path, name: str, job: JobSheet, trace: Trace, started_at: str, seed: int) -> Path:
    """Write one sealed recording."""
    rng = np.random.default_rng(seed)
    folder = out / name
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    started_ns = utc_ns_of(started_at)
    n = len(trace.rows)
    tick_us = np.rint(np.arange(n) * 1e6 / RATE_HZ).astype(np.int64)
    columns: dict[str, object] = {
        "t": pl.Series(started_ns + tick_us * 1000, dtype=pl.Datetime("ns", "UTC")),
        "tick_us": tick_us,
        "seq": np.arange(n, dtype=np.int64) // 4,
        "boot": np.zeros(n, np.int32),
    }
    raws = {p.channel.id: read(p, true_values(trace, p.source), 1.0 / RATE_HZ, rng) for p in PROBES}
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


def main(out: Path) -> None:
    """Make both recordings."""
    os.environ["SOURCE_DATE_EPOCH"] = str(utc_ns_of("2026-07-21T18:00:00Z") // 10**9)
    before = job_sheet_from({**JOB, **COMPLAINT, "marks": marks(1101.5, 1668.0)}, "before")
    after = job_sheet_from({**JOB, **REPAIR, "marks": marks()}, "after")
    keep = 1.0 / RATE_HZ
    trace = drive(Vehicle(), asked(FAN_OUT, 35.0, 7), DURATION_S, keep)
    make(out, BEFORE, before, trace, "2026-07-14T14:12:00Z", 70)
    trace = drive(Vehicle(), asked((), 34.6, 8), DURATION_S, keep)
    make(out, AFTER, after, trace, "2026-07-21T14:05:00Z", 80)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("recordings"))
