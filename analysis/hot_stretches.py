"""Stretches in which condensing stands high: the vehicle's own baseline, and whole stretches from the cores above it.

Each stretch takes in what belongs to one loss of air (a trip in it, a short dip while ram air helps) and has a moment
at which it left the baseline and one at which it turned to fall.
"""

import math
from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.climbs import idling, sharp
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask, held
from analysis.stretches import Indices, edges_of, last_where, median_of
from analysis.timeline import Floats

LIMITS = limit_table(
    Limit("baseline_quantile", 0.25, "1", PRACTICE),
    Limit("lift_kept", 0.75, "of the usual ln(high/low)", "below it little is pumped; " + PRACTICE),
    Limit("baseline_excess", 10.0, "K", "of one condition over the whole recording's baseline; " + PRACTICE),
    Limit("onset", 4.0, "K", PRACTICE),
    Limit("onset_search", 20.0, "s", PRACTICE),
    Limit("trip_near", 5.0, "s", "from where it turned to fall to the trip; " + PRACTICE),
    Limit("still_share", 0.5, "of the rise", "around its core; " + PRACTICE),
    Limit("still_high", 6.0, "K", "above its own baseline: the air has not come back; " + PRACTICE),
    Limit("sharp_within", 60.0, "s", "heat that is not carried away shows within a minute or two; " + PRACTICE),
    Limit("merge", 40.0, "s", "as long as ram air helps between two halts; " + PRACTICE),
    Limit("merge_high", 60.0, "s", "where it stays above its baseline meanwhile: ram air helps out; " + PRACTICE),
    Limit("merge_off", 120.0, "s", "while the compressor rests after a trip; " + PRACTICE),
    Limit("settled_in", 20.0, "s", PRACTICE),
    Limit("least_pumping", 60.0, "s", PRACTICE),
    Limit("far_at_speed", 25.0, "K", "over ambient, with ram air; 8-22 K are usual; " + PRACTICE),
    Limit("ram_air", 40.0, "km/h", "serves the condenser without a fan; " + PRACTICE),
)
SPEED_EDGES = (1100.0, 1700.0, 2500.0)


def baseline_of(case: Case, seen: Floats, pumping: Mask) -> Floats:
    """Healthy condensing-over-ambient under the conditions of each grid point.

    Moments of lost lift are left out: a compressor that pumps little brings the condenser no heat.
    """
    settled = case.settled(LIMITS["settled_in"].value)
    judged = settled if settled.any() else pumping
    if case.derived.lift is not None:
        lift = case.derived.lift
        pumps = lift > LIMITS["lift_kept"].value * float(np.median(case.over(lift, judged)))
        judged = judged & pumps if (judged & pumps).any() else judged
    quantile = LIMITS["baseline_quantile"].value
    whole = float(np.quantile(seen[judged], quantile))
    baseline = np.full(len(seen), whole)
    condition = np.zeros(len(seen), np.int8)
    if case.operating.engine_speed is not None:
        for edge in SPEED_EDGES:
            condition += case.operating.engine_speed > edge
    if case.operating.moving is not None:
        condition += np.int8(10) * case.operating.moving
    for value in np.flatnonzero(np.bincount(condition[judged])).tolist():
        own = condition == value
        if float((own & judged).sum()) * case.timeline.step_s >= LIMITS["least_pumping"].value / 2.0:
            level = float(np.quantile(seen[own & judged], quantile))
            baseline[own] = min(max(level, whole - 5.0), whole + LIMITS["baseline_excess"].value)
    return baseline


def at_road_speed(case: Case, over: Floats | None) -> float:
    """Median over ambient where ram air serves the condenser [K]; NaN without a minute of it."""
    speed = case.timeline.grid("vehicle_speed")
    if speed is None or over is None or case.lacks("ambient"):
        return math.nan
    fast = case.settled(LIMITS["settled_in"].value) & (held(speed) > LIMITS["ram_air"].value)
    return median_of(case.over(over, fast)) if case.seconds(fast) > LIMITS["least_pumping"].value else math.nan


def grown(case: Case, cores: list[tuple[int, int]], rise: Floats) -> list[tuple[int, int]]:
    """Each core with what stands above a share of its own rise around it; cores of one loss become one."""
    grown: list[tuple[int, int]] = []
    reach, idle = round(LIMITS["sharp_within"].value / case.timeline.step_s), idling(case)
    speed = case.timeline.grid("vehicle_speed")
    # At road speed ram air serves the condenser, whatever its fan does.
    slow = case.running.pumping & (True if speed is None else held(speed) < LIMITS["ram_air"].value)
    served = np.where(slow, rise, -np.inf)
    for core in _merged(case, cores, rise, idle):
        if grown and core[1] <= grown[-1][1]:
            continue
        share = LIMITS["still_share"].value * float(rise[core[0] : core[1] + 1].max())
        around = _around(case, core, edges_of(served > share), rise, idle)
        whole = max(min(around[0], core[0]), core[0] - reach), max(around[1], core[1])
        if grown and whole[0] <= grown[-1][1]:
            whole = grown.pop()[0], whole[1]
        grown.append(whole)
    return grown


def _around(
    case: Case, core: tuple[int, int], edges: tuple[Indices, Indices], rise: Floats, idle: Mask
) -> tuple[int, int]:
    """The stretches that meet a core, and those beside them that are one with them; the core itself without any."""
    firsts, lasts = edges
    low, high = int(np.searchsorted(lasts, core[0])), int(np.searchsorted(firsts, core[1], side="right")) - 1

    def one(index: int) -> bool:
        within = 0 <= index < len(firsts) - 1
        return within and _belong(case, int(lasts[index]), int(firsts[index + 1]), rise, idle)

    if low > high:
        if not one(high):
            return core
        low, high = high, low
    while one(low - 1):
        low -= 1
    while one(high):
        high += 1
    return int(firsts[low]), int(lasts[high])


def _merged(case: Case, spans: list[tuple[int, int]], rise: Floats, idle: Mask) -> list[tuple[int, int]]:
    """Join stretches that belong together."""
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and _belong(case, joined[-1][1], first, rise, idle):
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def _belong(case: Case, last: int, first: int, rise: Floats, idle: Mask) -> bool:
    """Whether only a trip or a short dip parts the end of a stretch from the next, or it never came to its baseline."""
    gap, pumping = slice(last + 1, first), case.running.pumping
    high = bool((rise[gap][pumping[gap]] > LIMITS["still_high"].value).all() and not idle[gap].all())
    resting = float(np.mean(~pumping[gap])) > 0.6
    longest = LIMITS["merge_off" if resting else "merge_high" if high else "merge"].value
    return (first - last) * case.timeline.step_s <= longest


def apart(case: Case, seen: Floats, baseline: Floats, spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Join stretches whose climbs begin before the one before has ended: it is one loss."""
    joined: list[tuple[int, int]] = []
    ended = -1
    for span in spans:
        edges = bounds_of(case, seen, baseline, span)
        if joined and edges.first <= ended:
            joined[-1] = (joined[-1][0], span[1])
            edges = bounds_of(case, seen, baseline, joined[-1])
        else:
            joined.append(span)
        ended = edges.last
    return joined


@dataclass(frozen=True, slots=True)
class Edges:
    """First and last index of a climb and what followed it."""

    first: int
    last: int


def bounds_of(case: Case, seen: Floats, baseline: Floats, span: tuple[int, int]) -> Edges:
    """From where it left its baseline to where it turned to fall."""
    return case.once("bounds", lambda: _bounds(case, seen, baseline, span), seen, baseline, span)


def _bounds(case: Case, seen: Floats, baseline: Floats, span: tuple[int, int]) -> Edges:
    first, last = span
    above, pumping = LIMITS["onset"].value, case.running.pumping
    onset = last_where(lambda part: (seen[part] <= baseline[part] + above) | ~pumping[part], first) + 1
    climb = sharp(case, seen, *span)
    # Where it stood above its baseline already (after a start, say) the climb itself tells when the air was lost.
    long_before = (first - onset) * case.timeline.step_s > LIMITS["sharp_within"].value
    if climb is not None and climb[1] >= first and climb[0] > onset and long_before:
        onset = min(climb[0], first)
    onset = _climb_begins(case, seen, onset, span)
    tail = max(first, last - round(45.0 / case.timeline.step_s))
    window = seen[tail : last + 1]
    turned = tail + int(np.flatnonzero(window >= window.max() - 1.0)[-1])
    fell = turned < last - round(1.0 / case.timeline.step_s)
    return Edges(onset, _restarted(case, turned if fell else last))


def _restarted(case: Case, last: int) -> int:
    """The restart where a trip cut the loss short: while the compressor rests nothing shows that the air came back."""
    end, near = float(case.timeline.t_s[last]), LIMITS["trip_near"].value
    for stop in case.stops:
        if stop.why == "high_pressure_trip" and stop.restart_s is not None and stop.at_s - near < end < stop.restart_s:
            return case.timeline.index(stop.restart_s)
    return last


def _climb_begins(case: Case, seen: Floats, crossing: int, span: tuple[int, int]) -> int:
    """Last moment before the crossing at which it did not climb yet: under a quarter of the climb's mean slope."""
    step = case.timeline.step_s
    reach = max(round(2.0 / step), 1)
    peak = crossing + int(np.argmax(seen[crossing : span[1] + 1]))
    mean = (seen[peak] - seen[crossing]) / max((peak - crossing) * step, step)
    near = max(crossing - round(LIMITS["onset_search"].value / step), reach)
    at = np.arange(near, max(crossing, near + 1))
    slope = (seen[np.minimum(at + reach, len(seen) - 1)] - seen[at - reach]) / (2 * reach * step)
    flat = np.flatnonzero(slope < 0.25 * mean)
    return int(at[flat[-1]]) + 1 if len(flat) else near
