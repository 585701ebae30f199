"""The compressor stays off although cooling is asked for."""

import math

from analysis.case import Case
from analysis.electrics import electrics_of
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence, Stop
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.lost_lift import driven, losses_of, usual_of
from analysis.shown import clock, times
from analysis.uncertainty import Measured, combine, measured

KIND = "compressor_dropout"
NEEDS = ("low_side", "high_side", "runs")
LIMITS = limit_table(
    Limit("shortest", 8.0, "s", PRACTICE),
    Limit("noticed", 12.0, "s", PRACTICE),
    Limit("slips", 0.2, "share of the usual lift", PRACTICE),
    Limit("vent_warms", 1.0, "K", PRACTICE),
)


def detect(case: Case) -> Detection:
    """One episode for each stop that neither control, driver, engine nor pressure switch explains."""
    episodes = tuple(
        _episode(case, stop)
        for stop in case.stops
        if stop.why == "dropout" and _end(case, stop) - stop.at_s >= LIMITS["shortest"].value
    )
    episodes = tuple(sorted((*episodes, *_slips(case, episodes)), key=lambda episode: episode.start_s))
    if episodes:
        return Detection(PRESENT, f"{times(len(episodes))} the compressor stayed off although asked for", episodes)
    unknown = [
        stop
        for stop in case.stops
        if stop.why == "unknown"
        and _end(case, stop) - stop.at_s >= LIMITS["noticed"].value
        and (stop.restart_s is not None or _complained(case, stop.at_s))
    ]
    if unknown:
        at = ", ".join(clock(stop.at_s) for stop in unknown[:5])
        have = f"stops at {at} have" if len(unknown) > 1 else f"the stop at {at} has"
        missing = tuple(need for need in ("clutch", "cooling_request", "engine_speed") if case.lacks(need))
        return Detection(
            UNDECIDED, f"{have} no reason in the recording: {unknown[0].says}", (), missing, suspected=True
        )
    if not case.stops:
        return Detection(ABSENT, "the compressor never stopped")
    every = "its one stop" if len(case.stops) == 1 else f"each of its {len(case.stops)} stops"
    return Detection(ABSENT, f"{every} has its reason")


def _slips(case: Case, found: tuple[Episode, ...]) -> list[Episode]:
    """Stretches in which a compressor loses part of its lift while driven: its clutch or belt slips.

    One of variable stroke may be turned down as well: there only a loss that comes and goes at once is a slip.
    """
    clutched = case.job.compressor in ("cycling_clutch", "variable_internal")
    if not clutched or case.lacks("vent") or case.lacks("refrigerant"):
        return []
    usual = usual_of(case)
    losses = () if usual is None else losses_of(case, usual)
    return [
        Episode(KIND, loss.start_s, loss.end_s, round(min(1.0, loss.lost / loss.usual_lift), 2), (loss.evidence,))
        for loss in losses
        if driven(case, loss)
        and (loss.at_once or case.job.compressor == "cycling_clutch")
        and loss.lost >= LIMITS["slips"].value * loss.usual_lift
        and not any(episode.start_s < loss.end_s and loss.start_s < episode.end_s for episode in found)
    ]


def _complained(case: Case, at_s: float) -> bool:
    """Whether a complaint was marked after a moment."""
    return any(mark > at_s for mark in case.timeline.marked("complaint"))


def _end(case: Case, stop: Stop) -> float:
    return case.timeline.duration_s if stop.restart_s is None else stop.restart_s


def _episode(case: Case, stop: Stop) -> Episode:
    end = _end(case, stop)
    line = case.timeline
    signal = line.signal("low_side")
    u_low = combine(signal.u, signal.noise) if signal else 0.0
    stopped = max((run.end_s for run in case.running.runs if run.end_s <= stop.at_s + 1.0), default=stop.at_s)
    says = [f"off for {end - stopped:.0f} s while cooling was asked for"]
    measures: dict[str, Measured] = {"off_s": measured(end - stopped, line.step_s)}
    if stop.at_s - stopped > 2.0:
        says.append(f"{end - stop.at_s:.0f} s of it after it should have restarted")
        measures["late_s"] = measured(end - stop.at_s, line.step_s)
    if case.habit is not None:
        past = case.median(case.derived.low_kpa, end - 3.0, end - 0.5) - case.habit.cut_in_kpa
        if math.isfinite(past) and past > 0:
            says.append(f"low side {past:.0f} kPa past its usual cut-in")
            measures["past_cut_in_kpa"] = measured(past, u_low, case.habit.cut_in_spread_kpa)
    evidence = [Evidence("stayed_off", ", ".join(says), measures), Evidence("why_stopped", stop.says)]
    evidence += electrics_of(line, stop.at_s, end).evidence()
    evidence += _vent(case, stop.at_s, end)
    return Episode(KIND, stop.at_s, end, 1.0, tuple(evidence))


def _vent(case: Case, start: float, end: float) -> list[Evidence]:
    vent = case.timeline.grid("vent")
    signal = case.timeline.signal("vent")
    before = case.median(vent, start - 3.0, start)
    later = case.median(vent, end - 5.0, end + 5.0)
    if signal is None or not (math.isfinite(before) and math.isfinite(later)):
        return []
    warmed = later - before
    if warmed < LIMITS["vent_warms"].value:
        return []
    measures = {"vent_rise_k": measured(warmed, signal.noise, 0.1 * warmed)}
    return [Evidence("vent_warmed", f"vent air warmed by {warmed:.1f} K meanwhile", measures)]
