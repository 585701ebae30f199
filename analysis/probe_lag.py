"""What a probe would read without its lag, where its sensor states one: T + tau dT/dt of a first-order lag.

The slope is that between the means of the outer thirds of the readings around each (all but as good as a straight line
through them, and as quick for a slow probe), over no longer than keeps the noise that it adds at the size of a
reading's own. Nothing of it goes into the data: it serves the quantities that set a slow probe against a quick
pressure, and settling times.
"""

import math

import numpy as np

from analysis.stretches import Floats

LEAST_S = 1.0
"""A quicker sensor is read as it is (common practice, no source)."""


def matters(tau_s: float | None) -> bool:
    """Whether a stated lag is worth a correction."""
    return tau_s is not None and tau_s >= LEAST_S


def without_lag(values: Floats, tau_s: float | None, step_s: float) -> Floats:
    """Readings of shape (n,) on an even step, corrected for a first-order lag; as they are without one.

    What swings faster than the slope's window comes back smaller: a probe of 10 s gives a swing of 20 s at 94 %.
    """
    if tau_s is None or not matters(tau_s):
        return values
    good, half = np.isfinite(values), reach_of(tau_s, step_s)
    if np.count_nonzero(good) <= 2 * half:
        return values
    at = np.arange(len(values))
    filled = values if good.all() else np.interp(at, at[good], values[good])
    total = np.cumsum(np.pad(filled, (half + 1, half), mode="reflect", reflect_type="odd"))
    outer = max(round((2 * half + 1) / 3), 1)
    apart = 2 * half + 1 - outer
    sums = total[outer:] - total[:-outer]
    corrected = filled + (sums[apart:] - sums[:-apart]) * (tau_s / (outer * apart * step_s))
    return corrected if good.all() else np.where(good, corrected, np.nan)


def reach_of(tau_s: float, step_s: float) -> int:
    """Readings to each side of a slope that adds as much noise as one reading has: sum k^2 = (tau/step)^2."""
    return max(math.ceil((1.5 * (tau_s / step_s) ** 2) ** (1.0 / 3.0)), 1)
