"""Why each run ended: commanded, electrical, mechanical, or not decidable."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.derived import Derived
from analysis.electrics import electrics_of, engine_forbids
from analysis.findings import Run, Stop
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Operating
from analysis.runs import Running
from analysis.stepless import VARIABLE
from analysis.stretches import Indices, edges_of, medians_by
from analysis.timeline import Floats, Timeline

LIMITS = limit_table(
    Limit("engine_off_near", 4.0, "s", PRACTICE),
    Limit("halts_within", 15.0, "s", PRACTICE),
    Limit("mark_late", 4.0, "s", "marks are pressed by hand; " + PRACTICE),
    Limit("start_after", 15.0, "s", "from the engine's start to the compressor's; " + PRACTICE),
    Limit("trip", 2500.0, "kPa gauge", "high-pressure switches open at 2.6-3.2 MPa; " + PRACTICE),
    Limit("trip_r744", 12_500.0, "kPa gauge", "R-744 high sides run at 7-13 MPa; from memory, no source"),
    Limit("throttle_surge", 700.0, "1/min", PRACTICE),
    Limit("throttle_cut", 25.0, "s", PRACTICE),
    Limit("cold_evaporator", 5.0, "degC", "anti-freeze control stops near 0-3 degC; " + PRACTICE),
    Limit("warm_evaporator", 13.0, "degC", "at rest; anti-freeze control restarts at 3-8 degC; " + PRACTICE),
    Limit("cut_out_margin", 30.0, "kPa", PRACTICE),
    Limit("cut_in_margin", 25.0, "kPa", PRACTICE),
    Limit("chatter", 1.5, "s", PRACTICE),
    Limit("stepless_overdue", 20.0, "s", PRACTICE),
    Limit("vent_warms", 4.0, "K", PRACTICE),
    Limit("ordinary_off", 25.0, "s", PRACTICE),
    Limit("long_off", 4.0, "usual off times", PRACTICE),
    Limit("usual_stops", 3.0, "1", PRACTICE),
    Limit("complaint_near", 120.0, "s", PRACTICE),
    Limit("unmarked_stops", 2.0, "1", PRACTICE),
    Limit("rolls_on", 10.0, "s", "an engine that halts does so at standstill; " + PRACTICE),
    Limit("halts_per_hour", 12.0, "1/h", "of an engine that halts at lights; " + PRACTICE),
    Limit("halts_rolling", 0.1, "1", "share of the halts that may be cooling control's while rolling; " + PRACTICE),
    Limit("usual_off", 2.5, "usual off times", PRACTICE),
    Limit("overdue", 12.0, "s", PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Habit:
    """How this system's own control cycles in this recording; None where it does not.

    Pressures are absolute [kPa]: median low side at stops and just before starts.
    """

    cut_out_kpa: float
    cut_in_kpa: float
    cut_in_spread_kpa: float
    off_s: float


def stops_of(
    timeline: Timeline, derived: Derived, operating: Operating, running: Running, compressor: str | None
) -> tuple[tuple[Stop, ...], Habit | None]:
    """Explain the end of each run, and tell how the system usually cycles."""
    runs = running.runs
    ends = [run for run in runs if run.end_s < timeline.duration_s - timeline.step_s]
    restarts = [other.start_s for _, other in pairwise(runs)] + [None] * (len(ends) - max(len(runs) - 1, 0))
    look = _Look(timeline, derived, operating, running, compressor, edges_of(~operating.engine_running)[0])
    levels = look.levels(ends, restarts)
    first = [look.commanded(level) for level in levels]
    habit = look.habit([level for level, known in zip(levels, first, strict=True) if known is None])
    stops = [known or look.uncommanded(level, habit) for level, known in zip(levels, first, strict=True)]
    # A stepless compressor has no cycles of its own: whatever stops it now and then is one habit, also of an engine.
    stepless = compressor in VARIABLE and running.basis != "clutch"
    return tuple(_without_doubtful(stops, timeline, operating, stepless=stepless)), habit


def _without_doubtful(stops: list[Stop], timeline: Timeline, operating: Operating, *, stepless: bool) -> list[Stop]:
    """Stops without supply that a hand or a halting engine explains as well as a fault are not called a fault.

    A complaint near one of them speaks for a fault; so do several of them where the engine is known to have run on.
    """
    electrical = [
        stop
        for stop in stops
        if stop.why == "dropout" and stop.cooling_stopped != "mechanical" and not _supplied_in_vain(stop, timeline)
    ]
    ran = [stop for stop in electrical if _engine_ran(stop, timeline, operating)]
    if not electrical or (operating.asked_basis == "cooling_request" and ran):
        return stops
    doubt = None
    if operating.engine_basis != "engine_speed":
        alike = [stop for stop in stops if stop.why in ("control", "unknown", "dropout")] if stepless else electrical
        doubt = _halting_doubt(alike, timeline, operating)
    # Who marked when cooling was switched off does not forget it twice; who marks its start alone may well switch it.
    marked = len(timeline.marked("ac_off")) > 0
    several = len(electrical) >= LIMITS["usual_stops"].value and len(ran) > 0
    several |= marked and sum(stop.restart_s is not None for stop in ran) >= LIMITS["unmarked_stops"].value
    if doubt is None and (several or any(_complained(stop, timeline) for stop in electrical)):
        return stops
    if doubt is None:
        number = "one stop" if len(electrical) == 1 else f"{len(electrical)} stops"
        doubt = f"{number} without a reason; cooling may have been switched off without a mark"
    ended = "nothing was started again after it: taken as the end of the test, though nobody marked it"
    doubtful = [
        Stop(one.at_s, one.restart_s, "unknown", "not decidable", ended if one.restart_s is None else doubt)
        for one in electrical
    ]
    return sorted([stop for stop in stops if stop not in electrical] + doubtful, key=lambda stop: stop.at_s)


def _engine_ran(stop: Stop, timeline: Timeline, operating: Operating) -> bool:
    """Whether the engine is known to have run on, by its speed or because the vehicle rolled on."""
    if operating.engine_basis == "engine_speed":
        return True
    reach = LIMITS["rolls_on"].value
    first, last = timeline.index(stop.at_s), timeline.index(stop.at_s + reach)
    return operating.moving is not None and bool(operating.moving[first : last + 1].all())


def _supplied_in_vain(stop: Stop, timeline: Timeline) -> bool:
    """Whether the clutch kept its supply and drew nothing: no hand and no engine does that."""
    end = timeline.duration_s if stop.restart_s is None else stop.restart_s
    seen = electrics_of(timeline, stop.at_s, end)
    return seen.supplied is True and seen.conducts is False


def _complained(stop: Stop, timeline: Timeline) -> bool:
    """Whether a complaint was marked meanwhile or soon after; one before it was about something else."""
    end = timeline.duration_s if stop.restart_s is None else stop.restart_s
    last = end + LIMITS["complaint_near"].value
    return any(stop.at_s <= mark <= last for mark in timeline.marked("complaint"))


def _halting_doubt(stops: list[Stop], timeline: Timeline, operating: Operating) -> str | None:
    """Words of doubt where an engine that halts at lights does the same: always at standstill, or as often as that."""
    moving = operating.moving
    if len(stops) < LIMITS["usual_stops"].value:
        return None
    if moving is None:
        per_hour = len(stops) / max(timeline.duration_s / 3600.0, 0.1)
        often = per_hour > LIMITS["halts_per_hour"].value and not timeline.marked("complaint")
        return f"{len(stops)} stops, as of an engine that halts at lights; engine speed would tell" if often else None
    reach = LIMITS["engine_off_near"].value
    rolled = [
        bool(moving[timeline.index(stop.at_s - reach) : timeline.index(stop.at_s + reach) + 1].all()) for stop in stops
    ]
    if float(np.mean(rolled)) > LIMITS["halts_rolling"].value:
        return None
    return "the stops came at standstill, as of an engine that halts at lights; engine speed would tell"


@dataclass(frozen=True, slots=True)
class _Level:
    """A stop, and the levels around it: over its last second or so, and over that before its restart; NaN for none."""

    at_s: float
    restart_s: float | None
    high_kpa: float
    low_kpa: float
    evaporating_degc: float
    restart_kpa: float
    forbidden: str | None


@dataclass(frozen=True, slots=True)
class _Look:
    """What a stop is judged by; ``halts`` are the grid indices at which the engine came to stand."""

    timeline: Timeline
    derived: Derived
    operating: Operating
    running: Running
    compressor: str | None
    halts: Indices

    def levels(self, ends: Sequence[Run], restarts: Sequence[float | None]) -> list[_Level]:
        """Of all stops at once: there may be thousands."""
        at, medians = np.array([run.end_s for run in ends]), self.timeline.medians
        again = np.array([math.nan if restart is None else restart for restart in restarts])
        columns = (
            medians(self.derived.high_kpa, at - 1.5, at),
            medians(self.derived.low_kpa, at - 1.0, at),
            medians(self.derived.evaporating_degc, at - 1.0, at),
            medians(self.derived.low_kpa, again - 1.0, again),
        )
        rows = zip(*(column.tolist() for column in columns), engine_forbids(self.timeline, at), strict=True)
        return [_Level(run.end_s, restart, *row) for run, restart, row in zip(ends, restarts, rows, strict=True)]

    def at(self, values: Floats | None, start_s: float, end_s: float) -> float:
        """Median of a stretch; NaN where there is none."""
        return self.timeline.median(values, start_s, end_s)

    def commanded(self, level: _Level) -> Stop | None:
        """A stop that the engine, the driver, the throttle or the pressure switch explains."""
        at, restart_s = level.at_s, level.restart_s
        if any(start - 1.0 <= at <= end for start, end in self.timeline.unrecorded):
            return Stop(at, restart_s, "not_recorded", "not decidable", "the record breaks off here")
        if self._engine_stopped(at, restart_s):
            return Stop(at, restart_s, "engine_off", "commanded", "the engine stopped")
        if self._switched_off(at, restart_s):
            return Stop(at, restart_s, "driver", "commanded", "cooling was switched off")
        if level.forbidden is not None:
            return Stop(at, restart_s, "engine_protection", "commanded", level.forbidden)
        gauge = level.high_kpa - self.timeline.barometric_kpa
        fluid = self.derived.refrigerant
        limit = "trip_r744" if fluid is not None and fluid.name == "R-744" else "trip"
        if gauge >= LIMITS[limit].value:
            says = f"the high side stood at {gauge:.0f} kPa gauge: the pressure switch opened"
            return Stop(at, restart_s, "high_pressure_trip", "commanded", says)
        return None

    def _engine_stopped(self, at: float, restart_s: float | None) -> bool:
        near = LIMITS["engine_off_near"].value
        if self.operating.engine_basis == "engine_speed":
            first, last = self.timeline.index(at - near), self.timeline.index(at + near)
            return not bool(self.operating.engine_running[first : last + 1].all()) or self._halted(at, restart_s)
        late = LIMITS["mark_late"].value
        if any(-1.0 <= mark - at <= late for mark in self.timeline.marked("engine_off")):
            return True
        started = [] if restart_s is None else self.timeline.marked("engine_on")
        return any(-late <= (restart_s or at) - mark <= LIMITS["start_after"].value for mark in started if mark > at)

    def _halted(self, at: float, restart_s: float | None) -> bool:
        """Whether the engine stood for most of the stop, soon from its beginning: it turned down before it stood."""
        until = self.timeline.duration_s if restart_s is None else restart_s
        turned = self.operating.engine_running[self.timeline.index(at) : self.timeline.index(until) + 1]
        soon = self._engine_end(at) - at <= LIMITS["halts_within"].value
        return soon and float(np.mean(turned)) < 0.5

    def _switched_off(self, at: float, restart_s: float | None) -> bool:
        if self.operating.asked_basis == "cooling_request":
            first, last = self.timeline.index(at - 2.0), self.timeline.index(at + 1.0)
            return not bool(self.operating.asked[first : last + 1].all())
        if any(-1.0 <= mark - at <= LIMITS["mark_late"].value for mark in self.timeline.marked("ac_off")):
            return True
        # Who marked that cooling was switched on again had switched it off, marked or not.
        return restart_s is not None and any(
            -1.0 <= mark - restart_s <= LIMITS["mark_late"].value for mark in self.timeline.marked("ac_on")
        )

    def _throttled(self, level: _Level) -> bool:
        rotation, at, restart_s = self.operating.engine_speed, level.at_s, level.restart_s
        if rotation is None or restart_s is None or restart_s - at > LIMITS["throttle_cut"].value:
            return False
        before = self.at(rotation, at - 8.0, at - 4.0)
        part = rotation[self.timeline.index(at - 3.0) : self.timeline.index(at + 3.0) + 1]
        part = part[np.isfinite(part)]
        if not len(part) or not np.isfinite(before):
            return False
        cold = level.evaporating_degc <= LIMITS["cold_evaporator"].value
        return float(part.max()) - before >= LIMITS["throttle_surge"].value and not cold

    def habit(self, levels: Sequence[_Level]) -> Habit | None:
        """Medians over the stops that nothing else explains; needs a few of them."""
        rows = [
            (level.low_kpa, level.restart_kpa, level.restart_s - level.at_s, level.at_s)
            for level in levels
            if level.restart_s is not None
        ]
        table = np.array(rows, float).reshape(-1, 4)
        table = table[np.isfinite(table).all(axis=1)]
        if len(table) < LIMITS["usual_stops"].value:
            return None
        # Far longer stops than most are what the habit is to judge, not part of it.
        steady = table[table[:, 2] > LIMITS["chatter"].value]
        if len(steady) >= LIMITS["usual_stops"].value:
            usual_off = float(np.quantile(steady[:, 2], 0.25))
            table = table[table[:, 2] <= max(LIMITS["ordinary_off"].value, LIMITS["long_off"].value * usual_off)]
        # No control waits until the evaporator is warm, and long: that is an engine's halt, a hand or a fault.
        again, te = table[:, 3] + table[:, 2], self.derived.evaporating_degc
        warm = self.timeline.medians(te, again - 1.0, again) > LIMITS["warm_evaporator"].value
        table = table[~(warm & (table[:, 2] > LIMITS["ordinary_off"].value))]
        if len(table) < LIMITS["usual_stops"].value:
            return None
        # A minute in which it chatters (a frozen valve) must not outweigh the minutes in which it cycles as usual.
        minute = (table[:, 3] / 60.0).astype(np.intp)
        cut_out, cut_in, off = (float(np.median(medians_by(minute, table[:, column]))) for column in range(3))
        spread = 1.4826 * float(np.median(np.abs(table[:, 1] - cut_in)))
        return Habit(cut_out, cut_in, spread, off)

    def uncommanded(self, level: _Level, habit: Habit | None) -> Stop:
        """Control by the system itself, or a dropout."""
        at, restart_s = level.at_s, level.restart_s
        until = self.timeline.duration_s if restart_s is None else restart_s
        until = min(until, self._engine_end(at))
        low, evaporating = level.low_kpa, level.evaporating_degc
        if self._supplied_after(at, until):
            seen = electrics_of(self.timeline, at, until)
            return Stop(at, restart_s, "dropout", seen.cooling_stopped, seen.says())
        if self.compressor in VARIABLE and self.running.basis != "clutch":
            habit = None  # a stepless compressor is turned down, not cycled
        if habit is not None and self._as_usual(level, habit):
            return Stop(at, restart_s, "control", "commanded", f"back at its usual {self._gauge(habit.cut_in_kpa)}")
        if self._throttled(level):
            says = "the engine's speed leapt up and the compressor came back by itself: full-throttle cut-out"
            return Stop(at, restart_s, "full_throttle_cut", "commanded", says)
        near_cut_out = habit is not None and low <= habit.cut_out_kpa + LIMITS["cut_out_margin"].value
        cold = np.isfinite(evaporating) and evaporating <= LIMITS["cold_evaporator"].value
        overdue = self.overdue_from(at, until, habit, near_cut_out or bool(cold))
        if overdue is not None:
            seen = electrics_of(self.timeline, at, until)
            told = seen.cooling_stopped != "not decidable"
            says = seen.says() if told else self._unexplained()
            return Stop(overdue, restart_s, "dropout", seen.cooling_stopped, says)
        if near_cut_out or cold:
            return Stop(at, restart_s, "control", "commanded", f"at {evaporating:.1f} degC evaporating: own control")
        says = "nothing recorded explains the stop; clip on the clutch's supply to know"
        if self.compressor in VARIABLE and self.running.basis != "clutch":
            says = "a variable compressor may be turned down by its control; log its valve duty to know"
        return Stop(at, restart_s, "unknown", "not decidable", says)

    def _unexplained(self) -> str:
        """What was seen where nothing tells why, and what to clip on to know."""
        stepless = self.compressor in VARIABLE and self.running.basis != "clutch"
        clip_on = "log its valve duty" if stepless else "clip on the clutch's supply and current"
        return f"the compressor stayed off past the point at which it usually restarts; {clip_on} to know why"

    def _gauge(self, kpa: float) -> str:
        return f"{kpa - self.timeline.barometric_kpa:.0f} kPa gauge"

    def _as_usual(self, level: _Level, habit: Habit) -> bool:
        """Whether the compressor came back at its usual cut-in after a usual time."""
        if level.restart_s is None or level.restart_s - level.at_s > LIMITS["usual_off"].value * habit.off_s:
            return False
        return level.restart_kpa <= habit.cut_in_kpa + max(LIMITS["cut_in_margin"].value, 4.0 * habit.cut_in_spread_kpa)

    def _engine_end(self, at: float) -> float:
        """When the engine stopped after a moment, or the end."""
        index = self.timeline.index(at)
        if not self.operating.engine_running[index]:
            return at
        next_one = int(np.searchsorted(self.halts, index))
        if next_one == len(self.halts):
            return self.timeline.duration_s
        return at + (int(self.halts[next_one]) - index) * self.timeline.step_s

    def _supplied_after(self, at: float, until: float) -> bool | None:
        """Whether the clutch kept its supply for most of the stop; None without a clutch channel."""
        supplied = self.running.supplied
        if supplied is None:
            return None
        part = supplied[self.timeline.index(at + 1.5) : self.timeline.index(until - 1.0) + 1]
        lasting = until - at >= LIMITS["overdue"].value / 2.0
        return lasting and len(part) > 0 and float(np.mean(part)) > 0.5

    def _warm_from(self, at: float, until: float) -> float | None:
        """When the evaporator had warmed past the restart of any control, if the compressor stayed off long after."""
        te = self.derived.evaporating_degc
        if te is None or not self._vents_warm(at, until):
            return None
        first, last = self.timeline.index(at), self.timeline.index(until)
        warm = np.flatnonzero(te[first : last + 1] > LIMITS["warm_evaporator"].value)
        lasting = (
            len(warm) > 0 and (last - first - int(warm[0])) * self.timeline.step_s >= LIMITS["overdue"].value / 2.0
        )
        return at + float(warm[0]) * self.timeline.step_s if lasting else None

    def _vents_warm(self, at: float, until: float) -> bool:
        """Whether the vents warmed: control that turns a stepless compressor down keeps them cold."""
        vent = self.timeline.grid("vent")
        rise = self.at(vent, until - 4.0, until) - self.at(vent, at - 4.0, at)
        return until - at >= LIMITS["stepless_overdue"].value and rise >= LIMITS["vent_warms"].value

    def overdue_from(self, at: float, until: float, habit: Habit | None, like_control: bool) -> float | None:
        """Moment from which the compressor should have run again, if it stayed off long after; else None."""
        least = LIMITS["overdue"].value
        asked = self.operating.asked[self.timeline.index(at) : self.timeline.index(until) + 1]
        if len(asked) == 0 or not asked.all() or until - at < least:
            return None
        low = self.derived.low_kpa
        if low is not None and not np.isfinite(self.at(low, at - 2.0, at + 1.0)):
            return None  # a gap in the low side: its own control cannot be told from a dropout
        if self.compressor in VARIABLE and self.running.basis != "clutch":
            return at if self._vents_warm(at, until) else None
        if habit is None:
            return self._warm_from(at, until) if like_control else at
        part = low[self.timeline.index(at) : self.timeline.index(until) + 1] if low is not None else np.zeros(0)
        margin = max(LIMITS["cut_in_margin"].value, 4.0 * habit.cut_in_spread_kpa)
        past = np.flatnonzero(part > habit.cut_in_kpa + margin)
        if len(past) and until - (at + float(past[0]) * self.timeline.step_s) >= least / 2.0:
            if not like_control:
                return at
            crossed = np.flatnonzero(part >= habit.cut_in_kpa)
            return at + float(crossed[0]) * self.timeline.step_s
        return None
