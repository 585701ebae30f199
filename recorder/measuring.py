"""What a calibration measures: steady stretches of a recording, or of a node that is listened to for a while."""

import asyncio
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from recorder.calibration import Mean, mean_of
from recorder.clock import HostClock
from recorder.errors import InputError
from recorder.jobsheet import JobSheet
from recorder.links import link_to
from recorder.node import Channel
from recorder.readings import converted, raw_columns
from recorder.recalibration import node_of
from recorder.recording import Recording, Stream, open_recording
from recorder.session import Session
from recorder.store import RecordingStore

STEADY = {"pressure": 2.0, "temperature": 0.3}
"""How far the halves of a steady stretch may differ, in kPa and K (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A channel's mean over a stretch, before its own calibration, and the step of its readings."""

    node: str
    channel: Channel
    mean: Mean
    resolution: float

    @property
    def corrected(self) -> float:
        """The mean with the calibration that is in use."""
        known = self.channel.calibration
        return self.mean.value if known is None else known.gain * self.mean.value + known.zero


def listen(address: str, for_s: float) -> Recording:
    """Record a live node for a while and keep nothing on the disk.

    Raises
    ------
    InputError
        If nothing was received.
    """
    link = link_to(address)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        store = RecordingStore(Path(folder), JobSheet(), HostClock.start())
        session = Session(store, [link])
        asyncio.run(session.run(for_s))
        heard = open_recording(store.folder)
    if not any(stream.data.height for stream in heard.streams):
        raise InputError(f"{address}: nothing was received ({session.nodes[0].state}).")
    return heard


def stretch(recording: Recording, wanted: str, from_s: float = -np.inf, to_s: float = np.inf) -> Measured:
    """A channel's mean between two times [s] since the recording's first sample.

    Parameters
    ----------
    wanted : str
        ``vent``, or ``stream:vent`` where several nodes have a channel of that name.

    Raises
    ------
    InputError
        If the channel is not there or not clear, or the stretch holds too few readings.
    """
    stream, channel = _channel(recording, wanted)
    data = _between(recording, stream, from_s, to_s)
    raw = raw_columns(stream.channels, data)
    by_id = {c.id: c for c in stream.channels}
    values = converted(channel, raw, by_id).values
    try:
        mean = mean_of(values)
    except InputError as reason:
        raise InputError(f"{recording.path.name}, channel '{channel.id}': {reason}") from None
    # One digit up from the middle of what was sent: the step that the reading makes there.
    middle = {name: np.array([np.nanmedian(sent)], sent.dtype) for name, sent in raw.items()}
    above = middle | {channel.id: middle[channel.id] + 1} if raw[channel.id].dtype.kind == "i" else middle
    step = converted(channel, above, by_id).values - converted(channel, middle, by_id).values
    resolution = float(np.nan_to_num(np.abs(step[0])))
    return Measured(node_of(recording, stream), channel, mean, resolution)


def _channel(recording: Recording, wanted: str) -> tuple[Stream, Channel]:
    stream_name, _, name = wanted.rpartition(":")
    streams = [s for s in recording.streams if not stream_name or s.id == stream_name]
    found = [(s, c) for s in streams for c in s.channels if c.id == name]
    if len(found) == 1:
        return found[0]
    there = ", ".join(f"{s.id}:{c.id}" for s in recording.streams for c in s.channels)
    if found:
        raise InputError(f"'{wanted}' is there {len(found)} times; name one of: {there}.")
    raise InputError(f"there is no channel '{wanted}'. Channels: {there or 'none'}.")


def _between(recording: Recording, stream: Stream, from_s: float, to_s: float) -> pl.DataFrame:
    started_ns = recording.started_utc_ns or 0
    since = (pl.col("t").cast(pl.Int64) - started_ns) / 1e9
    return stream.data.filter((since >= from_s) & (since <= to_s))


def hold_steady(measured: Measured, unit_limit: float | None = None) -> None:
    """Refuse a stretch that drifts.

    Raises
    ------
    InputError
        If its halves differ by more than ``unit_limit``, or ``STEADY`` for the channel's quantity.
    """
    channel = measured.channel
    limit = STEADY.get(channel.quantity) if unit_limit is None else unit_limit
    drift = abs(measured.mean.drift)
    if limit is not None and drift > limit:
        raise InputError(
            f"channel '{channel.id}' is not steady: the halves of the stretch differ by {drift:.3g} {channel.unit} "
            f"(at most {limit:.3g}). Wait longer, or choose another stretch."
        )
