"""Air in the system: static pressure above saturation at rest, and condensing high at all speeds."""

import math

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.uncertainty import Measured, absent, combine, measured

KIND = "non_condensables"
NEEDS = ("low_side", "high_side", "ambient", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("rest", 8.0, "s", "before the first start; " + PRACTICE),
    Limit("apart", 60.0, "kPa", "between the sides at rest; " + PRACTICE),
    Limit("excess", 2.0, "K", "saturation at static pressure over the soak; " + PRACTICE),
    Limit("soak_u", 1.0, "K", "one ambient probe stands for the metal; " + PRACTICE),
    Limit("soak_apart", 3.0, "K", PRACTICE),
    Limit("cabin_colder", -3.0, "K", "against ambient, parked; " + PRACTICE),
    Limit("cabin_warmer", 10.0, "K", "against ambient, parked; " + PRACTICE),
    Limit("condensing_high", 20.0, "K", "over ambient, steady; " + PRACTICE),
    Limit("condensing_suspect", 15.0, "K", PRACTICE),
    Limit("settled_in", 60.0, "s", PRACTICE),
)


def detect(case: Case) -> Detection:
    """Compare rest before the first start with saturation at the soak, then look at condensing."""
    if case.derived.refrigerant is not None and case.derived.refrigerant.name == "R-744":
        return Detection(UNDECIDED, "not for R-744: its static pressure depends on the charge")
    excess = _excess(case)
    if excess is None:
        return Detection(
            UNDECIDED, "no rest with both sides together before the first start: record some minutes of it"
        )
    if excess.value is None or excess.u95 is None:
        return Detection(UNDECIDED, excess.why or "the static test was not possible")
    steady = case.settled(LIMITS["settled_in"].value)
    over = case.over(case.derived.over_ambient_k, steady)
    level = float(np.median(over)) if len(over) else float("nan")
    says = f"at rest before the start, saturation stood {excess.value:.1f} K over the soak (u95 {excess.u95:.1f} K)"
    limit = LIMITS["excess"].value
    if excess.value - excess.u95 > limit and level > LIMITS["condensing_high"].value:
        evidence = (
            Evidence("static_above_saturation", says, {"excess_k": excess}),
            Evidence(
                "condensing_high",
                f"condensing {level:.0f} K over ambient, steady",
                {"over_k": measured(level, case.u_over_ambient_k())},
            ),
        )
        start = case.running.runs[0].start_s
        severity = round(min(1.0, excess.value / 8.0), 2)
        episode = Episode(KIND, start, case.last_stop_s(), severity, evidence, permanent=True)
        return Detection(PRESENT, "static pressure above saturation and condensing high", (episode,))
    if excess.value - excess.u95 > limit:
        return Detection(
            UNDECIDED,
            f"{says}, yet condensing only {level:.0f} K over ambient: a warm engine does that too",
            suspected=level > LIMITS["condensing_suspect"].value,
        )
    if excess.value + excess.u95 < limit + LIMITS["soak_u"].value:
        return Detection(ABSENT, f"{says}; condensing {level:.0f} K over ambient")
    return Detection(UNDECIDED, f"{says}: soak longer and measure the metal to know")


def _excess(case: Case) -> Measured | None:
    """Saturation temperature at static pressure minus soak temperature [K]."""
    fluid = case.derived.refrigerant
    low, high = case.timeline.signal("low_side"), case.timeline.signal("high_side")
    first = case.running.runs[0].start_s
    if fluid is None or low is None or high is None or first < LIMITS["rest"].value:
        return None
    start = max(0.0, first - 30.0)
    sides = [case.median(values, start, first - 1.0) for values in (case.derived.low_kpa, case.derived.high_kpa)]
    if not all(math.isfinite(side) for side in sides) or abs(sides[0] - sides[1]) > LIMITS["apart"].value:
        return None
    static = float(np.mean(sides))
    soak = [case.median(case.timeline.grid(place), start, first - 1.0) for place in ("ambient", "liquid_line")]
    soak = [value for value in soak if math.isfinite(value)]
    if not soak:
        return None
    if len(soak) == 1 and not _cabin_agrees(case, soak[0], start, first):
        return absent(
            "the soak is not shown: ambient and cabin air differ too much, or only one temperature was recorded"
        )
    if len(soak) == 2 and abs(soak[0] - soak[1]) > LIMITS["soak_apart"].value:
        return absent(f"the soak is not shown: ambient and liquid line differ by {abs(soak[0] - soak[1]):.1f} K")
    probe = case.timeline.signal("ambient")
    u_static = combine(1.0 / math.hypot(1.0 / low.u, 1.0 / high.u), case.timeline.barometric_u_kpa)
    u = combine(u_static * fluid.kelvin_per_kpa(static), probe.u if probe else 1.0, LIMITS["soak_u"].value)
    return measured(fluid.temperature_at(static) - float(np.mean(soak)), u)


def _cabin_agrees(case: Case, ambient: float, start: float, end: float) -> bool:
    """Air in the parked cabin a little above ambient bears a lone ambient probe out."""
    for place in ("vent", "return_air", "suction_line", "discharge_line", "cabin"):
        other = case.median(case.timeline.grid(place), start, end - 1.0)
        if math.isfinite(other):
            return LIMITS["cabin_colder"].value < other - ambient < LIMITS["cabin_warmer"].value
    return False
