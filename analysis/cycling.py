"""Cycling over a stretch in which cooling stays asked for.

A cycle is a stop followed by a start, whatever caused it. Periods run from start to start. The medians are those of the
cycles that there were, whose spread stands beside them: their u95 comes from the edges, the sensor and a cycle too many
or too few. Near a median n/(sigma sqrt(2 pi)) values lie in a unit, so that one miscounted moves it by half a step,
1.2533 sigma/n, with sigma from the interquartile range (normal approximation).
"""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from analysis.derived import Derived
from analysis.findings import Cycling, Run, Stop
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Operating
from analysis.runs import Running
from analysis.stretches import spans_of
from analysis.timeline import Floats, Timeline
from analysis.uncertainty import UNIFORM, Measured, absent, combine, measured

LIMITS = limit_table(
    Limit("unexplained", 20.0, "s", "a longer rest without a reason may be the driver's; " + PRACTICE),
    Limit("edges_differ", 0.15, "s", "standard uncertainty, a stop is seen sooner than a start; " + PRACTICE),
    Limit("miscounted", 0.05, "share of the cycles", "or one, if that is more; " + PRACTICE),
    Limit("samples_a_phase", 4.0, "samples", "fewer in a typical on or off time lose cycles; " + PRACTICE),
)
HALF_STEP = 1.2533141373155003
"""sqrt(pi/2), half of sqrt(2 pi)."""
IQR_TO_SIGMA = 0.741301109252801


def cycling_of(
    timeline: Timeline, derived: Derived, operating: Operating, running: Running, stops: Sequence[Stop]
) -> tuple[Cycling, ...]:
    """Measure each stretch in which cooling stayed asked for; stretches without a cycle are left out."""
    if running.basis == "none":
        return ()
    switched_off = [stop.at_s for stop in stops if _may_have_been_switched_off(stop)]
    found: list[Cycling] = []
    for first_s, last_s in _stretches(timeline, operating, switched_off):
        runs = [run for run in running.runs if run.end_s > first_s and run.start_s < last_s]
        if len(runs) > 1:
            found.append(_measure(timeline, derived, runs, _control_cycles(runs, stops)))
    return tuple(found)


def _may_have_been_switched_off(stop: Stop) -> bool:
    """Whether cooling is not known to have stayed asked for: cycling is measured where it did."""
    rest_s = math.inf if stop.restart_s is None else stop.restart_s - stop.at_s
    unexplained = stop.why == "unknown" and rest_s > LIMITS["unexplained"].value
    return unexplained or stop.why in ("driver", "not_recorded")


def _stretches(timeline: Timeline, operating: Operating, switched_off: Sequence[float]) -> list[tuple[float, float]]:
    """Stretches between moments at which the driver switched cooling off; an engine stop does not end one."""
    if operating.asked_basis == "cooling_request" and not timeline.unrecorded:
        spans = spans_of(operating.asked | ~operating.engine_running)
        return [(float(timeline.t_s[a]), float(timeline.t_s[b])) for a, b in spans]
    edges = [0.0, *switched_off, timeline.duration_s]
    return list(pairwise(edges))


def _control_cycles(runs: Sequence[Run], stops: Sequence[Stop]) -> int:
    restarted = {run.start_s for run in runs[1:]}
    return sum(stop.why == "control" and stop.restart_s in restarted for stop in stops)


def _measure(timeline: Timeline, derived: Derived, runs: Sequence[Run], control: int) -> Cycling:
    starts = np.array([run.start_s for run in runs])
    ends = np.array([run.end_s for run in runs])
    on, off, period = (
        (ends - starts)[1:-1] if len(runs) > 2 else (ends - starts)[:1],
        starts[1:] - ends[:-1],
        np.diff(starts),
    )
    edge_u = math.sqrt(2.0) * timeline.step_s * UNIFORM / 2.0
    between_u = combine(edge_u, LIMITS["edges_differ"].value)
    cycle_duty = (ends - starts)[: len(period)] / period
    span_s = float(starts[-1] - starts[0])
    cycles = len(runs) - 1
    return Cycling(
        float(starts[0]),
        float(ends[-1]),
        cycles,
        control,
        median_of(period, edge_u),
        median_of(on, between_u),
        median_of(off, between_u),
        measured(float((ends - starts)[:-1].sum() / span_s), _miscounted(cycle_duty), edge_u / float(np.mean(period))),
        _low_side_at(timeline, derived, ends[:-1], "stop"),
        _low_side_at(timeline, derived, starts[1:], "start"),
        measured(60.0 * cycles / span_s, 60.0 / span_s * UNIFORM * cycles * _share_miscounted(cycles)),
        spread_of(period),
        spread_of(on),
        spread_of(off),
        bool(min(float(np.median(on)), float(np.median(off))) < LIMITS["samples_a_phase"].value * timeline.step_s),
    )


def _share_miscounted(count: int) -> float:
    return max(1.0 / count, LIMITS["miscounted"].value)


def _miscounted(values: Floats) -> float:
    """What a cycle too many or too few, or some of many, does to the median."""
    spread = spread_of(values)
    if spread is None:
        spread = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    return HALF_STEP * spread * _share_miscounted(len(values))


def spread_of(values: Floats) -> float | None:
    """Standard deviation estimated from the interquartile range; None under four values."""
    if len(values) < 4:
        return None
    low, high = np.quantile(values, [0.25, 0.75])
    return IQR_TO_SIGMA * float(high - low)


def median_of(values: Floats, u_one: float) -> Measured:
    """Median with its u95; ``u_one`` is the standard uncertainty that all values share."""
    if len(values) == 0:
        return absent("no whole cycle")
    return measured(float(np.median(values)), _miscounted(values), u_one)


def _low_side_at(timeline: Timeline, derived: Derived, moments: Floats, what: str) -> Measured:
    """Gauge low-side pressure at the moments: the reading nearest before each."""
    signal = timeline.signal("low_side")
    if derived.low_kpa is None or signal is None:
        return absent("no low_side channel")
    at = np.array([timeline.index(moment - timeline.step_s / 2.0) for moment in moments])
    values = derived.low_kpa[at]
    values = values[np.isfinite(values)] - timeline.barometric_kpa
    if len(values) == 0:
        return absent(f"no low-side reading at any {what}")
    return median_of(values, combine(signal.u, signal.noise))
