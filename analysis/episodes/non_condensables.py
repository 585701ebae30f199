"""Air in the system: static pressure above saturation at rest.

Where a pipe under the bonnet shows that the car was cold, that is proof by itself. Else a car that came in warm looks
alike, and condensing must be high as well.
"""

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.soak import excess_over_saturation
from analysis.static import BAY
from analysis.uncertainty import measured

KIND = "non_condensables"
NEEDS = ("low_side", "high_side", "ambient", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("excess", 1.5, "K", "saturation at static pressure over the soak; " + PRACTICE),
    Limit("soak_u", 1.0, "K", "one ambient probe stands for the metal; " + PRACTICE),
    Limit("condensing_some", 10.0, "K", "over ambient, steady, where a pipe in the bay was cold; " + PRACTICE),
    Limit("condensing_high", 20.0, "K", "over ambient, steady; " + PRACTICE),
    Limit("condensing_higher", 23.0, "K", "where no pipe in the bay shows that the car was cold; " + PRACTICE),
    Limit("gathers", 3.0, "K for a kelvin at rest", "what air makes once it gathers in the condenser; " + PRACTICE),
    Limit("condensing_suspect", 15.0, "K", PRACTICE),
    Limit("settled_in", 60.0, "s", PRACTICE),
)


def detect(case: Case) -> Detection:
    """Compare rest before the first start with saturation at the soak, then look at condensing."""
    if case.derived.refrigerant is not None and case.derived.refrigerant.name == "R-744":
        return Detection(UNDECIDED, "not for R-744: its static pressure depends on the charge")
    excess = excess_over_saturation(case)
    if excess is None:
        return Detection(
            UNDECIDED, "no rest with both sides together before the first start: record some minutes of it"
        )
    if excess.value is None or excess.u95 is None:
        return Detection(UNDECIDED, excess.why or "the static test was not possible")
    steady = case.settled(LIMITS["settled_in"].value)
    over = case.over(case.derived.over_ambient_k, steady)
    level = float(np.median(over)) if len(over) else float("nan")
    told = f"{excess.value:.1f} K more than the soak (u95 {excess.u95:.1f} K)"
    says = f"static pressure before the start corresponds to {told}"
    limit = LIMITS["excess"].value
    stands = Evidence("static_above_saturation", says, {"excess_k": excess})
    over_k = {"over_k": measured(level, case.u_over_ambient_k())}
    shown = not all(case.lacks(place) for place in BAY)
    too_high = not shown and level > LIMITS["condensing_high"].value + LIMITS["gathers"].value * excess.value
    high = level > LIMITS["condensing_some" if shown else "condensing_higher"].value and not too_high
    if excess.value - excess.u95 > limit and high:
        condensing = Evidence("condensing_high", f"condensing {level:.0f} K over ambient, steady", over_k)
        evidence = (stands, condensing) if level > LIMITS["condensing_high"].value else (stands,)
        start = case.running.runs[0].start_s
        severity = round(min(1.0, excess.value / 8.0), 2)
        episode = Episode(KIND, start, case.last_stop_s(), severity, evidence, permanent=True)
        return Detection(PRESENT, "static pressure above saturation at rest", (episode,))
    if excess.value - excess.u95 > limit:
        yet = f"yet condensing only {level:.0f} K over ambient: a warm engine does that too"
        if too_high:
            yet = f"condensing {level:.0f} K over ambient is more than so little air makes"
        suspected = level > LIMITS["condensing_suspect"].value
        evidence = (stands, Evidence("condensing_low", yet, over_k))
        # A probe on a pipe under the bonnet would show whether the car was warm from an earlier drive.
        missing = () if shown else BAY
        return Detection(UNDECIDED, f"{says}; {yet}", (), missing, suspected, evidence)
    if excess.value + excess.u95 < limit + LIMITS["soak_u"].value:
        usual = f"condensing {level:.0f} K over ambient"
        return Detection(ABSENT, f"{says}; {usual}", evidence=(stands, Evidence("condensing_usual", usual, over_k)))
    suspected = excess.value > excess.u95 + LIMITS["soak_u"].value and level > LIMITS["condensing_high"].value
    know = "soak longer and measure the metal to know"
    evidence = (stands, Evidence("soak_longer", know))
    return Detection(UNDECIDED, f"{says}; {know}", suspected=suspected, evidence=evidence)
