"""A long recording for the benchmarks: the demo's drive over and over, resampled to any rate, with noise of its own.

Invented, as the demo's recording is. Twelve channels: the demo's ten, a battery and a discharge line that follow from
them. Readings are quantised as the demo's sensors do, so that the Parquet packs as a real one would.
"""

import uuid
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from recorder.jobsheet import MarkEntry
from recorder.marks import Mark, append_mark
from recorder.node import Channel, Group, NodeDescription
from recorder.recording import Stream, open_recording
from recorder.sealing import write_sealed
from recorder.streams import stored_values
from tests.conftest import ROOT

SOURCE = ROOT / "recordings" / "minibus-7-before"
NODE = "bench-node"
NOISE = {"kPa": 2.0, "degC": 0.04, "V": 0.02, "1/min": 8.0, "km/h": 0.3}


def long_recording(out: Path, hours: float, rate_hz: float, seed: int = 7) -> Path:
    """Write a sealed recording of so many hours at a rate; returns its folder."""
    demo = open_recording(SOURCE)
    (stream,) = demo.streams
    rng = np.random.default_rng(seed)
    at = np.arange(round(hours * 3600.0 * rate_hz)) / rate_hz
    lap_s = stream.data.height / stream.rate_hz
    # The last lap's rest belongs to the end; every other lap drives on into the next without it.
    driving_s = 34.0 * 60.0
    within = np.where(at < at[-1] - (lap_s - driving_s), at % driving_s, at - at[-1] + lap_s)
    within = np.clip(within, 0.0, lap_s - 1.0 / stream.rate_hz)
    known = np.arange(stream.data.height) / stream.rate_hz
    columns: dict[str, np.ndarray] = {}
    for channel in stream.channels:
        clean = np.interp(within, known, stream.data[channel.id].to_numpy().astype(np.float64))
        columns[channel.id] = clean + rng.normal(0.0, NOISE[channel.unit], len(at))
    columns["discharge_line"] = 40.0 + columns["high_side"] / 40.0
    columns["battery"] = 13.6 + rng.normal(0.0, 0.02, len(at))
    channels = (
        *stream.channels,
        Channel("discharge_line", "degC", accuracy=1.5, scale=0.01, raw_unit="0.01 degC"),
        Channel("battery", "V", accuracy=0.1, scale=0.01, raw_unit="0.01 V"),
    )
    return _write(out, at, columns, channels, rate_hz, demo.job)


def _write(
    out: Path, at: np.ndarray, columns: dict[str, np.ndarray], channels: tuple[Channel, ...], rate_hz: float, job
) -> Path:
    folder = out / f"{len(at)}-rows"
    folder.mkdir(parents=True)
    started_ns = 1_800_000_000_000_000_000
    tick_us = np.rint(at * 1e6).astype(np.int64)
    data: dict[str, object] = {
        "t": pl.Series(started_ns + tick_us * 1000, dtype=pl.Datetime("ns", "UTC")),
        "tick_us": tick_us,
        "seq": np.arange(len(at), dtype=np.int64) // 10,
        "boot": np.zeros(len(at), np.int32),
    }
    raws = {c.id: np.rint((columns[c.id] - c.offset) / c.scale).astype(np.int32) for c in channels}
    data |= {c.id: stored_values(raws[c.id].astype(np.float64), c.scale, c.offset) for c in channels}
    data |= {f"raw_{name}": raw for name, raw in raws.items()}
    end_s = float(at[-1]) - 75.0
    marks = (MarkEntry(18.8, "engine_on"), MarkEntry(24.6, "ac_on"), MarkEntry(end_s, "engine_off"))
    for mark in marks:
        append_mark(folder, Mark(started_ns + round(mark.time_s * 1e9), mark.kind, ""))
    description = NodeDescription(NODE, "bench", 1, (Group(0, rate_hz, "int32", channels),))
    node = {"name": NODE, "description": description.to_dict(), "clock": [], "counters": {}}
    identity = str(uuid.uuid5(uuid.NAMESPACE_URL, f"warmspell:bench:{len(at)}"))
    sealed = Stream(NODE, rate_hz, channels, pl.DataFrame(data))
    write_sealed(
        folder, identity, replace(job, marks=marks), (sealed,), [node], [], "bench", "invented: made by tests/bench"
    )
    return folder
