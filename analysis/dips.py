"""Dips of the low side that come back while the compressor pumps on, again and again at like intervals.

A valve that shuts and opens does that, to a compressor that cycles as well. Ice keeps the low side down for a minute
and more, and a run that its own control ends goes down steadily.
"""

from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.stretches import spans_of, usual_level

LIMITS = limit_table(
    Limit("deep", 8.0, "K", "evaporating, below its usual; " + PRACTICE),
    Limit("usual_at_most", 3.0, "degC", "a warmer one is heat load, and its dips come down to usual; " + PRACTICE),
    Limit("comes_back", 10.0, "K", "evaporating, within the run; " + PRACTICE),
    Limit("back_within", 25.0, "s", PRACTICE),
    Limit("lasts", 30.0, "s", "ice stays for a minute and more; " + PRACTICE),
    Limit("apart", 75.0, "s", "10-60 s, as a valve swings, and one left out; " + PRACTICE),
    Limit("longest_period", 62.0, "s", "10-60 s; " + PRACTICE),
    Limit("least", 3.0, "dips", PRACTICE),
    Limit("uneven", 0.2, "median deviation as a share of the median interval", PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Dips:
    """Dips that belong together: from half an interval before the first to as long after the last [s], depth [K]."""

    start_s: float
    end_s: float
    count: int
    period_s: float
    deepest_k: float


def dips_of(case: Case) -> list[Dips]:
    """Groups of dips at like intervals."""
    found: list[Dips] = []
    for several in _groups(_single(case)):
        at, depth = np.array(several).T
        between = np.diff(at)
        if len(several) < LIMITS["least"].value:
            continue
        period = float(np.median(between))
        even = float(np.median(np.abs(between - period))) <= LIMITS["uneven"].value * period
        if even and period <= LIMITS["longest_period"].value:
            start, end = max(float(at[0]) - period / 2.0, 0.0), float(at[-1]) + period / 2.0
            found.append(Dips(start, end, len(several), period, float(depth.max())))
    return found


def _single(case: Case) -> list[tuple[float, float]]:
    """When each dip was lowest [s], and how deep [K]."""
    te, pumping = case.evened(case.derived.evaporating_degc, 2.0), case.running.pumping
    if te is None or not pumping.any():
        return []
    step = case.timeline.step_s
    usual = min(usual_level(te[pumping]), LIMITS["usual_at_most"].value)
    soon = round(LIMITS["back_within"].value / step)
    dips: list[tuple[float, float]] = []
    for first, last in spans_of(pumping & (te < usual - LIMITS["deep"].value)):
        stopped = np.flatnonzero(~pumping[last : last + soon])
        after = te[last : last + (int(stopped[0]) if len(stopped) else soon)]
        lowest = first + int(np.argmin(te[first : last + 1]))
        back = len(after) > 0 and float(after.max()) > float(te[lowest]) + LIMITS["comes_back"].value
        if back and (last - first) * step <= LIMITS["lasts"].value:
            dips.append((float(case.timeline.t_s[lowest]), usual - float(te[lowest])))
    return dips


def _groups(dips: list[tuple[float, float]]) -> list[list[tuple[float, float]]]:
    """Dips with no long break between."""
    groups: list[list[tuple[float, float]]] = []
    for dip in dips:
        if groups and dip[0] - groups[-1][-1][0] <= LIMITS["apart"].value:
            groups[-1].append(dip)
        else:
            groups.append([dip])
    return groups
