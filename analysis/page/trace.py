"""The trace for zooming: every channel at its own rate, reduced to minima and maxima where there are more than pixels.

Buckets are powers of two in samples and anchored to the absolute sample index: neither panning nor zooming makes the
trace shimmer, and a one-sample spike survives any reduction.
"""

import base64
import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from analysis.case import Case
from analysis.timeline import Floats
from recorder.node import Channel
from recorder.recording import Recording, Stream

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
    values: Floats

    @cached_property
    def extremes(self) -> tuple[Floats, Floats]:
        """Minimum and maximum of each block of ``BLOCK`` samples, counted from the first."""
        edges = np.arange(0, len(self.values), BLOCK)
        return np.fmin.reduceat(self.values, edges), np.fmax.reduceat(self.values, edges)


def series_of(recording: Recording, case: Case) -> tuple[Series, ...]:
    """Every channel in use as it was recorded (pressures gauge), then the derived quantities on the analysis' grid."""
    found: list[Series] = []
    taken: set[str] = set()
    for stream in recording.streams:
        for channel in (c for c in stream.channels if c.in_use):
            name = next(n for n in (channel.id, *(f"{channel.place}_{k}" for k in range(2, 1000))) if n not in taken)
            taken.add(name)
            found.append(_recorded(name, channel, stream, case))
    derived = case.derived
    grid = case.timeline.t_s
    extra = (
        ("evaporating", "temperature", "degC", derived.evaporating_degc),
        ("condensing", "temperature", "degC", derived.condensing_degc),
        ("condensing over ambient", "difference", "K", derived.over_ambient_k),
        ("superheat", "difference", "K", derived.superheat_k),
        ("subcooling", "difference", "K", derived.subcooling_k),
    )
    found += [Series(n, n, q, u, True, grid, v) for n, q, u, v in extra if v is not None]
    return tuple(found)


def _recorded(name: str, channel: Channel, stream: Stream, case: Case) -> Series:
    """As recorded where the clock ran on; else on the analysis' time base, whose segments stand in line."""
    t_ns = stream.data["t"].to_physical().to_numpy()
    t_s = (t_ns - case.timeline.started_utc_ns) / 1e9
    values = stream.data[channel.id].to_numpy().astype(np.float64)
    air_kpa = case.timeline.barometric_kpa
    if len(t_s) > 1 and bool((np.diff(t_s) <= 0).any()):
        signal = case.timeline.signals[name]
        t_s, values = signal.t_s, signal.values
        if channel.quantity == "pressure":
            values = values - air_kpa
    elif channel.quantity == "pressure" and channel.reference == "absolute":
        values = values - air_kpa
    elif channel.quantity == "pressure" and channel.sealed_at_kpa is not None:
        values = values + channel.sealed_at_kpa - air_kpa
    return Series(name, channel.place, channel.quantity, channel.unit, False, t_s, values)


def reduced(series: Series, start_s: float, end_s: float, buckets: int) -> tuple[Floats, Floats]:
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
