"""Spells in which the evaporator is starved at once and fed again at once: the way to it closed, and opened.

How far it closed tells what closed it. Ice in the valve lets nothing pass: a compressor with a clutch draws the low
side empty and the condenser cools down to the air. A place that only narrows (dirt that moves, a valve that sticks, a
hose that collapses) still passes some: the low side stands at a level where that feeds the compressor, and the
condenser still rejects heat. A stepless compressor holds its low side up by pumping less; there the vents warm while
it stands.
"""

from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.findings import Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.stepless import VARIABLE
from analysis.stretches import median_of
from analysis.timeline import Floats
from analysis.uncertainty import combine, measured

LIMITS = limit_table(
    Limit("dive", 14.0, "K", "below the coldest of its usual cycle; " + PRACTICE),
    Limit("frozen", -22.0, "degC", "evaporating, near or under 0 gauge; " + PRACTICE),
    Limit("usual", -8.0, "degC", "evaporating, where a dive begins; " + PRACTICE),
    Limit("shortest", 15.0, "s", PRACTICE),
    Limit("merge", 20.0, "s", PRACTICE),
    Limit("near_usual", 3.0, "K", PRACTICE),
    Limit("sudden", 60.0, "s", "ice closes the valve within seconds to tens of seconds; " + PRACTICE),
    Limit("met", 0.1, "share of the lift at the stop", PRACTICE),
    Limit("usual_share", 0.3, "share of the pumping time that must be usual", PRACTICE),
    Limit("drawn_empty", -37.0, "degC", "evaporating, half an atmosphere and less: nothing passes; " + PRACTICE),
    Limit("still_heat", 3.0, "K", "condensing over ambient: something passes, and is condensed; " + PRACTICE),
    Limit("much_heat", 6.0, "K", "condensing over ambient, with a valve that lets hardly anything by; " + PRACTICE),
    Limit("pulled_down", 120.0, "s", PRACTICE),
    Limit("lasts", 40.0, "s", PRACTICE),
    Limit("starved", 8.0, "K", "vent over evaporating, above its usual; " + PRACTICE),
    Limit("starved_some", 5.0, "K", "the same behind a narrow place; " + PRACTICE),
    Limit("dips", 4.0, "K", PRACTICE),
    Limit("leaps", 9.0, "K", PRACTICE),
    Limit("leaps_some", 5.0, "K", "fed again through a valve that had opened wide; " + PRACTICE),
    Limit("leap_within", 12.0, "s", PRACTICE),
    Limit("vent_warms", 4.0, "K", PRACTICE),
    Limit("vent_warms_some", 5.0, "K", "with the low side where it was; " + PRACTICE),
    Limit("at_once", 0.6, "share of what the vents warm", "within a minute; a leak takes longer; " + PRACTICE),
    Limit("held", 2.5, "K", "evaporating, about where it was held before; " + PRACTICE),
    Limit("less_heat", 1.0, "K", "fall of condensing; " + PRACTICE),
    Limit("faster", 1.3, "times the engine speed", "draws more through a place that was narrow before; " + PRACTICE),
    Limit("vent_cools", 2.0, "K", "in the first pull-down, not in a spell; " + PRACTICE),
    Limit("rises_over", 15.0, "s", PRACTICE),
    Limit("least_rises", 4.0, "stops", PRACTICE),
    Limit("hardly", 0.33, "share of the usual rise after a stop", PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Spell:
    """One spell [s] with its evidence; ``passes`` where something still came through."""

    start_s: float
    end_s: float
    passes: bool
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True)
class Rise:
    """How fast the low side rose after a stop [kPa/s]; ``began_s`` is the start of the run before it."""

    began_s: float
    stop_s: float
    until_s: float
    rate: float


def rises_after_stops(case: Case) -> tuple[list[Rise], float]:
    """The rise after each stop, the last included, and the usual one past an open way [kPa/s]; none of few stops."""
    runs, low = case.running.runs, case.evened(case.derived.low_kpa, 2.0)
    if low is None or case.running.basis == "none" or len(runs) < LIMITS["least_rises"].value:
        return [], float("nan")
    began, stops = (np.array(column) for column in zip(*((run.start_s, run.end_s) for run in runs), strict=True))
    until = np.append(began[1:], case.timeline.duration_s)
    after, medians = np.minimum(stops + LIMITS["rises_over"].value, until), case.timeline.medians
    rises = medians(low, after - 2.0, after) - medians(low, stops, stops + 1.0)
    told = np.isfinite(rises) & (after - stops > 1.0)
    columns = (column[told] for column in (began, stops, until, rises / np.maximum(after - stops, 1.0)))
    found = [Rise(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]
    return found, float(np.quantile([one.rate for one in found], 0.75)) if found else float("nan")


def hardly_rose(rise: Rise, usual: float) -> bool:
    """Whether hardly anything passed from the high side into the low side after a stop."""
    return rise.rate < LIMITS["hardly"].value * usual


def spells_of(case: Case) -> list[Spell]:
    """Every spell in order; dives first, and those of a stepless compressor that no dive covers."""
    return case.once("starving spells", lambda: _spells(case))


def _spells(case: Case) -> list[Spell]:
    found = _dives(case)
    if case.job.compressor in VARIABLE:
        held = _held_up(case)
        found += [e for e in held if not any(e.start_s < one.end_s and one.start_s < e.end_s for one in found)]
    return sorted(found, key=lambda spell: spell.start_s)


def driven(case: Case) -> Mask:
    """Where it pumps, or is supplied with the engine running: past a plugged valve its lift does not tell."""
    pumping, supplied = case.running.pumping, case.running.supplied
    return pumping if supplied is None else pumping | (supplied & case.operating.engine_running)


def down_mostly(case: Case) -> bool:
    """Whether the low side is down most of the time, so that no usual is left to dive from."""
    te, on = case.evened(case.derived.evaporating_degc, 2.0), driven(case)
    usual = on if te is None else on & (te > LIMITS["usual"].value - 6.0)
    return case.seconds(usual) < LIMITS["usual_share"].value * case.seconds(on)


def _dives(case: Case) -> list[Spell]:
    """Dives of the low side toward 0 gauge and below."""
    te = case.evened(case.derived.evaporating_degc, 2.0)
    if te is None or down_mostly(case):
        return []
    on = driven(case)
    usual = on & (te > LIMITS["usual"].value - 6.0)
    floor = float(np.quantile(te[usual], 0.05)) if usual.any() else 0.0
    limit = min(LIMITS["frozen"].value, floor - LIMITS["dive"].value)
    spans = case.spans(on & (te < limit), LIMITS["shortest"].value, LIMITS["merge"].value)
    return [spell for span in spans if (spell := _dive(case, te, span)) is not None]


def _dive(case: Case, te: Floats, span: tuple[int, int]) -> Spell | None:
    """The dive, where it was sudden; it lasts until the valve lets go, or until the sides met after a stop in it."""
    first, last = span
    t = case.timeline.t_s
    near = max(first - round(LIMITS["sudden"].value / case.timeline.step_s), 0)
    highest = float(te[near : first + 1].max())
    if highest < min(LIMITS["usual"].value, float(np.median(te[case.running.pumping])) - LIMITS["near_usual"].value):
        return None
    start = near + int(np.flatnonzero(te[near : first + 1] > min(LIMITS["usual"].value, highest - 1.0))[-1])
    after = np.flatnonzero(te[last:] > LIMITS["usual"].value)
    end = _met(case, last + int(after[0]) if len(after) else last)
    signal = case.timeline.signal("low_side")
    u = combine(signal.u, case.timeline.barometric_u_kpa) if signal else 0.0
    down = case.median(case.derived.low_kpa, float(t[first]), float(t[last])) - case.timeline.barometric_kpa
    fall_s, stayed_s = float(t[first] - t[start]), float(t[last] - t[first])
    measures = {
        "low_side_kpa": measured(down, u),
        "fall_s": measured(fall_s, case.timeline.step_s),
        "stayed_s": measured(stayed_s, case.timeline.step_s),
    }
    passes = _passes(case, te, span)
    if passes and _narrow_before(case, float(t[start]), float(t[end])):
        return None
    if passes:
        says = f"low side fell to {down:.0f} kPa gauge within {fall_s:.0f} s and stood there for {stayed_s:.0f} s"
        evidence = [Evidence("held_down", f"{says}: something still passed", measures), *_heat(case, span)]
    else:
        says = f"low side dived to {down:.0f} kPa gauge within {fall_s:.0f} s and stayed down {stayed_s:.0f} s"
        evidence = [Evidence("dive", says, measures)]
    if len(after):
        evidence.append(Evidence("freed_itself", "it freed itself"))
    return Spell(float(t[start]), float(t[end]), passes, tuple(evidence))


def _passes(case: Case, te: Floats, span: tuple[int, int]) -> bool:
    """Whether something still came through once the low side was down.

    Without ambient the level alone tells, and only of a compressor that does not pump less by itself.
    """
    late = _late(case, span)
    heat = median_of(case.over(case.derived.over_ambient_k, late))
    if np.isfinite(heat) and heat < LIMITS["still_heat"].value:
        return False
    if case.job.compressor in VARIABLE:
        return bool(np.isfinite(heat))
    return median_of(te[late]) > LIMITS["drawn_empty"].value


def _narrow_before(case: Case, start_s: float, end_s: float) -> bool:
    """Whether a faster engine drew it down past a place narrow all along, or it was the first pull-down."""
    speed, vent = case.operating.engine_speed, case.timeline.grid("vent")
    before, after = case.median(speed, start_s - 20.0, start_s), case.median(speed, start_s + 5.0, start_s + 30.0)
    cooled = case.median(vent, start_s - 15.0, start_s) - case.median(vent, end_s - 10.0, end_s)
    return after > LIMITS["faster"].value * before or cooled > LIMITS["vent_cools"].value


def _late(case: Case, span: tuple[int, int]) -> Mask:
    """The later two thirds of a span, pumping: the condenser has given off what it held."""
    late = np.zeros(len(case.timeline.t_s), np.bool_)
    late[span[0] + (span[1] - span[0]) // 3 : span[1] + 1] = True
    return late & case.running.pumping


def _heat(case: Case, span: tuple[int, int]) -> list[Evidence]:
    heat = median_of(case.over(case.derived.over_ambient_k, _late(case, span)))
    if not np.isfinite(heat):
        return []
    says = f"condensing still {heat:.0f} K over ambient"
    return [Evidence("still_heat", says, {"over_ambient_k": measured(heat, case.u_over_ambient_k())})]


def _met(case: Case, end: int) -> int:
    """Where the sides met, if the compressor had stopped by then: what plugs a valve lets them meet slowly."""
    lift = case.evened(case.derived.lift, 2.0)
    if lift is None or case.running.pumping[end]:
        return end
    on = np.flatnonzero(case.running.pumping[:end])
    again = np.flatnonzero(case.running.pumping[end:])
    stop, until = int(on[-1]) if len(on) else end, end + int(again[0]) if len(again) else len(lift) - 1
    met = np.flatnonzero(lift[end : until + 1] < LIMITS["met"].value * lift[stop])
    return end + int(met[0]) if len(met) else end


def _held_up(case: Case) -> list[Spell]:
    """Spells under a stepless compressor: the low side dips or is held, the vents warm, and it leaps up when fed."""
    te, gap = case.evened(case.derived.evaporating_degc, 3.0), case.evened(case.derived.vent_over_evaporating_k, 5.0)
    settled = case.running.pumping & (case.since_start() > LIMITS["pulled_down"].value)
    if te is None or gap is None or not settled.any():
        return []
    usual = float(np.quantile(gap[settled], 0.25))
    found: list[Spell] = []
    for name, judge in (("starved", _closed), ("starved_some", _narrowed)):
        high = settled & (gap > usual + LIMITS[name].value)
        for span in case.spans(high, LIMITS["lasts"].value, LIMITS["merge"].value):
            spell = judge(case, te, gap, usual, span)
            if spell and not any(spell.start_s < one.end_s and one.start_s < spell.end_s for one in found):
                found.append(spell)
    return found


def _leap(case: Case, te: Floats, span: tuple[int, int]) -> tuple[float, float] | None:
    """By how much evaporating leapt up toward the end of a spell, and when: the vents stay warm a while after it."""
    t, step = case.timeline.t_s, case.timeline.step_s
    start = float(t[span[0]])
    wide = max(round(LIMITS["leap_within"].value / step), 1)
    part = te[case.timeline.index(start + 20.0) : min(span[1] + 2 * wide, len(te) - 1) + 1]
    rises = part[wide:] - part[:-wide]
    return (float(np.max(rises)), start + 20.0 + float(np.argmax(rises)) * step) if len(rises) else None


def _closed(case: Case, te: Floats, gap: Floats, usual: float, span: tuple[int, int]) -> Spell | None:
    """Hardly anything passes: evaporating dips at once and leaps up by far when it lets go."""
    start, index = float(case.timeline.t_s[span[0]]), case.timeline.index
    leap = _leap(case, te, span)
    if leap is None:
        return None
    leapt, end = leap
    before = te[index(start - 15.0) : index(start + 20.0) + 1]
    dipped = case.median(te, start - 40.0, start - 15.0) - float(np.min(before))
    warmed = _warmed(case, start, end)
    heat = median_of(case.over(case.derived.over_ambient_k, _late(case, (span[0], index(end)))))
    sharp = dipped >= LIMITS["dips"].value and leapt >= LIMITS["leaps"].value and not heat > LIMITS["much_heat"].value
    if not sharp or not warmed >= LIMITS["vent_warms"].value:
        return None
    most = float(np.max(gap[span[0] : span[1] + 1]))
    says = f"evaporating dipped {dipped:.0f} K at once, the vents rose to {most:.0f} K above it (usually {usual:.0f} K)"
    measures = {
        "dip_k": measured(dipped, case.timeline.step_s),
        "gap_k": measured(most, case.u_vent_gap_k()),
        "vent_rise_k": measured(warmed, 0.3),
    }
    freed = Evidence(
        "freed_itself", f"it freed itself: evaporating leapt up by {leapt:.0f} K", {"leap_k": measured(leapt, 0.5)}
    )
    return Spell(start, end, passes=False, evidence=(Evidence("starved_spell", says, measures), freed))


def _narrowed(case: Case, te: Floats, gap: Floats, usual: float, span: tuple[int, int]) -> Spell | None:
    """Some passes: the low side is held where it was while the vents warm at once, and leaps up when fed again."""
    start = float(case.timeline.t_s[span[0]])
    leap = _leap(case, te, span)
    if leap is None:
        return None
    leapt, end = leap
    began = _began(case, gap, usual, span[0])
    stood = case.median(te, start + 20.0, end) - case.median(te, began - 40.0, began - 5.0)
    warmed = _warmed(case, began, end)
    vent = case.timeline.grid("vent")
    soon = case.median(vent, began + 50.0, began + 60.0) - case.median(vent, began - 15.0, began)
    over = case.derived.over_ambient_k if not case.lacks("ambient") else case.derived.condensing_degc
    cooler = case.median(over, began - 40.0, began - 5.0) - case.median(over, max(end - 30.0, start), end)
    pumps = bool(case.running.pumping[case.timeline.index(end) : case.timeline.index(end + 20.0) + 1].all())
    held = abs(stood) < LIMITS["held"].value and leapt >= LIMITS["leaps_some"].value and pumps
    warm = warmed >= LIMITS["vent_warms_some"].value and soon >= LIMITS["at_once"].value * warmed
    if not held or not warm or not cooler >= LIMITS["less_heat"].value:
        return None
    says = (
        f"the vents warmed by {warmed:.0f} K within a minute while evaporating stood as before and condensing fell by "
        f"{cooler:.0f} K: less came through"
    )
    measures = {"vent_rise_k": measured(warmed, 0.3), "condensing_fall_k": measured(cooler, 0.5)}
    freed = Evidence(
        "freed_itself", f"it freed itself: evaporating leapt up by {leapt:.0f} K", {"leap_k": measured(leapt, 0.5)}
    )
    return Spell(began, end, passes=True, evidence=(Evidence("less_through", says, measures), freed))


def _began(case: Case, gap: Floats, usual: float, first: int) -> float:
    """When the vents left the evaporator: they stood near their usual distance last."""
    near = max(first - round(LIMITS["sudden"].value / case.timeline.step_s), 0)
    close = np.flatnonzero(gap[near : first + 1] < usual + 1.5)
    return float(case.timeline.t_s[near + int(close[-1]) if len(close) else first])


def _warmed(case: Case, start_s: float, end_s: float) -> float:
    vent = case.timeline.grid("vent")
    return case.median(vent, end_s - 5.0, end_s) - case.median(vent, start_s - 15.0, start_s)
