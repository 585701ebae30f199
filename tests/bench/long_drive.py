"""An invented working day: the demo drive over and over, 8 h of 12 channels at 10 Hz."""

from dataclasses import replace

import numpy as np
import polars as pl

from recorder.node import Channel
from recorder.recording import Recording, Stream, open_recording
from tests.conftest import ROOT

HOURS, RATE_HZ = 8.0, 10.0


def long_drive(hours: float = HOURS) -> Recording:
    """The demo's readings interpolated to 10 Hz and repeated, with two channels more and noise of their own."""
    demo = open_recording(ROOT / "recordings" / "minibus-7-before")
    (stream,) = demo.streams
    n = round(hours * 3600 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    source_s = np.arange(stream.data.height) / stream.rate_hz
    within = t % source_s[-1]
    rng = np.random.default_rng(8)
    columns: dict[str, object] = {
        "t": pl.Series(demo.started_utc_ns + np.rint(t * 1e9).astype(np.int64), dtype=pl.Datetime("ns", "UTC")),
        "tick_us": np.rint(t * 1e6).astype(np.int64),
        "seq": np.arange(n, dtype=np.int64),
        "boot": np.zeros(n, np.int32),
    }
    for channel in stream.channels:
        values = np.interp(within, source_s, stream.data[channel.id].to_numpy())
        noise = 0.002 * float(np.ptp(values))
        columns[channel.id] = (values + rng.normal(0.0, noise, n)).astype(np.float32)
    columns["battery"] = (13.8 + rng.normal(0.0, 0.05, n)).astype(np.float32)
    columns["cabin"] = (26.0 + rng.normal(0.0, 0.05, n)).astype(np.float32)
    clutch = next(c for c in stream.channels if c.id == "clutch")
    vent = next(c for c in stream.channels if c.id == "vent")
    more: tuple[Channel, ...] = (replace(clutch, id="battery"), replace(vent, id="cabin"))
    channels = (*stream.channels, *more)
    return replace(demo, streams=(Stream(stream.id, RATE_HZ, channels, pl.DataFrame(columns)),), marks=())
