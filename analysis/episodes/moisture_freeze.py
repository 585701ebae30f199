"""Moisture freezes in the valve: the low side dives, stays down for a minute or more and frees itself, again and again.

The first dive comes only once the valve has been cold; a restriction does not free itself.
"""

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.timeline import Floats
from analysis.uncertainty import combine, measured

KIND = "moisture_freeze"
NEEDS = ("low_side", "high_side", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("dive", 14.0, "K", "below the coldest of its usual cycle; " + PRACTICE),
    Limit("frozen", -22.0, "degC", "evaporating, near or under 0 gauge; " + PRACTICE),
    Limit("usual", -8.0, "degC", "evaporating, where a dive begins; " + PRACTICE),
    Limit("shortest", 15.0, "s", PRACTICE),
    Limit("merge", 20.0, "s", PRACTICE),
    Limit("valve_cold", 60.0, "s", "before the first dive; " + PRACTICE),
    Limit("usual_share", 0.3, "share of the pumping time that must be usual", PRACTICE),
)


def detect(case: Case) -> Detection:
    """Find dives that free themselves."""
    te = case.evened(case.derived.evaporating_degc, 2.0)
    if te is None:
        return Detection(UNDECIDED, "no evaporating temperature")
    pumping = case.running.pumping
    driven = pumping | (
        case.running.supplied & case.operating.engine_running if case.running.supplied is not None else pumping
    )
    usual = driven & (te > LIMITS["usual"].value - 6.0)
    floor = float(np.quantile(te[usual], 0.05)) if usual.any() else 0.0
    limit = min(LIMITS["frozen"].value, floor - LIMITS["dive"].value)
    spans = case.spans(driven & (te < limit), LIMITS["shortest"].value, LIMITS["merge"].value)
    lowest = float(np.min(te[driven])) if driven.any() else float("nan")
    if not spans:
        return Detection(ABSENT, f"the evaporator never fell below {lowest:.0f} degC evaporating")
    if case.seconds(usual) < LIMITS["usual_share"].value * case.seconds(driven):
        return Detection(UNDECIDED, "the low side stays down most of the time: a restriction does that too")
    first_start = case.running.runs[0].start_s
    episodes = [_episode(case, te, span) for span in spans]
    episodes = [e for e in episodes if e.start_s - first_start > LIMITS["valve_cold"].value]
    if not episodes:
        return Detection(UNDECIDED, "the only dive came before the valve was cold")
    return Detection(
        PRESENT,
        f"{'once' if len(episodes) == 1 else f'{len(episodes)} times'} the low side dived and freed itself",
        tuple(episodes),
    )


def _episode(case: Case, te: Floats, span: tuple[int, int]) -> Episode:
    first, last = span
    t = case.timeline.t_s
    before = np.flatnonzero(te[: first + 1] > LIMITS["usual"].value)
    start = int(before[-1]) if len(before) else first
    after = np.flatnonzero(te[last:] > LIMITS["usual"].value)
    end = last + int(after[0]) if len(after) else last
    low = case.derived.low_kpa
    signal = case.timeline.signal("low_side")
    u = combine(signal.u, case.timeline.barometric_u_kpa) if signal else 0.0
    down = case.median(low, float(t[first]), float(t[last])) - case.timeline.barometric_kpa
    fall_s = float(t[first] - t[start])
    measures = {
        "low_side_kpa": measured(down, u),
        "fall_s": measured(fall_s, case.timeline.step_s),
        "stayed_s": measured(float(t[last] - t[first]), case.timeline.step_s),
    }
    says = f"low side dived to {down:.0f} kPa gauge within {fall_s:.0f} s and stayed down {t[last] - t[first]:.0f} s"
    evidence = [Evidence("dive", says, measures)]
    if len(after):
        evidence.append(Evidence("freed_itself", "then freed itself"))
    return Episode(KIND, float(t[start]), float(t[end]), 1.0, tuple(evidence))
