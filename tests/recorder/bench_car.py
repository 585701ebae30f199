"""An invented recording for calibration tests: a node on a bench for two minutes, its true errors known."""

from pathlib import Path

import numpy as np
import polars as pl

from recorder.jobsheet import JobSheet
from recorder.node import Channel, Group, NodeDescription
from recorder.readings import readings_of
from recorder.recording import Recording, Stream, open_recording
from recorder.sealing import write_sealed
from recorder.sensors import ClampOn, Ratiometric, Thermocouple
from recorder.thermocouples import emf_uv

NODE, RATE_HZ, HALF_S = "bench-1", 10.0, 60.0
HIGH_KPA = 571.0
LOW_GAIN, LOW_ZERO_KPA = 1.02, 4.0
"""The low-side transducer reads true * gain + zero."""
VENT_ERROR_K, OTHER_ERROR_K = 0.8, 0.1
CLAMP_UV_PER_KPA, CLAMP_ZERO_UV = 3.0, 250.0
CHANNELS = (
    Channel("sensor_supply", "V", scale=0.001),
    Channel(
        "low_side",
        "kPa",
        "vented_gauge",
        range_low=0.0,
        range_high=1000.0,
        accuracy=10.0,
        scale=0.0001,
        raw_unit="0.1 mV",
        serial_number="LP-7",
        conversion=Ratiometric(0.0, 1000.0, "sensor_supply"),
    ),
    Channel("cold_junction", "degC", scale=0.01),
    Channel("vent", "degC", accuracy=1.5, serial_number="TK-3", conversion=Thermocouple("K", "cold_junction")),
    Channel("vent_2", "degC", accuracy=0.5, scale=0.01, serial_number="PT-1"),
    Channel("high_side", "kPa", "vented_gauge", scale=1.0, raw_unit="uV", serial_number="SC-2", conversion=ClampOn()),
)


def truth_kpa(t_s: np.ndarray) -> np.ndarray:
    """Open air in the first minute, a known pressure in the second."""
    return np.where(t_s < HALF_S, 0.0, HIGH_KPA)


def raw_of(t_s: np.ndarray, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """What the node sends: with the sensors' true errors and a little noise."""
    supply_v = 4.93 + 0.01 * np.sin(t_s / 9.0)
    true = truth_kpa(t_s)
    read = true * LOW_GAIN + LOW_ZERO_KPA + rng.normal(0.0, 0.4, len(t_s))
    low_v = supply_v * (0.1 + 0.8 * read / 1000.0)
    cold = 24.0 + 0.002 * t_s
    bath = rng.normal(0.0, 0.02, len(t_s))
    vent_uv = emf_uv("K", bath + VENT_ERROR_K) - emf_uv("K", cold)
    values = {
        "sensor_supply": supply_v * 1000.0,
        "low_side": low_v * 10_000.0,
        "cold_junction": cold * 100.0,
        "vent": vent_uv,
        "vent_2": (bath + OTHER_ERROR_K) * 100.0,
        "high_side": true * CLAMP_UV_PER_KPA + CLAMP_ZERO_UV + rng.normal(0.0, 3.0, len(t_s)),
    }
    return {name: np.rint(v).astype(np.int32) for name, v in values.items()}


def make(out: Path, seed: int = 8) -> Recording:
    """Write the sealed recording and open it."""
    out.mkdir(parents=True)
    t_s = np.arange(round(2 * HALF_S * RATE_HZ)) / RATE_HZ
    raw = raw_of(t_s, np.random.default_rng(seed))
    readings = readings_of(CHANNELS, raw)
    tick_us = np.rint(t_s * 1e6).astype(np.int64)
    columns = {
        "t": pl.Series(10**18 + tick_us * 1000, dtype=pl.Datetime("ns", "UTC")),
        "tick_us": tick_us,
        "seq": np.arange(len(t_s), dtype=np.int64),
        "boot": np.zeros(len(t_s), np.int32),
    }
    columns |= {name: pl.Series(v.astype(np.float32), nan_to_null=True) for name, v in readings.values.items()}
    columns |= {f"raw_{name}": v for name, v in raw.items()}
    description = NodeDescription(NODE, "made for a test", 1, (Group(0, RATE_HZ, "int32", CHANNELS),))
    node = {"name": NODE, "description": description.to_dict(), "clock": [], "counters": readings.missing}
    stream = Stream(NODE, RATE_HZ, CHANNELS, pl.DataFrame(columns))
    write_sealed(out, "bench", JobSheet(), (stream,), [node], [], "test")
    return open_recording(out)
