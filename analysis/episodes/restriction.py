"""A narrow place: the low side is pulled down and the vents stay warm from the start, the high side is not high.

Undercharge starves the evaporator as well; liquid that stands in the condenser (subcooling) tells them apart. Without a
liquid-line probe the depth of the low side and the little heat at the condenser decide, or nothing does. Where a
pressure switch cycles an orifice system the low side cannot go deep: there it cycles short, and a narrow orifice shows
in the rest after a stop, since the sides meet through it. One that comes and goes shows in spells (`starving.py`).
"""

import math
from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.starving import hardly_rose, rises_after_stops, spells_of
from analysis.stepless import VARIABLE
from analysis.stretches import median_of, medians_by
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
    Limit("no_heat", 6.0, "K", "condensing over ambient: nothing is cooled; " + PRACTICE),
    Limit("vent_cool", 14.0, "K", "ambient minus vent of a system that cools; " + PRACTICE),
    Limit("vent_cold", 10.0, "degC", "3-10 degC is usual below 27 degC; " + PRACTICE),
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
    if not met or not _stopped_early(case):
        return None
    rises, usual_rise = rises_after_stops(case)
    if rises and hardly_rose(rises[-1], usual_rise):
        return None  # it was plugged at the end, not before: ice does that
    slowest = met[-1]
    seconds, u95, on_s = slowest.value or 0.0, slowest.u95 or 0.0, float(np.median(lengths))
    limit = LIMITS["met_slowly"].value
    subcooling, over = _level(case, case.derived.subcooling_k), _level(case, case.derived.over_ambient_k)
    empty = subcooling is not None and over is not None and subcooling < LIMITS["empty"].value * over
    cools = _cooled_k(case, case.ends_of_runs()) > LIMITS["cools_well"].value
    if seconds + u95 < limit or empty or cools:
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


@dataclass(frozen=True, slots=True)
class _Levels:
    """What the ends of the runs show [degC, K, 1]; None or NaN where it is not known."""

    deep: float
    starved: float
    cooled: float
    over: float
    share: float | None
    superheat: float
    from_the_start: bool
    vents_cold: bool

    @property
    def near(self) -> bool:
        """Little heat at the condenser."""
        return self.over < LIMITS["condensing_near"].value

    @property
    def backed_up(self) -> bool:
        """Liquid stands in the condenser; subcooling cannot exceed condensing over ambient, so a share tells."""
        return self.share is not None and self.share > LIMITS["subcooling"].value

    @property
    def empty(self) -> bool:
        """No liquid stands in it."""
        return self.share is not None and self.share < LIMITS["empty"].value

    @property
    def hardly_cooled(self) -> bool:
        """Vents far above the evaporator."""
        return self.starved > LIMITS["hardly_cooled"].value

    @property
    def cools(self) -> bool:
        """Vents far below ambient, or near the freeze limit: on a mild day they cannot be far below."""
        return self.cooled >= LIMITS["vent_cool"].value or self.vents_cold

    @property
    def cools_little(self) -> bool:
        """A starved evaporator does not cool; far down, or dry with liquid before it, it may still do a little."""
        dry = self.superheat > LIMITS["superheat"].value
        far_down = self.deep < LIMITS["far_down"].value and self.starved > LIMITS["far_starved"].value
        return not self.cools or (dry and self.backed_up) or (far_down and not self.vents_cold)

    @property
    def blocked(self) -> bool:
        """Liquid before an evaporator that is far starved leaves only a narrow place, however deep the low side."""
        return (
            self.share is not None
            and self.share > LIMITS["backed_up_starved"].value
            and self.starved > LIMITS["fed_with_little_heat" if self.near else "far_fed"].value
            and self.from_the_start
            and not self.cools
            and not self.superheat <= LIMITS["superheat"].value
        )


def _levels(case: Case, late: Mask) -> _Levels | None:
    te = _by_minute(case, case.derived.evaporating_degc, late)
    gap = _by_minute(case, case.derived.vent_over_evaporating_k, late)
    if len(te) < 3 or len(gap) < 3:
        return None
    first, t = case.running.runs[0].start_s, case.timeline.t_s
    window = late & (t > first + LIMITS["early"].value) & (t < first + LIMITS["until"].value)
    early = _by_minute(case, case.derived.vent_over_evaporating_k, window)
    over = median_of(case.over(case.derived.over_ambient_k, late))
    subcooling = median_of(case.over(case.derived.subcooling_k, late))
    return _Levels(
        deep=float(np.median(te)),
        starved=float(np.median(gap)),
        cooled=_cooled_k(case, late),
        over=over,
        share=subcooling / max(over, 1.0) if math.isfinite(subcooling) and math.isfinite(over) else None,
        superheat=median_of(case.over(case.derived.superheat_k, late)),
        from_the_start=len(early) > 1 and float(np.median(early)) > LIMITS["starved"].value - 1.0,
        vents_cold=median_of(case.over(case.timeline.grid("vent"), late)) < LIMITS["vent_cold"].value,
    )


def _pulled_down(case: Case) -> Detection:
    """Judge the end of each run, where the low side is lowest, early in the drive and over all of it."""
    at = _levels(case, case.ends_of_runs())
    if at is None:
        return Detection(UNDECIDED, "too little pumping past pull-down")
    says = f"evaporating {at.deep:.0f} degC at the end of the runs, vents {at.starved:.0f} K above it"
    measures = {
        "evaporating_degc": measured(at.deep, case.u_evaporating_k()),
        "gap_k": measured(at.starved, case.u_vent_gap_k()),
    }
    stands = Evidence("starved", says, measures)
    # Where the condenser rejects no heat either, nothing is cooled: the probe need not have left the air.
    if at.cooled < LIMITS["in_the_air"].value and not at.over < LIMITS["no_heat"].value:
        why = f"{says}; the vent probe reads outside air: is it in the vent?"
        return Detection(UNDECIDED, why, suspected=True)
    if at.starved < LIMITS["fed"].value:
        return _with_words(ABSENT, stands, "the evaporator is fed")
    # A stepless compressor holds its low side at the set point by pumping less: there little heat and warm vents tell.
    held = case.job.compressor in VARIABLE and at.hardly_cooled and at.near
    limit = LIMITS["held" if held else "deep_if_warm" if at.hardly_cooled else "deep"].value
    far = at.starved > LIMITS["starved"].value and at.from_the_start and at.cools_little
    signs = far and at.deep < limit and (at.backed_up or not held)
    if at.blocked or (signs and not at.empty and (at.near or at.backed_up)):
        evidence = (stands, *_heat_and_liquid(case, near=at.near, backed_up=at.backed_up or at.blocked))
        start = case.running.runs[0].start_s
        episode = Episode(KIND, start, case.last_stop_s(), 0.6, evidence, permanent=True)
        return Detection(PRESENT, "starved from the start with the low side pulled down", (episode,))
    # A stepless compressor pumps less rather than pull its low side down, and a pressure switch stops one with an
    # orifice: there the depth says nothing.
    held_up = case.job.compressor in VARIABLE or _stopped_early(case)
    unknown = math.isnan(at.over) or at.near
    told_little = (unknown and at.hardly_cooled) or (held_up and at.starved > LIMITS["starved"].value)
    if at.deep - 2.0 * case.u_evaporating_k() > limit and not (told_little and not at.empty):
        return _with_words(ABSENT, stands, "the low side is not pulled down")
    missing = tuple(place for place in ("liquid_line", "ambient") if case.lacks(place))
    told = f"; {' and '.join(p.replace('_', ' ') for p in missing)} would tell more" if missing else ""
    suspected = far and unknown and not at.empty and (at.hardly_cooled or not _stopped_early(case))
    return _with_words(UNDECIDED, stands, f"other kinds do that too{told}", missing, suspected=suspected)


def _stopped_early(case: Case) -> bool:
    """Whether an orifice system cycles short on a warm day: only a rest or the liquid line tells then."""
    lengths = [run.end_s - run.start_s for run in case.running.runs]
    ambient = case.median(case.timeline.grid("ambient"), 0.0, case.timeline.duration_s)
    short = len(lengths) >= 6 and float(np.median(lengths)) <= LIMITS["short_on"].value
    return case.job.metering == "fixed_orifice" and short and not ambient < LIMITS["warm_ambient"].value


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
