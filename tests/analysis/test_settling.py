"""Settling against closed forms of first- and second-order steps, and python-control on a fine grid."""

import control
import numpy as np
import pytest

from analysis.findings import Run
from analysis.operating import operating_of
from analysis.runs import Running
from analysis.settling import settlings_of, windows_of
from analysis.timeline import timeline_of
from tests.analysis.made import recording_of

WINDOW_S = 1000.0


def settled(y: np.ndarray, t: np.ndarray):
    """The settling of the vent after a start at 10 s."""
    recording = recording_of(t, {"vent [degC]": y})
    timeline = timeline_of(recording)
    assert timeline is not None
    run = Run(10.0, float(t[-1]))
    running = Running("clutch", timeline.t_s >= 10.0, None, (run,), 1.0)
    (one,) = settlings_of(timeline, operating_of(timeline), running)
    return one


def step(t: np.ndarray, response) -> np.ndarray:
    """30 degC until 10 s, then a response of 20 K downward."""
    return np.where(t < 10.0, 30.0, 30.0 - 20.0 * response(np.maximum(t - 10.0, 0.0)))


@pytest.mark.parametrize("tau", [5.0, 20.0, 60.0])
def test_a_first_order_step_settles_after_three_time_constants(tau: float):
    """5 % after 2.995732 tau (closed form)."""
    t = np.arange(0.0, WINDOW_S, 0.25)
    one = settled(step(t, lambda s: 1.0 - np.exp(-s / tau)), t)
    assert one.settled
    assert one.settling_time_s.value == pytest.approx(2.995732 * tau, abs=1.0)
    assert one.final.value == pytest.approx(10.0, abs=0.01)
    assert one.overshoot.value == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    ("damping", "settling", "overshoot_percent"),
    [
        (0.2, 13.7444, 52.6621),
        (0.3, 10.1371, 37.2326),
        (0.5, 5.2891, 16.3034),
        (0.7, 2.8998, 4.5988),
        (1.5, 8.2558, 0.0),
    ],
)
def test_a_second_order_step_settles_as_its_closed_form_says(damping: float, settling: float, overshoot_percent: float):
    """wn^2/(s^2 + 2 z wn s + wn^2): 5 % settling and overshoot by closed form; step response by python-control."""
    wn = 0.08
    system = control.tf([wn**2], [1.0, 2.0 * damping * wn, wn**2])
    t = np.arange(0.0, WINDOW_S, 0.25)
    response = control.step_response(system, np.arange(0.0, WINDOW_S, 0.25))
    y = step(t, lambda s: np.interp(s, response.time, response.outputs))
    one = settled(y, t)
    assert one.settling_time_s.value == pytest.approx(settling / wn, abs=1.5)
    assert one.overshoot.value is not None
    assert 100.0 * one.overshoot.value == pytest.approx(overshoot_percent, abs=0.6)


def test_a_step_that_drifts_on_is_not_settled():
    t = np.arange(0.0, 300.0, 0.5)
    one = settled(step(t, lambda s: s / 290.0), t)
    assert not one.settled
    assert one.settling_time_s.value is None
    assert "not settled within" in (one.settling_time_s.why or "")
    assert one.drift_per_minute.value == pytest.approx(-20.0 / 290.0 * 60.0, rel=0.02)


def test_a_change_too_small_to_time_gives_no_figure():
    t = np.arange(0.0, 300.0, 0.5)
    one = settled(30.0 - np.where(t < 10.0, 0.0, 1.0), t)
    assert one.settling_time_s.value is None
    assert "too small" in (one.settling_time_s.why or "")


def windows(columns: dict[str, np.ndarray], t: np.ndarray) -> list[tuple[float, str]]:
    """Start and cause of each window of a run from 10 s on."""
    timeline = timeline_of(recording_of(t, columns))
    assert timeline is not None
    running = Running("clutch", timeline.t_s >= 10.0, None, (Run(10.0, float(t[-1])),), 1.0)
    return [(window.start_s, window.after) for window in windows_of(timeline, operating_of(timeline), running)]


def test_a_change_that_no_channel_records_is_seen_in_the_pressures():
    """The compressor turns faster from 300 s on: low and high side part further within seconds."""
    t = np.arange(0.0, 600.0, 0.5)
    faster = 1.0 - np.exp(-np.maximum(t - 300.0, 0.0) / 4.0)
    columns = {"low_side [kPaa]": 300.0 - 50.0 * faster, "high_side [kPaa]": 1400.0 + 300.0 * faster}
    assert [after for _, after in windows(columns, t)] == ["compressor start", "change of the pressures"]
    assert windows(columns, t)[1][0] == pytest.approx(300.0, abs=2.0)
    # With the engine speed recorded, and steady, nothing of the operating point changed: a fault's doing.
    assert len(windows(columns | {"engine_speed [1/min]": np.full(len(t), 800.0)}, t)) == 1


def test_a_long_ramp_is_over_at_its_end_and_a_step_begins_where_it_does():
    t = np.arange(0.0, 900.0, 0.5)
    speed = np.interp(t, [300.0, 301.0, 600.0, 630.0], [800.0, 1500.0, 1500.0, 5500.0])
    (_, _), (step_s, _), (ramp_s, after) = windows(
        {"vent [degC]": np.full(len(t), 8.0), "engine_speed [1/min]": speed}, t
    )
    assert step_s == pytest.approx(300.0, abs=1.0)
    assert ramp_s == pytest.approx(630.0, abs=2.5)
    assert after == "engine speed"
