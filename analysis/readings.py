"""Readings of one channel: their pace, gaps and noise, and single ones that no probe and no circuit can have made."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.limits import PRACTICE, Limit, limit_table
from analysis.uncertainty import UNIFORM

Floats: TypeAlias = NDArray[np.float64]
Span: TypeAlias = tuple[float, float]
LIMITS = limit_table(
    Limit("gap", 2.0, "s", PRACTICE),
    Limit("gap_in_steps", 3.0, "1", PRACTICE),
    Limit("spike_in_noise", 8.0, "1", PRACTICE),
    Limit("spike_in_slope", 4.0, "1", PRACTICE),
    Limit("spike_in_steps", 3.0, "1", "usual steps near it: a fast cycle sampled slowly leaps too; " + PRACTICE),
    Limit("spike_kpa", 20.0, "kPa", "smaller ones change no judgement; " + PRACTICE),
    Limit("spike_k", 1.0, "K", "smaller ones change no judgement; " + PRACTICE),
)
SPIKE_WINDOW = 5
SLOPE_WINDOW = 11
STEPS_NEAR = 10
ENOUGH, PIECES = 20_000, 20
REACH, ALIKE = 12, 2
"""So many readings on either side, of which this many as far out as a spike are the channel's own swing."""
MAD_TO_SIGMA = 1.482602218505602


@dataclass(frozen=True, slots=True)
class Pace:
    """Usual and longest interval of a stream's rows: its channels share them."""

    step_s: float
    longest_s: float

    @classmethod
    def of(cls, t: Floats) -> "Pace":
        """Of the rows at these seconds."""
        steps = np.diff(t)
        return cls(float(np.median(steps)), float(steps.max())) if len(steps) else cls(1.0, 0.0)


def gaps_of(t: Floats, values: Floats, pace: Pace) -> tuple[Span, ...]:
    """Intervals [s] without a reading that are longer than the stream's pace allows."""
    longest = max(LIMITS["gap"].value, LIMITS["gap_in_steps"].value * pace.step_s)
    good = np.isfinite(values)
    if pace.longest_s <= longest and good.all():
        return ()
    seen = t[good]
    if len(seen) == 0:
        return ((float(t[0]), float(t[-1])),) if len(t) else ()
    edges = np.concatenate([[t[0]], seen, [t[-1]]])
    at = np.flatnonzero(np.diff(edges) > longest)
    return tuple((float(edges[i]), float(edges[i + 1])) for i in at)


def least_spike(quantity: str) -> float:
    """Least departure [kPa or K] of a reading that is told as a spike."""
    return LIMITS["spike_kpa" if quantity == "pressure" else "spike_k"].value


def noise_of(values: Floats) -> float:
    """Standard deviation of white noise on a slow signal, from second differences; never under its resolution.

    The second difference of white noise has variance 6 sigma^2; the median absolute deviation shrugs off edges.
    """
    return noise_and_step(values)[0]


def noise_and_step(values: Floats) -> tuple[float, float]:
    """`noise_of` and `resolution_of` together."""
    valid = _some(values)
    valid = valid[np.isfinite(valid)]
    step = _least_step(valid)
    if len(valid) < 5:
        return 0.0, step
    second = np.diff(valid, 2)
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(second))) / np.sqrt(6.0)
    return max(sigma, step * UNIFORM / 2.0), step


def resolution_of(values: Floats) -> float:
    """The step in which a channel reads; 0 where it never moved."""
    valid = _some(values)
    return _least_step(valid[np.isfinite(valid)])


def _least_step(valid: Floats) -> float:
    steps = np.abs(np.diff(valid))
    steps = steps[steps > 0]
    return float(np.quantile(steps, 0.05)) if len(steps) else 0.0


def _some(values: Floats) -> Floats:
    """Enough readings to tell the noise: pieces spread over a long recording, all of a short one."""
    if len(values) <= ENOUGH:
        return values
    length = ENOUGH // PIECES
    starts = np.linspace(0, len(values) - length, PIECES).astype(np.intp)
    return values[starts[:, None] + np.arange(length)].ravel()


def find_spikes(values: Floats, noise: float, least: float = 0.0) -> NDArray[np.intp]:
    """Indices of readings that stand out alone from their neighbours by more than noise, slope and ``least`` allow."""
    good = np.isfinite(values)
    where = None if good.all() else np.flatnonzero(good)
    valid = values if where is None else values[where]
    if len(valid) < SLOPE_WINDOW:
        return np.zeros(0, np.intp)
    # One that stands alone is a top or a bottom, and as far from a neighbour as it must be from the median of five,
    # which lies between its neighbours or beyond them: few are left to look at closely.
    step = np.diff(valid)
    far = max(LIMITS["spike_in_noise"].value * noise, least)
    great = np.flatnonzero(np.abs(step) > far)
    candidates = np.unique(np.concatenate([great, great + 1]))
    candidates = candidates[(candidates > 0) & (candidates < len(valid) - 1)]
    candidates = candidates[step[candidates - 1] * step[candidates] < 0.0]
    if len(candidates) == 0:
        return np.zeros(0, np.intp)
    # At a corner (a compressor starting) the slope on one side explains the departure: take the steepest near.
    reach = SLOPE_WINDOW // 2
    medians = _medians_of_five(valid, candidates[:, None] + np.arange(-reach - 1, reach + 1))
    slopes = np.abs(np.diff(medians, axis=1)).max(axis=1)
    off = np.abs(valid[candidates] - medians[:, reach + 1])
    alone = off > np.maximum(LIMITS["spike_in_slope"].value * slopes, far)
    candidates, off = candidates[alone], off[alone]
    usual = _usual_steps(valid, candidates)
    found = candidates[off > LIMITS["spike_in_steps"].value * usual]
    found = found[~_others_as_far(valid, found)]
    return found if where is None else where[found]


def _others_as_far(valid: Floats, at: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether several readings near it lie as far out: a fast cycle sampled slowly has many such tops or bottoms."""
    near = np.clip(at[:, None] + np.arange(-REACH, REACH + 1), 0, len(valid) - 1)
    values = valid[near]
    top = (valid[at] > np.median(values, axis=1))[:, None]
    own = valid[at][:, None]
    others = (near != at[:, None]) & np.where(top, values >= own, values <= own)
    return np.count_nonzero(others, axis=1) >= ALIKE


def _medians_of_five(valid: Floats, at: NDArray[np.intp]) -> Floats:
    """Median of each reading and the two before and after it; the first and last reading stand for those beyond."""
    last = len(valid) - 1
    near = np.clip(at, 0, last)[..., None] + np.arange(-(SPIKE_WINDOW // 2), SPIKE_WINDOW // 2 + 1)
    return np.median(valid[np.clip(near, 0, last)], axis=-1)


def moves_against(values: Floats, other: Floats, at: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Where the other side leaps the other way at the same instant: a compressor that cycles, not a bad reading."""
    leap, answer = _leap(values, at), _leap(other, at)
    return (np.sign(leap) == -np.sign(answer)) & (np.abs(answer) > LIMITS["spike_kpa"].value)


def _leap(values: Floats, at: NDArray[np.intp]) -> Floats:
    """Reading minus the median of itself and its four neighbours."""
    near = np.clip(at[:, None] + np.arange(-2, 3), 0, len(values) - 1)
    return values[at] - np.median(values[near], axis=1)


def _usual_steps(valid: Floats, at: NDArray[np.intp]) -> Floats:
    """Lower third of the steps from reading to reading around each of ``at``: a burst of spikes leaves it small."""
    if len(at) == 0:
        return np.zeros(0)
    steps = np.abs(np.diff(valid))
    near = at[:, None] + np.arange(-STEPS_NEAR, STEPS_NEAR)
    return np.quantile(steps[np.clip(near, 0, len(steps) - 1)], 0.35, axis=1)
