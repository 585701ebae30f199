"""Compressor runs from temperatures alone: for a recording without a clutch signal and without pressures.

The air (or pipe) behind the evaporator falls steeply when the compressor starts and rises steeply when it stops. A run
lasts from the turning point before a steep fall to the turning point before the next steep rise that gives back enough
of it: a change of speed or load gives back little. Only cycles that are slow against the probe's lag can be seen so.
"""

import numpy as np

from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.stretches import smoothed, spans_of
from analysis.timeline import Floats, Timeline, bridged

LIMITS = limit_table(
    Limit("leg", 2.0, "K", "change within the leg's time; " + PRACTICE),
    Limit("leg_within", 30.0, "s", "or two samples, if those are longer; " + PRACTICE),
    Limit("first_step", 0.3, "share of the steepest step", PRACTICE),
    Limit("gives_back", 0.25, "share of the fall", "less is a change of speed, not a stop; " + PRACTICE),
    Limit("gives_back_within", 180.0, "s", "or six samples, if those are longer; " + PRACTICE),
)
PLACES = ("evaporator_out", "vent")
"""Where the cold shows first; the first that was recorded is read."""


def runs_from_air(t_s: Floats, air_degc: Floats) -> list[tuple[float, float]]:
    """Runs [s] from the temperature behind the evaporator.

    Parameters
    ----------
    t_s, air_degc : float arrays of shape (n,)
        Evenly spaced seconds, and temperatures without gaps.

    Returns
    -------
    list of (start, end)
        Each edge lies half a sample behind its turning point. A run that was on at the first reading is not seen; one
        that is on at the last ends there.
    """
    if len(t_s) < 4:
        return []
    step = float(np.median(np.diff(t_s)))
    runs: list[tuple[float, float]] = []
    started: int | None = None
    for turning, change in _legs(air_degc, step):
        if change < 0.0 and started is None:
            started = turning
        elif change > 0.0 and started is not None and _gives_back(air_degc, started, turning, step):
            runs.append((_edge(t_s, started, step), _edge(t_s, turning, step)))
            started = None
    if started is not None:
        runs.append((_edge(t_s, started, step), float(t_s[-1])))
    return runs


def pumping_by_temperature(timeline: Timeline) -> Mask | None:
    """Where the compressor pumps by the temperature behind the evaporator; None without such a channel or any run."""
    for place in PLACES:
        values = timeline.grid(place)
        if values is None:
            continue
        runs = runs_from_air(timeline.t_s, smoothed(bridged(values), timeline.step_s, 2.0))
        mask = np.zeros(len(timeline.t_s), np.bool_)
        for start, end in runs:
            mask[timeline.index(start) : timeline.index(end) + 1] = True
        return mask if runs else None
    return None


def _legs(air: Floats, step_s: float) -> list[tuple[int, float]]:
    """Turning point and change of every steep fall and rise, in order."""
    reach = max(round(LIMITS["leg_within"].value / step_s), 2)
    change = air[reach:] - air[:-reach]
    legs: list[tuple[int, float]] = []
    for sign in (-1.0, 1.0):
        for first, last in spans_of(sign * change > LIMITS["leg"].value):
            steps = sign * np.diff(air[first : first + reach + 1])
            # The last reading before the first step that is a good part of the steepest one.
            turning = first + int(np.argmax(steps > LIMITS["first_step"].value * steps.max()))
            legs.append((turning, float(air[last + reach] - air[turning])))
    return sorted(legs)


def _gives_back(air: Floats, started: int, turning: int, step_s: float) -> bool:
    fall = float(air[started] - air[turning])
    within = max(round(LIMITS["gives_back_within"].value / step_s), 6)
    back = float(air[turning : turning + within + 1].max() - air[turning])
    return back > LIMITS["gives_back"].value * fall


def _edge(t_s: Floats, turning: int, step_s: float) -> float:
    return min(float(t_s[turning]) + step_s / 2.0, float(t_s[-1]))
