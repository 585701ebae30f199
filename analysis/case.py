"""Everything the detectors look at, worked out once."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar, cast

import numpy as np

from analysis.cycling import cycling_of
from analysis.derived import LIMITS as DERIVED
from analysis.derived import Derived, derive, u_probe_k
from analysis.equalisation import equalisations_of
from analysis.findings import Cycling, Episode, Equalisation, Static, Stop
from analysis.operating import Mask, Operating, operating_of
from analysis.runs import Running, running_of
from analysis.static import static_of
from analysis.stops import Habit, stops_of
from analysis.stretches import median_of, smoothed, spans_of, thinned, usual_level
from analysis.timeline import Floats, Timeline, bridged
from analysis.uncertainty import UNIFORM, combine
from recorder.jobsheet import JobSheet

Kept = TypeVar("Kept")
STEADY_SHARE = 0.25
"""Least share of the pumping time for steady running to speak for the system (common practice, no source)."""
STEADY_AFTER_S = 45.0
"""Running for longer than this since a start is steady enough (common practice, no source)."""
PULLED_DOWN_S = 90.0
"""The first pull-down of a drive, when nothing is usual yet (common practice, no source)."""
RECOVERY_U95_KG = 0.06
"""Oil and a cold accumulator keep some of what was in (common practice, no source); taken where none is stated."""
CHARGING_U95_KG = 0.015
"""Dispensing accuracy of a charging machine, 15 g (SAE J2788 section 9, the number from memory)."""


@dataclass(frozen=True, slots=True)
class Charge:
    """The mass that was in the circuit over a stretch, and how far it is off the rated one.

    ``off`` is the share of the rated charge above (or, negative, below) it; ``u`` its standard uncertainty.
    """

    says: str
    off: float
    u: float


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
    since_start_s: Floats
    usual_low_kpa: float
    usual_high_kpa: float
    usual_run_s: float
    kept: dict[tuple[object, ...], tuple[tuple[object, ...], object]]

    def stretches(self) -> list[tuple[float, float]]:
        """Stretches of the recording between recharges that hold a run."""
        edges = [0.0, *self.timeline.marked("recharged"), self.timeline.duration_s]
        runs = self.running.runs
        return [(a, b) for a, b in pairwise(edges) if any(run.start_s < b and run.end_s > a for run in runs)]

    def u_evaporating_k(self) -> float:
        """Standard uncertainty of the evaporating temperature at its usual level; NaN where there is none."""
        if math.isnan(self.usual_low_kpa) or self.derived.refrigerant is None:
            return float("nan")
        return self.derived.u_evaporating_k(self.timeline, self.usual_low_kpa)

    def u_condensing_k(self) -> float:
        """Standard uncertainty of the condensing temperature at its usual level; NaN where there is none."""
        if math.isnan(self.usual_high_kpa) or self.derived.refrigerant is None:
            return float("nan")
        return self.derived.u_condensing_k(self.timeline, self.usual_high_kpa)

    def u_air_k(self, place: str) -> float:
        """Standard uncertainty of an air probe."""
        return u_probe_k(self.timeline, place)

    def u_superheat_k(self) -> float:
        """Standard uncertainty of superheat: evaporating temperature and clamp-on probe."""
        place = "suction_line" if self.timeline.signal("suction_line") else "evaporator_out"
        return combine(self.u_evaporating_k(), u_probe_k(self.timeline, place))

    def u_subcooling_k(self) -> float:
        """Standard uncertainty of subcooling: condensing temperature and clamp-on probe."""
        return combine(self.u_condensing_k(), u_probe_k(self.timeline, "liquid_line"))

    def u_over_ambient_k(self) -> float:
        """Standard uncertainty of condensing over ambient."""
        inlet = DERIVED["inlet_air"].value * UNIFORM
        return combine(self.u_condensing_k(), self.u_air_k("ambient"), inlet)

    def u_vent_gap_k(self) -> float:
        """Standard uncertainty of vent over evaporating."""
        return combine(self.u_evaporating_k(), self.u_air_k("vent"))

    def charge_in(self, stretch: tuple[float, float]) -> Charge | None:
        """The charge over a stretch: what was charged at the recharge before it, else what was recovered after it."""
        recharged = stretch[0] > 0.0
        held = self.job.charged_kg if recharged else self.job.recovered_kg
        rated = self.job.rated_charge_kg
        if rated is None or rated <= 0.0 or held is None:
            return None
        u95 = CHARGING_U95_KG if recharged else self.job.recovered_u95_kg or RECOVERY_U95_KG
        verb = "charged" if recharged else "recovered"
        return Charge(f"{held:.3f} kg {verb} of {rated:.3f} kg rated", held / rated - 1.0, u95 / 2.0 / rated)

    def unweighed(self) -> tuple[str, ...]:
        """The recovered mass, as a need, where no charge is known: weighing settles what pressures leave open."""
        return () if any(self.charge_in(stretch) for stretch in self.stretches()) else ("recovered_kg",)

    def lacks(self, need: str) -> bool:
        """Whether a need (a place, ``refrigerant`` or ``runs``) is missing."""
        if need == "refrigerant":
            return self.derived.refrigerant is None
        if need == "runs":
            return not self.running.runs
        return self.timeline.grid(need) is None

    def median(self, values: Floats | None, start_s: float, end_s: float) -> float:
        """Median of a stretch of grid values; NaN where there is none."""
        return self.once("median", lambda: self.timeline.median(values, start_s, end_s), values, start_s, end_s)

    def over(self, values: Floats | None, mask: Mask) -> Floats:
        """Finite grid values under a mask."""
        if values is None:
            return np.zeros(0)
        part = values[mask]
        return part[np.isfinite(part)]

    def evened(self, values: Floats | None, window_s: float) -> Floats | None:
        """Grid values with gaps bridged and a moving mean; None where there is nothing."""
        if values is None:
            return None
        return self.once("evened", lambda: self._evened(values, window_s), values, window_s)

    def _evened(self, values: Floats, window_s: float) -> Floats | None:
        if not np.isfinite(values).any():
            return None
        return smoothed(bridged(values), self.timeline.step_s, window_s)

    def usual_while_pumping(self, values: Floats) -> float:
        """Median while pumping of grid values without gaps, of some thousands of them."""
        pumping = self.running.pumping
        return self.once("usual", lambda: median_of(values[thinned(np.flatnonzero(pumping))]), values)

    def once(self, name: str, make: Callable[[], Kept], *of: Floats | float | tuple[int, int] | None) -> Kept:
        """What several detectors ask for, worked out the first time; nobody may write into it.

        ``of`` is what it is made of. Arrays are kept beside it: an id is its own only while it lives.
        """
        key = (name, *(id(one) if isinstance(one, np.ndarray) else one for one in of))
        if key not in self.kept:
            self.kept[key] = (of, make())
        return cast("Kept", self.kept[key][1])

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

    def settled(self, after_s: float) -> Mask:
        """Pumping for longer than ``after_s`` since a start; where it cycles faster, in the later half of its runs."""
        from_s = self.settled_from(after_s)
        return self.once("settled", lambda: self.running.pumping & (self.since_start() > from_s), after_s)

    def settled_from(self, after_s: float) -> float:
        """Seconds since a start from which pumping counts as settled."""
        return min(after_s, 0.5 * self.usual_run_s)

    def steady(self, after_s: float) -> Mask:
        """Pumping for longer than ``after_s`` since a start, where that is how it runs; nowhere in a fast cycler.

        A few long runs among many short ones (a frozen valve) are an exception, not the state of the system.
        """
        return self.once("steady", lambda: self._steady(after_s), after_s)

    def _steady(self, after_s: float) -> Mask:
        mask = self.running.pumping & (self.since_start() > after_s)
        usual = self.seconds(mask) > STEADY_SHARE * self.seconds(self.running.pumping)
        return mask if usual else np.zeros(len(mask), np.bool_)

    def ends_of_runs(self) -> Mask:
        """The last second or two of each run, and steady running; past pull-down: where the low side is lowest."""
        return self.once("ends of runs", self._ends_of_runs)

    def _ends_of_runs(self) -> Mask:
        step = self.timeline.step_s
        reach = max(round(1.0 / step), 1)
        ends = np.zeros(len(self.timeline.t_s), np.bool_)
        for run in self.running.runs:
            last = self.timeline.index(run.end_s - step)
            ends[max(last - reach, 0) : last + 1] = True
        ends |= self.since_start() > STEADY_AFTER_S
        past = self.timeline.t_s > self.running.runs[0].start_s + PULLED_DOWN_S if self.running.runs else False
        return ends & self.running.pumping & past

    def outside(self, episodes: Sequence[Episode], after_s: float) -> Mask:
        """Where no intermittent episode was, nor had been for so long."""
        mask = np.ones(len(self.timeline.t_s), np.bool_)
        for episode in episodes:
            if not episode.permanent and episode.kind != "sensor_fault":
                first = math.ceil(episode.start_s / self.timeline.step_s - 1e-9)
                last = math.floor((episode.end_s + after_s) / self.timeline.step_s + 1e-9)
                mask[max(first, 0) : last + 1] = False
        return mask

    def since_start(self) -> Floats:
        """Seconds since the start of the run that each grid point lies in; NaN outside runs."""
        return self.since_start_s

    def last_stop_s(self) -> float:
        """End of the last run, or of the recording."""
        return self.running.runs[-1].end_s if self.running.runs else self.timeline.duration_s


def case_of(timeline: Timeline, job: JobSheet) -> Case:
    """Work out what the detectors look at."""
    derived = derive(timeline, job.refrigerant)
    operating = operating_of(timeline)
    running = running_of(timeline, derived, operating, job)
    stops, habit = stops_of(timeline, derived, operating, running, job.compressor)
    static = static_of(timeline, derived, running)
    rests = equalisations_of(timeline, derived, operating, running, stops, job.metering)
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
        _since_start(timeline, running),
        _usual(derived.low_kpa, running.pumping),
        _usual(derived.high_kpa, running.pumping),
        float(np.median([run.end_s - run.start_s for run in running.runs])) if running.runs else 0.0,
        {},
    )


def _usual(values: Floats | None, pumping: Mask) -> float:
    """Median while pumping; NaN where there is none."""
    return float("nan") if values is None else usual_level(values[pumping])


def _since_start(timeline: Timeline, running: Running) -> Floats:
    """Seconds since the start of the run that each grid point lies in; NaN outside runs."""
    since = np.full(len(timeline.t_s), np.nan)
    for run in running.runs:
        first, last = timeline.index(run.start_s), timeline.index(run.end_s)
        since[first : last + 1] = timeline.t_s[first : last + 1] - run.start_s
    return since


def _with_static(rest: Equalisation, static: tuple[Static, ...]) -> Equalisation:
    """A rest that ended in a static test carries its gap to saturation."""
    for one in static:
        if rest.start_s <= one.start_s <= rest.end_s:
            return replace(rest, saturation_gap_kpa=one.saturation_gap_kpa)
    return rest
