"""What is established about a case, each fact with an id and words: the causes weigh these."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.case import Case
from analysis.findings import PRESENT, Check, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.shown import lasting, times
from analysis.soak import excess_over_saturation
from analysis.timeline import Floats
from analysis.uncertainty import measured
from analysis.vacuum import vacuum_holds_of

LIMITS = limit_table(
    Limit("settled_in", 60.0, "s", PRACTICE),
    Limit("weighed_well", 0.25, "share", "u95 over the rated charge; a rougher mass tells nothing; " + PRACTICE),
    Limit("least", 20.0, "s", "of pumping that a level is read from; " + PRACTICE),
    Limit("over_ambient_high", 25.0, "K", "10-25 K is usual; " + PRACTICE),
    Limit("over_ambient_low", 12.0, "K", PRACTICE),
    Limit("vent_gap_large", 12.0, "K", PRACTICE),
    Limit(
        "starved_gap", 16.0, "K", "vent over evaporating; a fed coil cools its air within 10 K of itself; " + PRACTICE
    ),
    Limit("little_heat", 13.5, "K", "condensing over ambient; " + PRACTICE),
    Limit("far_down", -10.0, "degC", "evaporating; a slot that lets little through; " + PRACTICE),
    Limit("rests_long", 150.0, "s", "to 90 % with an expansion valve and a starved coil; " + PRACTICE),
    Limit("rests_short", 115.0, "s", PRACTICE),
    Limit("evaporating_low", -4.0, "degC", PRACTICE),
    Limit("evaporating_high", 12.0, "degC", PRACTICE),
    Limit("slow", 15.0, "km/h", PRACTICE),
)


READ_FROM = {
    "superheat": ("low_side", "suction_line", "evaporator_out"),
    "subcooling": ("high_side", "liquid_line"),
    "condensing over ambient": ("high_side", "ambient"),
    "vent over evaporating": ("low_side", "vent"),
    "evaporating": ("low_side",),
}
"""The places that a level is read from: a sensor that misreads is taken out of the evidence."""


@dataclass(frozen=True, slots=True)
class Fact:
    """Something established, in words, and the numbers behind them.

    A fact that is a level carries it with its standard uncertainty; ``steady``: it was read outside of what passed.
    """

    id: str
    says: str
    evidence: tuple[Evidence, ...] = ()
    level: float | None = None
    u: float = 0.0
    steady: bool = False


def facts_of(case: Case, episodes: tuple[Episode, ...], checks: tuple[Check, ...]) -> dict[str, Fact]:
    """Collect what the causes weigh."""
    found = [
        *_from_episodes(case, episodes, {check.kind: check.why for check in checks}),
        *_from_checks(checks),
        *_from_levels(case, episodes),
        *_from_starving(case, episodes),
        *_from_charge(case),
        *_from_rest(case),
        *_from_vacuum(case),
    ]
    return {fact.id: fact for fact in found}


def _from_checks(checks: tuple[Check, ...]) -> list[Fact]:
    """Absent, suspected (undecided, though something was seen that the kind would explain) or undecided."""
    return [
        Fact(f"{check.kind} {'suspected' if check.suspected else check.state}", check.why, check.evidence)
        for check in checks
        if check.state != PRESENT
    ]


def _from_episodes(case: Case, episodes: tuple[Episode, ...], whys: dict[str, str]) -> list[Fact]:
    facts: list[Fact] = []
    for kind in sorted({episode.kind for episode in episodes}):
        own = sorted((e for e in episodes if e.kind == kind), key=lambda e: e.start_s - e.end_s)
        why = whys.get(kind, "")
        first = own[0].evidence[0]
        if len(own) == 1:
            signs = own[0].evidence if own[0].permanent else (first,)
            facts.append(Fact(f"{kind} seen", "; ".join(sign.says for sign in signs), signs))
        else:
            total = f"{why}, {_extent(own)}"
            several = (Evidence("seen_several_times", total), first)
            facts.append(Fact(f"{kind} seen", f"{total}; the longest: {first.says}", several))
        if not own[0].permanent:
            facts.append(Fact(f"{kind} passing", "it was seen for a while only"))
        if not own[0].permanent and len(own) > 1:
            facts.append(Fact(f"{kind} comes and goes", f"it came and went {times(len(own))}"))
        facts.extend(Fact(f"{kind}: {e.rule}", e.says, (e,)) for episode in own for e in episode.evidence)
    facts.extend(_speeds(case, [e for e in episodes if e.kind == "condenser_airflow_loss"]))
    stopped = {stop.cooling_stopped: stop for stop in case.stops if stop.why == "dropout"}
    facts.extend(Fact(f"stopped {how}", stop.says) for how, stop in stopped.items())
    return facts


def _extent(own: list[Episode]) -> str:
    """How much of it there was: single readings are counted, all else lasted."""
    single = [readings for e in own for w in e.evidence if (readings := w.measures.get("readings")) is not None]
    lasted = [e.end_s - e.start_s for e in own if not any("readings" in w.measures for w in e.evidence)]
    told = [f"{lasting(sum(lasted))} in all"] if lasted else []
    told += [f"{sum(one.value or 0.0 for one in single):.0f} single readings in all"] if single else []
    return " and ".join(told)


def _speeds(case: Case, episodes: list[Episode]) -> list[Fact]:
    speed = case.timeline.grid("vehicle_speed")
    medians = [case.median(speed, e.start_s, e.end_s) for e in episodes]
    if speed is None or not medians or not np.isfinite(medians).all():
        return []
    if max(medians) < LIMITS["slow"].value:
        return [Fact("only when slow", "each time mostly standing or crawling; it clears with road speed")]
    return [Fact("also at speed", f"also at {max(medians):.0f} km/h, where ram air should serve the condenser")]


def _undisturbed(case: Case, episodes: tuple[Episode, ...], quantity: str) -> Mask:
    """Outside of what passed, and where no sensor that the quantity is read from misreads."""
    mask = case.outside(episodes, LIMITS["settled_in"].value)
    places = {signal.channel.id: signal.channel.place for signal in case.timeline.signals.values()}
    for episode in episodes:
        if episode.kind == "sensor_fault" and places.get(episode.channel or "") in READ_FROM[quantity]:
            mask &= (case.timeline.t_s < episode.start_s) | (case.timeline.t_s > episode.end_s)
    return mask


def _level(case: Case, values: Floats | None, undisturbed: Mask, *, cycling: bool) -> tuple[float, str] | None:
    """Median while pumping steadily; at the ends of the runs in a fast cycler."""
    mask, when = case.steady(LIMITS["settled_in"].value), "steady"
    if cycling and not mask.any():
        mask, when = case.ends_of_runs(), "at the ends of the runs"
    part = case.over(values, mask & undisturbed)
    return (float(np.median(part)), when) if len(part) * case.timeline.step_s > LIMITS["least"].value else None


def _from_levels(case: Case, episodes: tuple[Episode, ...]) -> list[Fact]:
    """Where the circuit stands while it pumps undisturbed.

    In a fast cycler only the high side says something: the low side is on its way all the time.
    """
    derived = case.derived
    levels = (
        ("superheat", derived.superheat_k, case.u_superheat_k(), False),
        ("subcooling", derived.subcooling_k, case.u_subcooling_k(), True),
        ("condensing over ambient", derived.over_ambient_k, case.u_over_ambient_k(), True),
        ("vent over evaporating", derived.vent_over_evaporating_k, case.u_vent_gap_k(), False),
        ("evaporating", derived.evaporating_degc, case.u_evaporating_k(), False),
    )
    found: dict[str, Fact] = {}
    for name, values, u, cycling in levels:
        level = _level(case, values, _undisturbed(case, episodes, name), cycling=cycling)
        if level is not None:
            unit, key = ("degC", "level_degc") if name == "evaporating" else ("K", "level_k")
            says = f"{name} {level[0]:.0f} {unit}, {level[1]}"
            rule = name if level[1] == "steady" else f"{name} of the runs"
            found[name] = Fact(name, says, (Evidence(rule, says, {key: measured(level[0], u)}),), level[0], u, True)
    if case.job.metering == "fixed_orifice":
        found["orifice"] = Fact("an orifice feeds it", "the job sheet states a fixed orifice")
    faulty = any(episode.kind != "sensor_fault" for episode in episodes)
    return [*found.values(), *([] if faulty else _as_it_should_be(case, found))]


def _as_it_should_be(case: Case, levels: dict[str, Fact]) -> list[Fact]:
    """Both sides stand where they should and the evaporator is fed, yet the air does not follow it."""
    names = ("evaporating", "condensing over ambient", "vent over evaporating")
    evaporating, over, gap = (levels[name].level if name in levels else None for name in names)
    if evaporating is None or over is None or gap is None:
        return []
    usual = LIMITS["evaporating_low"].value <= evaporating <= LIMITS["evaporating_high"].value
    rejects = LIMITS["over_ambient_low"].value < over < LIMITS["over_ambient_high"].value
    fed = gap < LIMITS["starved_gap"].value or over > LIMITS["little_heat"].value
    if not (usual and rejects and fed and gap > LIMITS["vent_gap_large"].value):
        return []
    says = f"evaporating {evaporating:.0f} degC and condensing {over:.0f} K over ambient stand as they should"
    says = f"{says}, yet the vents stay {gap:.0f} K above the evaporator"
    measures = {
        "level_degc": measured(evaporating, case.u_evaporating_k()),
        "over_ambient_k": measured(over, case.u_over_ambient_k()),
        "gap_k": measured(gap, case.u_vent_gap_k()),
    }
    return [Fact("circuit as it should be", says, (Evidence("as_it_should_be", says, measures),))]


def _from_starving(case: Case, episodes: tuple[Episode, ...]) -> list[Fact]:
    """Air far above the evaporating temperature while little heat reaches the condenser: the coil lacks refrigerant.

    How far down the low side is pulled, and how long the sides take to meet, lean toward a narrow place or a leak.
    """
    mask = case.steady(LIMITS["settled_in"].value)
    mask = (mask if mask.any() else case.ends_of_runs()) & _undisturbed(case, episodes, "vent over evaporating")
    gap, evaporating, over = (
        case.over(values, mask)
        for values in (case.derived.vent_over_evaporating_k, case.derived.evaporating_degc, case.derived.over_ambient_k)
    )
    if len(gap) * case.timeline.step_s < LIMITS["least"].value or len(evaporating) == 0:
        return []
    gap_k, low_degc = float(np.median(gap)), float(np.median(evaporating))
    heat_k = float(np.median(over)) if len(over) else 0.0
    warm = low_degc > LIMITS["evaporating_high"].value
    if gap_k < LIMITS["starved_gap"].value or warm or heat_k > LIMITS["little_heat"].value:
        return []
    says = f"vents {gap_k:.0f} K above the evaporator, with little heat at the condenser"
    measures = {
        "gap_k": measured(gap_k, case.u_vent_gap_k()),
        "evaporating_degc": measured(low_degc, case.u_evaporating_k()),
    }
    facts = [Fact("evaporator starved", says, (Evidence("evaporator_starved", says, measures),))]
    if low_degc < LIMITS["far_down"].value:
        facts.append(Fact("low side far down", f"the low side is pulled down to {low_degc:.0f} degC evaporating"))
    met = [e.time_to_90_s.value for e in case.equalisations if e.time_to_90_s.value is not None]
    if met and case.job.metering == "expansion_valve":
        longest = max(met)
        words = f"the sides took {longest:.0f} s to meet by 90 %"
        if longest > LIMITS["rests_long"].value:
            facts.append(Fact("starved, meets slowly", words))
        elif longest < LIMITS["rests_short"].value:
            facts.append(Fact("starved, meets quickly", words))
    return [replace(fact, steady=True) for fact in facts]


def _from_charge(case: Case) -> list[Fact]:
    """The mass that was weighed, against the rated charge, over the longest stretch between recharges."""
    stretches = case.stretches()
    charge = case.charge_in(max(stretches, key=lambda span: span[1] - span[0])) if stretches else None
    if charge is None or 2.0 * charge.u > LIMITS["weighed_well"].value:
        return []
    return [Fact("charge over rated", charge.says, (), charge.off, charge.u)]


def _from_vacuum(case: Case) -> list[Fact]:
    """What the last vacuum hold told."""
    told = [hold for hold in vacuum_holds_of(case.timeline) if hold.reading in ("leak", "moisture", "tight")]
    if not told:
        return []
    measures = {"end_pa": told[-1].end_pa, "late_pa_per_minute": told[-1].late_pa_per_minute}
    evidence = Evidence("vacuum_hold", told[-1].says, measures)
    return [Fact(f"vacuum hold: {told[-1].reading}", f"vacuum hold: {told[-1].says}", (evidence,))]


def _from_rest(case: Case) -> list[Fact]:
    """How far the pressure at rest stands over saturation at the soak."""
    facts: list[Fact] = []
    excess = None if case.lacks("runs") else excess_over_saturation(case)
    if excess is not None and excess.value is not None and excess.u95 is not None:
        side = "over" if excess.value > 0 else "under"
        says = f"at rest the pressure stood {abs(excess.value):.1f} K {side} saturation at the soak"
        says = f"{says} (u95 {excess.u95:.1f} K)"
        evidence = Evidence("rest_against_saturation", says, {"excess_k": excess})
        facts.append(Fact("static over saturation", says, (evidence,), excess.value, excess.u95 / 2.0, True))
    return facts
