"""Steep changes of the lift, ln(high/low): a start parts the two sides within seconds, a stop lets them meet.

What is a start and what a stop follows from what comes after: a surge of the engine or a change of its speed bends the
lift too, and it comes back or stays.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.limits import PRACTICE, Limit, limit_table
from analysis.stretches import Mask, edges_of
from analysis.timeline import Floats

LIMITS = limit_table(
    Limit("leg_slope", 0.04, "1/s", PRACTICE),
    Limit("leg_change", 0.2, "1", PRACTICE),
    Limit("full_lift", 1.0, "1", "ln(high/low) on a warm day; " + PRACTICE),
    Limit("least_scale", 0.4, "1", "of the two above on a cool day; " + PRACTICE),
    Limit("leg_window", 0.5, "s", PRACTICE),
    Limit("stop_leaves", 0.82, "1", "share of the lift that a stop leaves within seconds; " + PRACTICE),
    Limit("collapse_leaves", 0.65, "1", "share of the lift that a stop leaves when nothing restarts; " + PRACTICE),
    Limit("slow_fall", 0.3, "1", PRACTICE),
    Limit("meets_from", 8.0, "s", "after a stop; until then its first fall alone tells; " + PRACTICE),
    Limit("meets_by", 40.0, "s", "slow time constant of sides that meet; open ones take 15-60 s; " + PRACTICE),
    Limit("orifice_leaves", 0.75, "1", "share of what a stop's first fall left; " + PRACTICE),
    Limit("valve_leaves", 0.85, "1", "the same past a valve that closes tight, in a hot bay; " + PRACTICE),
    Limit("collapse_within", 90.0, "s", PRACTICE),
    Limit("slow_recovery", 0.12, "1", PRACTICE),
    Limit("steep_leaves", 0.78, "1", "share of the lift; a slower engine leaves more; " + PRACTICE),
    Limit("steep_within", 5.0, "s", PRACTICE),
    Limit("turns", 0.35, "share of the fall", PRACTICE),
    Limit("turns_within", 3.0, "s", PRACTICE),
    Limit("short_stop", 8.0, "s", PRACTICE),
    Limit("starved", 1.4, "share of the usual lift", "held by a valve that passes nothing; " + PRACTICE),
    Limit("fed_again", 0.85, "share of the usual lift", PRACTICE),
    Limit("fed_within", 40.0, "s", PRACTICE),
    Limit("standing_lift", 0.1, "1", "sides within 10 % of each other; " + PRACTICE),
    Limit("turning", 0.03, "1", "noise of the lift; " + PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Leg:
    """A steep change of the lift: grid indices of its first and last point, and the change."""

    first: int
    last: int
    change: float


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


LEAVES = {
    "fixed_orifice": LIMITS["orifice_leaves"].value,
    "expansion_valve": LIMITS["valve_leaves"].value,
    None: LIMITS["orifice_leaves"].value,
}
"""What stays of the lift in time, by metering device; of what the first fall left."""


def from_legs(lift: Floats, leaves: float, step_s: float) -> Mask:
    """On after a rising leg, off after a falling one that is a stop; ``leaves`` is one of ``LEAVES``."""
    legs = legs_of(lift, step_s)
    tops = [float(lift[leg.first]) for leg in legs if leg.change < 0]
    usual = float(np.median(tops)) if tops else float(np.quantile(lift, 0.75))
    legs = [leg for leg in legs if leg.change > 0 or not _fed_again(lift, leg.first, leg.last, usual, step_s)]
    kept = [leg for i, leg in enumerate(legs) if leg.change > 0 or _is_stop(lift, legs, i, leaves, step_s)]
    short = [
        stop
        for i, leg in enumerate(legs)
        if leg.change < 0 and leg not in kept
        for stop in _short_stop(lift, legs, i, step_s)
    ]
    kept = sorted([*kept, *short], key=lambda leg: leg.first)
    standing = LIMITS["standing_lift"].value
    kept = _with_slow_stops(kept, lift, usual, leaves, step_s)
    if not kept:
        return lift > max(standing, 0.5 * float(np.quantile(lift, 0.9)))
    first = np.array([leg.first for leg in kept])
    on = np.array([kept[0].change < 0, *(leg.change > 0 for leg in kept)])
    state = on[np.searchsorted(first, np.arange(len(lift)), side="right")]
    state[: first[0]] &= lift[: first[0]] > standing
    return state


def _with_slow_stops(legs: list[Leg], lift: Floats, usual: float, leaves: float, step_s: float) -> list[Leg]:
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
                left = LIMITS["stop_leaves"].value * _still_apart((other.first - top) * step_s, leaves)
                apart = float(lift[top]) * left
                fell = fall <= -LIMITS["slow_fall"].value and float(lift[other.first]) < apart
                if fell and not _fed_again(lift, top, other.first, usual, step_s):
                    stops.append(Leg(top, other.first, fall))
                    break
    return sorted([*legs, *stops], key=lambda leg: leg.first)


def _is_stop(lift: Floats, legs: list[Leg], index: int, leaves: float, step_s: float) -> bool:
    """Whether a falling leg is a stop: soon ended by a start, or leading on down. A surge or a speed change is not."""
    leg = legs[index]
    before = float(lift[leg.first])
    rise = next((other.first for other in legs[index + 1 :] if other.change > 0), None)
    horizon = leg.last + round(LIMITS["collapse_within"].value / step_s)
    until = max(min(len(lift), horizon if rise is None else min(horizon, rise + 1)), leg.last + 1)
    # What falls after it rose again is another stop.
    fall = next((o.first for o in legs[index + 1 :] if o.change < 0 and _rose(lift, leg.last, o.first)), until)
    after = lift[leg.last : max(min(until, fall), leg.last + 1)]
    lowest = float(after.min())
    recovered = float(after[int(np.argmin(after)) :].max()) - lowest
    if recovered > LIMITS["slow_recovery"].value:
        return False
    share = LIMITS["stop_leaves" if rise is not None and rise < horizon else "collapse_leaves"].value
    passed_s = (leg.last - leg.first + int(np.argmin(after))) * step_s
    return lowest < share * before * _still_apart(passed_s, leaves)


def _rose(lift: Floats, first: int, last: int) -> bool:
    part = lift[first : last + 1]
    return len(part) > 0 and float(part[-1] - part.min()) > LIMITS["slow_recovery"].value


def _short_stop(lift: Floats, legs: list[Leg], index: int, step_s: float) -> list[Leg]:
    """A fall as steep as only a stop is, and the start that ended it too gently for a leg; nothing for other falls."""
    leg = legs[index]
    before = float(lift[leg.first])
    fall = next((other.first for other in legs[index + 1 :] if other.change < 0), len(lift))
    within, turn = round(LIMITS["steep_within"].value / step_s), max(round(LIMITS["turns_within"].value / step_s), 1)
    after = lift[leg.last : max(min(leg.last + round(LIMITS["collapse_within"].value / step_s), fall), leg.last) + 1]
    bottom = leg.last + int(np.argmin(after[: max(round(LIMITS["short_stop"].value / step_s), 1)]))
    steep = float(lift[leg.first : leg.first + within + 1].min()) < LIMITS["steep_leaves"].value * before
    # A slower engine keeps its lower lift for a while; what turns at once is a start.
    risen = float(lift[bottom : bottom + turn + 1].max() - lift[bottom])
    turned = risen >= LIMITS["turns"].value * (before - float(lift[bottom])) and bottom - leg.first <= 2 * within
    if not (steep or turned) or bottom <= leg.first:
        return []
    return [leg, Leg(bottom, bottom, float(after.max() - lift[bottom]))]


def _fed_again(lift: Floats, first: int, last: int, usual: float, step_s: float) -> bool:
    """Whether a fall was a plugged valve that let go: from far above the usual lift, which soon stands again."""
    soon = lift[last : last + round(LIMITS["fed_within"].value / step_s) + 1]
    back = len(soon) > 0 and float(soon.max()) >= LIMITS["fed_again"].value * usual
    return back and float(lift[first : last + 1].max()) >= LIMITS["starved"].value * usual


def _still_apart(passed_s: float, leaves: float) -> float:
    """Most of the lift that a stop leaves after a time, of what its first fall left.

    A lift that fell a little and stayed is that of a run: the engine turned more slowly. Even past a valve that closes
    tight both sides go to the temperature of their air once nothing is pumped.
    """
    late = max(passed_s - LIMITS["meets_from"].value, 0.0)
    return max(float(np.exp(-late / LIMITS["meets_by"].value)), leaves)
