"""Moisture freezes in the valve: the low side dives, stays down for a minute or more and frees itself, again and again.

The first dive comes only once the valve has been cold; a restriction does not free itself.
"""

from itertools import pairwise

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.stepless import VARIABLE
from analysis.stretches import spans_of
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
    Limit("least_runs", 6.0, "1", PRACTICE),
    Limit("chatter_share", 0.4, "share of the usual time on", PRACTICE),
    Limit("chatter_on", 4.0, "s", PRACTICE),
    Limit("chatter_runs", 3.0, "1", PRACTICE),
    Limit("pulled_down", 120.0, "s", PRACTICE),
    Limit("starved", 8.0, "K", "vent over evaporating, above its usual; " + PRACTICE),
    Limit("dips", 4.0, "K", PRACTICE),
    Limit("leaps", 9.0, "K", PRACTICE),
    Limit("leap_within", 12.0, "s", PRACTICE),
    Limit("chatter_lasts", 40.0, "s", PRACTICE),
    Limit("chatter_duty", 0.09, "share of the time", "the low side climbs slowly past a plugged valve; " + PRACTICE),
    Limit("least_rises", 4.0, "runs", PRACTICE),
    Limit("rises_over", 15.0, "s", PRACTICE),
    Limit("hardly", 0.33, "share of the usual rise after a stop", PRACTICE),
    Limit("cut_in_margin", 25.0, "kPa", PRACTICE),
    Limit("near_usual", 3.0, "K", PRACTICE),
    Limit("sudden", 60.0, "s", "ice closes the valve within seconds to tens of seconds; " + PRACTICE),
    Limit("met", 0.1, "share of the lift at the stop", PRACTICE),
    Limit("vent_warms", 4.0, "K", PRACTICE),
    Limit("usual_share", 0.3, "share of the pumping time that must be usual", PRACTICE),
)


def detect(case: Case) -> Detection:
    """Find dives that free themselves; where a pressure switch cuts each dive short, stretches of chatter."""
    dives = _dives(case)
    if case.job.compressor in VARIABLE:
        spells = _starved_spells(case)
        return dives if spells is None else spells if dives.state != PRESENT else _both(dives, spells)
    if dives.state == PRESENT:
        return dives
    chatter = _chatters(case)
    if chatter:
        many = "once" if len(chatter) == 1 else f"{len(chatter)} times"
        return Detection(PRESENT, f"{many} the compressor chattered for minutes and then cycled as before", chatter)
    plugged = _plugged(case)
    if not plugged:
        return dives
    many = "once" if len(plugged) == 1 else f"{len(plugged)} times"
    return Detection(PRESENT, f"{many} the low side hardly rose after a stop, and later it did again", plugged)


def _both(dives: Detection, spells: Detection) -> Detection:
    """Dives, and the spells in which a stepless compressor held its low side just above one."""
    found = dives.episodes
    more = (e for e in spells.episodes if not any(e.start_s < one.end_s and one.start_s < e.end_s for one in found))
    episodes = tuple(sorted((*found, *more), key=lambda episode: episode.start_s))
    many = "once" if len(episodes) == 1 else f"{len(episodes)} times"
    return Detection(PRESENT, f"{many} the low side dived and freed itself", episodes)


def _plugged(case: Case) -> tuple[Episode, ...]:
    """Stops after which the low side hardly rises, among others after which it does: nothing passes the valve.

    A pressure switch that cut the dive short waits for the low side, which fills many times more slowly than usual.
    """
    runs, low = case.running.runs, case.evened(case.derived.low_kpa, 2.0)
    if low is None or case.running.basis == "none" or len(runs) < LIMITS["least_rises"].value:
        return ()
    gaps = [(one.end_s, other.start_s, one.start_s) for one, other in pairwise(runs)]
    first_s = LIMITS["rises_over"].value
    rates = np.array(
        [
            case.median(low, after - 2.0, after) - case.median(low, stop, stop + 1.0)
            for stop, restart, _ in gaps
            for after in [min(stop + first_s, restart)]
        ]
    ) / np.array([min(first_s, restart - stop) for stop, restart, _ in gaps])
    usual = float(np.nanquantile(rates, 0.6)) if np.isfinite(rates).any() else float("nan")
    usual_restart = float(np.median([case.median(low, restart - 2.0, restart) for _, restart, _ in gaps]))
    found: list[Episode] = []
    for (stop, restart, began), rate in zip(gaps, rates, strict=True):
        slow = restart - stop >= LIMITS["chatter_lasts"].value and rate < LIMITS["hardly"].value * usual
        waited = case.median(low, restart - 2.0, restart) <= usual_restart + LIMITS["cut_in_margin"].value
        past = stop - runs[0].start_s > LIMITS["valve_cold"].value
        start = began if stop - began <= first_s else stop
        warmed = _warmed(case, start, restart)
        if slow and waited and past and warmed >= LIMITS["vent_warms"].value and not _commanded(case, start, restart):
            measures = {
                "rise_kpa_per_s": measured(float(rate), 0.05 * usual),
                "usual_rise_kpa_per_s": measured(usual, 0.1 * usual),
                "vent_rise_k": measured(warmed, 0.3),
            }
            says = (
                f"off for {restart - stop:.0f} s while the low side rose by {rate:.1f} kPa a second, usually "
                f"{usual:.1f}, and the vents warmed by {warmed:.0f} K"
            )
            freed = Evidence("freed_itself", "it freed itself and cycled as before")
            found.append(Episode(KIND, start, restart, 1.0, (Evidence("plugged", says, measures), freed)))
    return tuple(found)


def _starved_spells(case: Case) -> Detection | None:
    """Spells in which the valve hardly passes anything, under a stepless compressor; None without any.

    It keeps its low side up by pumping less: the low side dips at the start, the vents warm, and when the ice lets go
    the low side leaps up.
    """
    te, gap = case.evened(case.derived.evaporating_degc, 3.0), case.evened(case.derived.vent_over_evaporating_k, 5.0)
    settled = case.running.pumping & (case.since_start() > LIMITS["pulled_down"].value)
    if te is None or gap is None or not settled.any():
        return None
    usual = float(np.quantile(gap[settled], 0.25))
    spans = case.spans(
        settled & (gap > usual + LIMITS["starved"].value), LIMITS["chatter_lasts"].value, LIMITS["merge"].value
    )
    found = tuple(episode for span in spans if (episode := _starved(case, te, gap, usual, span)) is not None)
    many = "once" if len(found) == 1 else f"{len(found)} times"
    return (
        Detection(PRESENT, f"{many} the evaporator was starved at once and fed again at once", found) if found else None
    )


def _starved(case: Case, te: Floats, gap: Floats, usual: float, span: tuple[int, int]) -> Episode | None:
    t, step = case.timeline.t_s, case.timeline.step_s
    first, last = span
    index = case.timeline.index
    start = float(t[first])
    before = te[index(start - 15.0) : index(start + 20.0) + 1]
    dipped = case.median(te, start - 40.0, start - 15.0) - float(np.min(before))
    # The vents stay warm for a while after it let go: the spell ends where the low side leaps up.
    wide = max(round(LIMITS["leap_within"].value / step), 1)
    part = te[index(start + 20.0) : min(last + 2 * wide, len(te) - 1) + 1]
    rises = part[wide:] - part[:-wide]
    if len(rises) == 0:
        return None
    leapt, end = float(np.max(rises)), start + 20.0 + float(np.argmax(rises)) * step
    vent = case.timeline.grid("vent")
    warmed = case.median(vent, end - 5.0, end) - case.median(vent, start - 15.0, start)
    sharp = dipped >= LIMITS["dips"].value and leapt >= LIMITS["leaps"].value
    if not sharp or not warmed >= LIMITS["vent_warms"].value:
        return None
    most = float(np.max(gap[first : last + 1]))
    says = f"evaporating dipped {dipped:.0f} K at once, the vents rose to {most:.0f} K above it (usually {usual:.0f} K)"
    measures = {
        "dip_k": measured(dipped, case.timeline.step_s),
        "gap_k": measured(most, case.u_vent_gap_k()),
        "vent_rise_k": measured(warmed, 0.3),
    }
    leap = f"it freed itself: evaporating leapt up by {leapt:.0f} K"
    freed = Evidence("freed_itself", leap, {"leap_k": measured(leapt, 0.5)})
    return Episode(KIND, start, end, 1.0, (Evidence("starved_spell", says, measures), freed))


def _chatters(case: Case) -> tuple[Episode, ...]:
    """Stretches in which each run is cut short at once and the vents warm, between stretches of ordinary cycles.

    A low-side switch ends every run as soon as the plugged valve lets the low side fall.
    """
    runs = case.running.runs
    if len(runs) < LIMITS["least_runs"].value or case.running.basis == "none":
        return ()
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
    return tuple(found)


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


def _met(case: Case, end: int) -> int:
    """Where the sides met, if the compressor had stopped by then: what plugs a valve lets them meet slowly."""
    lift = case.evened(case.derived.lift, 2.0)
    if lift is None or case.running.pumping[end]:
        return end
    on = np.flatnonzero(case.running.pumping[:end])
    again = np.flatnonzero(case.running.pumping[end:])
    stop, until = int(on[-1]) if len(on) else end, end + int(again[0]) if len(again) else len(lift) - 1
    met = np.flatnonzero(lift[end : until + 1] < LIMITS["met"].value * lift[stop])
    return end + int(met[0]) if len(met) else end


def _dives(case: Case) -> Detection:
    """Find dives of the low side that free themselves."""
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
        why = f"the evaporator never fell below {round(lowest):d} degC evaporating"
        measures = {"evaporating_degc": measured(lowest, case.u_evaporating_k())}
        return Detection(ABSENT, why, evidence=(Evidence("never_low", why, measures),))
    if case.seconds(usual) < LIMITS["usual_share"].value * case.seconds(driven):
        return Detection(UNDECIDED, "the low side stays down most of the time: a restriction does that too")
    first_start = case.running.runs[0].start_s
    episodes = [_episode(case, te, span) for span in spans]
    episodes = [e for e in episodes if e is not None and e.start_s - first_start > LIMITS["valve_cold"].value]
    if not episodes:
        return Detection(UNDECIDED, "the only dive came before the valve was cold, or slowly")
    return Detection(
        PRESENT,
        f"{'once' if len(episodes) == 1 else f'{len(episodes)} times'} the low side dived and freed itself",
        tuple(episodes),
    )


def _episode(case: Case, te: Floats, span: tuple[int, int]) -> Episode | None:
    """The dive, where it was sudden; it lasts until the valve lets go, or until the sides met after a stop in it."""
    first, last = span
    t = case.timeline.t_s
    near = max(first - round(LIMITS["sudden"].value / case.timeline.step_s), 0)
    highest = float(te[near : first + 1].max())
    if highest < min(LIMITS["usual"].value, float(np.median(te[case.running.pumping])) - LIMITS["near_usual"].value):
        return None
    start = near + int(np.flatnonzero(te[near : first + 1] > min(LIMITS["usual"].value, highest - 1.0))[-1])
    after = np.flatnonzero(te[last:] > LIMITS["usual"].value)
    end = last + int(after[0]) if len(after) else last
    end = _met(case, end)
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
        evidence.append(Evidence("freed_itself", "it freed itself"))
    return Episode(KIND, float(t[start]), float(t[end]), 1.0, tuple(evidence))
