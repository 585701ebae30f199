"""Stops read from the lift alone: what falls and stays is a slower engine, what falls on is a stop (all made)."""

import numpy as np

from analysis.legs import LEAVES, from_legs
from analysis.stretches import spans_of

STEP_S = 0.25
VALVE = LEAVES["expansion_valve"]


def lift_of(*points: tuple[float, float]) -> np.ndarray:
    """ln(high/low) through (time, value), with a little noise."""
    times, values = zip(*points, strict=True)
    t = np.arange(0.0, times[-1], STEP_S)
    return np.interp(t, times, values) + np.random.default_rng(3).normal(0.0, 0.004, len(t))


def runs(lift: np.ndarray) -> list[tuple[float, float]]:
    """Runs in seconds."""
    return [(first * STEP_S, last * STEP_S) for first, last in spans_of(from_legs(lift, VALVE, STEP_S))]


def decay(start_s: float, high: float, low: float, tau_s: float, for_s: float) -> list[tuple[float, float]]:
    """An exponential from a moment on."""
    return [(start_s + k, low + (high - low) * float(np.exp(-k / tau_s))) for k in np.arange(0.0, for_s, 1.0)]


START = [(0.0, 0.0), (20.0, 0.02), (24.0, 1.5), (60.0, 1.6)]


def test_an_engine_that_turns_more_slowly_for_a_while_does_not_stop_the_compressor():
    """The lift falls by a fifth within seconds, stays there at the lights and comes back when it drives off."""
    drive = [*START, (100.0, 1.6), (104.0, 1.3), (128.0, 1.28), (131.0, 1.6), (200.0, 1.6)]
    found = runs(lift_of(*drive))
    assert len(found) == 1
    assert found[0][1] > 199.0


def test_a_stop_of_the_same_length_is_one():
    drive = [*START, (100.0, 1.6), *decay(100.5, 1.6, 0.2, 18.0, 28.0), (131.0, 1.5), (200.0, 1.6)]
    found = runs(lift_of(*drive))
    assert len(found) == 2
    assert abs(found[0][1] - 100.0) < 2.0
    assert abs(found[1][0] - 128.5) < 2.0


def test_short_stops_at_idle_whose_start_is_gentle_are_all_found():
    """A few seconds off, then the lift climbs back over half a minute: the start makes no steep leg."""
    drive = list(START)
    for k in range(4):
        off = 100.0 + 40.0 * k
        drive += [(off, 1.6), (off + 4.5, 1.27), (off + 7.0, 1.42), (off + 30.0, 1.58)]
    found = runs(lift_of(*drive, (280.0, 1.6)))
    assert len(found) == 5


def test_a_valve_that_lets_go_does_not_stop_the_compressor():
    """Starved it held twice the usual lift; fed again that falls away within seconds, the compressor running on."""
    cycles = [(t + k, v) for t in np.arange(61.0, 190.0, 20.0) for k, v in ((0.0, 1.4), (4.0, 0.9), (7.0, 1.3))]
    drive = [*START, *cycles, (204.0, 1.4), (207.0, 3.1), (280.0, 3.1), (283.0, 0.9), (300.0, 1.3), (340.0, 1.35)]
    found = runs(lift_of(*drive))
    assert any(first < 250.0 and last > 330.0 for first, last in found)
