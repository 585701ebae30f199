"""Too much refrigerant: subcooling and condensing high at all speeds, static pressure on saturation."""

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.hot_stretches import LIMITS as HOT
from analysis.hot_stretches import at_road_speed
from analysis.limits import PRACTICE, Limit, limit_table, weight_at
from analysis.soak import excess_over_saturation
from analysis.uncertainty import measured

KIND = "overcharge"
NEEDS = ("low_side", "high_side", "ambient", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("subcooling_high", 15.0, "K", "4-12 K is usual; " + PRACTICE),
    Limit("subcooling_usual", 10.0, "K", PRACTICE),
    Limit("heat_rejected", 8.0, "K", "condensing over ambient; below it a share says little; " + PRACTICE),
    Limit("condensing_high", 26.0, "K", "over ambient, steady; " + PRACTICE),
    Limit("condensing_low", 13.0, "K", "over ambient; between, a good condenser hides an overfill; " + PRACTICE),
    Limit("condensing_usual", 22.0, "K", PRACTICE),
    Limit("at_speed", 1.8, "log likelihood ratio", "condensing far over ambient in ram air; " + PRACTICE),
    Limit("long_rest", 240.0, "s", "to 90 % with an expansion valve; " + PRACTICE),
    Limit("charge_over", 0.12, "share of the rated charge", PRACTICE),
    Limit("present", 3.0, "log likelihood ratio", PRACTICE),
    Limit("suspected", 1.5, "log likelihood ratio", PRACTICE),
    Limit("absent", -1.0, "log likelihood ratio", PRACTICE),
    Limit("settled_in", 60.0, "s", PRACTICE),
    Limit("least_steady", 30.0, "s", PRACTICE),
)
SHARE = ((0.4, -2.5), (0.48, 0.0), (0.55, 1.4), (0.6, 2.8), (0.7, 3.5))
"""Weights (log likelihood ratios) of subcooling as a share of condensing over ambient: a quarter to two fifths is
usual, seven tenths are a condenser that mostly holds liquid; common practice, no source."""

MOST = ((8.0, 0.0), (12.0, 1.2), (13.0, 3.0), (15.0, 3.5))
"""The most that this share may weigh at a subcooling [K]: a good condenser brings the liquid near ambient with the
right charge too; 4-12 K is usual, common practice, no source."""
TELLS = {"liquid_line": "a liquid-line probe", "recovered_kg": "weighing what is recovered"}


def detect(case: Case) -> Detection:
    """Weigh subcooling, condensing over ambient, equalisation and the weighed charge."""
    signs = [sign for sign in (_subcooling(case), _condensing(case), _rest(case), _charge(case)) if sign is not None]
    total = sum(weight for weight, _ in signs)
    speaking = tuple(evidence for weight, evidence in signs if weight > 0)
    air = excess_over_saturation(case)
    if total >= LIMITS["present"].value and air is not None and air.value is not None and air.value > (air.u95 or 0.0):
        why = f"air first: at rest the pressure stood {air.value:.1f} K over saturation, which feigns subcooling"
        return Detection(UNDECIDED, why, evidence=(Evidence("air_first", why, {"excess_k": air}),))
    strongest = max((weight for weight, _ in signs), default=0.0)
    if total >= LIMITS["present"].value and (len(speaking) > 1 or strongest >= LIMITS["present"].value):
        start = case.running.runs[0].start_s
        episode = Episode(KIND, start, case.last_stop_s(), 0.4, speaking, permanent=True)
        return Detection(PRESENT, "the signs of too much refrigerant agree", (episode,))
    if signs and total <= LIMITS["absent"].value:
        against = tuple(evidence for weight, evidence in signs if weight < 0)
        return Detection(ABSENT, "; ".join(evidence.says for evidence in against), evidence=against)
    missing = ("liquid_line",) if case.lacks("liquid_line") else case.unweighed()
    told = f"; {TELLS[missing[0]]} would tell" if missing else ""
    if total >= LIMITS["suspected"].value:
        probe = (Evidence("overcharge_reading", told.removeprefix("; ")),) if told else ()
        evidence = (*speaking, *probe)
        return Detection(UNDECIDED, "; ".join(e.says for e in evidence), (), missing, suspected=True, evidence=evidence)
    seen = tuple(evidence for _, evidence in signs)
    settles = "that does not settle it" if seen else "never steady for long enough to judge"
    evidence = (*seen, Evidence("overcharge_reading", f"{settles}{told}"))
    return Detection(UNDECIDED, "; ".join(e.says for e in evidence), (), missing, evidence=evidence)


def _steady(case: Case, values: np.ndarray[tuple[int], np.dtype[np.float64]] | None) -> float | None:
    steady = case.steady(LIMITS["settled_in"].value)
    mask = steady if steady.any() else case.settled(LIMITS["settled_in"].value)
    part = case.over(values, mask)
    return float(np.median(part)) if len(part) * case.timeline.step_s >= LIMITS["least_steady"].value else None


def _subcooling(case: Case) -> tuple[float, Evidence] | None:
    level = _steady(case, case.derived.subcooling_k)
    if level is None:
        return None
    high, usual = LIMITS["subcooling_high"].value, LIMITS["subcooling_usual"].value
    weight = 2.5 if level > high else 0.5 if level > usual else -2.5
    over = _steady(case, case.derived.over_ambient_k)
    if over is not None and over > LIMITS["heat_rejected"].value:
        weight = min(weight_at(level / over, SHARE), weight_at(level, MOST))
    return weight, Evidence(
        "subcooling", f"subcooling {level:.0f} K, steady", {"subcooling_k": measured(level, case.u_subcooling_k())}
    )


def _condensing(case: Case) -> tuple[float, Evidence] | None:
    level = _steady(case, case.derived.over_ambient_k)
    if level is None:
        return None
    high, usual = LIMITS["condensing_high"].value, LIMITS["condensing_usual"].value
    # With a liquid-line probe the share of subcooling has weighed it already.
    against = 0.0 if _steady(case, case.derived.subcooling_k) is not None else -1.5
    low = LIMITS["condensing_low"].value
    weight = 1.2 if level > high else 0.3 if level > usual else against if level < low else 0.5 * against
    if at_road_speed(case, case.derived.over_ambient_k) > HOT["far_at_speed"].value:
        weight = max(weight, LIMITS["at_speed"].value)
    says = f"condensing {level:.0f} K over ambient, steady"
    return weight, Evidence("condensing", says, {"over_ambient_k": measured(level, case.u_over_ambient_k())})


def _rest(case: Case) -> tuple[float, Evidence] | None:
    met = [e.time_to_90_s for e in case.equalisations if e.time_to_90_s.value is not None]
    if case.job.metering != "expansion_valve" or not met or met[-1].value is None:
        return None
    weight = 0.8 if met[-1].value > LIMITS["long_rest"].value else -0.2
    return weight, Evidence("rest", f"the sides took {met[-1].value:.0f} s to meet by 90 %", {"time_to_90_s": met[-1]})


def _charge(case: Case) -> tuple[float, Evidence] | None:
    """The mass that was in over the longest stretch, against the rated charge."""
    stretches = case.stretches()
    charge = case.charge_in(max(stretches, key=lambda span: span[1] - span[0])) if stretches else None
    if charge is None:
        return None
    evidence = Evidence("charge", charge.says, {"charge_over": measured(charge.off, charge.u)})
    limit = LIMITS["charge_over"].value
    if charge.off - 2.0 * charge.u > limit:
        return 3.0, evidence
    return (-3.0 if charge.off + 2.0 * charge.u < limit else 0.0), evidence
