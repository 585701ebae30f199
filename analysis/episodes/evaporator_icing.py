"""The evaporator ices up: over 10-40 min it grows colder while the vents turn warm; a rest cures it.

Without a vent probe only a control that never lets it thaw can be told, or that it never was below freezing.
"""

from itertools import pairwise

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.timeline import Floats
from analysis.uncertainty import Measured, measured

KIND = "evaporator_icing"
NEEDS = ("low_side", "high_side", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("freezing", -2.5, "degC", "evaporating, evened; below freezing with air passing; " + PRACTICE),
    Limit("widens", 6.0, "K", "vent over evaporating, above its own best; " + PRACTICE),
    Limit("onset", 2.0, "K", PRACTICE),
    Limit("slow", 150.0, "s", "from onset to the full widening: ice grows, nothing switches; " + PRACTICE),
    Limit("shortest", 180.0, "s", PRACTICE),
    Limit("far_below", -6.0, "degC", "evaporating, evened; no control lets a coil run there; " + PRACTICE),
    Limit(
        "vent_cold",
        6.0,
        "degC",
        "air still passes and is cold: neither short of refrigerant nor restricted; " + PRACTICE,
    ),
    Limit("thaws", 180.0, "s", "a rest that cures; shorter ones leave the ice; " + PRACTICE),
    Limit("dives", 8.0, "K", "evaporating, below where the widening began; " + PRACTICE),
    Limit("builds", 180.0, "s", "below freezing until a quarter of the face is blocked; " + PRACTICE),
    Limit("superheat", 15.0, "K", "at the suction probe, above which the evaporator is starved; " + PRACTICE),
    Limit("thawed", -1.0, "degC", "evaporating before a restart, when it boils at the coil's temperature; " + PRACTICE),
    Limit("mostly", 0.9, "share of the restarts", PRACTICE),
    Limit("rests", 10.0, "1", "restarts that tell how the control cycles; " + PRACTICE),
    Limit("rest", 4.0, "s", "the low side comes up to the coil's temperature; " + PRACTICE),
    Limit("cycles_for", 600.0, "s", PRACTICE),
    Limit("pull_down", 120.0, "s", PRACTICE),
    Limit("evened", 45.0, "s", PRACTICE),
)


def detect(case: Case) -> Detection:
    """Find a slow widening between vent and evaporator below freezing, or a control that leaves it frozen."""
    te = case.evened(case.derived.evaporating_degc, LIMITS["evened"].value)
    gap = case.evened(case.derived.vent_over_evaporating_k, LIMITS["evened"].value)
    first = case.running.runs[0].start_s
    settled = case.running.pumping & (case.timeline.t_s > first + LIMITS["pull_down"].value)
    if te is None or case.seconds(settled) < LIMITS["shortest"].value:
        return Detection(UNDECIDED, "too short a drive for ice to grow")
    frozen = _restarts_frozen(case)
    if frozen is not None:
        return Detection(PRESENT, "it was restarted again and again before the evaporator had thawed", (frozen,))
    if gap is None:
        return _without_vent(te, settled)
    return _by_the_vents(case, te, gap, settled)


def _never_freezing() -> Detection:
    why = f"the evaporator stayed above {LIMITS['freezing'].value:g} degC (evened)"
    never = Evidence("never_freezing", why, {"limit_degc": Measured(LIMITS["freezing"].value)})
    return Detection(ABSENT, why, evidence=(never,))


def _without_vent(te: Floats, settled: Mask) -> Detection:
    if not bool((settled & (te < LIMITS["freezing"].value)).any()):
        return _never_freezing()
    return Detection(UNDECIDED, "missing: vent; it was below freezing, and the vents would show ice", (), ("vent",))


def _restarts_frozen(case: Case) -> Episode | None:
    """A control that restarts the compressor while the coil is below freezing: at rest the low side boils there."""
    restarts = [
        (start.start_s, case.median(case.derived.evaporating_degc, start.start_s - 1.0, start.start_s))
        for run, start in pairwise(case.running.runs)
        if start.start_s - run.end_s >= LIMITS["rest"].value
    ]
    if len(restarts) < LIMITS["rests"].value or restarts[-1][0] - restarts[0][0] < LIMITS["cycles_for"].value:
        return None
    levels = np.array([level for _, level in restarts])
    if not float(np.quantile(levels, LIMITS["mostly"].value)) < LIMITS["thawed"].value:
        return None
    level = float(np.median(levels))
    says = (
        f"{len(levels)} times the compressor was started again although the evaporator stood at {level:.0f} degC at "
        "rest: ice never thaws"
    )
    measures = {
        "restarts": measured(float(len(levels)), 0.0),
        "evaporating_degc": measured(level, case.u_evaporating_k()),
    }
    return Episode(KIND, restarts[0][0], case.last_stop_s(), 0.7, (Evidence("restarts_frozen", says, measures),))


def _by_the_vents(case: Case, te: Floats, gap: Floats, settled: Mask) -> Detection:
    best = float(np.quantile(gap[settled], 0.03))
    cold = te < LIMITS["freezing"].value
    mask = settled & cold & (gap > best + LIMITS["widens"].value)
    spans = case.spans(mask, LIMITS["shortest"].value, 60.0)
    found = [e for span in spans if (e := _episode(case, te, gap, best, settled, span)) is not None]
    if found:
        return Detection(PRESENT, "vent and evaporator drew apart slowly below freezing", tuple(found))
    found = _uncontrolled(case, te)
    if found:
        return Detection(PRESENT, "nothing stopped the evaporator far below freezing", found)
    if not bool((settled & cold).any()):
        return _never_freezing()
    widest = float(np.max(gap[settled & cold])) - best
    if widest > LIMITS["widens"].value:
        return Detection(ABSENT, "below freezing vent and evaporator never drew apart slowly and for long, as ice does")
    why = f"below freezing the vents stayed within {max(widest, 0.0):.0f} K of their best distance to the evaporator"
    stayed = Evidence("stayed_near", why, {"widened_k": measured(widest, 0.02 * abs(widest), 0.2)})
    return Detection(ABSENT, why, evidence=(stayed,))


def _uncontrolled(case: Case, te: Floats) -> tuple[Episode, ...]:
    """Air and evaporator below freezing for minutes: ice grows, though the air still passes."""
    vent = case.evened(case.timeline.grid("vent"), LIMITS["evened"].value)
    if vent is None:
        return ()
    below = case.running.pumping & (te < LIMITS["freezing"].value)
    far = below & (te < LIMITS["far_below"].value) & (vent < LIMITS["vent_cold"].value)
    builds = LIMITS["builds"].value
    sure = case.spans(far, LIMITS["shortest"].value + builds, 60.0)
    episodes: list[Episode] = []
    for first, last in case.spans(below, LIMITS["shortest"].value, LIMITS["thaws"].value):
        if not any(first <= a and b <= last for a, b in sure):
            continue
        start, end = (float(case.timeline.t_s[i]) for i in (first, last))
        level, air = (float(np.median(values[first : last + 1])) for values in (te, vent))
        says = (
            f"for {(end - start) / 60.0:.0f} min the evaporator stood at {level:.0f} degC and the vents at "
            f"{air:.0f} degC, and no control stopped it: ice grows"
        )
        measures = {
            "evaporating_degc": measured(level, case.u_evaporating_k()),
            "vent_degc": measured(air, case.u_air_k("vent")),
            "stood_min": measured((end - start) / 60.0, LIMITS["evened"].value / 60.0),
        }
        episodes.append(Episode(KIND, start + builds, end, 0.5, (Evidence("stays_below_freezing", says, measures),)))
    return tuple(episodes)


def _episode(case: Case, te: Floats, gap: Floats, best: float, settled: Mask, span: tuple[int, int]) -> Episode | None:
    first, last = span
    t = case.timeline.t_s
    near = np.flatnonzero(gap[: first + 1] < best + LIMITS["onset"].value)
    onset = int(near[-1]) if len(near) else 0
    if float(t[first] - t[onset]) < LIMITS["slow"].value:
        return None
    # Ice grows from when the evaporator stays below freezing; the vents show it only later.
    warm = np.flatnonzero((te[: onset + 1] > LIMITS["freezing"].value) | ~settled[: onset + 1])
    frozen = int(warm[-1]) + 1 if len(warm) else 0
    back = np.flatnonzero(gap[last:] < best + LIMITS["onset"].value)
    end = last + int(back[0]) if len(back) else last
    widened = float(gap[first : last + 1].max()) - best
    coldest = float(te[frozen : last + 1].min())
    # Ice leaves the evaporator about as cold as it was; a dive, or air that never was cold, is want of refrigerant.
    dived = coldest < float(te[onset]) - LIMITS["dives"].value
    if dived or coldest > LIMITS["far_below"].value or not settled[onset]:
        return None
    if case.median(case.derived.superheat_k, float(t[first]), float(t[last])) > LIMITS["superheat"].value:
        return None  # ice takes the load away, and superheat falls
    minutes = float(t[first] - t[onset]) / 60.0
    measures = {
        "over_min": measured(minutes, case.timeline.step_s / 60.0),
        "widened_k": measured(widened, 0.02 * widened, 0.2),
        "evaporating_degc": measured(coldest, case.u_evaporating_k()),
    }
    says = (
        f"over {minutes:.0f} min vent and evaporator drew apart by {widened:.0f} K at {coldest:.0f} degC evaporating: "
        "air no longer passes"
    )
    severity = round(min(1.0, widened / 16.0), 2)
    start_s = float(min(t[frozen] + LIMITS["builds"].value, t[onset])) if frozen < onset else float(t[frozen])
    return Episode(KIND, start_s, float(t[end]), severity, (Evidence("draws_apart", says, measures),))
