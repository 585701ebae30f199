"""What is established about a case, each fact with an id and words: the causes weigh these."""

from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.findings import ABSENT, Check, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.shown import lasting
from analysis.timeline import Floats
from analysis.uncertainty import measured
from analysis.vacuum import vacuum_holds_of

LIMITS = limit_table(
    Limit("settled_in", 60.0, "s", PRACTICE),
    Limit("superheat_high", 16.0, "K", PRACTICE),
    Limit("superheat_low", 3.0, "K", PRACTICE),
    Limit("subcooling_high", 15.0, "K", PRACTICE),
    Limit("subcooling_low", 4.0, "K", PRACTICE),
    Limit("over_ambient_high", 30.0, "K", PRACTICE),
    Limit("over_ambient_low", 12.0, "K", PRACTICE),
    Limit("vent_gap_small", 9.0, "K", PRACTICE),
    Limit("vent_gap_large", 12.0, "K", PRACTICE),
    Limit(
        "starved_gap", 16.0, "K", "vent over evaporating; a fed coil cools its air within 10 K of itself; " + PRACTICE
    ),
    Limit("little_heat", 13.5, "K", "condensing over ambient; " + PRACTICE),
    Limit("over_ambient_raised", 23.0, "K", "in the upper part of what is usual at idle; " + PRACTICE),
    Limit("far_down", -10.0, "degC", "evaporating; a slot that lets little through; " + PRACTICE),
    Limit("rests_long", 150.0, "s", "to 90 % with an expansion valve and a starved coil; " + PRACTICE),
    Limit("rests_short", 115.0, "s", PRACTICE),
    Limit("evaporating_cold", 8.0, "degC", PRACTICE),
    Limit("evaporating_low", -4.0, "degC", PRACTICE),
    Limit("evaporating_high", 12.0, "degC", PRACTICE),
    Limit("slow", 15.0, "km/h", PRACTICE),
    Limit("charge_band", 0.12, "share of the rated charge", PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Fact:
    """Something established, in words, and the numbers behind them."""

    id: str
    says: str
    evidence: tuple[Evidence, ...] = ()


def facts_of(case: Case, episodes: tuple[Episode, ...], checks: tuple[Check, ...]) -> dict[str, Fact]:
    """Collect what the causes weigh."""
    found = [
        *_from_episodes(case, episodes, {check.kind: check.why for check in checks}),
        *(Fact(f"{check.kind} absent", check.why, check.evidence) for check in checks if check.state == ABSENT),
        *_from_suspicions(checks),
        *_from_levels(case, episodes),
        *_from_starving(case, episodes),
        *_from_charge(case),
        *_from_rest(case),
        *_from_vacuum(case),
    ]
    return {fact.id: fact for fact in found}


def _from_suspicions(checks: tuple[Check, ...]) -> list[Fact]:
    """Undecided, though something was seen that the kind would explain; a sensor says nothing of the circuit."""
    suspected = [check for check in checks if check.suspected and check.kind != "sensor_fault"]
    facts = [Fact(f"{check.kind} suspected", check.why, check.evidence) for check in suspected]
    return facts + [Fact("circuit suspected", one.why, one.evidence) for one in suspected[:1]]


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
        if not own[0].permanent and len(own) > 1:
            facts.append(Fact(f"{kind} comes and goes", f"it came and went {len(own)} times"))
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


def _steady(case: Case, values: Floats | None, episodes: tuple[Episode, ...]) -> float | None:
    """Median while pumping steadily outside intermittent episodes."""
    mask = case.steady(LIMITS["settled_in"].value) & case.outside(episodes, LIMITS["settled_in"].value)
    part = case.over(values, mask)
    return float(np.median(part)) if len(part) * case.timeline.step_s > 20.0 else None


def _from_levels(case: Case, episodes: tuple[Episode, ...]) -> list[Fact]:
    facts: list[Fact] = []
    derived = case.derived
    levels = (
        ("superheat", derived.superheat_k, case.u_superheat_k(), "superheat_low", "superheat_high"),
        ("subcooling", derived.subcooling_k, case.u_subcooling_k(), "subcooling_low", "subcooling_high"),
        (
            "condensing over ambient",
            derived.over_ambient_k,
            case.u_over_ambient_k(),
            "over_ambient_low",
            "over_ambient_high",
        ),
        (
            "vent over evaporating",
            derived.vent_over_evaporating_k,
            case.u_vent_gap_k(),
            "vent_gap_small",
            "vent_gap_large",
        ),
    )
    for name, values, u, low, high in levels:
        level = _steady(case, values, episodes)
        if level is None:
            continue
        state = "low" if level < LIMITS[low].value else "high" if level > LIMITS[high].value else "usual"
        says = f"{name} {level:.0f} K, steady"
        facts.append(Fact(f"{name} {state}", says, (Evidence(name, says, {"level_k": measured(level, u)}),)))
        raised = LIMITS["over_ambient_raised"].value
        if name == "condensing over ambient" and state == "usual" and level > raised:
            facts.append(Fact("condensing over ambient raised", f"{says}, in the upper part of what is usual"))
    return facts + _from_evaporator(case, episodes)


def _from_evaporator(case: Case, episodes: tuple[Episode, ...]) -> list[Fact]:
    """Where the evaporator stands, and whether the air follows it."""
    evaporating = _steady(case, case.derived.evaporating_degc, episodes)
    gap = _steady(case, case.derived.vent_over_evaporating_k, episodes)
    over = _steady(case, case.derived.over_ambient_k, episodes)
    if evaporating is None:
        return []
    low, high = LIMITS["evaporating_low"].value, LIMITS["evaporating_high"].value
    state = "low" if evaporating < low else "high" if evaporating > high else "usual"
    says = f"evaporating {evaporating:.0f} degC, steady"
    level = {"level_degc": measured(evaporating, case.u_evaporating_k())}
    facts = [Fact(f"evaporating {state}", says, (Evidence("evaporating", says, level),))]
    if case.job.metering == "fixed_orifice":
        facts.append(Fact("an orifice feeds it", "the job sheet states a fixed orifice"))
    if gap is None:
        return facts
    if evaporating < LIMITS["evaporating_cold"].value and gap < LIMITS["vent_gap_small"].value:
        facts.append(Fact("cools when it pumps", "while it pumped undisturbed the vents followed the evaporator"))
    rejects = over is not None and LIMITS["over_ambient_low"].value < over < LIMITS["over_ambient_high"].value
    fed = gap < LIMITS["starved_gap"].value or (over or 0.0) > LIMITS["little_heat"].value
    if state == "usual" and rejects and fed and gap > LIMITS["vent_gap_large"].value:
        says = f"evaporating {evaporating:.0f} degC and condensing {over:.0f} K over ambient stand as they should"
        says = f"{says}, yet the vents stay {gap:.0f} K above the evaporator"
        measures = {
            **level,
            "over_ambient_k": measured(over or 0.0, case.u_over_ambient_k()),
            "gap_k": measured(gap, case.u_vent_gap_k()),
        }
        facts.append(Fact("circuit as it should be", says, (Evidence("as_it_should_be", says, measures),)))
    return facts


def _from_starving(case: Case, episodes: tuple[Episode, ...]) -> list[Fact]:
    """Air far above the evaporating temperature while little heat reaches the condenser: the coil lacks refrigerant.

    How far down the low side is pulled, and how long the sides take to meet, lean toward a narrow place or a leak.
    """
    mask = case.steady(LIMITS["settled_in"].value)
    mask = (mask if mask.any() else case.ends_of_runs()) & case.outside(episodes, LIMITS["settled_in"].value)
    gap, evaporating, over = (
        case.over(values, mask)
        for values in (case.derived.vent_over_evaporating_k, case.derived.evaporating_degc, case.derived.over_ambient_k)
    )
    if len(gap) * case.timeline.step_s < 20.0 or len(evaporating) == 0:
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
    return facts


def _from_charge(case: Case) -> list[Fact]:
    """The charge over the longest stretch between recharges; nothing where it stands within its u95 of the band."""
    stretches = case.stretches()
    charge = case.charge_in(max(stretches, key=lambda span: span[1] - span[0])) if stretches else None
    if charge is None:
        return []
    band, u95 = LIMITS["charge_band"].value, 2.0 * charge.u
    if charge.off + u95 < -band:
        return [Fact("charge short", charge.says)]
    if charge.off - u95 > band:
        return [Fact("charge over", charge.says)]
    return [Fact("charge full", charge.says)] if abs(charge.off) + u95 < band else []


def _from_vacuum(case: Case) -> list[Fact]:
    """What the last vacuum hold told."""
    told = [hold for hold in vacuum_holds_of(case.timeline) if hold.reading in ("leak", "moisture", "tight")]
    if not told:
        return []
    measures = {"end_pa": told[-1].end_pa, "late_pa_per_minute": told[-1].late_pa_per_minute}
    evidence = Evidence("vacuum_hold", told[-1].says, measures)
    return [Fact(f"vacuum hold: {told[-1].reading}", f"vacuum hold: {told[-1].says}", (evidence,))]


def _from_rest(case: Case) -> list[Fact]:
    facts: list[Fact] = []
    for static in case.static:
        gap = static.saturation_gap_kpa
        if gap.value is None or gap.u95 is None:
            continue
        side = "above" if gap.value > 0 else "below"
        says = f"static pressure {abs(gap.value):.0f} kPa {side} saturation at soak (u95 {gap.u95:.0f} kPa)"
        state = "above" if gap.value > gap.u95 else "below" if gap.value < -gap.u95 else "on"
        evidence = (Evidence("static_gap", says, {"saturation_gap_kpa": gap}),)
        facts.append(Fact(f"static {state} saturation", says, evidence))
    return facts
