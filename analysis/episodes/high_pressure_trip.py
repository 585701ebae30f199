"""The high-pressure switch stops the compressor at the top of a climb."""

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, Episode, Evidence, Stop
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.uncertainty import combine, measured

KIND = "high_pressure_trip"
NEEDS = ("low_side", "high_side", "runs")
LIMITS = limit_table(
    Limit("merge", 60.0, "s", PRACTICE),
    Limit("reset_most", 1000.0, "kPa", "a switch closes 0.4-0.8 MPa below where it opened; " + PRACTICE),
)


def detect(case: Case) -> Detection:
    """Trips within a minute of each other are one episode."""
    trips = [stop for stop in case.stops if stop.why == KIND and _by_the_switch(case, stop)]
    if not trips:
        top = case.over(case.derived.high_kpa, case.running.pumping)
        gauge = float(np.max(top)) - case.timeline.barometric_kpa if len(top) else float("nan")
        why = f"no stop at high pressure; the high side reached {gauge:.0f} kPa gauge"
        signal = case.timeline.signal("high_side")
        u = combine(signal.u, case.timeline.barometric_u_kpa) if signal else 0.0
        return Detection(ABSENT, why, evidence=(Evidence("no_trip", why, {"high_side_kpa": measured(gauge, u)}),))
    groups: list[list[Stop]] = [[trips[0]]]
    for trip in trips[1:]:
        last = groups[-1][-1]
        if trip.at_s - (last.restart_s or last.at_s) <= LIMITS["merge"].value:
            groups[-1].append(trip)
        else:
            groups.append([trip])
    episodes = tuple(_episode(case, group) for group in groups)
    return Detection(PRESENT, f"{len(trips)} stop{'s' if len(trips) > 1 else ''} by the pressure switch", episodes)


def _by_the_switch(case: Case, stop: Stop) -> bool:
    """Whether it came back while the high side was near enough to where it stopped; a hand waits longer.

    One that stayed off until the end, far below where its switch closes again, was ended by something else.
    """
    high, until = case.derived.high_kpa, stop.restart_s or case.timeline.duration_s
    fell = case.median(high, stop.at_s - 1.5, stop.at_s) - case.median(high, until - 1.0, until)
    return not fell > LIMITS["reset_most"].value


def _episode(case: Case, trips: list[Stop]) -> Episode:
    line = case.timeline
    signal = line.signal("high_side")
    u = signal.u if signal else 0.0
    high = case.derived.high_kpa
    tops = [case.median(high, trip.at_s - 1.5, trip.at_s) - line.barometric_kpa for trip in trips]
    backs = [
        case.median(high, trip.restart_s - 1.0, trip.restart_s) - line.barometric_kpa
        for trip in trips
        if trip.restart_s is not None
    ]
    top = float(np.median(tops))
    measures = {"trip_kpa": measured(top, u), "trips": measured(float(len(trips)), 0.0)}
    says = f"{len(trips)} stop{'s' if len(trips) > 1 else ''} at {top:.0f} kPa gauge"
    if backs:
        back = float(np.median(backs))
        measures["reset_kpa"] = measured(back, u)
        says += f", back at {back:.0f} kPa gauge"
    end = trips[-1].restart_s if trips[-1].restart_s is not None else line.duration_s
    return Episode(KIND, trips[0].at_s, end, 1.0, (Evidence("pressure_switch", says, measures),))
