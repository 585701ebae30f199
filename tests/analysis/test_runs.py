"""Compressor runs from a clutch, or from the pressures alone, at any rate; what shows no steps is not given any."""

import numpy as np
import pytest

from analysis.case import case_of
from analysis.legs import legs_of
from analysis.stretches import spans_of
from analysis.timeline import timeline_of
from tests.analysis.made import recording_of

ON = [(20.0, 80.0), (95.0, 130.0), (150.0, 210.0), (240.0, 300.0)]
SECONDS = 420.0


def pressures(t: np.ndarray, spans: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Low and high side [kPa gauge] that relax toward running or resting levels (first order, made)."""
    fine = np.arange(0.0, SECONDS, 0.01)
    on = np.any([(fine >= a) & (fine < b) for a, b in spans], axis=0)
    low, high = np.empty(len(fine)), np.empty(len(fine))
    low_now, high_now = 600.0, 605.0
    for i, running in enumerate(on):
        low_now += 0.01 / (4.0 if running else 9.0) * ((180.0 if running else 610.0) - low_now)
        high_now += 0.01 / (8.0 if running else 25.0) * ((1300.0 if running else 615.0) - high_now)
        low[i], high[i] = low_now, high_now
    return np.interp(t, fine, low), np.interp(t, fine, high)


def runs(rate_hz: float, *, clutch: bool, job: dict[str, object] | None = None) -> list[tuple[float, float]]:
    """Runs found in a made drive of four."""
    t = np.arange(0.0, SECONDS, 1.0 / rate_hz)
    rng = np.random.default_rng(4)
    low, high = pressures(t, ON)
    columns = {
        "low_side [kPa]": low + rng.normal(0.0, 0.8, len(t)),
        "high_side [kPa]": high + rng.normal(0.0, 2.5, len(t)),
    }
    if clutch:
        columns["clutch [V]"] = 13.7 * np.any([(t >= a) & (t < b) for a, b in ON], axis=0) + rng.normal(
            0.0, 0.05, len(t)
        )
    recording = recording_of(t, columns, **(job or {}))
    timeline = timeline_of(recording)
    assert timeline is not None
    return [(run.start_s, run.end_s) for run in case_of(timeline, recording.job).running.runs]


@pytest.mark.parametrize("clutch", [True, False])
@pytest.mark.parametrize("rate_hz", [0.5, 1.0, 2.0, 10.0, 100.0])
def test_four_runs_are_found_where_they_were(rate_hz: float, clutch: bool):
    found = runs(rate_hz, clutch=clutch)
    assert len(found) == len(ON)
    for got, true in zip(found, ON, strict=True):
        assert got[0] == pytest.approx(true[0], abs=max(1.0 / rate_hz, 0.4))
        assert got[1] == pytest.approx(true[1], abs=max(1.0 / rate_hz, 0.4))


def test_a_stepless_compressor_that_is_turned_down_but_pumps_runs_on():
    """Low stroke at low demand keeps some lift: it is not a stop."""
    t = np.arange(0.0, SECONDS, 0.5)
    low = np.where((t > 150) & (t < 250), 330.0, 200.0) + np.random.default_rng(1).normal(0, 0.8, len(t))
    high = np.where((t > 150) & (t < 250), 900.0, 1200.0) + np.random.default_rng(2).normal(0, 2.0, len(t))
    recording = recording_of(t, {"low_side [kPa]": low, "high_side [kPa]": high}, compressor="variable_external")
    timeline = timeline_of(recording)
    assert timeline is not None
    assert len(case_of(timeline, recording.job).running.runs) == 1


def test_spans_and_legs():
    mask = np.array([True, True, False, True])
    assert spans_of(mask) == [(0, 1), (3, 3)]
    assert spans_of(np.zeros(3, np.bool_)) == []
    lift = np.concatenate(
        [np.full(50, 0.2), np.linspace(0.2, 1.4, 8), np.full(60, 1.4), np.linspace(1.4, 0.5, 10), np.full(50, 0.5)]
    )
    up, down = legs_of(lift, 0.5)
    assert up.change == pytest.approx(1.2, abs=0.01)
    assert down.change == pytest.approx(-0.9, abs=0.01)
    assert up.first == pytest.approx(50, abs=1)
    assert down.first == pytest.approx(117, abs=1)
