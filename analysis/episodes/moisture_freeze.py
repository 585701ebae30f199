"""Moisture freezes in the valve: the low side dives, stays down for a minute or more and frees itself, again and again.

The first dive comes only once the valve has been cold. What leaves something through is a narrow place that comes and
goes (`starving.py`).
"""

from dataclasses import replace

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.shown import times
from analysis.starving import LIMITS as STARVING
from analysis.starving import down_mostly, driven, hardly_rose, rises_after_stops, spells_of
from analysis.stepless import VARIABLE
from analysis.stretches import spans_of
from analysis.timeline import Floats
from analysis.uncertainty import measured

KIND = "moisture_freeze"
NEEDS = ("low_side", "high_side", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("valve_cold", 60.0, "s", "before the first dive; " + PRACTICE),
    Limit("least_runs", 6.0, "1", PRACTICE),
    Limit("chatter_share", 0.4, "share of the usual time on", PRACTICE),
    Limit("chatter_on", 4.0, "s", PRACTICE),
    Limit("chatter_runs", 3.0, "1", PRACTICE),
    Limit("chatter_lasts", 40.0, "s", PRACTICE),
    Limit("chatter_duty", 0.09, "share of the time", "the low side climbs slowly past a plugged valve; " + PRACTICE),
    Limit("short_run", 15.0, "s", "that the plugged valve ended at once; " + PRACTICE),
    Limit("cut_in_margin", 25.0, "kPa", PRACTICE),
    Limit("vent_warms", 4.0, "K", PRACTICE),
)
DOWN_OTHERWISE = "fell far only before the valve was cold, slowly, or for a moment"


def detect(case: Case) -> Detection:
    """Find dives that free themselves; where a pressure switch cuts each dive short, chatter or a long rest."""
    spells = [spell for spell in spells_of(case) if spell.start_s - _first_start(case) > LIMITS["valve_cold"].value]
    found = [Episode(KIND, s.start_s, s.end_s, 1.0, s.evidence) for s in spells if not s.passes]
    if case.job.compressor not in VARIABLE:
        for more in (_chatters(case), _plugged(case)):
            found += [e for e in more if not any(e.start_s < one.end_s and one.start_s < e.end_s for one in found)]
    if found:
        many = times(len(found))
        episodes = tuple(sorted(found, key=lambda episode: episode.start_s))
        return Detection(PRESENT, f"{many} the valve closed and freed itself", episodes)
    te = case.evened(case.derived.evaporating_degc, 2.0)
    if te is None:
        return Detection(UNDECIDED, "no evaporating temperature")
    if spells:
        why = "the evaporator was starved for a while, yet something still passed: ice lets nothing by"
        return Detection(UNDECIDED, why)
    on = driven(case)
    lowest = float(np.min(te[on])) if on.any() else float("nan")
    if lowest < STARVING["frozen"].value:
        words = "stays down most of the time: a restriction does that too" if down_mostly(case) else DOWN_OTHERWISE
        return Detection(UNDECIDED, f"the low side {words}")
    why = f"the evaporator never fell below {round(lowest):d} degC evaporating"
    measures = {"evaporating_degc": measured(lowest, case.u_evaporating_k())}
    return Detection(ABSENT, why, evidence=(Evidence("never_low", why, measures),))


def _first_start(case: Case) -> float:
    return case.running.runs[0].start_s


def _plugged(case: Case) -> list[Episode]:
    """Stops after which the low side hardly rises, among others after which it does: nothing passes the valve.

    A pressure switch that cut the dive short waits for the low side, which fills many times more slowly than usual.
    """
    rises, usual = rises_after_stops(case)
    low = case.evened(case.derived.low_kpa, 2.0)
    again = [rise for rise in rises if rise.until_s < case.timeline.duration_s]
    until = np.array([rise.until_s for rise in again])
    at_restart = case.timeline.medians(low, until - 2.0, until)
    most = float(np.median(at_restart)) + LIMITS["cut_in_margin"].value if again else 0.0
    found: list[Episode] = []
    for rise, reached in zip(again, at_restart.tolist(), strict=True):
        stop, restart = rise.stop_s, rise.until_s
        short = stop - rise.began_s <= LIMITS["short_run"].value
        if found and short and hardly_rose(rise, usual) and rise.began_s <= found[-1].end_s + 1.0:
            found[-1] = replace(found[-1], end_s=restart)  # it tried once more in vain
            continue
        slow = restart - stop >= LIMITS["chatter_lasts"].value and hardly_rose(rise, usual)
        waited, past = reached <= most, stop - _first_start(case) > LIMITS["valve_cold"].value
        if not (slow and waited and past):
            continue
        start = rise.began_s if short else stop
        warmed = _warmed(case, start, restart)
        if warmed >= LIMITS["vent_warms"].value and not _commanded(case, start, restart):
            measures = {
                "rise_kpa_per_s": measured(rise.rate, 0.05 * usual),
                "usual_rise_kpa_per_s": measured(usual, 0.1 * usual),
                "vent_rise_k": measured(warmed, 0.3),
            }
            says = (
                f"off for {restart - stop:.0f} s while the low side rose by {rise.rate:.1f} kPa a second, usually "
                f"{usual:.1f}, and the vents warmed by {warmed:.0f} K"
            )
            freed = Evidence("freed_itself", "it freed itself and cycled as before")
            found.append(Episode(KIND, start, restart, 1.0, (Evidence("plugged", says, measures), freed)))
    return found


def _chatters(case: Case) -> list[Episode]:
    """Stretches in which each run is cut short at once and the vents warm, between stretches of ordinary cycles.

    A low-side switch ends every run as soon as the plugged valve lets the low side fall.
    """
    runs = case.running.runs
    if len(runs) < LIMITS["least_runs"].value or case.running.basis == "none":
        return []
    on = np.array([run.end_s - run.start_s for run in runs])
    # Weighed by their length: the many short runs of one bad minute must not become the usual.
    ordered = np.sort(on)
    usual = float(ordered[np.searchsorted(np.cumsum(ordered), 0.5 * float(ordered.sum()))])
    short = (on < LIMITS["chatter_share"].value * usual) & (on < LIMITS["chatter_on"].value)
    found: list[Episode] = []
    for first, last in spans_of(short):
        if first == 0 or last + 1 >= len(runs) or last - first + 1 < LIMITS["chatter_runs"].value:
            continue
        begins, ends = runs[first - 1].end_s, runs[last + 1].start_s
        past = begins - runs[0].start_s > LIMITS["valve_cold"].value
        warmed = _warmed(case, begins, ends)
        pumped = float(on[first : last + 1].sum()) / (ends - begins)
        lasts = ends - begins >= LIMITS["chatter_lasts"].value and pumped <= LIMITS["chatter_duty"].value
        if past and lasts and warmed >= LIMITS["vent_warms"].value and not _commanded(case, begins, ends):
            found.append(_chatter(case, begins, ends, on[first : last + 1], warmed))
    return found


def _commanded(case: Case, start_s: float, end_s: float) -> bool:
    """Whether the driver or the engine stopped the compressor in a stretch, so that nobody waited for it."""
    return any(start_s <= stop.at_s < end_s and stop.why in ("driver", "engine_off") for stop in case.stops)


def _warmed(case: Case, start_s: float, end_s: float) -> float:
    """Rise of the vents from just before a stretch to its end; NaN without vents."""
    vent = case.timeline.grid("vent")
    return case.median(vent, end_s - 5.0, end_s) - case.median(vent, start_s - 10.0, start_s)


def _chatter(case: Case, start_s: float, end_s: float, on: Floats, warmed: float) -> Episode:
    says = (
        f"for {end_s - start_s:.0f} s each of {len(on)} runs was cut off within {float(np.median(on)):.1f} s "
        f"and the vents warmed by {warmed:.0f} K"
    )
    measures = {
        "on_s": measured(float(np.median(on)), case.timeline.step_s),
        "vent_rise_k": measured(warmed, 0.3),
    }
    freed = Evidence("freed_itself", "it freed itself and cycled as before")
    return Episode(KIND, start_s, end_s, 1.0, (Evidence("chatter", says, measures), freed))
