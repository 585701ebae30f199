"""A recording on one time base: gaps kept as gaps, readings that no sensor can have made found and set aside.

Nothing is smoothed into the data. What is set aside (single-sample spikes, rows whose clock ran backward) is flagged
and treated as missing. Pressures are absolute from here on.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import chain, count
from types import MappingProxyType
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.limits import PRACTICE, Limit, limit_table
from analysis.readings import Pace, find_spikes, gaps_of, least_spike, moves_against, noise_and_step, resolution_of
from analysis.stretches import medians_between
from analysis.uncertainty import UNIFORM, combine
from recorder.node import Channel
from recorder.recording import Recording, Stream

Floats: TypeAlias = NDArray[np.float64]
Span: TypeAlias = tuple[float, float]

ISO_2533 = "ISO 2533:1975, standard atmosphere (formula from memory)"
LIMITS = limit_table(
    Limit("grid_step", 0.1, "s", PRACTICE),
    Limit("unrecorded", 10.0, "s", "no channel at all; " + PRACTICE),
    Limit("longest_grid", 20e6, "steps", PRACTICE),
    Limit("sides_differ", 100.0, "kPa", PRACTICE),
    Limit("sides_differ_for", 30.0, "s", PRACTICE),
    Limit("swapped_share", 0.8, "1", PRACTICE),
    Limit("late_row", 2.0, "s", PRACTICE),
    Limit("dithers", 0.5, "1", "noise over a step of the readings, from which means resolve finer; " + PRACTICE),
    Limit("weather", 3.0, "kPa", "the design's +-3 kPa for weather; " + PRACTICE),
    Limit("barometer", 1.0, "kPa", PRACTICE),
    Limit("low_side_accuracy", 5.0, "kPa", "0.5 % of a 1.0 MPa transducer; " + PRACTICE),
    Limit("high_side_accuracy", 17.5, "kPa", "0.5 % of a 3.5 MPa transducer; " + PRACTICE),
    Limit("temperature_accuracy", 0.7, "K", "type T class 1 (IEC 60584-1:2013, 0.5 K) and as much for what reads it"),
)
"""Accuracies are taken where a channel states none."""
FEW = 200
SAME_S = 1e-6
SPIKED_QUANTITIES = ("pressure", "temperature")


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """One channel at its own rate.

    Attributes
    ----------
    t_s : float array of shape (n,)
        Seconds since the recording's first sample, increasing.
    values : float array of shape (n,)
        Stored unit; pressures in kPa absolute; NaN where missing or set aside.
    noise : float
        Standard deviation of one reading's noise.
    resolution : float
        The step in which it reads.
    u : float
        Standard uncertainty of a reading from the sensor's accuracy (fully correlated within the channel).
    step_s : float
        Usual interval between samples.
    gaps : tuple of (start, end)
        Intervals without a reading.
    spikes_s, spike_values : float arrays
        Moments and values of the readings set aside: not judged, but shown.
    accuracy_stated : bool
        Whether the channel states its accuracy itself.
    """

    channel: Channel
    t_s: Floats
    values: Floats
    noise: float
    resolution: float
    u: float
    step_s: float
    gaps: tuple[Span, ...]
    spikes_s: Floats
    accuracy_stated: bool
    spike_values: Floats

    @property
    def clamped(self) -> bool:
        """Whether it is a strain clamp, which tells when a pressure moves but not what it is at rest."""
        return self.channel.conversion is not None and self.channel.conversion.kind == "clamp_on"

    @property
    def u_steps(self) -> float:
        """Standard uncertainty that coarse steps leave to a mean (JCGM 100, F.2.2.1); none where noise dithers them."""
        dithered = self.noise >= LIMITS["dithers"].value * self.resolution
        return 0.0 if dithered else self.resolution * UNIFORM / 2.0

    @property
    def missing(self) -> float:
        """Share of the samples that hold no reading."""
        return np.count_nonzero(~np.isfinite(self.values)) / len(self.values) if len(self.values) else 1.0


@dataclass(frozen=True, slots=True)
class Flag:
    """Something about the record itself, not about the vehicle."""

    kind: str
    start_s: float
    end_s: float
    says: str


@dataclass(frozen=True, slots=True)
class TimedMark:
    """A mark at its second."""

    time_s: float
    kind: str
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """Every channel on one grid, beside the channels at their own rates.

    ``on_grid`` maps channel ids to arrays of the grid's shape, NaN inside gaps; ``unrecorded`` are the stretches in
    which no channel has a reading.
    """

    t_s: Floats
    step_s: float
    signals: Mapping[str, Signal]
    on_grid: Mapping[str, Floats]
    marks: tuple[TimedMark, ...]
    flags: tuple[Flag, ...]
    started_utc_ns: int
    duration_s: float
    unrecorded: tuple[Span, ...]
    barometric_kpa: float
    barometric_u_kpa: float

    def signal(self, place: str) -> Signal | None:
        """First channel at a place, or None."""
        plain = self.signals.get(place)
        return plain or next((s for s in self.signals.values() if s.channel.place == place), None)

    def grid(self, place: str) -> Floats | None:
        """First channel at a place on the grid, or None where it has no reading at all."""
        signal = self.signal(place)
        if signal is None:
            return None
        values = self.on_grid[signal.channel.id]
        # Nearly always the first readings settle it: this is asked thousands of times of long arrays.
        seen = bool(np.isfinite(values[:1000]).any()) or bool(np.isfinite(values).any())
        return values if seen else None

    def index(self, time_s: float) -> int:
        """Grid index of a second, clipped to the grid."""
        index, last = round(time_s / self.step_s), len(self.t_s) - 1
        return 0 if index < 0 else min(index, last)

    def median(self, values: Floats | None, start_s: float, end_s: float) -> float:
        """Median of a stretch of grid values; NaN where there is none."""
        if values is None:
            return float("nan")
        part = values[self.index(start_s) : self.index(end_s) + 1]
        if len(part) > FEW:
            part = part[np.isfinite(part)]
            return float(np.median(part)) if len(part) else float("nan")
        # Each stop asks for the median of a second or two: a plain sort of those is ten times quicker than numpy's.
        readings = part.tolist()
        if math.isnan(sum(readings)):
            readings = [value for value in readings if not math.isnan(value)]
        ordered, seen = sorted(readings), len(readings)
        return (ordered[(seen - 1) // 2] + ordered[seen // 2]) / 2.0 if seen else float("nan")

    def medians(self, values: Floats | None, starts_s: Floats, ends_s: Floats) -> Floats:
        """Medians of many short stretches at once; NaN where there is nothing."""
        if values is None:
            return np.full(len(starts_s), np.nan)
        first, last = (np.clip(np.rint(t / self.step_s), 0, len(self.t_s) - 1) for t in (starts_s, ends_s))
        return medians_between(values, first, last)

    def recorded(self) -> NDArray[np.bool_]:
        """Where something was recorded at all."""
        mask = np.ones(len(self.t_s), np.bool_)
        for start, end in self.unrecorded:
            mask[(self.t_s > start) & (self.t_s < end)] = False
        return mask

    def marked(self, *kinds: str) -> list[float]:
        """Seconds of the marks of these kinds."""
        return [mark.time_s for mark in self.marks if mark.kind in kinds]


def bridged(values: Floats) -> Floats:
    """Values with gaps bridged by straight lines; as they are where there is nothing or no gap."""
    good = np.isfinite(values)
    if good.all() or not good.any():
        return values
    return np.interp(np.arange(len(values)), np.flatnonzero(good), values[good])


def standard_atmosphere_kpa(altitude_m: float) -> float:
    """Barometric pressure [kPa] at a geopotential altitude [m], ISO 2533, troposphere."""
    return 101.325 * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.255880


def timeline_of(recording: Recording) -> Timeline | None:
    """Put a recording on one time base; None where it holds no sample.

    Readings of several streams share the recording's clock. The grid's step is the usual interval of the fastest
    pressure or temperature channel, but not under 0.1 s.
    """
    origin = recording.started_utc_ns
    if origin is None:
        return None
    flags: list[Flag] = []
    raw: list[tuple[Channel, Floats, Floats]] = []
    for stream in recording.streams:
        raw.extend(column for column in _columns_in_order(stream, origin, flags) if column[0].in_use)
    barometric, barometric_u = barometric_of(raw, recording.job.altitude_m)
    times = {id(t): t for _, t, _ in raw}
    paces = {key: Pace.of(t) for key, t in times.items()}
    signals = {c.id: _signal(c, t, v, barometric, _other_side(c, t, raw), paces[id(t)]) for c, t, v in _once_each(raw)}
    signals = _sides_right(signals, flags)
    duration = max((float(t[-1]) for _, t, _ in raw if len(t)), default=0.0)
    step = max(_grid_step(signals), duration / LIMITS["longest_grid"].value)
    grid = np.arange(0.0, duration + step / 2.0, step)
    whole = {key for key, t in times.items() if len(t) == len(grid) and bool((np.abs(t - grid) < SAME_S).all())}
    unrecorded = _unrecorded(signals)
    flags += [Flag("sensor", 0.0, duration, says) for says in recording.remarks]
    flags += [Flag("gap", a, b, f"nothing was recorded for {b - a:.0f} s") for a, b in unrecorded]
    marks = tuple(TimedMark((m.utc_ns - origin) / 1e9, m.kind, m.text) for m in recording.marks)
    return Timeline(
        grid,
        step,
        MappingProxyType(signals),
        MappingProxyType({name: _on_grid(signal, grid, step, whole) for name, signal in signals.items()}),
        marks,
        tuple(flags),
        origin,
        duration,
        unrecorded,
        barometric,
        barometric_u,
    )


def _sides_right(signals: dict[str, Signal], flags: list[Flag]) -> dict[str, Signal]:
    """Exchange the two sides where the low one reads far above the high one most of the time that they differ.

    No circuit does that: the hoses or the names are swapped. It is flagged, told as a fault of the measurement, and the
    circuit is judged with the sides as they must be.
    """
    low, high = signals.get("low_side"), signals.get("high_side")
    if low is None or high is None:
        return signals
    apart = np.interp(low.t_s, high.t_s, high.values) - low.values if len(low.t_s) and len(high.t_s) else np.zeros(0)
    apart = apart[np.abs(apart) > LIMITS["sides_differ"].value]
    swapped = float(np.mean(apart < 0.0)) if len(apart) else 0.0
    if len(apart) * low.step_s < LIMITS["sides_differ_for"].value or swapped < LIMITS["swapped_share"].value:
        return signals
    says = f"low and high side are swapped: the low side read above the high side in {100 * swapped:.0f} % of the time"
    says = f"{says} that they differed; all else is judged with the two turned round"
    flags.append(Flag("swapped_sides", 0.0, float(low.t_s[-1]), says))
    exchanged = {
        "low_side": replace(high, channel=replace(high.channel, id="low_side")),
        "high_side": replace(low, channel=replace(low.channel, id="high_side")),
    }
    return {name: exchanged.get(name, signal) for name, signal in signals.items()}


def _once_each(raw: list[tuple[Channel, Floats, Floats]]) -> list[tuple[Channel, Floats, Floats]]:
    """Channels whose ids stand once: where two nodes use one id, the later gets the place's next free number."""
    taken: set[str] = set()
    named: list[tuple[Channel, Floats, Floats]] = []
    for channel, t, values in raw:
        names = chain([channel.id], (f"{channel.place}_{number}" for number in count(2)))
        name = next(name for name in names if name not in taken)
        taken.add(name)
        named.append((channel if name == channel.id else replace(channel, id=name), t, values))
    return named


def _columns_in_order(stream: Stream, origin_ns: int, flags: list[Flag]) -> list[tuple[Channel, Floats, Floats]]:
    """Seconds and stored values of each channel; a clock that stepped back begins a segment behind the one before."""
    if stream.data.height == 0:
        return []
    t = (stream.data["t"].to_physical().to_numpy() - origin_ns) / 1e9
    late = LIMITS["late_row"].value
    back = np.flatnonzero(np.diff(t) < 0)
    if len(back) == 0:
        t = _spread(t, flags)
        return [(c, t, stream.data[c.id].to_numpy()) for c in stream.channels]
    order = np.argsort(t, kind="stable")
    far = back[np.diff(t)[back] < -late]
    if len(far):
        t = _segments_in_line(t, far, flags)
        order = np.argsort(t, kind="stable")
    else:
        flags.append(
            Flag(
                "late_rows", float(t[back[0]]), float(t[back[-1]]), f"{len(back)} rows came late and were put in order"
            )
        )
    t = _spread(t[order], flags)
    return [(c, t, stream.data[c.id].to_numpy()[order]) for c in stream.channels]


def _spread(t: Floats, flags: list[Flag]) -> Floats:
    """Rows that share a stamp (a logger of whole seconds) spread evenly up to the next stamp; told, none dropped."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(t) > 0]))
    if len(starts) == len(t):
        return t
    counts = np.diff(np.append(starts, len(t)))
    distinct = t[starts]
    steps = np.diff(distinct)
    usual = float(np.median(steps)) if len(steps) else 1.0
    room = np.append(np.minimum(steps, 2.0 * usual), usual)
    rank = np.arange(len(t)) - np.repeat(starts, counts)
    shared = int(np.count_nonzero(counts > 1))
    says = f"{shared} time stamps stand on several rows; those were spread evenly up to the next stamp"
    flags.append(Flag("same_stamps", float(t[0]), float(t[-1]), says))
    return np.repeat(distinct, counts) + rank * np.repeat(room / counts, counts)


def _segments_in_line(t: Floats, far: NDArray[np.intp], flags: list[Flag]) -> Floats:
    """Move each segment after a backward step behind the one before; the step itself is flagged."""
    steps = np.diff(t)
    usual = float(np.median(steps[steps > 0])) if bool((steps > 0).any()) else 1.0
    shift = np.zeros(len(t))
    for index in far:
        gap = usual - float(steps[index])
        shift[index + 1 :] += gap
        at = float(t[index] + shift[index])
        says = f"the clock stepped back by {-steps[index]:.1f} s; what follows is counted on from there"
        flags.append(Flag("backward_time", at, at + usual, says))
    return t + shift


def barometric_of(raw: Iterable[tuple[Channel, Floats, Floats]], altitude_m: float | None) -> tuple[float, float]:
    """Barometric pressure [kPa] with its standard uncertainty."""
    for channel, _, values in raw:
        if channel.place == "barometer" and bool(np.isfinite(values).any()):
            half_width = channel.accuracy or LIMITS["barometer"].value
            return float(np.nanmedian(values)), half_width * UNIFORM
    weather = LIMITS["weather"].value * UNIFORM
    unknown_altitude = 0.0 if altitude_m is not None else 6.0 * UNIFORM
    return standard_atmosphere_kpa(altitude_m or 0.0), combine(weather, unknown_altitude)


def _other_side(channel: Channel, t: Floats, raw: list[tuple[Channel, Floats, Floats]]) -> Floats | None:
    """Readings of the other side of the circuit at the same instants; None where there are none."""
    place = {"low_side": "high_side", "high_side": "low_side"}.get(channel.place)
    return next((v for c, at, v in raw if c.place == place and (at is t or np.array_equal(at, t))), None)


def _signal(channel: Channel, t: Floats, stored: Floats, barometric: float, other: Floats | None, pace: Pace) -> Signal:
    values = stored.astype(np.float64)
    if channel.quantity == "pressure" and channel.reference != "absolute":
        values += channel.sealed_at_kpa or barometric
    step = pace.step_s
    noise, resolution = noise_and_step(values)
    spikes = np.zeros(0, np.intp)
    if channel.quantity in SPIKED_QUANTITIES:
        least = least_spike(channel.quantity)
        spikes = find_spikes(values, noise, least)
        spikes = spikes if other is None else spikes[~moves_against(values, other, spikes)]
    aside = values[spikes]
    values[spikes] = np.nan
    accuracy, stated = channel.accuracy, channel.accuracy is not None
    if accuracy is None:
        accuracy = _usual_accuracy(channel)
    if channel.quantity == "voltage":
        stated = True
    missing = gaps_of(t, values, pace)
    if len(spikes):
        resolution = resolution_of(values)
    return Signal(channel, t, values, noise, resolution, accuracy * UNIFORM, step, missing, t[spikes], stated, aside)


def _usual_accuracy(channel: Channel) -> float:
    if channel.quantity == "temperature":
        return LIMITS["temperature_accuracy"].value
    if channel.place in ("low_side", "high_side"):
        return LIMITS[f"{channel.place}_accuracy"].value
    return 0.0


def _unrecorded(signals: Mapping[str, Signal]) -> tuple[Span, ...]:
    """Stretches in which no channel has a reading: where as many gaps are open as there are channels."""
    edges = [(at, step) for s in signals.values() for start, end in s.gaps for at, step in ((start, 1), (end, -1))]
    if not edges:
        return ()
    ordered = np.array(sorted(edges))
    open_gaps = np.cumsum(ordered[:, 1])
    at = np.flatnonzero(open_gaps[:-1] == len(signals))
    spans = [(float(ordered[i, 0]), float(ordered[i + 1, 0])) for i in at]
    return tuple((a, b) for a, b in spans if b - a > LIMITS["unrecorded"].value)


def _grid_step(signals: Mapping[str, Signal]) -> float:
    judged = [s.step_s for s in signals.values() if s.channel.quantity in SPIKED_QUANTITIES]
    steps = judged or [s.step_s for s in signals.values()] or [1.0]
    return max(LIMITS["grid_step"].value, round(min(steps), 3))


def _on_grid(signal: Signal, grid: Floats, step: float, whole: set[int]) -> Floats:
    """Block means of a faster channel, linear interpolation of a slower one; NaN inside gaps.

    ``whole`` holds the time bases (by ``id``) that are the grid already: a channel without a gap on one needs no work.
    """
    good = np.isfinite(signal.values)
    if id(signal.t_s) in whole and not signal.gaps and good.all():
        return signal.values
    if not good.any():
        return np.full(len(grid), np.nan)
    t, values = signal.t_s[good], signal.values[good]
    if signal.step_s < step / 1.5:
        cell = np.clip(np.rint(t / step).astype(np.intp), 0, len(grid) - 1)
        total = np.bincount(cell, values, len(grid))
        count = np.bincount(cell, minlength=len(grid))
        filled = np.flatnonzero(count)
        out = np.interp(grid, grid[filled], total[filled] / count[filled])
    elif signal.channel.quantity in ("state", "voltage"):
        out = values[np.clip(np.searchsorted(t, grid + 1e-9, side="right") - 1, 0, None)]
    else:
        out = np.interp(grid, t, values)
    for start, end in signal.gaps:
        out[(grid > start) & (grid < end)] = np.nan
    return out
