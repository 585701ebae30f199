"""What was asked of the system: engine running, cooling asked for, vehicle moving."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.limits import PRACTICE, Limit, limit_table
from analysis.timeline import Floats, Timeline

Mask = NDArray[np.bool_]
LIMITS = limit_table(
    Limit("engine_turning", 200.0, "1/min", PRACTICE),
    Limit("moving", 10.0, "km/h", PRACTICE),
)


@dataclass(frozen=True, slots=True, eq=False)
class Operating:
    """Masks of the grid's shape, and what each was read from.

    ``engine_basis`` is ``engine_speed``, ``marks`` or ``none``; ``asked_basis`` is ``cooling_request``, ``marks`` or
    ``assumed``. Marks are pressed by hand and come up to a few seconds late.
    """

    engine_running: Mask
    engine_basis: str
    asked: Mask
    asked_basis: str
    moving: Mask | None
    engine_speed: Floats | None


def operating_of(timeline: Timeline) -> Operating:
    """Read the operating state from channels, else from marks, else assume that cooling is asked for."""
    engine, engine_basis = _engine(timeline)
    asked, asked_basis = _asked(timeline)
    speed = timeline.grid("vehicle_speed")
    moving = None if speed is None else held(speed) > LIMITS["moving"].value
    rotation = timeline.grid("engine_speed")
    return Operating(engine, engine_basis, asked & engine, asked_basis, moving, rotation)


def held(values: Floats) -> Floats:
    """Gaps filled by the last reading before them (the first reading at the start)."""
    good = np.isfinite(values)
    if good.all() or not good.any():
        return values
    last = np.maximum.accumulate(np.where(good, np.arange(len(values)), 0))
    filled = values[last]
    return np.where(np.isfinite(filled), filled, values[np.argmax(good)])


def _engine(timeline: Timeline) -> tuple[Mask, str]:
    rotation = timeline.grid("engine_speed")
    if rotation is not None:
        return held(rotation) > LIMITS["engine_turning"].value, "engine_speed"
    marks = switched(timeline, "engine_on", "engine_off")
    return (np.ones(len(timeline.t_s), np.bool_), "none") if marks is None else (marks, "marks")


def _asked(timeline: Timeline) -> tuple[Mask, str]:
    request = timeline.grid("cooling_request")
    if request is not None:
        return held(request) > 0.5, "cooling_request"
    marks = switched(timeline, "ac_on", "ac_off")
    return (np.ones(len(timeline.t_s), np.bool_), "assumed") if marks is None else (marks, "marks")


def switched(timeline: Timeline, on: str, off: str) -> Mask | None:
    """State between marks of two kinds; before the first one it was the other. None without such marks."""
    events = sorted((m.time_s, m.kind == on) for m in timeline.marks if m.kind in (on, off))
    if not events:
        return None
    times = np.array([time for time, _ in events])
    states = np.array([not events[0][1], *(state for _, state in events)])
    return states[np.searchsorted(times, timeline.t_s, side="right")]
