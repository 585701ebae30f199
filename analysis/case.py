"""Everything the detectors look at, worked out once."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.cycling import cycling_of
from analysis.derived import Derived, derive
from analysis.equalisation import equalisations_of, static_of
from analysis.findings import Cycling, Equalisation, Static, Stop
from analysis.operating import Mask, Operating, operating_of
from analysis.runs import Running, running_of, smoothed, spans_of
from analysis.stops import Habit, stops_of
from analysis.timeline import Floats, Timeline
from recorder.jobsheet import JobSheet


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One recording, ready to be judged."""

    job: JobSheet
    timeline: Timeline
    derived: Derived
    operating: Operating
    running: Running
    stops: tuple[Stop, ...]
    habit: Habit | None
    cycling: tuple[Cycling, ...]
    equalisations: tuple[Equalisation, ...]
    static: tuple[Static, ...]

    def lacks(self, need: str) -> bool:
        """Whether a need (a place, ``refrigerant`` or ``runs``) is missing."""
        if need == "refrigerant":
            return self.derived.refrigerant is None
        if need == "runs":
            return not self.running.runs
        return self.timeline.grid(need) is None

    def median(self, values: Floats | None, start_s: float, end_s: float) -> float:
        """Median of a stretch of grid values; NaN where there is none."""
        if values is None:
            return float("nan")
        part = values[self.timeline.index(start_s) : self.timeline.index(end_s) + 1]
        part = part[np.isfinite(part)]
        return float(np.median(part)) if len(part) else float("nan")

    def over(self, values: Floats | None, mask: Mask) -> Floats:
        """Finite grid values under a mask."""
        if values is None:
            return np.zeros(0)
        part = values[mask]
        return part[np.isfinite(part)]

    def evened(self, values: Floats | None, window_s: float) -> Floats | None:
        """Grid values with gaps bridged and a moving mean; None where there is nothing."""
        if values is None or not np.isfinite(values).any():
            return None
        good = np.isfinite(values)
        filled = np.interp(np.arange(len(values)), np.flatnonzero(good), values[good])
        return smoothed(filled, self.timeline.step_s, window_s)

    def seconds(self, mask: Mask) -> float:
        """How long a mask is true."""
        return float(np.count_nonzero(mask)) * self.timeline.step_s

    def spans(self, mask: Mask, shortest_s: float, merge_s: float) -> list[tuple[int, int]]:
        """Stretches of a mask, joined over short breaks, without the short ones."""
        joined: list[tuple[int, int]] = []
        for first, last in spans_of(mask):
            if joined and (first - joined[-1][1]) * self.timeline.step_s <= merge_s:
                joined[-1] = (joined[-1][0], last)
            else:
                joined.append((first, last))
        return [(a, b) for a, b in joined if (b - a) * self.timeline.step_s >= shortest_s]

    def since_start(self) -> Floats:
        """Seconds since the start of the run that each grid point lies in; NaN outside runs."""
        since = np.full(len(self.timeline.t_s), np.nan)
        for run in self.running.runs:
            first, last = self.timeline.index(run.start_s), self.timeline.index(run.end_s)
            since[first : last + 1] = self.timeline.t_s[first : last + 1] - run.start_s
        return since

    def last_stop_s(self) -> float:
        """End of the last run, or of the recording."""
        return self.running.runs[-1].end_s if self.running.runs else self.timeline.duration_s


def case_of(timeline: Timeline, job: JobSheet) -> Case:
    """Work out what the detectors look at."""
    derived = derive(timeline, job.refrigerant)
    operating = operating_of(timeline)
    running = running_of(timeline, derived, operating, job.compressor)
    stops, habit = stops_of(timeline, derived, operating, running, job.compressor)
    static = static_of(timeline, derived, running)
    rests = equalisations_of(timeline, derived, operating, running, stops)
    return Case(
        job,
        timeline,
        derived,
        operating,
        running,
        stops,
        habit,
        cycling_of(timeline, derived, operating, running, stops),
        tuple(_with_static(rest, static) for rest in rests),
        static,
    )


def _with_static(rest: Equalisation, static: tuple[Static, ...]) -> Equalisation:
    """A rest that ended in a static test carries its gap to saturation."""
    for one in static:
        if rest.start_s <= one.start_s <= rest.end_s:
            return replace(rest, saturation_gap_kpa=one.saturation_gap_kpa)
    return rest
