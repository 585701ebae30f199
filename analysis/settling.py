"""How each channel settles after a compressor start, a change of operating point or a mark.

Final is the mean of the last tenth of the window; the settling time is the last moment at which the channel leaves
final +-5 % of its total change. Where the compressor cycles the same is measured on the means of whole cycles.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.derived import LIMITS as DERIVED
from analysis.derived import u_conduction_k
from analysis.findings import Settling
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Operating
from analysis.probe_lag import matters, without_lag
from analysis.runs import Running
from analysis.step_response import LIMITS as RESPONSE_LIMITS
from analysis.step_response import Response, constants_of, respond, ringing_period, u_settled
from analysis.stretches import smoothed, spans_of
from analysis.timeline import Floats, Signal, Span, Timeline, bridged
from analysis.uncertainty import UNIFORM, Measured, absent, combine, measured

LIMITS = limit_table(
    Limit("shortest_window", 120.0, "s", PRACTICE),
    Limit("guard", 3.0, "s", "a window ends this long before the next change; " + PRACTICE),
    Limit("final_part", 0.10, "share of the window", "the design's definition"),
    Limit("latest", 0.85, "share of the window", "leaving the band later is not settling; " + PRACTICE),
    Limit("least_pressure", 40.0, "kPa", PRACTICE),
    Limit("least_temperature", 2.5, "K", PRACTICE),
    Limit("speed_step", 200.0, "1/min in 4 s", PRACTICE),
    Limit("road_step", 8.0, "km/h in 4 s", PRACTICE),
    Limit("of_the_start", 8.0, "s", "a change so soon after a start is part of it; " + PRACTICE),
    Limit("ramp", 6.0, "s", "a longer change is over at its end; " + PRACTICE),
    Limit("lift_step", 0.08, "1 in 4 s", "of ln(high/low), in a run; " + PRACTICE),
    Limit("pulls_down", 20.0, "s", "a start moves the pressures for so long; " + PRACTICE),
    Limit("bay_drifts", 2.0, "K", "what a clamp's surroundings change while it settles; " + PRACTICE),
    Limit("change_at", 1.5, "s", "standard uncertainty of a change of speed, which takes some seconds; " + PRACTICE),
    Limit("soon", 1.0, "s", "after a start, when the pressures move the fastest; " + PRACTICE),
    Limit("told", 1.0, "1", "u95 over the settling time; one that is less certain is none; " + PRACTICE),
    Limit("told_least", 10.0, "s", "u95 that is never too much; " + PRACTICE),
    Limit("least_cycles", 6.0, "1", PRACTICE),
)
PLACES = (
    "low_side",
    "high_side",
    "vent",
    "suction_line",
    "liquid_line",
    "discharge_line",
    "evaporator_out",
    "return_air",
)


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch between two changes of the operating point."""

    start_s: float
    end_s: float
    after: str
    u_start_s: float
    cycle_starts_s: tuple[float, ...] = ()


def settlings_of(
    timeline: Timeline, operating: Operating, running: Running, disturbed: Sequence[Span] = ()
) -> tuple[Settling, ...]:
    """Measure every undisturbed window on every channel of the circuit; ``disturbed`` are intermittent episodes."""
    signals = [signal for signal in timeline.signals.values() if signal.channel.place in PLACES]
    windows = windows_of(timeline, operating, running, disturbed)
    if not windows:
        return ()
    unlagged = [
        without_lag(timeline.on_grid[s.channel.id], s.channel.time_constant_s, timeline.step_s) for s in signals
    ]
    return tuple(
        _settling(timeline, signal, values, window)
        for window in windows
        for signal, values in zip(signals, unlagged, strict=True)
    )


def windows_of(
    timeline: Timeline, operating: Operating, running: Running, disturbed: Sequence[Span] = ()
) -> list[Window]:
    """Windows of at least 120 s in one run without a change, or over cycles of one operating point."""
    edges_of_episodes = [(edge, "episode") for span in disturbed for edge in span]
    changes = sorted([*_changes(timeline, operating, running), *edges_of_episodes])
    times = [time for time, _ in changes]
    shortest, u_change_s = LIMITS["shortest_window"].value, LIMITS["change_at"].value
    u_start_s = running.u_edge_s(timeline.step_s)
    windows: list[Window] = []
    for run in running.runs:
        inside = changes[
            bisect_right(times, run.start_s + LIMITS["of_the_start"].value) : bisect_left(times, run.end_s)
        ]
        edges = [(run.start_s, "compressor start"), *inside, (run.end_s, "")]
        windows.extend(
            Window(start, end - LIMITS["guard"].value, after, u_start_s if start == run.start_s else u_change_s)
            for (start, after), (end, _) in pairwise(edges)
            if end - start - LIMITS["guard"].value >= shortest
        )
    if not windows and len(running.runs) > 1:
        windows.extend(_cycling_windows(running, times))
    return windows


def _cycling_windows(running: Running, changes: Sequence[float]) -> list[Window]:
    starts = [run.start_s for run in running.runs]
    edges = [
        starts[0],
        *(time for time in changes if time > starts[0] + LIMITS["of_the_start"].value),
        running.runs[-1].end_s,
    ]
    windows: list[Window] = []
    for start, end in pairwise(edges):
        inside = tuple(starts[bisect_left(starts, start) : bisect_right(starts, end)])
        if end - start >= LIMITS["shortest_window"].value and len(inside) > LIMITS["least_cycles"].value:
            after = "first start, cycling" if start == starts[0] else "change of operating point, cycling"
            windows.append(Window(start, end - LIMITS["guard"].value, after, LIMITS["change_at"].value, inside))
    return windows


def _changes(timeline: Timeline, operating: Operating, running: Running) -> list[tuple[float, str]]:
    """Moments at which engine speed, road speed or a mark changed the operating point, or the pressures tell it."""
    changes: list[tuple[float, str]] = []
    for values, limit, after in (
        (operating.engine_speed, "speed_step", "engine speed"),
        (timeline.grid("vehicle_speed"), "road_step", "road speed"),
    ):
        if values is not None:
            changes += [(at, after) for at in _steps(timeline, values, LIMITS[limit].value)]
    if operating.engine_speed is None:
        changes.extend((mark, "raised idle") for mark in timeline.marked("raised_idle"))
        changes.extend((at, "change of the pressures") for at in _jumps(timeline, running))
    changes.extend((mark, "recharge") for mark in timeline.marked("recharged"))
    return sorted(changes)


def _steps(timeline: Timeline, values: Floats, least: float) -> list[float]:
    """Moments at which a quantity stepped by more than that within 4 s; of a long ramp its end, when it is over."""
    reach = max(round(2.0 / timeline.step_s), 1)
    padded = np.pad(smoothed(bridged(values), timeline.step_s, 1.0), reach, mode="edge")
    steep = np.abs(padded[2 * reach :] - padded[: -2 * reach]) > least
    ramp = 2 * reach + LIMITS["ramp"].value / timeline.step_s
    # The step seen from both sides begins `reach` early and ends `reach` late.
    at = [last - reach if last - first > ramp else min(first + reach, last) for first, last in spans_of(steep)]
    return timeline.t_s[at].tolist()


def _jumps(timeline: Timeline, running: Running) -> list[float]:
    """Jumps of the lift within a run: an engine speed, a blower or a fan that was not recorded changed."""
    low, high = timeline.grid("low_side"), timeline.grid("high_side")
    if low is None or high is None:
        return []
    jumps = _steps(timeline, np.log(np.maximum(high, 1.0) / np.maximum(low, 1.0)), LIMITS["lift_step"].value)
    early, late = LIMITS["pulls_down"].value, LIMITS["guard"].value
    return [at for at in jumps if any(run.start_s + early < at < run.end_s - late for run in running.runs)]


def _settling(timeline: Timeline, signal: Signal, values: Floats, window: Window) -> Settling:
    """``values`` are the signal's on the grid, without its lag."""
    if matters(signal.channel.time_constant_s):
        signal = replace(signal, noise=math.sqrt(2.0) * signal.noise)  # what the correction adds
    first, last = timeline.index(window.start_s), timeline.index(window.end_s)
    t, y = timeline.t_s[first : last + 1] - window.start_s, values[first : last + 1]
    before = values[timeline.index(window.start_s - 1.0) : first + 1]
    if window.cycle_starts_s:
        t, y = _cycle_means(timeline, values, window)
        before = y[:1]
        averaged = (last - first + 1) / max(len(y), 1)
        signal = replace(signal, noise=signal.noise / math.sqrt(averaged))
    good = np.isfinite(y)
    place = signal.channel.id
    if float(np.mean(good)) < 0.9 or not np.isfinite(before).any():
        none = absent("too much of the channel is missing here")
        return Settling(window.start_s, window.end_s, window.after, place, False, none, none, none, none, *_none(none))
    y = np.interp(t, t[good], y[good])
    return _judge(timeline, signal, window, t, y, float(np.nanmedian(before)))


def _cycle_means(timeline: Timeline, values: Floats, window: Window) -> tuple[Floats, Floats]:
    """Middle and mean of each whole cycle."""
    edges = np.unique([timeline.index(start) for start in window.cycle_starts_s])
    part, starts = values[edges[0] : edges[-1]], edges[:-1] - edges[0]
    seen = np.isfinite(part)
    read = np.add.reduceat(seen, starts, dtype=np.intp)
    total = np.add.reduceat(np.where(seen, part, 0.0), starts)
    middles = (timeline.t_s[edges[:-1]] + timeline.t_s[edges[1:]]) / 2.0 - window.start_s
    return middles, np.where(read > 0, total / np.maximum(read, 1), np.nan)


def _judge(timeline: Timeline, signal: Signal, window: Window, t: Floats, y: Floats, initial: float) -> Settling:
    place, of_pressure = signal.channel.id, signal.channel.quantity == "pressure"
    length = window.end_s - window.start_s
    smoothing = 0.0 if window.cycle_starts_s else None
    response = respond(t, y, initial, signal.noise, LIMITS["final_part"].value * length, smoothing_s=smoothing)
    tail = t >= t[-1] - LIMITS["final_part"].value * length
    u_drift = 60.0 * signal.noise / max(float(np.std(t[tail])), 1e-6) / math.sqrt(max(int(tail.sum()), 1))
    drift = measured(60.0 * response.drift, u_drift)
    u_mean = signal.noise / math.sqrt(max(int(tail.sum()), 1))
    u_conduction = 0.0 if of_pressure else u_conduction_k(timeline, signal.channel.place, response.final)
    gauge = timeline.barometric_kpa if of_pressure else 0.0
    final = measured(response.final - gauge, signal.u, u_mean, signal.u_steps, u_conduction)
    change, settled = response.change, response.settled_s <= LIMITS["latest"].value * length
    least = LIMITS["least_pressure" if of_pressure else "least_temperature"].value
    if abs(change) < max(least, 4.0 * signal.noise):
        no = absent(f"the change of {change:.1f} is too small to time")
        settled = bool(np.all(np.abs(y[t > length / 2.0] - response.final) < least))
        return Settling(window.start_s, window.end_s, window.after, place, settled, final, no, no, drift, *_none(no))
    time = absent(f"not settled within {length:.0f} s")
    if settled:
        time = _time(signal, window, t, y, response, combine(u_mean, signal.u_steps))
    overshoot = measured(response.overshoot, signal.noise / abs(change))
    return Settling(
        window.start_s, window.end_s, window.after, place, settled, final, time, overshoot, drift,
        *_shape(t, y, response, settled),
    )  # fmt: skip


def _time(signal: Signal, window: Window, t: Floats, y: Floats, response: Response, u_final: float) -> Measured:
    """Settling time: with what is not known of the start, of the level it began at, and of what a clamp adds."""
    soon = min(int(np.searchsorted(t, LIMITS["soon"].value)), len(y) - 1)
    rate = abs(float(y[soon] - y[0])) / max(float(t[soon]), 1e-9)
    u_change = combine(signal.noise, rate * window.u_start_s)
    pull = DERIVED["clamp_share"].value * UNIFORM * LIMITS["bay_drifts"].value
    u_band = combine(
        RESPONSE_LIMITS["band"].value * u_change,
        signal.u_steps,
        pull if signal.channel.place.endswith("_line") else 0.0,
    )
    smoothing = 0.0 if window.cycle_starts_s else RESPONSE_LIMITS["longest_smoothing"].value
    u_settle = u_settled(t, y, response, signal.noise, u_final, u_band, smoothing)
    time = measured(response.settled_s, window.u_start_s, float(np.median(np.diff(t))) * UNIFORM / 2.0, u_settle)
    if (time.u95 or 0.0) > max(LIMITS["told"].value * response.settled_s, LIMITS["told_least"].value):
        return absent(f"it crept along the edge of the band: {response.settled_s:.0f} s, give or take {time.u95:.0f} s")
    return time


def _none(why: Measured) -> tuple[Measured, Measured, Measured, float | None, Measured]:
    return why, why, why, None, why


def _shape(
    t: Floats,
    y: Floats,
    response: Response,
    settled: bool,
) -> tuple[Measured, Measured, Measured, float | None, Measured]:
    """Delay, time constant, slow time constant, misfit of one exponential, and period of a ring."""
    step = float(np.median(np.diff(t)))
    delay = absent("it never left its level")
    if response.delay_s is not None:
        delay = measured(response.delay_s, step * UNIFORM)
    ring = ringing_period(t, y, response.change)
    period = absent("it does not ring") if ring is None else measured(ring, step * UNIFORM)
    if not settled:
        no = absent("not settled: it has no time constant yet")
        return delay, no, no, None, period
    moving = t >= (response.delay_s or 0.0)
    one, two = constants_of(t[moving], y[moving])
    if one is None:
        no = absent("no exponential goes through it")
        return delay, no, no, None, period
    misfit = one.rms / abs(response.change)
    slow = absent("one time constant describes it as well as two")
    if two is not None:
        slow = measured(two.taus_s[1], two.u_taus_s[1])
    return delay, measured(one.tau_s, one.u_tau_s), slow, misfit, period
