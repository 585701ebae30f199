"""Climbs of condensing over ambient that a change of the heat does not explain.

A condenser that loses its air climbs far within a minute while nothing else was asked of it, and the low side follows
up. Driven faster, coming to a halt, or when the flow comes back after a frozen valve or a weak stroke it climbs too.
"""

from functools import reduce

import numpy as np

from analysis.case import Case
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask, held
from analysis.starving import Spell
from analysis.stretches import lasting, lowest_before
from analysis.timeline import Floats

LIMITS = limit_table(
    Limit("standing_level", 22.0, "K", "above ambient, the engine at idle under like conditions; " + PRACTICE),
    Limit("idle", 1150.0, "1/min", PRACTICE),
    Limit("climb_at_idle", 10.0, "K", "coming to a halt with its air a condenser climbs by less; " + PRACTICE),
    Limit("climb_within", 90.0, "s", PRACTICE),
    Limit("idle_for", 8.0, "s", "the heat of an acceleration goes within seconds; " + PRACTICE),
    Limit("pulled_down_after", 150.0, "s", "a warm cabin is a heavy load; " + PRACTICE),
    Limit("standing", 4.0, "km/h", "where no engine speed was recorded; " + PRACTICE),
    Limit("sharp", 7.0, "K", "within a minute; load and weather take several; " + PRACTICE),
    Limit("drawn_down", 2.5, "K", "evaporating, over the climb; " + PRACTICE),
    Limit("climbs_for", 10.0, "s", "until the low side has answered; " + PRACTICE),
    Limit("calm_for", 45.0, "s", "even engine and road speed; " + PRACTICE),
    Limit("even_engine", 250.0, "1/min", PRACTICE),
    Limit("even_road", 8.0, "km/h", PRACTICE),
    Limit("climb_in_calm", 7.0, "K", "a fan's own stages move it by less; " + PRACTICE),
    Limit("starved_below", 10.0, "K", "evaporating under its usual: a frozen or narrow place; " + PRACTICE),
    Limit("starved_within", 150.0, "s", "before the climb; " + PRACTICE),
    Limit("fed_again_within", 90.0, "s", "before the climb; " + PRACTICE),
    Limit("flow_back", 4.0, "K", "evaporating above its usual, and its fall during the climb; " + PRACTICE),
    Limit("starved_at", -6.0, "degC", "evaporating; a fed evaporator is kept from freezing; " + PRACTICE),
    Limit("fan_supply", 4.0, "V", PRACTICE),
    Limit("served_for", 60.0, "s", "with the fan supplied, to know how it stands then; " + PRACTICE),
    Limit("always_on", 0.6, "share of the time near its baseline", PRACTICE),
    Limit("unserved_climb", 4.0, "K", "above where it stands with the fan supplied; " + PRACTICE),
    Limit("unserved_rise", 6.0, "K", "above its baseline; " + PRACTICE),
    Limit("sharp_within", 60.0, "s", "heat that is not carried away shows within a minute or two; " + PRACTICE),
    Limit("told_by", 0.5, "s", "of windows of most of a minute; " + PRACTICE),
    Limit("settled_in", 20.0, "s", PRACTICE),
    Limit("slow", 15.0, "km/h", PRACTICE),
)


def idling(case: Case) -> Mask:
    """Engine at idle; without its speed, the vehicle at standstill; nowhere without either."""
    speed = case.timeline.grid("vehicle_speed")
    if case.operating.engine_speed is not None:
        return held(case.operating.engine_speed) < LIMITS["idle"].value
    return np.zeros(len(case.timeline.t_s), np.bool_) if speed is None else held(speed) < LIMITS["standing"].value


def at_idle(case: Case, seen: Floats) -> Mask:
    """Idling for a while in a settled run past pull-down: there a healthy condenser keeps to its own plateau.

    Driven faster it climbs for a while by itself, and has to stand higher to count.
    """
    high = seen > LIMITS["standing_level"].value if not case.lacks("ambient") else True
    for_long = _lowest(case, idling(case).astype(float), LIMITS["idle_for"].value) > 0.5
    settled = case.settled(LIMITS["settled_in"].value)
    lowest = _lowest(case, np.where(settled, seen, np.inf), LIMITS["climb_within"].value)
    climbed = settled & (seen > lowest + LIMITS["climb_at_idle"].value)
    return for_long & high & climbed & _past_pull_down(case) & _low_side_holds(case)


def _past_pull_down(case: Case) -> Mask:
    return case.timeline.t_s > case.running.runs[0].start_s + LIMITS["pulled_down_after"].value


def climbs_in_calm(case: Case, seen: Floats, rise: Floats) -> Mask:
    """Where it climbed within a minute although nothing was asked of it: even engine and road speed, a settled run.

    A smaller climb tells there, since no change of the heat explains it. At road speed ram air serves the condenser.
    """
    within = LIMITS["calm_for"].value
    long = 2.0 * within  # coming to a halt is over before the climb begins
    speed, rotation = case.timeline.grid("vehicle_speed"), case.operating.engine_speed
    speed = None if speed is None else held(speed)
    calm = np.zeros(len(seen), np.bool_)
    if rotation is not None:
        calm = _range_before(case, held(rotation), long) < LIMITS["even_engine"].value
        if speed is not None:
            calm &= _range_before(case, speed, long) < LIMITS["even_road"].value
            calm &= speed < LIMITS["slow"].value
    elif speed is not None:
        calm = -_lowest(case, -speed, long) < LIMITS["standing"].value
    calm &= case.since_start() > within + LIMITS["settled_in"].value
    calm &= _past_pull_down(case) & _low_side_holds(case)
    climbs = calm & (np.minimum(seen - _lowest(case, seen, within), rise) > LIMITS["climb_in_calm"].value)
    return lasting(climbs, round(LIMITS["climbs_for"].value / case.timeline.step_s))


def without_fan(case: Case, seen: Floats, rise: Floats) -> Mask:
    """Where a fan that runs whenever it cools has no supply, and condensing stands higher than it does with it.

    Nowhere without that channel, nor where the fan waits for a pressure or for a standstill: it is off by itself then.
    """
    fan, none = case.timeline.grid("fan"), np.zeros(len(seen), np.bool_)
    if fan is None:
        return none
    supplied = held(fan) > LIMITS["fan_supply"].value
    settled = case.settled(LIMITS["settled_in"].value)
    served, cool = settled & supplied, settled & (rise < LIMITS["unserved_climb"].value)
    waits = not cool.any() or float(np.mean(supplied[cool])) < LIMITS["always_on"].value
    if case.seconds(served) < LIMITS["served_for"].value or waits:
        return none
    usual = float(np.quantile(seen[served], 0.9))
    high = (seen > usual + LIMITS["unserved_climb"].value) & (rise > LIMITS["unserved_rise"].value)
    return case.running.pumping & ~supplied & high


def _low_side_holds(case: Case) -> Mask:
    """Where the evaporating temperature did not fall much of late: more flow (a faster blower, more stroke) draws it
    down and brings the condenser more heat; lost air lets it follow up."""
    te = case.evened(case.derived.evaporating_degc, 5.0)
    if te is None:
        return np.ones(len(case.timeline.t_s), np.bool_)
    ago = max(round(LIMITS["calm_for"].value / case.timeline.step_s), 1)
    before = np.concatenate([np.full(min(ago, len(te)), te[0]), te[:-ago]])[: len(te)]
    return te > before - LIMITS["drawn_down"].value


def _range_before(case: Case, values: Floats, within_s: float) -> Floats:
    return -_lowest(case, -values, within_s) - _lowest(case, values, within_s)


def sharp(case: Case, seen: Floats, first: int, last: int) -> tuple[int, int] | None:
    """Where it first climbed far within a minute of settled pumping, as heat does that is not carried away."""
    within = max(round(LIMITS["sharp_within"].value / case.timeline.step_s), 1)
    start = max(first - within, 0)
    part = seen[start : last + 1]
    long_enough = case.since_start()[start : last + 1] > case.settled_from(LIMITS["settled_in"].value)
    settled = case.running.pumping[start : last + 1] & long_enough
    lowest = _lowest(case, np.where(settled, part, np.inf), LIMITS["sharp_within"].value)
    far = np.flatnonzero(settled & (part - lowest > LIMITS["sharp"].value))
    far = far[far >= first - start]
    if not len(far):
        return None
    at = int(far[0])
    near = np.flatnonzero(settled[: at + 1] & (part[: at + 1] <= lowest[at] + 1.0))
    return start + int(near[-1]), start + at


def sudden(case: Case, seen: Floats, span: tuple[int, int], starved: list[Spell]) -> bool:
    """Whether a stretch holds such a climb that no return of the flow explains; ``starved`` are the starved spells."""
    climb = sharp(case, seen, *span)
    return climb is not None and not _recovers(case, *climb, starved)


def _recovers(case: Case, first: int, last: int, spells: list[Spell]) -> bool:
    """Whether it climbs because the flow came back: out of a starved evaporator, or while the low side is pulled down.

    A condenser without air lets the low side follow up.
    """
    te = case.evened(case.derived.evaporating_degc, 3.0)
    if te is None:
        return False
    pumping = case.running.pumping
    usual = case.usual_while_pumping(te)
    start = max(first - round(LIMITS["starved_within"].value / case.timeline.step_s), 0)
    before = te[start : first + 1][pumping[start : first + 1]]
    low = min(usual - LIMITS["starved_below"].value, LIMITS["starved_at"].value)
    starved = len(before) > 0 and float(before.min()) < low
    since = float(case.timeline.t_s[first]) - LIMITS["fed_again_within"].value
    starved |= any(spell.start_s <= case.timeline.t_s[first] and spell.end_s >= since for spell in spells)
    fell = float(te[first] - te[last])
    return starved or (fell > LIMITS["flow_back"].value and float(te[first]) > usual + LIMITS["flow_back"].value)


def _lowest(case: Case, values: Floats, within_s: float) -> Floats:
    """Lowest within so many seconds before, told by half seconds."""
    block = max(round(LIMITS["told_by"].value / case.timeline.step_s), 1)
    padded = np.concatenate([values, np.repeat(values[-1:], -len(values) % block)])
    lowest = reduce(np.minimum, (padded[start::block] for start in range(block)))
    before = lowest_before(lowest, max(round(within_s / (block * case.timeline.step_s)), 1))
    return np.repeat(before, block)[: len(values)]
