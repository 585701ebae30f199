"""Runs of compressors that are turned up and down without steps: low stroke at low demand keeps some lift.

Only a lift that is nearly gone, a pressure switch's opening, or coils that both stand at the temperature of their air
end such a run.
"""

import math
from itertools import pairwise

import numpy as np

from analysis.derived import Derived
from analysis.legs import legs_of
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.stretches import Mask, lasting, smoothed, spans_of
from analysis.timeline import Floats, Timeline, bridged

LIMITS = limit_table(
    Limit("stop_leaves", 0.82, "1", "share of the lift that a stop leaves within seconds; " + PRACTICE),
    Limit("slow_fall", 0.3, "1", PRACTICE),
    Limit("slow_recovery", 0.12, "1", PRACTICE),
    Limit("variable_lift_gone", 0.3, "1", "share of the usual lift; " + PRACTICE),
    Limit("slow_window", 4.0, "s", PRACTICE),
    Limit("slow_end", 120.0, "s", "a stepless compressor lets go within 10-60 s; " + PRACTICE),
    Limit("variable_shortest", 5.0, "s", "a stepless compressor does not run for less; " + PRACTICE),
    Limit("warms_within", 40.0, "s", PRACTICE),
    Limit("overtaken", -0.8, "K", "vent under evaporating; " + PRACTICE),
    Limit("at_rest", 4.5, "K", "vent over evaporating and condensing over ambient together; " + PRACTICE),
    Limit("at_rest_lift", 0.55, "share of the usual lift", PRACTICE),
    Limit("at_rest_over", 15.0, "s", PRACTICE),
    Limit("switched_fall", 0.25, "share of the usual lift", PRACTICE),
    Limit("switched_near", 5.0, "s", "a mark pressed by hand; " + PRACTICE),
    Limit("switched_for", 300.0, "s", "sides that part slowly after it; " + PRACTICE),
    Limit("switched_well", 0.6, "share of the fall, above which it had hardly begun", PRACTICE),
    Limit("switched_still", 0.005, "share of the fall a second", PRACTICE),
    Limit("trip_from", 2500.0, "kPa gauge", "high-pressure switches open at 2.6-3.2 MPa; " + PRACTICE),
    Limit("trip_fall", 300.0, "kPa", "a switch closes again 400-800 kPa lower; " + PRACTICE),
    Limit("still", 0.005, "1/s", "slope of the lift; " + PRACTICE),
    Limit("trip_rise", 40.0, "kPa", "the low side meanwhile; " + PRACTICE),
    Limit("standing_lift", 0.1, "1", "sides within 10 % of each other; " + PRACTICE),
)
VARIABLE = ("variable_internal", "variable_external", "electric")


def from_level(lift: Floats, possible: Mask, step_s: float) -> Mask:
    """Stepless compressor: on while some of the usual lift stands, from the turning points that lead there."""
    usual = float(np.quantile(lift[possible], 0.75)) if possible.any() else float(np.quantile(lift, 0.75))
    gone = max(LIMITS["variable_lift_gone"].value * usual, LIMITS["standing_lift"].value)
    on = lasting(lift > gone, round(LIMITS["variable_shortest"].value / step_s))
    pumping = on.copy()
    legs = legs_of(lift, step_s)
    for index, leg in enumerate(legs):
        crossing = leg.first + np.flatnonzero(on[leg.first :] == (leg.change > 0))
        if len(crossing) == 0 or on[leg.first] == (leg.change > 0):
            continue
        reached = int(crossing[0])
        # A fall that came up again before the lift was gone was a change of speed; one that crept on was the stop.
        fallen = float(lift[leg.last])
        highest = float(lift[leg.last : max(reached, leg.last) + 1].max())
        crept = highest - fallen < LIMITS["slow_recovery"].value and fallen < LIMITS["stop_leaves"].value * usual
        superseded = not crept and any(leg.last < other.first < reached for other in legs[index + 1 :])
        if leg.change > 0 and reached <= leg.last:
            pumping[leg.first + 1 : reached] = True
        if leg.change < 0 and not superseded:
            pumping[leg.first + 1 : reached] = False
    return _without_slow_ends(pumping, lift, usual, step_s)


def _without_slow_ends(pumping: Mask, lift: Floats, usual: float, step_s: float) -> Mask:
    """A stepless compressor is let go smoothly: its run ended where the fall began, not where the lift was gone."""
    slope = np.gradient(smoothed(lift, step_s, LIMITS["slow_window"].value), step_s)
    reach, near = round(LIMITS["slow_end"].value / step_s), round(LIMITS["slow_window"].value / step_s)
    shortened = pumping.copy()
    for first, last in spans_of(pumping):
        if last >= len(lift) - 1:
            continue
        begin = max(first, last - reach)
        part = slice(begin, max(last - near, begin) + 1)
        high = lift[part] >= LIMITS["stop_leaves"].value * float(np.quantile(lift[part], 0.9))
        held = np.flatnonzero(high & (slope[part] >= -LIMITS["still"].value))
        top = begin + int(held[-1]) if len(held) else begin
        if float(lift[top] - lift[last]) >= LIMITS["slow_fall"].value * usual:
            shortened[top + 1 : last + 1] = False
    return shortened


def tripped(timeline: Timeline, derived: Derived, lift: Floats) -> Mask:
    """Stops of a stepless compressor by its pressure switch: from the top both sides converge, then part again."""
    off = np.zeros(len(lift), np.bool_)
    if derived.low_kpa is None or derived.high_kpa is None:
        return off
    low, high = bridged(derived.low_kpa), bridged(derived.high_kpa)
    legs = legs_of(lift, timeline.step_s)
    reach = max(round(1.0 / timeline.step_s), 1)
    slope = np.gradient(smoothed(lift, timeline.step_s, 2.0), timeline.step_s)
    for leg, other in pairwise(legs):
        if not leg.change < 0 < other.change:
            continue
        # The stop is where the last unbroken fall before the start begins: a surge or a rev may come before it.
        held = np.flatnonzero(slope[leg.first : max(other.first - reach, leg.first + 1)] >= -LIMITS["still"].value)
        first = leg.first + (int(held[-1]) if len(held) else 0)
        top = float(high[first]) - timeline.barometric_kpa
        falls = float(high[first] - high[other.first]) >= LIMITS["trip_fall"].value
        rises = float(low[other.first] - low[first]) >= LIMITS["trip_rise"].value
        if top >= LIMITS["trip_from"].value and falls and rises:
            off[first + 1 : other.first + 1] = True
    return off


def switched(timeline: Timeline, lift: Floats) -> Mask:
    """Stops that the driver's marks tell: from the fall that leads to where cooling was switched on again.

    Either mark may have been forgotten: who marks "on" had switched it off, and "off" lasts until the lift rises.
    """
    off = np.zeros(len(lift), np.bool_)
    events = sorted((mark.time_s, mark.kind) for mark in timeline.marks if mark.kind in ("ac_on", "ac_off"))
    near, far = LIMITS["switched_near"].value, LIMITS["switched_for"].value
    least = LIMITS["switched_fall"].value * float(np.quantile(lift, 0.75))
    slope = np.gradient(smoothed(lift, timeline.step_s, LIMITS["slow_window"].value), timeline.step_s)
    index = timeline.index
    for before, (time_s, kind) in zip([(0.0, ""), *events], events, strict=False):
        since = before[0] - near if before[1] == "ac_off" else max(time_s - far, before[0])
        first, last = (since, time_s + near) if kind == "ac_on" else (time_s - near, time_s + far)
        begin, end = index(max(first, 0.0)), index(min(last, timeline.duration_s))
        lowest = begin + int(np.argmin(lift[begin : end + 1]))
        if kind == "ac_off":
            later = [other for other, _ in events if other > time_s]
            part = lift[begin : index(min([last, *(other + near for other in later)])) + 1]
            risen = np.flatnonzero(part > np.minimum.accumulate(part) + least)
            lowest = begin + int(np.argmin(part[: int(risen[0]) + 1 if len(risen) else len(part)]))
        high = float(np.quantile(lift[begin : lowest + 1], 0.9))
        fall = high - float(lift[lowest])
        if fall >= least:
            well = np.flatnonzero(lift[begin : lowest + 1] >= high - (1.0 - LIMITS["switched_well"].value) * fall)
            held = np.flatnonzero(slope[begin : begin + int(well[-1]) + 1] >= -LIMITS["switched_still"].value * fall)
            off[begin + (int(held[-1]) if len(held) else 0) + 1 : lowest + 1] = True
    return off


def not_drawn(timeline: Timeline, derived: Derived, lift: Floats) -> Mask:
    """Stops of a stepless compressor short of equal sides, told by the air at both coils."""
    return _overtaken(derived, lift, timeline.step_s) | _at_rest(derived, lift, timeline.step_s)


def _overtaken(derived: Derived, lift: Floats, step: float) -> Mask:
    """From falls after which evaporating rises past what the air at the vents allows.

    While anything is drawn off, the evaporator boils below the temperature of the air that it cools; once nothing is,
    liquid that comes through the valve warms it faster than that air.
    """
    off = np.zeros(len(lift), np.bool_)
    legs = legs_of(lift, step)
    for index, leg in enumerate(legs):
        if leg.change >= 0.0:
            continue
        rise = next((other.first for other in legs[index + 1 :] if other.change > 0), len(lift) - 1)
        back = np.flatnonzero(lift[leg.last : rise + 1] > LIMITS["stop_leaves"].value * lift[leg.first])
        end = leg.last + int(back[0]) if len(back) else rise
        soon = leg.first + round(LIMITS["warms_within"].value / step)
        gap = derived.vent_over_evaporating_k
        if _least(gap, leg.first, min(soon, end), step) < LIMITS["overtaken"].value:
            off[leg.first + 1 : end + 1] = True
    return off


def _at_rest(derived: Derived, lift: Floats, step: float) -> Mask:
    """Where both coils stand near the temperature of their air, from where the lift began to fall until it rises."""
    off = np.zeros(len(lift), np.bool_)
    gap, over = derived.vent_over_evaporating_k, derived.over_ambient_k
    if gap is None or over is None or not np.isfinite(gap).any() or not np.isfinite(over).any():
        return off
    even = LIMITS["at_rest_over"].value
    apart = smoothed(bridged(gap), step, even) + smoothed(bridged(over), step, even)
    usual = float(np.quantile(lift, 0.75))
    resting = (apart < LIMITS["at_rest"].value) & (lift < LIMITS["at_rest_lift"].value * usual)
    slope = np.gradient(smoothed(lift, step, LIMITS["slow_window"].value), step)
    reach, least = round(LIMITS["slow_end"].value / step), max(round(even / 2.0 / step), 1)
    for first, last in spans_of(lasting(resting, least)):
        begin = max(first - reach, 0)
        held = np.flatnonzero(slope[begin : first + 1] >= -LIMITS["still"].value)
        top = begin + (int(held[-1]) if len(held) else 0)
        parted = np.flatnonzero(lift[last:] >= LIMITS["at_rest_lift"].value * usual)
        until = last + int(parted[0]) if len(parted) else len(lift) - 1
        off[top + 1 : first + int(np.argmin(lift[first : until + 1])) + 1] = True
    return off


def _least(values: Floats | None, first: int, last: int, step_s: float) -> float:
    """Least of a stretch, evened over 2 s; infinite where there is none."""
    if values is None:
        return math.inf
    part = values[first : last + 1]
    part = part[np.isfinite(part)]
    return float(np.min(smoothed(part, step_s, 2.0))) if len(part) else math.inf
