"""The trace for zooming: every channel at its own rate, reduced to minima and maxima where there are more than pixels.

Buckets are powers of two in samples and anchored to the absolute sample index: neither panning nor zooming makes the
trace shimmer, and a one-sample spike survives any reduction.
"""

import base64
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.derived import Derived
from analysis.timeline import Floats, Timeline, barometric_of, timeline_of
from recorder.jobsheet import JobSheet
from recorder.node import Channel
from recorder.recording import Stream, open_recording, read_channels

Readings: TypeAlias = NDArray[np.floating[Any]]
MOST_BUCKETS = 4000
BLOCK = 64
"""Samples whose extremes are worked out once: wide windows are reduced from those, and stay as exact."""


@dataclass(frozen=True, eq=False)
class Series:
    """One line: seconds (n,) increasing and values (n,), NaN where missing; ``derived`` is worked out, not sensed."""

    name: str
    place: str
    quantity: str
    unit: str
    derived: bool
    t_s: Floats
    values: Readings

    @cached_property
    def extremes(self) -> tuple[Readings, Readings]:
        """Minimum and maximum of each block of ``BLOCK`` samples, counted from the first."""
        edges = np.arange(0, len(self.values), BLOCK)
        return np.fmin.reduceat(self.values, edges), np.fmax.reduceat(self.values, edges)


def sensed_in(folder: Path) -> tuple[Series, ...]:
    """Every channel in use of a recording; raises InputError where none can be read."""
    job, streams = read_channels(folder)
    return sensed(streams, job, lambda: timeline_of(open_recording(folder)))


def sensed(streams: Sequence[Stream], job: JobSheet, on_time_base: Callable[[], Timeline | None]) -> tuple[Series, ...]:
    """Every channel in use as it was recorded, pressures gauge.

    Parameters
    ----------
    on_time_base : callable
        Asked where a clock stepped back: then the readings stand in line as the analysis puts them.
    """
    held = [stream for stream in streams if stream.data.height]
    if not held:
        return ()
    utc_ns = {stream.id: stream.data["t"].to_physical().to_numpy() for stream in held}
    start_ns = min(int(t[0]) for t in utc_ns.values())
    raw: list[tuple[str, Channel, Floats, Floats]] = []
    taken: set[str] = set()
    for stream in held:
        t_s = (utc_ns[stream.id] - start_ns) / 1e9
        for channel in (c for c in stream.channels if c.in_use):
            name = next(n for n in (channel.id, *(f"{channel.place}_{k}" for k in range(2, 1000))) if n not in taken)
            taken.add(name)
            raw.append((name, channel, t_s, stream.data[channel.id].to_numpy()))
    air_kpa, _ = barometric_of(((channel, t_s, values) for _, channel, t_s, values in raw), job.altitude_m)
    steps_back = any(len(t) > 1 and bool((np.diff(t) <= 0).any()) for t in utc_ns.values())
    timeline = on_time_base() if steps_back else None
    if timeline is not None:
        signals = [(name, channel, timeline.signals[name]) for name, channel, _, _ in raw]
        return tuple(
            _series(n, c, s.t_s, s.values, air_kpa if c.quantity == "pressure" else 0.0) for n, c, s in signals
        )
    return tuple(_series(n, c, t_s, values, _over_gauge_kpa(c, air_kpa)) for n, c, t_s, values in raw)


def _series(name: str, channel: Channel, t_s: Floats, values: Readings, over: float) -> Series:
    shown = values - values.dtype.type(over) if over else values
    return Series(name, channel.place, channel.quantity, channel.unit, False, t_s, shown)


def _over_gauge_kpa(channel: Channel, air_kpa: float) -> float:
    """How far a pressure as stored stands over one that counts from the air outside."""
    if channel.quantity != "pressure":
        return 0.0
    if channel.reference == "absolute":
        return air_kpa
    return 0.0 if channel.sealed_at_kpa is None else air_kpa - channel.sealed_at_kpa


DERIVED = (
    ("evaporating", "temperature", "degC", "evaporating_degc"),
    ("condensing", "temperature", "degC", "condensing_degc"),
    ("condensing over ambient", "difference", "K", "over_ambient_k"),
    ("superheat", "difference", "K", "superheat_k"),
    ("subcooling", "difference", "K", "subcooling_k"),
)
"""Name, quantity, unit, field of ``Derived``."""


def write_derived(path: Path, timeline: Timeline, derived: Derived) -> None:
    """Keep the derived quantities of an analysis for drawing; raises OSError."""
    lines = {name: getattr(derived, field) for name, _, _, field in DERIVED}
    held = {name: values.astype(np.float32) for name, values in lines.items() if values is not None}
    with path.open("wb") as file:
        np.savez(file, step_s=np.float64(timeline.step_s), **held)


def read_derived(path: Path) -> tuple[Series, ...]:
    """The derived quantities as they were kept; none where they cannot be read."""
    try:
        with np.load(path) as kept:
            lines = {name: kept[name] for name, _, _, _ in DERIVED if name in kept}
            step_s = float(kept["step_s"])
    except (OSError, ValueError, KeyError):
        return ()
    grid = np.arange(max(map(len, lines.values()), default=0), dtype=np.float64) * step_s
    return tuple(Series(n, n, q, u, True, grid[: len(lines[n])], lines[n]) for n, q, u, _ in DERIVED if n in lines)


def length_s(series: Iterable[Series]) -> float:
    """Seconds to the last sample."""
    return max((float(one.t_s[-1]) for one in series if len(one.t_s)), default=0.0)


def reduced(series: Series, start_s: float, end_s: float, buckets: int) -> tuple[Floats, Readings]:
    """Minimum and maximum of each bucket between two moments, in the order in which they came; gaps stay NaN."""
    t, v = series.t_s, series.values
    first = max(int(np.searchsorted(t, start_s)) - 1, 0)
    last = min(int(np.searchsorted(t, end_s, side="right")) + 1, len(t))
    size = 1 << max(math.ceil(math.log2(max(last - first, 1) / max(buckets, 1))), 0)
    if size == 1:
        return t[first:last], v[first:last]
    first -= first % size
    last = min(-(-last // size) * size, len(t))
    part = v[first:last]
    edges = np.arange(0, len(part), size)
    if size < BLOCK:
        low, high = np.fmin.reduceat(part, edges), np.fmax.reduceat(part, edges)
    else:
        blocks = slice(first // BLOCK, -(-last // BLOCK))
        lows, highs = (extreme[blocks] for extreme in series.extremes)
        low, high = np.fmin.reduceat(lows, edges // BLOCK), np.fmax.reduceat(highs, edges // BLOCK)
    ends = np.minimum(edges + size, len(part)) - 1
    rising = part[ends] >= part[edges]
    pairs = np.where(rising[:, None], np.column_stack([low, high]), np.column_stack([high, low]))
    opened = t[first + edges]
    step = (t[first + ends] - opened) / 2.0
    return np.column_stack([opened, opened + step]).ravel(), pairs.ravel()


def packed(series: tuple[Series, ...], start_s: float, end_s: float, buckets: int) -> dict[str, Any]:
    """The window as base64 arrays; lines that share their times name the same one."""
    buckets = min(max(buckets, 50), MOST_BUCKETS)
    times: dict[bytes, int] = {}
    lines: list[dict[str, Any]] = []
    for one in series:
        t, v = reduced(one, start_s, end_s, buckets)
        key = t.astype("<f8").tobytes()
        lines.append(
            {
                "name": one.name,
                "place": one.place,
                "quantity": one.quantity,
                "unit": one.unit,
                "derived": one.derived,
                "times": times.setdefault(key, len(times)),
                "values": base64.b64encode(v.astype("<f4").tobytes()).decode(),
            }
        )
    return {
        "start_s": start_s,
        "end_s": end_s,
        "times": [base64.b64encode(key).decode() for key in times],
        "lines": lines,
    }
