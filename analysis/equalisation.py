"""How the two sides meet after each stop.

d(t) = high - low; d(0) is its median over the last 2 s before the stop. Often it is not exponential (liquid leaves
first, then vapour), so the fit of log d between 90 % and 10 % of d(0) comes with its r2.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.derived import Derived
from analysis.findings import Equalisation, Run, Stop
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask, Operating
from analysis.runs import Running
from analysis.stretches import median_of, smoothed
from analysis.timeline import Floats, Timeline, bridged
from analysis.uncertainty import UNIFORM, Measured, absent, combine, measured

LIMITS = limit_table(
    Limit("met", 50.0, "kPa", "the design's figure that people see first"),
    Limit("ninety", 0.10, "1", "the design's definition"),
    Limit("settled_share", 0.02, "1", "the design's definition"),
    Limit("settled_kpa", 8.0, "kPa", "the design's definition"),
    Limit("least_difference", 100.0, "kPa", PRACTICE),
    Limit("longest_unmet", 60.0, "s", "a shorter rest that did not meet is only a cycle; " + PRACTICE),
    Limit("fan_supply", 5.0, "V", PRACTICE),
    Limit("fan_current", 1.0, "A", PRACTICE),
    Limit("smoothing", 1.0, "s", PRACTICE),
    Limit("slope_over", 1.5, "s", "before and after a crossing; " + PRACTICE),
    Limit(
        "line_drop", 25.0, "kPa", "half-width, the middle of 10-40 kPa between coil and port while pumping; " + PRACTICE
    ),
    Limit(
        "rests_on", 1.3, "1", "times that to 90 %, and the stretch of the tail: then the sides have met; " + PRACTICE
    ),
    Limit("tail", 10.0, "s", "or a tenth of the rest, if that is more; " + PRACTICE),
    Limit("still_apart", 2.0, "kPa", "standard uncertainty, of sides that have met past an orifice; " + PRACTICE),
    Limit("apart_by_valve", 6.0, "kPa", "the same past a closed valve: a third of a kelvin; " + PRACTICE),
    Limit("kept", 0.5, "1", "of the accuracy, once the offset is known: for the gain; " + PRACTICE),
)


NEAR = 0.3
"""A reading under this share of its neighbourhood is noise, which a logarithm blows up (common practice, no source)."""


def equalisations_of(
    timeline: Timeline,
    derived: Derived,
    operating: Operating,
    running: Running,
    stops: Sequence[Stop],
    metering: str | None,
) -> tuple[Equalisation, ...]:
    """Measure each stop whose sides met, or that lasted at least 60 s."""
    low, high = derived.low_kpa, derived.high_kpa
    if low is None or high is None:
        return ()
    found: list[Equalisation] = []
    rests = [(run.end_s, stop.restart_s or timeline.duration_s) for run, stop in zip(running.runs, stops, strict=False)]
    met = _may_have_met(timeline, high - low, np.array(rests).reshape(-1, 2)).tolist()
    u_start_s = running.u_edge_s(timeline.step_s)
    for run, stop, (_, until), worth in zip(running.runs, stops, rests, met, strict=False):
        if not worth or stop.why == "not_recorded":
            continue
        rest = _Rest(timeline, derived, operating, run, until, stop.why, u_start_s, metering)
        measured_rest = rest.measure(low, high)
        if measured_rest is not None:
            found.append(measured_rest)
    return tuple(found)


def _may_have_met(timeline: Timeline, d: Floats, rests: Floats) -> Mask:
    """Which rests are worth measuring: all but the short ones of a cycling compressor that end far apart.

    Thousands of them in a day are told at once, by the last second against the most of the two seconds before.
    """
    step = timeline.step_s
    first, last = (np.clip(np.rint(rests[:, i] / step - i).astype(np.intp), 0, len(d) - 1) for i in (0, 1))
    before, half = np.arange(-round(2.0 / step), 1), np.arange(-round(LIMITS["smoothing"].value / step / 2.0), 1)
    d0 = d[np.clip(first[:, None] + before, 0, None)].max(axis=1)
    end = d[np.clip(last[:, None] + half, 0, None)].mean(axis=1)
    short = rests[:, 1] - rests[:, 0] < LIMITS["longest_unmet"].value
    return ~(short & (end >= LIMITS["ninety"].value * d0))


class _Rest:
    """One rest between a stop and the next start (or the end)."""

    def __init__(
        self,
        timeline: Timeline,
        derived: Derived,
        operating: Operating,
        run: Run,
        until_s: float,
        why: str,
        u_start_s: float,
        metering: str | None,
    ) -> None:
        self._timeline, self._derived, self._operating = timeline, derived, operating
        self._run, self._start_s, self._until_s, self._why = run, run.end_s, until_s, why
        self._u_start_s, self._metering = u_start_s, metering

    def measure(self, low: Floats, high: Floats) -> Equalisation | None:
        line = self._timeline
        first, last = line.index(self._start_s), line.index(self._until_s - line.step_s)
        # A run of under two seconds has no longer level: what stood before it was a rest.
        before = slice(line.index(max(self._start_s - 2.0, self._run.start_s + line.step_s / 2.0)), first + 1)
        d0 = median_of(high[before]) - median_of(low[before])
        lasting = self._until_s - self._start_s
        if not d0 >= LIMITS["least_difference"].value or last - first < 3:
            return None
        if not np.isfinite(high[first : last + 1] - low[first : last + 1]).any():
            return None
        rest = bridged(high[first : last + 1] - low[first : last + 1])
        if lasting < LIMITS["longest_unmet"].value and _apart_at_the_end(rest, line.step_s, d0):
            return None
        offset, u_offset, u_gain = self._offset(rest, d0)
        rest, d0 = rest - offset, d0 - offset
        d = smoothed(rest, line.step_s, LIMITS["smoothing"].value)
        at_ninety = LIMITS["ninety"].value * d0
        ninety = first_below(d, at_ninety)
        if ninety is None and lasting < LIMITS["longest_unmet"].value:
            return None
        t = line.t_s[first : last + 1] - self._start_s
        why_not = f"did not meet within {lasting:.0f} s"
        meets = first_below(d, max(LIMITS["settled_share"].value * d0, LIMITS["settled_kpa"].value))
        u_d0 = combine(LIMITS["line_drop"].value * UNIFORM, self._u_moving(high - low, before), u_gain)
        decay = undecayed(why_not)
        if ninety is not None:
            decay = fit_decay(t, rest, d0, u_offset, self._noise(), u_d0)
        settled = absent(why_not)
        if meets is not None:
            around = slice(first + meets, min(first + meets + max(round(2.0 / line.step_s), 1), last + 1))
            mean = (median_of(low[around]) + median_of(high[around])) / 2.0
            settled = measured(mean - line.barometric_kpa, self._u_mean())
        return Equalisation(
            self._start_s,
            self._until_s,
            self._why,
            measured(d0, u_offset, u_d0),
            self._crossing(t, d, LIMITS["met"].value, u_offset, why_not),
            self._crossing(t, d, at_ninety, (1.0 - LIMITS["ninety"].value) * u_offset, why_not),
            decay.constant_s,
            decay.r2,
            decay.misfit,
            decay.early_s,
            decay.late_s,
            settled,
            absent("the soak is not shown: see the static test"),
            self._engine_running(first, last),
            self._fan_running(first, last),
        )

    def _engine_running(self, first: int, last: int) -> bool | None:
        if self._operating.engine_basis == "none":
            return None
        return float(np.mean(self._operating.engine_running[first : last + 1])) > 0.5

    def _fan_running(self, first: int, last: int) -> bool | None:
        for place, least in (("fan", LIMITS["fan_supply"].value), ("fan_current", LIMITS["fan_current"].value)):
            values = self._timeline.grid(place)
            if values is not None and np.isfinite(values[first : last + 1]).any():
                return float(np.nanmedian(values[first : last + 1])) > least
        return None

    def _u_sides(self) -> tuple[float, float]:
        low, high = self._timeline.signal("low_side"), self._timeline.signal("high_side")
        return (low.u if low else 0.0), (high.u if high else 0.0)

    def _u_mean(self) -> float:
        return combine(*self._u_sides()) / 2.0

    def _noise(self) -> float:
        """Standard deviation [kPa] of one reading of the difference."""
        sides = (self._timeline.signal("low_side"), self._timeline.signal("high_side"))
        return combine(*(side.noise for side in sides if side is not None))

    def _u_moving(self, d: Floats, before: slice) -> float:
        """What a late or early edge does to d(0) where the difference moves before the stop."""
        part = d[before][np.isfinite(d[before])]
        if len(part) < 2:
            return 0.0
        rate = float(part.max() - part.min()) / max((len(part) - 1) * self._timeline.step_s, self._timeline.step_s)
        return rate * self._u_start_s

    def _offset(self, rest: Floats, d0: float) -> tuple[float, float, float]:
        """Offset [kPa] between the two sensors, its standard uncertainty, and that of their gain over d(0).

        Sides that were left alone for long enough stand at one pressure: what they still differ by is the sensors', as
        long as their accuracy allows it. Else the offset is not known, and their accuracy is all of its uncertainty.
        """
        step, u_sides = self._timeline.step_s, combine(*self._u_sides())
        even = smoothed(rest, step, LIMITS["smoothing"].value)
        ninety = first_below(even, LIMITS["ninety"].value * d0)
        last = round(max(LIMITS["tail"].value, 0.1 * len(rest) * step) / step)
        if ninety is None or len(rest) < LIMITS["rests_on"].value * ninety + last or last < 4:
            return 0.0, u_sides, 0.0
        tail = rest[-last:]
        offset, moved = float(np.mean(tail)), float(np.polyfit(np.arange(last), tail, 1)[0]) * last
        if abs(offset) > 2.0 * u_sides:  # more than they state: one of them is off by it, or the sides are
            return 0.0, abs(offset), 0.0
        apart = LIMITS["still_apart" if self._metering == "fixed_orifice" else "apart_by_valve"].value
        u = combine(apart, moved / 2.0, self._noise() / math.sqrt(last))
        # What the sensors state and what the rest shows are two estimates of it: the mean, weighted by both.
        weight = u_sides**2 / (u_sides**2 + u**2)
        return weight * offset, math.sqrt(weight) * u, LIMITS["kept"].value * u_sides

    def _crossing(self, t: Floats, d: Floats, level: float, u_offset: float, why_not: str) -> Measured:
        """First time under a level, between two readings.

        Its uncertainty: when the stop was, and the difference over its slope there: noise of the mean, and the offset
        between the sensors, but for what d(0) shares where the level is a share of it.
        """
        index = first_below(d, level)
        if index is None:
            return absent(why_not)
        step = self._timeline.step_s
        at = float(t[index])
        if index > 0:
            at -= step * float((level - d[index]) / (d[index - 1] - d[index]))
        reach = max(round(LIMITS["slope_over"].value / step), 2)
        window = slice(max(index - reach, 0), index + reach + 1)
        slope = abs(float(np.polyfit(t[window], d[window], 1)[0])) if len(t[window]) > 2 else 0.0
        averaged = max(LIMITS["smoothing"].value / step, 1.0)
        u_d = combine(u_offset, self._noise() / math.sqrt(averaged))
        u_crossing = min(u_d / slope, float(t[-1])) if slope > 0.0 else float(t[-1])
        return measured(at, self._u_start_s, u_crossing)


def _apart_at_the_end(rest: Floats, step_s: float, d0: float) -> bool:
    """Whether the sides had not met: nearly every stop of a cycling compressor, told from its last second."""
    half = round(LIMITS["smoothing"].value / step_s / 2.0)
    return float(rest[-(half + 1) :].mean()) >= LIMITS["ninety"].value * d0


def first_below(d: Floats, level: float) -> int | None:
    """First index at which a difference is under a level; None if it never is."""
    below = d < level
    index = int(np.argmax(below)) if len(below) else 0
    return index if len(below) and below[index] else None


def first_lasting(mask: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int | None:
    """First index from which a mask stays true; None if it does not at the end."""
    if len(mask) == 0 or not mask[-1]:
        return None
    false = np.flatnonzero(~mask)
    return int(false[-1]) + 1 if len(false) else 0


@dataclass(frozen=True, slots=True)
class Decay:
    """How a difference dies away, and how far one time constant holds.

    ``constant_s`` is minus one over the slope of log d between 90 % and 10 % of d(0), ``early_s`` and ``late_s`` the
    same from 90 to 50 % and from 50 to 10 %; ``misfit`` is the rms of d about the exponential as a share of d(0).
    """

    constant_s: Measured
    r2: float | None
    misfit: float | None
    early_s: Measured
    late_s: Measured


def undecayed(why: str) -> Decay:
    """A difference that did not die away, and why that is known."""
    no = absent(why)
    return Decay(no, None, None, no, no)


def fit_decay(
    t_s: Floats, d: Floats, d0: float, u_offset: float = 0.0, noise: float | None = None, u_d0: float = 0.0
) -> Decay:
    """Time constant of a decay with its misfit, and those of its two halves.

    Parameters
    ----------
    t_s, d : float arrays of shape (n,)
        Seconds since the stop, and the difference, without gaps.
    d0 : float
        The difference before the stop, in the unit of d.
    u_offset : float, optional
        Standard uncertainty of an offset that d and d(0) share: it bends the logarithm.
    noise : float, optional
        Standard deviation of one reading; where it is not known the residuals stand for it.
    u_d0 : float, optional
        Standard uncertainty of d(0) alone, which moves the levels.
    """
    step = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 1.0
    decaying = _Decaying(t_s, d, smoothed(d, step, LIMITS["smoothing"].value), noise)
    constant, early, late = (
        decaying.constant(d0, levels, u_offset, u_d0) for levels in ((0.9, 0.1), (0.9, 0.5), (0.5, 0.1))
    )
    if constant.value is None:
        return Decay(constant, None, None, early, late)
    t, of_part = decaying.between(d0, (0.9, 0.1))
    log = np.log(of_part)
    left = log + (t - t.mean()) / constant.value - log.mean()
    total = float(np.sum((log - log.mean()) ** 2))
    r2 = 1.0 - float(np.sum(left**2)) / total if total > 0 else None
    off: Floats = of_part - np.exp(log - left)
    return Decay(constant, r2, math.sqrt(float(np.mean(off**2))) / d0, early, late)


@dataclass(frozen=True, slots=True, eq=False)
class _Decaying:
    """A difference [kPa] over time [s]: its readings, the same evened, and the noise of one reading if it is known."""

    t_s: Floats
    d: Floats
    even: Floats
    noise: float | None

    def between(
        self, d0: float, levels: tuple[float, float], offset: float = 0.0, skip: int = 0
    ) -> tuple[Floats, Floats]:
        """Seconds and readings between two shares of d(0); what falls fast at first must not be evened.

        Late, where noise reaches the level, the evened readings say where it ends and stand in for those far off.
        """
        d, even = self.d + offset, self.even + offset
        part = slice(
            max(between_levels(d, levels[0] * d0, levels[1] * d0).start + skip, 0),
            between_levels(even, levels[0] * d0, levels[1] * d0).stop,
        )
        return self.t_s[part], np.where(d[part] > NEAR * even[part], d[part], even[part])

    def constant(self, d0: float, levels: tuple[float, float], u_offset: float, u_d0: float) -> Measured:
        """Time constant, with what noise, a shared offset, the levels and the first reading do to it.

        How far one exponential holds is told by r2 and misfit; it is no uncertainty of the slope as it is defined.
        """
        found = log_slope(*self.between(d0, levels), self.noise)
        value = found.value
        if value is None or found.u95 is None:
            return found

        def moved(offset: float, level: float, skip: int) -> float:
            again = log_slope(*self.between(d0 + offset + level, levels, offset, skip), self.noise).value
            return 0.0 if again is None else abs(again - value)

        # Whole readings come and go at the levels: it is no smooth function, and the larger of both sides counts.
        by_offset = max(moved(u_offset, 0.0, 0), moved(-u_offset, 0.0, 0))
        by_level = max(moved(0.0, u_d0, 0), moved(0.0, -u_d0, 0))
        by_reading = UNIFORM * max(moved(0.0, 0.0, 1), moved(0.0, 0.0, -1))
        return measured(value, found.u95 / 2.0, by_offset, by_level, by_reading)


def between_levels(d: Floats, high: float, low: float) -> slice:
    """From the first reading under the higher level to the first under the lower one."""
    first = int(np.argmax(d < high)) if bool((d < high).any()) else len(d)
    below = np.flatnonzero(d < low)
    return slice(first, int(below[0]) if len(below) else len(d))


def log_slope(t_s: Floats, d: Floats, noise: float | None = None) -> Measured:
    """Time constant [s] of a straight line through log d; residuals stand for noise that is not known."""
    if len(t_s) < 4 or float(d.min()) <= 0.0:
        return absent("too few samples between the levels")
    log = np.log(d)
    slope, intercept = (float(v) for v in np.polyfit(t_s, log, 1))
    if slope >= 0.0:
        return absent("the difference does not fall")
    off = t_s - t_s.mean()
    if noise is not None:
        u_slope = float(np.sqrt(np.sum((off * noise / d) ** 2)) / np.sum(off**2))
        return measured(-1.0 / slope, u_slope / slope**2)
    residual = log - (slope * t_s + intercept)
    spread = float(np.sqrt(np.sum(residual**2) / max(len(t_s) - 2, 1) / np.sum(off**2)))
    # Residuals of a misfit are correlated over its whole length: count them as few independent ones.
    independent = math.sqrt(max(len(t_s) / 4.0, 1.0))
    return measured(-1.0 / slope, spread * independent / slope**2)
