"""Compressor runs: intervals in which the compressor pumps.

Read from a clutch signal where there is one, else from the two pressures. Pumping holds the sides apart: the lift,
ln(high/low) in absolute pressures, leaps up within seconds of a start and falls within seconds of a stop. A clutch
that has volts while the lift collapses does not pump. Marks say when it may have run, never that it did not.
"""

from dataclasses import dataclass, replace

import numpy as np

from analysis.derived import Derived
from analysis.edges import edges_by_lift
from analysis.findings import Run
from analysis.legs import LEAVES, from_legs, legs_of
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask, Operating
from analysis.stepless import VARIABLE, from_level, not_drawn, switched, tripped
from analysis.stretches import lasting, smoothed, spans_of, thinned
from analysis.thermal_runs import pumping_by_temperature
from analysis.timeline import Floats, Timeline, bridged
from analysis.uncertainty import UNIFORM, combine
from recorder.jobsheet import JobSheet

LIMITS = limit_table(
    Limit("coil_supplied", 6.0, "V", "half of a 12 V supply; " + PRACTICE),
    Limit("coil_current", 1.0, "A", PRACTICE),
    Limit("met", 0.6, "share of the usual lift", PRACTICE),
    Limit("parted", 0.75, "share of the usual lift", PRACTICE),
    Limit("parted_for", 8.0, "s", PRACTICE),
    Limit("shortest_run", 0.4, "s", PRACTICE),
    Limit("slip_leaves", 0.6, "1", "share of the usual lift; " + PRACTICE),
    Limit("slip_lasts", 8.0, "s", "longer than the surge of a start; " + PRACTICE),
    Limit("slip_falls", 40.0, "s", PRACTICE),
    Limit("slip_held", 0.85, "share of the usual lift", PRACTICE),
    Limit("slip_step", 2.0, "s", "sampled more slowly a collapse cannot be followed; " + PRACTICE),
    Limit("rejects_usually", 8.0, "K", "condensing over ambient, from which its absence tells; " + PRACTICE),
    Limit("rejects_none", 0.2, "share of the usual condensing over ambient", PRACTICE),
    Limit("rejects_over", 6.0, "s", PRACTICE),
    Limit("rejects_reach", 12.0, "s", PRACTICE),
    Limit("converged", 0.9, "share of the usual lift", PRACTICE),
    Limit("seen_share", 0.8, "1", PRACTICE),
    Limit("edge_search", 1.5, "s", "lag of a clutch reading behind the pressures; " + PRACTICE),
    Limit("start_delay", 6.0, "s", "an engine that starts again before its compressor; " + PRACTICE),
    Limit("edge_by_clutch", 0.15, "s", "standard uncertainty of an edge seen at the clutch; " + PRACTICE),
    Limit("edge_by_pressures", 0.2, "s", "the same, seen in the pressures; " + PRACTICE),
    Limit("edge_stepless", 0.6, "s", "the same, of a compressor that turns down without a step; " + PRACTICE),
    Limit("late_mark", 3.0, "s", "a mark pressed by hand; " + PRACTICE),
)


@dataclass(frozen=True, slots=True, eq=False)
class Running:
    """Runs of the compressor.

    Attributes
    ----------
    basis : str
        ``clutch``, ``pressures``, ``temperatures`` or ``none``.
    pumping : mask of the grid's shape
    supplied : mask or None
        Where the clutch has its supply; None without a clutch channel.
    usual_lift : float
        Median lift while pumping; NaN without pressures.
    stepless : bool
        Whether its edges are those of a compressor that turns down without a step, seen in the pressures alone.
    """

    basis: str
    pumping: Mask
    supplied: Mask | None
    runs: tuple[Run, ...]
    usual_lift: float
    stepless: bool = False

    def u_edge_s(self, step_s: float) -> float:
        """Standard uncertainty [s] of the beginning or the end of a run."""
        seen = "edge_by_clutch" if self.basis == "clutch" else "edge_by_pressures"
        edge = LIMITS["edge_stepless" if self.stepless else seen].value
        return combine(edge, step_s * UNIFORM / 2.0)


def running_of(timeline: Timeline, derived: Derived, operating: Operating, job: JobSheet) -> Running:
    """Find when the compressor pumped."""
    compressor = job.compressor
    supplied = _supplied(timeline)
    lift = None if derived.lift is None or not np.isfinite(derived.lift).any() else bridged(derived.lift)
    if supplied is not None:
        driven = supplied & operating.engine_running if operating.engine_basis == "engine_speed" else supplied
        pumping = driven
        if lift is not None:
            if compressor in VARIABLE:
                pumping = driven & ~not_drawn(timeline, derived, lift)
            else:
                seen = np.isfinite(derived.lift) if derived.lift is not None else np.ones(len(lift), np.bool_)
                pumping = driven & ~_not_lifting(lift, driven, seen, timeline.step_s)
            pumping = edges_by_lift(pumping, driven, lift, timeline.step_s, LIMITS["edge_search"].value, 0.0)
        return _running("clutch", timeline, pumping, supplied, lift)
    if lift is None:
        by_air = pumping_by_temperature(timeline)
        if by_air is not None:
            return _running("temperatures", timeline, by_air, None, None)
        return Running("none", np.zeros(len(timeline.t_s), np.bool_), None, (), float("nan"))
    possible = _possible(timeline, operating)
    if operating.engine_basis != "engine_speed":
        possible |= _started_unmarked(lift, possible, timeline.step_s)
    if compressor in VARIABLE:
        pumping = from_level(lift, possible, timeline.step_s) & possible & ~tripped(timeline, derived, lift)
        pumping &= ~not_drawn(timeline, derived, lift) & ~switched(timeline, lift)
    else:
        pumping = (
            from_legs(lift, LEAVES[job.metering], timeline.step_s)
            & possible
            & ~_rejects_nothing(derived, lift, timeline.step_s)
        )
    late, delay = LIMITS["late_mark"].value, LIMITS["start_delay"].value
    pumping = edges_by_lift(pumping, possible, lift, timeline.step_s, late, delay)
    return replace(_running("pressures", timeline, pumping, None, lift), stepless=compressor in VARIABLE)


def _rejects_nothing(derived: Derived, lift: Floats, step_s: float) -> Mask:
    """Where the condenser stands at ambient and the sides converge: a start that led to nothing, or a missed stop.

    From the top of the lift before it until the last bottom in it.
    """
    nothing = np.zeros(len(lift), np.bool_)
    over = derived.over_ambient_k
    if over is None or not np.isfinite(over).any():
        return nothing
    even = smoothed(bridged(over), step_s, LIMITS["rejects_over"].value)
    usual, usual_lift = float(np.quantile(even, 0.75)), float(np.quantile(lift, 0.75))
    if usual < LIMITS["rejects_usually"].value:
        return nothing
    cold = (even < LIMITS["rejects_none"].value * usual) & (lift < LIMITS["converged"].value * usual_lift)
    near, reach = round(LIMITS["rejects_over"].value / step_s), round(LIMITS["rejects_reach"].value / step_s)
    for first, last in spans_of(lasting(cold, near)):
        begin = max(first - reach, 0)
        top = begin + int(np.argmax(lift[begin : first + near + 1]))
        late = max(last - reach, first)
        nothing[top + 1 : late + int(np.argmin(lift[late : last + 1])) + 1] = True
    return nothing


def _possible(timeline: Timeline, operating: Operating) -> Mask:
    """Where the engine may have driven the compressor; marks of a start come late, so they are taken earlier."""
    if operating.engine_basis == "engine_speed":
        return operating.engine_running
    early = round(LIMITS["late_mark"].value / timeline.step_s)
    running = operating.engine_running & (operating.asked if operating.asked_basis == "marks" else True)
    return running | np.concatenate([running[early:], np.repeat(running[-1:], early)])[: len(running)]


def _started_unmarked(lift: Floats, possible: Mask, step_s: float) -> Mask:
    """From a start that nobody marked: the sides met and part again as far as usual, though cooling is marked off."""
    started = np.zeros(len(lift), np.bool_)
    if possible.all() or not possible.any():
        return started
    usual = float(np.quantile(lift[possible], 0.75))
    apart = lasting(lift > LIMITS["parted"].value * usual, round(LIMITS["parted_for"].value / step_s))
    for first, last in spans_of(~possible):
        met = np.flatnonzero(lift[first : last + 1] < LIMITS["met"].value * usual)
        again = np.flatnonzero(apart[first + met[0] : last + 1]) if len(met) else met
        if len(again):
            crossing = first + int(met[0]) + int(again[0])
            started[first + int(np.argmin(lift[first : crossing + 1])) : last + 1] = True
    return started


def _running(basis: str, timeline: Timeline, pumping: Mask, supplied: Mask | None, lift: Floats | None) -> Running:
    # What nobody recorded did not run: a run ends where the record breaks off.
    pumping = pumping & timeline.recorded()
    shortest = LIMITS["shortest_run"].value / timeline.step_s
    spans = [(first, last) for first, last in spans_of(pumping) if last - first + 1 >= shortest]
    pumping = np.zeros(len(pumping), np.bool_)
    for first, last in spans:
        pumping[first : last + 1] = True
    usual = float(np.median(lift[pumping])) if lift is not None and pumping.any() else float("nan")
    half = timeline.step_s / 2.0
    t = timeline.t_s
    runs = tuple(
        Run(round(max(float(t[a]) - half, 0.0), 3), round(min(float(t[b]) + half, timeline.duration_s), 3))
        for a, b in spans
    )
    return Running(basis, pumping, supplied, runs, usual)


def _supplied(timeline: Timeline) -> Mask | None:
    """Where the clutch has its supply: hysteresis at 40 and 60 % of the level of an engaged clutch."""
    for place, least in (("clutch", "coil_supplied"), ("clutch_current", "coil_current")):
        values = timeline.grid(place)
        if values is None:
            continue
        seen = np.isfinite(values)
        high = max(float(np.quantile(thinned(values[seen]), 0.98)), LIMITS[least].value)
        # What is neither on nor off, or not read, is as it was.
        on = values > 0.6 * high
        for first, last in spans_of(~(on | (values < 0.4 * high))):
            on[first : last + 1] = first > 0 and on[first - 1]
        return on
    return None


def _fell_from(lift: Floats, driven: Mask, first: int, usual: float, step_s: float) -> int:
    """Where a fall too gentle for a leg began: at the last usual lift, or where the clutch was driven again."""
    begin = max(first - round(LIMITS["slip_falls"].value / step_s), 0)
    held = np.flatnonzero((lift[begin : first + 1] >= LIMITS["slip_held"].value * usual) | ~driven[begin : first + 1])
    return begin + int(held[-1]) if len(held) else first


def _not_lifting(lift: Floats, driven: Mask, seen: Mask, step_s: float) -> Mask:
    """Where the clutch is driven and the lift has collapsed all the same (a slipping or open clutch).

    ``seen`` is where both sides were read: a lift bridged over a gap proves nothing.
    """
    idle = np.zeros(len(lift), np.bool_)
    if not driven.any() or step_s > LIMITS["slip_step"].value:
        return idle
    usual = float(np.median(lift[driven]))
    low = LIMITS["slip_leaves"].value * usual
    lasts = round(LIMITS["slip_lasts"].value / step_s)
    falls = [leg for leg in legs_of(lift, step_s) if leg.change < 0]
    for first, last in spans_of(driven & (lift < low)):
        if last - first < lasts or float(np.mean(seen[first : last + 1])) < LIMITS["seen_share"].value:
            continue
        led = [leg.first for leg in falls if leg.first <= first <= leg.last + lasts and driven[leg.first : first].all()]
        still = np.flatnonzero(lift[first : last + 1] < float(lift[first : last + 1].min()) + 0.05)
        back = first + int(still[-1]) if last + 1 < len(driven) and driven[last + 1] else last
        idle[(led[0] if led else _fell_from(lift, driven, first, usual, step_s)) + 1 : back + 1] = True
    return idle
