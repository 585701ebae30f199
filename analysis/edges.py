"""Edges of runs: the turning points of the lift, ln(high/low), at which the compressor began and ceased to pump.

The pressures react before a voltage is read, and masks made of moving means or of marks end seconds off. All runs of a
recording are looked at at once: there are thousands in a day.
"""

import numpy as np

from analysis.limits import PRACTICE, Limit, limit_table
from analysis.stretches import Floats, Indices, Mask, edges_of

LIMITS = limit_table(
    Limit("turning", 0.03, "1", "noise of the lift; " + PRACTICE),
    Limit("ahead", 4.0, "s", "a stop is seen early where the engine slowed before it; " + PRACTICE),
    Limit("fall_over", 1.0, "s", PRACTICE),
    Limit("stands_out", 4.0, "1", "steepest fall over the steepest rise; " + PRACTICE),
)


def edges_by_lift(pumping: Mask, driven: Mask, lift: Floats, step_s: float, before_s: float, delay_s: float) -> Mask:
    """A mask of runs with each edge moved to the turning point of the lift near it.

    Parameters
    ----------
    pumping, driven : masks of shape (n,)
        Where it pumped, as far as that is known, and where it may have; no run outlasts what drives it.
    lift : float array of shape (n,)
        ln(high/low), without gaps.
    before_s : float
        How far before its edge a run may have begun or ended.
    delay_s : float
        How long after it could have a compressor is engaged.
    """
    firsts, lasts = edges_of(pumping)
    count, reach, delay = len(pumping), max(round(before_s / step_s), 1), round(delay_s / step_s)
    if len(firsts) == 0:
        return pumping
    stopped, again = np.append(-1, lasts[:-1]), np.append(firsts[1:], count)
    near = np.maximum(np.maximum(firsts - reach, (firsts + stopped) // 2 + 1), 0)
    lowest = near + _last_low(_rows(lift, near, np.minimum(firsts + delay, lasts) + 1))
    begins = np.where(firsts > 0, lowest + 1, firsts)
    over = max(round(LIMITS["fall_over"].value / step_s), 1)
    undriven = edges_of(driven)[1]
    undriven = undriven[np.minimum(np.searchsorted(undriven, lasts), len(undriven) - 1)]
    near = np.maximum(lasts - reach, (begins + lasts) // 2)
    until = np.minimum(np.minimum(lasts + round(LIMITS["ahead"].value / step_s), undriven + over), again - 2) + 2
    kinks = np.minimum(_ends(lift, near, np.minimum(until, count), over), undriven)
    ends = np.where((lasts < count - 1) & (lasts - firsts >= over), kinks, lasts)
    begins = np.minimum(begins, lasts)
    turns = np.zeros(count + 1, np.int8)
    np.add.at(turns, begins, 1)
    np.add.at(turns, np.maximum(ends + 1, begins), -1)
    return np.cumsum(turns, dtype=np.int8)[:-1] > 0


def _rows(lift: Floats, firsts: Indices, stops: Indices) -> Floats:
    """The stretches of the lift as rows, filled up with NaN."""
    at = firsts[:, None] + np.arange(int((stops - firsts).max()))
    rows = lift[np.minimum(at, len(lift) - 1)]
    rows[at >= stops[:, None]] = np.nan
    return rows


def _last(mask: Mask) -> Indices:
    """Index of the last true of each row; -1 where there is none."""
    found = mask.shape[1] - 1 - np.argmax(mask[:, ::-1], axis=1)
    return np.where(mask.any(axis=1), found, -1)


def _last_low(rows: Floats) -> Indices:
    return _last(rows <= np.fmin.reduce(rows, axis=1)[:, None] + LIMITS["turning"].value)


def _ends(lift: Floats, firsts: Indices, stops: Indices, over: int) -> Indices:
    """Where the lift begins to fall for good: by its falls over a second, and near there over as few readings as tell.

    Falls over fewer tell the moment better, as long as noise does not make rises that are anything like them.
    """
    ends = firsts + _kinks(_rows(lift, firsts, stops), over)
    near = np.maximum(ends - over, firsts)
    rows = _rows(lift, near, np.minimum(ends + over + 1, stops))
    open_ones, fewer = np.ones(len(ends), np.bool_), 1
    while fewer < min(over, rows.shape[1]) and open_ones.any():
        steps = rows[:, fewer:] - rows[:, :-fewer]
        steepest, most = -np.fmin.reduce(steps, axis=1), np.fmax.reduce(steps, axis=1)
        told = open_ones & (steepest > LIMITS["stands_out"].value * most)
        ends = np.where(told, near + _kinks(rows, fewer), ends)
        open_ones &= ~told
        fewer *= 2
    return ends


def _kinks(rows: Floats, over: int) -> Indices:
    """The last point before the steepest fall over so many readings from which it falls by less than half of that.

    Where nothing falls, the last point near the top.
    """
    slack = LIMITS["turning"].value
    wide: int = rows.shape[1]
    top = _last(rows >= np.fmax.reduce(rows, axis=1)[:, None] - slack)
    if wide <= over:
        return top
    falls = np.nan_to_num(rows[:, :-over] - rows[:, over:], nan=-np.inf)
    steepest: Indices = np.argmax(falls, axis=1)
    most = np.max(falls, axis=1)
    before: Mask = np.arange(wide - over) <= steepest[:, None]
    gentle = _last(before & (falls < 0.5 * most[:, None]))
    # Half of the steepest fall is reached when half of its readings are past the kink.
    kink = np.where(gentle >= 0, gentle + 1 + (over - 1) // 2, 0)
    return np.where(most > slack / 2.0, kink, top)
