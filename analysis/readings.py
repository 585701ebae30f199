"""Readings of one channel: their noise, and single ones that no probe and no circuit can have made."""

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.limits import PRACTICE, Limit, limit_table
from analysis.uncertainty import UNIFORM

Floats: TypeAlias = NDArray[np.float64]
LIMITS = limit_table(
    Limit("spike_in_noise", 8.0, "1", PRACTICE),
    Limit("spike_in_slope", 4.0, "1", PRACTICE),
    Limit("spike_in_steps", 3.0, "1", "usual steps near it: a fast cycle sampled slowly leaps too; " + PRACTICE),
    Limit("spike_kpa", 20.0, "kPa", "smaller ones change no judgement; " + PRACTICE),
    Limit("spike_k", 1.0, "K", "smaller ones change no judgement; " + PRACTICE),
)
SPIKE_WINDOW = 5
SLOPE_WINDOW = 11
STEPS_NEAR = 10
MAD_TO_SIGMA = 1.482602218505602


def least_spike(quantity: str) -> float:
    """Least departure [kPa or K] of a reading that is told as a spike."""
    return LIMITS["spike_kpa" if quantity == "pressure" else "spike_k"].value


def noise_of(values: Floats) -> float:
    """Standard deviation of white noise on a slow signal, from second differences; never under its resolution.

    The second difference of white noise has variance 6 sigma^2; the median absolute deviation shrugs off edges.
    """
    valid = values[np.isfinite(values)]
    if len(valid) < 5:
        return 0.0
    second = np.diff(valid, 2)
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(second))) / np.sqrt(6.0)
    steps = np.abs(np.diff(valid))
    steps = steps[steps > 0]
    resolution = float(np.quantile(steps, 0.05)) * UNIFORM / 2.0 if len(steps) else 0.0
    return max(sigma, resolution)


def find_spikes(values: Floats, noise: float, least: float = 0.0) -> NDArray[np.intp]:
    """Indices of readings that stand out alone from their neighbours by more than noise, slope and ``least`` allow."""
    where = np.flatnonzero(np.isfinite(values))
    valid = values[where]
    if len(valid) < SLOPE_WINDOW:
        return np.zeros(0, np.intp)
    window = np.lib.stride_tricks.sliding_window_view(np.pad(valid, SPIKE_WINDOW // 2, mode="edge"), SPIKE_WINDOW)
    median = np.median(window, axis=1)
    off = np.abs(valid - median)
    steps = np.abs(np.diff(median, prepend=median[0]))
    slopes = np.lib.stride_tricks.sliding_window_view(np.pad(steps, SLOPE_WINDOW // 2, mode="edge"), SLOPE_WINDOW)
    # At a corner (a compressor starting) the slope on one side explains the departure: take the steepest near.
    allowed = np.maximum(LIMITS["spike_in_noise"].value * noise, LIMITS["spike_in_slope"].value * slopes.max(axis=1))
    before, after = np.roll(valid, 1), np.roll(valid, -1)
    alone = (np.sign(valid - before) == np.sign(valid - after)) & (off > np.maximum(allowed, least))
    alone[[0, -1]] = False
    candidates = np.flatnonzero(alone)
    usual = _usual_steps(valid, candidates)
    return where[candidates[off[candidates] > LIMITS["spike_in_steps"].value * usual]]


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
