"""Stretches of a mask, and moving means."""

from collections.abc import Callable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
Readings = TypeVar("Readings", Floats, Indices)


def spans_of(mask: Mask) -> list[tuple[int, int]]:
    """First and last index of each stretch of a mask that is true."""
    firsts, lasts = edges_of(mask)
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


def edges_of(mask: Mask) -> tuple[Indices, Indices]:
    """First and last indices of the stretches of a mask that are true."""
    if len(mask) == 0:
        none = np.zeros(0, np.intp)
        return none, none
    turns = np.flatnonzero(mask[1:] != mask[:-1])
    firsts, lasts = turns + 1, turns
    start, end = bool(mask[0]), bool(mask[-1])
    firsts, lasts = firsts[int(start) :: 2], lasts[int(not start) :: 2]
    firsts = np.concatenate([[0], firsts]) if start else firsts
    return firsts, np.concatenate([lasts, [len(mask) - 1]]) if end else lasts


def last_where(holds: Callable[[slice], Mask], end: int) -> int:
    """Last index up to ``end`` at which a condition of slices holds; -1 for none. It looks back piece by piece."""
    piece = 1024
    while end >= 0:
        start = max(end - piece + 1, 0)
        hits = np.flatnonzero(holds(slice(start, end + 1)))
        if len(hits):
            return start + int(hits[-1])
        end, piece = start - 1, 4 * piece
    return -1


def median_of(values: Floats) -> float:
    """Median of readings, NaN aside; NaN where there is none. Of a few it is much quicker than numpy's."""
    good = np.sort(values[np.isfinite(values)])
    return float(good[(len(good) - 1) // 2] + good[len(good) // 2]) / 2.0 if len(good) else float("nan")


def thinned(values: Readings) -> Readings:
    """Some thousands of values spread over all of them: a level needs no more of a day."""
    return values[:: max(len(values) // 4000, 1)]


def usual_level(values: Floats) -> float:
    """Median of some thousands of readings, NaN aside; NaN where there is none."""
    return median_of(thinned(values))


def medians_by(key: Indices, values: Floats) -> Floats:
    """Median of the values of each key, in order; the keys must not fall."""
    edges = np.flatnonzero(np.diff(key)) + 1
    return np.array([median_of(part) for part in np.split(values, edges) if len(part)])


def medians_between(values: Floats, firsts: Floats, lasts: Floats) -> Floats:
    """Median of each stretch from one index to another, NaN aside; NaN where there is nothing, or an index is NaN.

    All are laid beside each other and sorted at once, so none should be long.
    """
    known = np.isfinite(firsts) & np.isfinite(lasts)
    first, last = np.where(known, firsts, 1).astype(np.intp), np.where(known, lasts, 0).astype(np.intp)
    if len(first) == 0:
        return np.zeros(0)
    at = first[:, None] + np.arange(max(int((last - first).max()) + 1, 1))
    rows = values[np.minimum(at, len(values) - 1)]
    rows[at > last[:, None]] = np.nan
    rows.sort(axis=1)  # NaN comes last
    seen, row = np.count_nonzero(np.isfinite(rows), axis=1), np.arange(len(rows))
    most = np.maximum(seen, 1)
    return np.where(seen > 0, (rows[row, (most - 1) // 2] + rows[row, np.minimum(most // 2, most - 1)]) / 2.0, np.nan)


def smoothed(values: Floats, step_s: float, window_s: float) -> Floats:
    """Centred moving mean over a window; edges by what there is."""
    half = max(round(window_s / step_s / 2.0), 0)
    if half == 0:
        return values
    count = len(values)
    total = np.empty(count + 1)
    total[0] = 0.0
    np.cumsum(values, out=total[1:])
    if count <= 2 * half:
        first = np.maximum(np.arange(count) - half, 0)
        last = np.minimum(np.arange(count) + half + 1, count)
        return (total[last] - total[first]) / (last - first)
    width = 2 * half + 1
    out = np.empty(count)
    np.subtract(total[width:], total[:-width], out=out[half : count - half])
    out[half : count - half] /= width
    growing = np.arange(half + 1, width)
    out[:half] = total[growing] / growing
    out[count - half :] = (total[count] - total[count - growing[::-1]]) / growing[::-1]
    return out


def lowest_before(values: Floats, count: int) -> Floats:
    """Lowest of each value and the ``count`` - 1 before it, fewer at the start; the windows double, so it is quick."""
    lowest, width = values, 1
    while width < min(count, len(values)):
        shift = min(width, count - width, len(values) - 1)
        lowest = np.concatenate([lowest[:shift], np.minimum(lowest[shift:], lowest[:-shift])])
        width += shift
    return lowest


def lasting(on: Mask, least: int) -> Mask:
    """A mask without its stretches shorter than ``least`` steps: noise about a level crosses it many times."""
    lasting = np.zeros(len(on), np.bool_)
    for first, last in spans_of(on):
        if last - first + 1 >= least:
            lasting[first : last + 1] = True
    return lasting
