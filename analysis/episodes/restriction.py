"""A narrow place: the low side is pulled down and the vents stay warm from the start, the high side is not high.

Undercharge starves the evaporator as well; liquid that stands in the condenser (subcooling) tells them apart. Without a
liquid-line probe the depth of the low side and the little heat at the condenser decide, or nothing does. Where a
pressure switch cycles an orifice system the low side cannot go deep: there it cycles short, and a narrow orifice shows
in the rest after a stop, since the sides meet through it. One that comes and goes shows in spells (`starving.py`).
"""

import math

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.starving import hardly_rose, rises_after_stops, spells_of
from analysis.stepless import VARIABLE
from analysis.stretches import medians_by
from analysis.timeline import Floats
from analysis.uncertainty import measured

KIND = "restriction"
NEEDS = ("low_side", "high_side", "vent", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("deep", -8.0, "degC", "evaporating, late in each run; " + PRACTICE),
    Limit("deep_if_warm", -7.0, "degC", "evaporating, where the vents are hardly cooled; " + PRACTICE),
    Limit("hardly_cooled", 20.0, "K", "vent over evaporating; " + PRACTICE),
    Limit("far_down", -14.0, "degC", "evaporating; " + PRACTICE),
    Limit("far_starved", 25.0, "K", "vent over evaporating; " + PRACTICE),
    Limit("held", 6.0, "degC", "evaporating at the set point of a stepless compressor; " + PRACTICE),
    Limit("starved", 13.0, "K", "vent over evaporating, late in each run; " + PRACTICE),
    Limit("fed", 9.0, "K", PRACTICE),
    Limit("cools_well", 20.0, "K", "ambient minus vent; " + PRACTICE),
    Limit("in_the_air", 2.5, "K", "ambient minus vent of a probe that fell out of the vent; " + PRACTICE),
    Limit("vent_cool", 14.0, "K", "ambient minus vent of a system that cools; " + PRACTICE),
    Limit("vent_cold", 9.0, "degC", "3-10 degC is usual below 27 degC; " + PRACTICE),
    Limit("condensing_near", 14.0, "K", "over ambient: little heat; " + PRACTICE),
    Limit("subcooling", 0.5, "share of condensing over ambient", PRACTICE),
    Limit("backed_up_starved", 0.4, "share of condensing over ambient", "with a starved evaporator; " + PRACTICE),
    Limit("fed_with_little_heat", 15.0, "K", "vent over evaporating; " + PRACTICE),
    Limit("far_fed", 18.0, "K", "vent over evaporating; " + PRACTICE),
    Limit("empty", 0.25, "share of condensing over ambient", PRACTICE),
    Limit("superheat", 20.0, "K", PRACTICE),
    Limit("met_slowly", 40.0, "s", "to 90 % through an orifice; open ones take 15-30 s; " + PRACTICE),
    Limit("short_on", 10.0, "s", PRACTICE),
    Limit("warm_ambient", 20.0, "degC", PRACTICE),
    Limit("early", 150.0, "s", PRACTICE),
    Limit("until", 480.0, "s", "starved already then; ice takes longer; " + PRACTICE),
)


def detect(case: Case) -> Detection:
    """Look for spells first, then judge an orifice by its rest and cycles, else the end of each run, where the low side
    is lowest."""
    return _spells(case) or _narrow_orifice(case) or _pulled_down(case)


def _spells(case: Case) -> Detection | None:
    """Spells in which less came through, and the evaporator was fed again; None without any."""
    found = tuple(Episode(KIND, s.start_s, s.end_s, 0.6, s.evidence) for s in spells_of(case) if s.passes)
    if not found:
        return None
    many = "once" if len(found) == 1 else f"{len(found)} times"
    return Detection(PRESENT, f"{many} less came through to the evaporator, and then it was fed again", found)


def _narrow_orifice(case: Case) -> Detection | None:
    """An orifice system that cycles short, and whose sides meet slowly at rest; None where that does not apply."""
    met = [e.time_to_90_s for e in case.equalisations if e.time_to_90_s.value is not None]
    lengths = [run.end_s - run.start_s for run in case.running.runs]
    if case.job.metering != "fixed_orifice" or not met or len(lengths) < 6:
        return None
    rises, usual_rise = rises_after_stops(case)
    if rises and hardly_rose(rises[-1], usual_rise):
        return None  # it was plugged at the end, not before: ice does that
    slowest = met[-1]
    seconds, u95, on_s = slowest.value or 0.0, slowest.u95 or 0.0, float(np.median(lengths))
    limit = LIMITS["met_slowly"].value
    subcooling, over = _level(case, case.derived.subcooling_k), _level(case, case.derived.over_ambient_k)
    empty = subcooling is not None and over is not None and subcooling < LIMITS["empty"].value * over
    warm = not case.median(case.timeline.grid("ambient"), 0.0, case.timeline.duration_s) < LIMITS["warm_ambient"].value
    cools = _cooled_k(case, case.ends_of_runs()) > LIMITS["cools_well"].value
    if seconds + u95 < limit or on_s > LIMITS["short_on"].value or not warm or empty or cools:
        return None
    says = f"the sides took {seconds:.0f} s to meet by 90 %, slow for an orifice"
    cycles = f"the compressor ran {on_s:.0f} s a cycle"
    if seconds - u95 < limit:
        missing = ("liquid_line",) if case.lacks("liquid_line") else ()
        return Detection(UNDECIDED, f"{says}; {cycles}", (), missing, suspected=True)
    evidence = (
        Evidence("met_slowly", says, {"time_to_90_s": slowest}),
        Evidence("short_cycles", cycles, {"on_s": measured(on_s, case.timeline.step_s)}),
    )
    episode = Episode(KIND, case.running.runs[0].start_s, case.last_stop_s(), 0.6, evidence, permanent=True)
    return Detection(PRESENT, "short cycles, and the sides meet slowly through the orifice", (episode,))


def _level(case: Case, values: Floats | None) -> float | None:
    part = case.over(values, case.running.pumping)
    return float(np.median(part)) if len(part) else None


def _pulled_down(case: Case) -> Detection:
    """Judge the end of each run, where the low side is lowest, early in the drive and over all of it."""
    late = case.ends_of_runs()
    te = _by_minute(case, case.derived.evaporating_degc, late)
    gap = _by_minute(case, case.derived.vent_over_evaporating_k, late)
    if len(te) < 3 or len(gap) < 3:
        return Detection(UNDECIDED, "too little pumping past pull-down")
    deep, starved = float(np.median(te)), float(np.median(gap))
    first = case.running.runs[0].start_s
    t = case.timeline.t_s
    window = late & (t > first + LIMITS["early"].value) & (t < first + LIMITS["until"].value)
    early = _by_minute(case, case.derived.vent_over_evaporating_k, window)
    from_the_start = len(early) > 1 and float(np.median(early)) > LIMITS["starved"].value - 1.0
    cooled = _cooled_k(case, late)
    says = f"evaporating {deep:.0f} degC at the end of the runs, vents {starved:.0f} K above it"
    stands = Evidence(
        "starved",
        says,
        {"evaporating_degc": measured(deep, case.u_evaporating_k()), "gap_k": measured(starved, case.u_vent_gap_k())},
    )
    if cooled < LIMITS["in_the_air"].value:
        return Detection(
            UNDECIDED, f"{says}; the vent probe reads outside air: is it in the vent?", (), (), suspected=True
        )
    if starved < LIMITS["fed"].value:
        return _with_words(ABSENT, stands, "the evaporator is fed")
    over = case.over(case.derived.over_ambient_k, late)
    near = len(over) > 0 and float(np.median(over)) < LIMITS["condensing_near"].value
    subcooling = case.over(case.derived.subcooling_k, late)
    # Subcooling cannot exceed condensing over ambient: with little heat a small figure is much.
    share = float(np.median(subcooling)) / max(float(np.median(over)), 1.0) if len(subcooling) and len(over) else None
    backed_up = share is not None and share > LIMITS["subcooling"].value
    empty = share is not None and share < LIMITS["empty"].value
    superheat = case.over(case.derived.superheat_k, late)
    dry = len(superheat) > 0 and float(np.median(superheat)) > LIMITS["superheat"].value
    # Vents that are not far below ambient: the starved evaporator does not cool.
    far_down = deep < LIMITS["far_down"].value and starved > LIMITS["far_starved"].value
    cools_little = not _cools(case, cooled, late) or (dry and backed_up) or far_down
    hardly_cooled = starved > LIMITS["hardly_cooled"].value
    # A stepless compressor holds its low side at the set point by pumping less: there little heat and warm vents tell.
    held = case.job.compressor in VARIABLE and hardly_cooled and near
    limit = LIMITS["held" if held else "deep_if_warm" if hardly_cooled else "deep"].value
    signs = (
        deep < limit
        and (backed_up or not held)
        and starved > LIMITS["starved"].value
        and from_the_start
        and cools_little
    )
    # Liquid that stands before an evaporator that is far starved leaves only a narrow place, however deep the low side.
    blocked = (
        share is not None
        and share > LIMITS["backed_up_starved"].value
        and starved > LIMITS["fed_with_little_heat" if near else "far_fed"].value
        and from_the_start
        and not cooled >= LIMITS["cools_well"].value
    )
    if blocked or (signs and not empty and (near or backed_up)):
        evidence = (stands, *_heat_and_liquid(case, near=near, backed_up=backed_up or blocked))
        episode = Episode(KIND, first, case.last_stop_s(), 0.6, evidence, permanent=True)
        return Detection(PRESENT, "starved from the start with the low side pulled down", (episode,))
    # A stepless compressor pumps less rather than pull its low side down: there the depth says nothing.
    stepless = case.job.compressor in VARIABLE and starved > LIMITS["starved"].value
    unknown = len(over) == 0 or near
    if deep - 2.0 * case.u_evaporating_k() > limit and not (((unknown and hardly_cooled) or stepless) and not empty):
        return _with_words(ABSENT, stands, "the low side is not pulled down")
    missing = tuple(place for place in ("liquid_line", "ambient") if case.lacks(place))
    told = f"; {' and '.join(p.replace('_', ' ') for p in missing)} would tell more" if missing else ""
    suspected = unknown and from_the_start and cools_little and starved > LIMITS["starved"].value and not empty
    return _with_words(UNDECIDED, stands, f"other kinds do that too{told}", missing, suspected=suspected)


def _cools(case: Case, cooled: float, late: Mask) -> bool:
    """Vents far below ambient, or near the freeze limit: on a mild day they cannot be far below."""
    vents = case.over(case.timeline.grid("vent"), late)
    cold = len(vents) > 0 and float(np.median(vents)) < LIMITS["vent_cold"].value
    return cooled >= LIMITS["vent_cool"].value or cold


def _with_words(
    state: str, stands: Evidence, words: str, missing: tuple[str, ...] = (), *, suspected: bool = False
) -> Detection:
    evidence = (stands, Evidence("restriction_reading", words))
    return Detection(state, f"{stands.says}; {words}", (), missing, suspected, evidence)


def _by_minute(case: Case, values: Floats | None, mask: Mask) -> Floats:
    """Median of each minute that has one: many short runs in one bad minute must not outweigh good minutes."""
    if values is None:
        return np.zeros(0)
    chosen = mask & np.isfinite(values)
    minute = (case.timeline.t_s[chosen] / 60.0).astype(np.intp)
    part = values[chosen]
    return medians_by(minute, part)


def _heat_and_liquid(case: Case, *, near: bool, backed_up: bool) -> list[Evidence]:
    """Little heat at the condenser, and liquid that stands in it: each only where it was seen."""
    late = case.ends_of_runs()
    evidence: list[Evidence] = []
    if near:
        level = float(np.median(case.over(case.derived.over_ambient_k, late)))
        measures = {"over_ambient_k": measured(level, case.u_over_ambient_k())}
        evidence.append(Evidence("little_heat", f"condensing only {level:.0f} K over ambient", measures))
    if backed_up:
        level = float(np.median(case.over(case.derived.subcooling_k, late)))
        says = f"subcooling {level:.0f} K: liquid stands before the narrow place"
        evidence.append(Evidence("backed_up", says, {"subcooling_k": measured(level, case.u_subcooling_k())}))
    return evidence


def _cooled_k(case: Case, mask: Mask) -> float:
    """Ambient minus vent; NaN without either."""
    vent, ambient = case.timeline.grid("vent"), case.timeline.grid("ambient")
    parts = _by_minute(case, None if vent is None or ambient is None else ambient - vent, mask)
    return float(np.median(parts)) if len(parts) else math.nan
