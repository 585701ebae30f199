"""Compressor runs: intervals in which the compressor pumps.

Read from a clutch signal where there is one, else from the two pressures. Pumping holds the sides apart: the lift,
ln(high/low) in absolute pressures, leaps up within seconds of a start and falls within seconds of a stop. A clutch
that has volts while the lift collapses does not pump. A compressor of variable displacement shows no steps: low stroke
at low demand keeps some lift, so only a lift that is nearly gone ends its run.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.derived import Derived
from analysis.findings import Run
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask, Operating
from analysis.stretches import edges_of, smoothed, spans_of
from analysis.thermal_runs import pumping_by_temperature
from analysis.timeline import Floats, Timeline, bridged

LIMITS = limit_table(
    Limit("coil_supplied", 6.0, "V", "half of a 12 V supply; " + PRACTICE),
    Limit("coil_current", 1.0, "A", PRACTICE),
    Limit("leg_slope", 0.04, "1/s", PRACTICE),
    Limit("leg_change", 0.2, "1", PRACTICE),
    Limit("full_lift", 1.0, "1", "ln(high/low) on a warm day; " + PRACTICE),
    Limit("least_scale", 0.4, "1", "of the two above on a cool day; " + PRACTICE),
    Limit("leg_window", 0.5, "s", PRACTICE),
    Limit("stop_leaves", 0.82, "1", "share of the lift that a stop leaves within seconds; " + PRACTICE),
    Limit("collapse_leaves", 0.65, "1", "share of the lift that a stop leaves when nothing restarts; " + PRACTICE),
    Limit("slow_fall", 0.3, "1", PRACTICE),
    Limit("meets_by", 150.0, "s", "slowest time constant of sides that meet; open ones take 15-60 s; " + PRACTICE),
    Limit("collapse_within", 90.0, "s", PRACTICE),
    Limit("slow_recovery", 0.12, "1", PRACTICE),
    Limit("variable_lift_gone", 0.3, "1", "share of the usual lift; " + PRACTICE),
    Limit("slow_window", 4.0, "s", PRACTICE),
    Limit("slow_end", 120.0, "s", "a stepless compressor lets go within 10-60 s; " + PRACTICE),
    Limit("variable_shortest", 5.0, "s", "a stepless compressor does not run for less; " + PRACTICE),
    Limit("usual_share", 0.6, "share of the usual lift", PRACTICE),
    Limit("parted", 0.4, "1", "rise of the lift at a start; " + PRACTICE),
    Limit("warms_within", 40.0, "s", PRACTICE),
    Limit("overtaken", -1.5, "K", "vent under evaporating; " + PRACTICE),
    Limit("cooled", 1.5, "K", "condensing over ambient; " + PRACTICE),
    Limit("trip_from", 2500.0, "kPa gauge", "high-pressure switches open at 2.6-3.2 MPa; " + PRACTICE),
    Limit("trip_fall", 300.0, "kPa", "a switch closes again 400-800 kPa lower; " + PRACTICE),
    Limit("still", 0.005, "1/s", "slope of the lift; " + PRACTICE),
    Limit("trip_rise", 40.0, "kPa", "the low side meanwhile; " + PRACTICE),
    Limit("standing_lift", 0.1, "1", "sides within 10 % of each other; " + PRACTICE),
    Limit("shortest_run", 0.4, "s", PRACTICE),
    Limit("slip_leaves", 0.6, "1", "share of the usual lift; " + PRACTICE),
    Limit("slip_lasts", 8.0, "s", "longer than the surge of a start; " + PRACTICE),
    Limit("slip_step", 2.0, "s", "sampled more slowly a collapse cannot be followed; " + PRACTICE),
    Limit("seen_share", 0.8, "1", PRACTICE),
    Limit("turning", 0.03, "1", "noise of the lift; " + PRACTICE),
    Limit("edge_search", 1.5, "s", "lag of a clutch reading behind the pressures; " + PRACTICE),
    Limit("start_delay", 6.0, "s", "an engine that starts again before its compressor; " + PRACTICE),
    Limit("late_mark", 3.0, "s", "a mark pressed by hand; " + PRACTICE),
)
VARIABLE = ("variable_internal", "variable_external", "electric")


@dataclass(frozen=True, slots=True, eq=False)
class Running:
    """Runs of the compressor.

    Attributes
    ----------
    basis : str
        ``clutch``, ``pressures``, ``temperatures`` or ``none``.
    pumping : mask of the grid's shape
    supplied : mask or None
        Where the clutch has its supply; None without a clutch channel.
    usual_lift : float
        Median lift while pumping; NaN without pressures.
    """

    basis: str
    pumping: Mask
    supplied: Mask | None
    runs: tuple[Run, ...]
    usual_lift: float


@dataclass(frozen=True, slots=True)
class Leg:
    """A steep change of the lift: grid indices of its first and last point, and the change."""

    first: int
    last: int
    change: float


def running_of(timeline: Timeline, derived: Derived, operating: Operating, compressor: str | None) -> Running:
    """Find when the compressor pumped."""
    supplied = _supplied(timeline)
    lift = None if derived.lift is None or not np.isfinite(derived.lift).any() else bridged(derived.lift)
    if supplied is not None:
        driven = supplied & operating.engine_running if operating.engine_basis == "engine_speed" else supplied
        pumping = driven
        if lift is not None:
            if compressor not in VARIABLE:
                seen = np.isfinite(derived.lift) if derived.lift is not None else np.ones(len(lift), np.bool_)
                pumping = driven & ~_not_lifting(lift, driven, seen, timeline.step_s)
            pumping = _edges_by_lift(pumping, lift, timeline.step_s, LIMITS["edge_search"].value, 0.0)
        return _running("clutch", timeline, pumping, supplied, lift)
    if lift is None:
        by_air = pumping_by_temperature(timeline)
        if by_air is not None:
            return _running("temperatures", timeline, by_air, None, None)
        return Running("none", np.zeros(len(timeline.t_s), np.bool_), None, (), float("nan"))
    possible = _possible(timeline, operating)
    if operating.engine_basis != "engine_speed":
        possible |= _started_unmarked(lift, possible, timeline.step_s)
    if compressor in VARIABLE:
        pumping = _from_level(lift, possible, timeline.step_s) & possible & ~_tripped(timeline, derived, lift)
        pumping &= ~_not_drawn(timeline, derived, lift)
    else:
        pumping = _from_legs(lift, timeline.step_s) & possible
    pumping = _edges_by_lift(pumping, lift, timeline.step_s, LIMITS["late_mark"].value, LIMITS["start_delay"].value)
    return _running("pressures", timeline, pumping, None, lift)


def _possible(timeline: Timeline, operating: Operating) -> Mask:
    """Where the engine may have driven the compressor; marks of a start come late, so they are taken earlier."""
    if operating.engine_basis == "engine_speed":
        return operating.engine_running
    early = round(LIMITS["late_mark"].value / timeline.step_s)
    running = operating.engine_running & (operating.asked if operating.asked_basis == "marks" else True)
    return running | np.concatenate([running[early:], np.repeat(running[-1:], early)])[: len(running)]


def _started_unmarked(lift: Floats, possible: Mask, step_s: float) -> Mask:
    """From a start that nobody marked: the sides part as far as usual although a mark says that cooling is off."""
    started = np.zeros(len(lift), np.bool_)
    if possible.all() or not possible.any():
        return started
    usual = LIMITS["usual_share"].value * float(np.quantile(lift[possible], 0.75))
    spans = spans_of(~possible)
    for leg in legs_of(lift, step_s):
        inside = next((span for span in spans if span[0] < leg.first <= span[1]), None)
        if inside is not None and leg.change >= LIMITS["parted"].value and lift[leg.last] >= usual:
            started[leg.first : inside[1] + 1] = True
    return started


def _edges_by_lift(pumping: Mask, lift: Floats, step_s: float, before_s: float, delay_s: float) -> Mask:
    """Move each edge to the turning point of the lift near it: pressures react before a voltage is read.

    ``delay_s`` allows for a compressor that is engaged only some seconds after it could have been.
    """
    reach = max(round(before_s / step_s), 1)
    delay = round(delay_s / step_s)
    # A leg of the pressures is seen from half a window away; a clutch reading only ever lags.
    ahead = round(2.0 * LIMITS["leg_window"].value / step_s) if delay_s else 0
    slack = LIMITS["turning"].value
    moved = np.zeros(len(pumping), np.bool_)
    spans = spans_of(pumping)
    stops = [-1, *(last for _, last in spans)]
    for (first, last), stopped in zip(spans, stops, strict=False):
        begin, end = first, last
        if first > 0:
            near = max(first - reach, (first + stopped) // 2 + 1, 0)
            window = lift[near : min(first + delay, last) + 1]
            begin = near + int(np.flatnonzero(window <= window.min() + slack)[-1]) + 1
        if last < len(pumping) - 1:
            near = max(last - reach, (begin + last) // 2)
            window = lift[near : last + 2 + ahead]
            end = near + _kink(window, slack)
        moved[min(begin, last) : min(end, len(pumping) - 1) + 1] = True
    return moved


def _kink(window: Floats, slack: float) -> int:
    """Where a lift begins to fall steeply: the last point before its steepest fall that falls by less than half."""
    falls = -np.diff(window)
    steepest = int(np.argmax(falls)) if len(falls) else 0
    if not len(falls) or falls[steepest] <= slack / 2.0:
        return int(np.flatnonzero(window >= window.max() - slack)[-1])
    gentle = np.flatnonzero(falls[: steepest + 1] < 0.5 * falls[steepest])
    return int(gentle[-1]) + 1 if len(gentle) else 0


def _running(basis: str, timeline: Timeline, pumping: Mask, supplied: Mask | None, lift: Floats | None) -> Running:
    # What nobody recorded did not run: a run ends where the record breaks off.
    pumping = pumping & timeline.recorded()
    shortest = LIMITS["shortest_run"].value / timeline.step_s
    spans = [(first, last) for first, last in spans_of(pumping) if last - first + 1 >= shortest]
    pumping = np.zeros(len(pumping), np.bool_)
    for first, last in spans:
        pumping[first : last + 1] = True
    usual = float(np.median(lift[pumping])) if lift is not None and pumping.any() else float("nan")
    half = timeline.step_s / 2.0
    t = timeline.t_s
    runs = tuple(
        Run(round(max(float(t[a]) - half, 0.0), 3), round(min(float(t[b]) + half, timeline.duration_s), 3))
        for a, b in spans
    )
    return Running(basis, pumping, supplied, runs, usual)


def _supplied(timeline: Timeline) -> Mask | None:
    """Where the clutch has its supply: hysteresis at 40 and 60 % of the level of an engaged clutch."""
    for place, least in (("clutch", "coil_supplied"), ("clutch_current", "coil_current")):
        values = timeline.grid(place)
        if values is None:
            continue
        seen = np.isfinite(values)
        high = max(float(np.quantile(values[seen], 0.98)), LIMITS[least].value)
        filled = np.where(seen, values, 0.5 * high)
        state = np.where(filled > 0.6 * high, 1, np.where(filled < 0.4 * high, 0, -1))
        known = np.maximum.accumulate(np.where(state >= 0, np.arange(len(state)), 0))
        return state[known] == 1
    return None


def legs_of(lift: Floats, step_s: float) -> list[Leg]:
    """Steep falls and rises of the lift, each from its turning point to where it flattens.

    On a cool day there is little lift to lose, and its legs are smaller.
    """
    some = lift[:: max(len(lift) // 4000, 1)]
    scale = float(np.clip(np.quantile(some, 0.75) / LIMITS["full_lift"].value, LIMITS["least_scale"].value, 1.0))
    reach = max(round(LIMITS["leg_window"].value / step_s), 1)
    padded = np.pad(lift, reach, mode="edge")
    slope = (padded[2 * reach :] - padded[: -2 * reach]) / (2 * reach * step_s)
    legs: list[Leg] = []
    for sign in (1.0, -1.0):
        firsts, lasts = edges_of(sign * slope > scale * LIMITS["leg_slope"].value)
        if len(firsts) == 0:
            continue
        # Noise crosses the slope for a sample or two, thousands of times: only what makes a leg is looked at.
        turns = np.minimum.reduce([sign * lift[np.clip(firsts + k, 0, lasts)] for k in range(-reach, 2 * reach + 1)])
        kept = sign * lift[lasts] - turns >= scale * LIMITS["leg_change"].value
        for first, last in zip(firsts[kept].tolist(), lasts[kept].tolist(), strict=True):
            near = slice(max(first - reach, 0), min(first + 2 * reach, last) + 1)
            turning = near.start + int(np.argmin(sign * lift[near]))
            legs.append(Leg(turning, last, float(lift[last] - lift[turning])))
    return sorted(legs, key=lambda leg: leg.first)


def _from_legs(lift: Floats, step_s: float) -> Mask:
    """On after a rising leg, off after a falling one that is a stop."""
    legs = legs_of(lift, step_s)
    kept = [leg for i, leg in enumerate(legs) if leg.change > 0 or _is_stop(lift, legs, i, step_s)]
    standing = LIMITS["standing_lift"].value
    kept = _with_slow_stops(kept, lift, step_s)
    if not kept:
        return lift > max(standing, 0.5 * float(np.quantile(lift, 0.9)))
    first = np.array([leg.first for leg in kept])
    on = np.array([kept[0].change < 0, *(leg.change > 0 for leg in kept)])
    state = on[np.searchsorted(first, np.arange(len(lift)), side="right")]
    state[: first[0]] &= lift[: first[0]] > standing
    return state


def _with_slow_stops(legs: list[Leg], lift: Floats, step_s: float) -> list[Leg]:
    """Between two starts there was a stop: where the fall was too slow for a leg, at the last top before it.

    The highest lift of a long run may be long past; then the usual one tells.
    """
    stops: list[Leg] = []
    for one, other in pairwise(legs):
        if one.change > 0 and other.change > 0 and one.last <= other.first:
            between = lift[one.last : other.first + 1]
            fall = float(lift[other.first] - between.max())
            for level in (float(between.max()), float(np.quantile(between, 0.75))):
                top = one.last + int(np.flatnonzero(between >= level - LIMITS["turning"].value)[-1])
                apart = float(lift[top]) * _still_apart((other.first - top) * step_s)
                if fall <= -LIMITS["slow_fall"].value and float(lift[other.first]) < apart:
                    stops.append(Leg(top, other.first, fall))
                    break
    return sorted([*legs, *stops], key=lambda leg: leg.first)


def _is_stop(lift: Floats, legs: list[Leg], index: int, step_s: float) -> bool:
    """Whether a falling leg is a stop: soon ended by a start, or leading on down. A surge or a speed change is not."""
    leg = legs[index]
    before = float(lift[leg.first])
    rise = next((other.first for other in legs[index + 1 :] if other.change > 0), None)
    horizon = leg.last + round(LIMITS["collapse_within"].value / step_s)
    until = max(min(len(lift), horizon if rise is None else min(horizon, rise + 1)), leg.last + 1)
    after = lift[leg.last : until]
    lowest = float(after.min())
    recovered = float(after[int(np.argmin(after)) :].max()) - lowest
    if recovered > LIMITS["slow_recovery"].value:
        return False
    share = LIMITS["stop_leaves" if rise is not None and rise < horizon else "collapse_leaves"].value
    return lowest < share * before * _still_apart((leg.last - leg.first + int(np.argmin(after))) * step_s)


def _still_apart(passed_s: float) -> float:
    """Most of the lift that a stop leaves after a time: a lift that fell a little and stayed is that of a run."""
    return float(np.exp(-passed_s / LIMITS["meets_by"].value))


def _from_level(lift: Floats, possible: Mask, step_s: float) -> Mask:
    """Stepless compressor: on while some of the usual lift stands, from the turning points that lead there."""
    usual = float(np.quantile(lift[possible], 0.75)) if possible.any() else float(np.quantile(lift, 0.75))
    gone = max(LIMITS["variable_lift_gone"].value * usual, LIMITS["standing_lift"].value)
    on = _lasting(lift > gone, round(LIMITS["variable_shortest"].value / step_s))
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


def _tripped(timeline: Timeline, derived: Derived, lift: Floats) -> Mask:
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


def _not_drawn(timeline: Timeline, derived: Derived, lift: Floats) -> Mask:
    """Stops of a stepless compressor short of equal sides: the low side rises past what the air at the vents allows.

    While anything is drawn off, the evaporator boils below the temperature of the air that it cools; once nothing is,
    liquid that comes through the valve warms it faster than that air. Or the condenser cools to the ambient.
    """
    off = np.zeros(len(lift), np.bool_)
    gap, over = derived.vent_over_evaporating_k, derived.over_ambient_k
    step = timeline.step_s
    legs = legs_of(lift, step)
    for index, leg in enumerate(legs):
        if leg.change >= 0.0:
            continue
        rise = next((other.first for other in legs[index + 1 :] if other.change > 0), len(lift) - 1)
        back = np.flatnonzero(lift[leg.last : rise + 1] > LIMITS["stop_leaves"].value * lift[leg.first])
        end = leg.last + int(back[0]) if len(back) else rise
        soon = leg.first + round(LIMITS["warms_within"].value / step)
        overtaken = _least(gap, leg.first, min(soon, end), step) < LIMITS["overtaken"].value
        cooled = _least(over, max(end - round(10.0 / step), leg.last), end, step) < LIMITS["cooled"].value
        if overtaken or cooled:
            off[leg.first + 1 : end + 1] = True
    return off


def _least(values: Floats | None, first: int, last: int, step_s: float) -> float:
    """Least of a stretch, evened over 2 s; infinite where there is none."""
    if values is None:
        return math.inf
    part = values[first : last + 1]
    part = part[np.isfinite(part)]
    return float(np.min(smoothed(part, step_s, 2.0))) if len(part) else math.inf


def _lasting(on: Mask, least: int) -> Mask:
    """A mask without its stretches shorter than ``least`` steps: noise about a level crosses it many times."""
    lasting = np.zeros(len(on), np.bool_)
    for first, last in spans_of(on):
        if last - first + 1 >= least:
            lasting[first : last + 1] = True
    return lasting


def _not_lifting(lift: Floats, driven: Mask, seen: Mask, step_s: float) -> Mask:
    """Where the clutch is driven and the lift has collapsed all the same (a slipping or open clutch).

    ``seen`` is where both sides were read: a lift bridged over a gap proves nothing.
    """
    idle = np.zeros(len(lift), np.bool_)
    if not driven.any() or step_s > LIMITS["slip_step"].value:
        return idle
    usual = float(np.median(lift[driven]))
    low = LIMITS["slip_leaves"].value * usual
    lasts = round(LIMITS["slip_lasts"].value / step_s)
    falls = [leg for leg in legs_of(lift, step_s) if leg.change < 0]
    for first, last in spans_of(driven & (lift < low)):
        if last - first < lasts or float(np.mean(seen[first : last + 1])) < LIMITS["seen_share"].value:
            continue
        led = [leg.first for leg in falls if leg.first <= first <= leg.last + lasts and driven[leg.first : first].all()]
        still = np.flatnonzero(lift[first : last + 1] < float(lift[first : last + 1].min()) + 0.05)
        back = first + int(still[-1]) if last + 1 < len(driven) and driven[last + 1] else last
        idle[(led[0] if led else first) + 1 : back + 1] = True
    return idle
