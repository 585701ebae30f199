"""Stretches of a mask, and moving means."""

import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]


def spans_of(mask: Mask) -> list[tuple[int, int]]:
    """First and last index of each stretch of a mask that is true."""
    edges = np.diff(mask.astype(np.int8), prepend=0, append=0)
    return list(zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True))


def smoothed(values: Floats, step_s: float, window_s: float) -> Floats:
    """Centred moving mean over a window; edges by what there is."""
    half = max(round(window_s / step_s / 2.0), 0)
    if half == 0:
        return values
    total = np.cumsum(np.concatenate([[0.0], values]))
    first = np.maximum(np.arange(len(values)) - half, 0)
    last = np.minimum(np.arange(len(values)) + half + 1, len(values))
    return (total[last] - total[first]) / (last - first)
