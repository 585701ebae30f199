"""One time base: gaps stay gaps, bad readings are set aside, the clock may step back."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.diagnose import diagnose
from analysis.readings import REACH, find_spikes, noise_of
from analysis.timeline import standard_atmosphere_kpa, timeline_of
from recorder.recording import Recording
from recorder.sensors import ClampOn
from tests.analysis.made import recording_of
from tests.reference import table


@pytest.mark.parametrize("row", table("standard_atmosphere.csv"), ids=lambda row: row["altitude_m"])
def test_barometric_pressure_is_iso_2533(row: dict[str, str]):
    got_pa = 1e3 * standard_atmosphere_kpa(float(row["altitude_m"]))
    assert got_pa == pytest.approx(float(row["p_pa"]), abs=0.06)


def smooth(seconds: float = 300.0, step: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
    """A slow signal with noise."""
    t = np.arange(0.0, seconds, step)
    return t, 300.0 + 40.0 * np.sin(t / 20.0) + np.random.default_rng(5).normal(0.0, 0.8, len(t))


def test_gauge_becomes_absolute_by_altitude():
    t, p = smooth()
    timeline = timeline_of(recording_of(t, {"low_side [kPa]": p}, altitude_m=2000))
    assert timeline is not None
    low = timeline.grid("low_side")
    assert low is not None
    assert np.median(low - p) == pytest.approx(79.495, abs=0.05)
    assert timeline.barometric_u_kpa == pytest.approx(3.0 / np.sqrt(3.0))


def test_a_gap_stays_a_gap_and_its_edges_are_told():
    t, p = smooth()
    vent = p / 10.0
    p[(t >= 100.0) & (t < 130.0)] = np.nan
    timeline = timeline_of(recording_of(t, {"low_side [kPaa]": p, "vent [degC]": vent}))
    assert timeline is not None
    assert timeline.signals["low_side"].gaps == ((99.5, 130.0),)
    assert timeline.signals["vent"].gaps == ()
    inside = (timeline.t_s > 99.6) & (timeline.t_s < 129.9)
    assert np.isnan(timeline.on_grid["low_side"][inside]).all()
    assert np.isfinite(timeline.on_grid["low_side"][~inside]).all()


@given(st.sets(st.integers(10, 580), min_size=1, max_size=12), st.sampled_from([-150.0, 90.0]))
def test_single_spikes_are_found_and_nothing_else(where: set[int], height: float):
    # Several alike and near each other are the channel's own swing (readings.ALIKE).
    apart = sorted(w for w in where if not {*range(w - REACH, w)} & where)
    _, p = smooth()
    p[apart] += height
    assert find_spikes(p, noise_of(p)).tolist() == apart


def test_a_compressor_start_is_no_spike():
    t = np.arange(0.0, 200.0, 0.5)
    p = (
        700.0
        - 450.0 * (1.0 - np.exp(-np.maximum(t - 50.0, 0.0) / 2.0))
        + 250.0 * (1.0 - np.exp(-np.maximum(t - 120.0, 0.0) / 1.5))
    )
    p += np.random.default_rng(6).normal(0.0, 0.7, len(t))
    assert find_spikes(p, noise_of(p)).size == 0


def test_noise_is_measured_under_a_moving_signal():
    _, p = smooth(2000.0)
    assert noise_of(p) == pytest.approx(0.8, rel=0.08)


def test_a_backward_step_splits_the_record_and_loses_no_row():
    """A clock set back by 55 min, as in the machine-temperature recording of the Numenta benchmark (a clock change)."""
    t, p = smooth(600.0)
    t = t + 4000.0
    t[600:] -= 3300.0
    timeline = timeline_of(recording_of(t, {"low_side [kPaa]": p}))
    assert timeline is not None
    (flag,) = timeline.flags
    assert flag.kind == "backward_time"
    assert "3299.5 s" in flag.says
    assert timeline.duration_s == pytest.approx(599.5, abs=0.01)
    assert len(timeline.signals["low_side"].values) == len(p)


def test_rows_that_come_a_little_late_are_put_in_order():
    t, p = smooth(100.0)
    t[[50, 51]] = t[[51, 50]]
    p[[50, 51]] = p[[51, 50]]
    timeline = timeline_of(recording_of(t, {"low_side [kPaa]": p}))
    assert timeline is not None
    assert [flag.kind for flag in timeline.flags] == ["late_rows"]
    assert (np.diff(timeline.signals["low_side"].t_s) > 0).all()


@pytest.mark.parametrize("rate_hz", [0.5, 2.0, 10.0, 100.0])
def test_any_rate_lands_on_a_grid_of_a_tenth_of_a_second_or_slower(rate_hz: float):
    t = np.arange(0.0, 60.0, 1.0 / rate_hz)
    timeline = timeline_of(recording_of(t, {"low_side [kPaa]": 200.0 + t, "high_side [kPaa]": 900.0 + t}))
    assert timeline is not None
    assert timeline.step_s == pytest.approx(max(0.1, 1.0 / rate_hz), abs=0.002)
    low = timeline.on_grid["low_side"]
    assert np.abs(low - (200.0 + timeline.t_s)).max() < 0.6 * timeline.step_s + 0.01


def test_two_nodes_with_one_channel_name_keep_both():
    t, p = smooth(60.0)
    one = recording_of(t, {"vent [degC]": p / 20.0})
    two = recording_of(t, {"vent [degC]": p / 10.0})
    both = replace(one, streams=(*one.streams, *two.streams))
    timeline = timeline_of(both)
    assert timeline is not None
    assert list(timeline.signals) == ["vent", "vent_2"]
    assert np.nanmedian(timeline.on_grid["vent_2"] / timeline.on_grid["vent"]) == pytest.approx(2.0, rel=1e-3)


def soaked_then_run() -> Recording:
    """R-134a at rest at 25 degC (665.4 kPa absolute, CoolProp 8), then a long run."""
    t = np.arange(0.0, 400.0, 0.5)
    rng, running = np.random.default_rng(3), t >= 120.0
    columns = {
        "low_side [kPaa]": np.where(running, 300.0, 665.4) + rng.normal(0.0, 0.8, len(t)),
        "high_side [kPaa]": np.where(running, 1300.0, 665.4) + rng.normal(0.0, 0.8, len(t)),
        "ambient [degC]": 25.0 + rng.normal(0.0, 0.05, len(t)),
        "liquid_line [degC]": np.where(running, 40.0, 25.0) + rng.normal(0.0, 0.05, len(t)),
        "clutch [V]": np.where(running, 13.8, 0.0),
    }
    return recording_of(t, columns)


def test_a_coarse_sensor_that_flips_once_is_not_drifting_and_air_does_not_know_the_metal():
    """A step of 0.5 psi within 10 s is 20 kPa a minute, and nothing; the soak is known to 0.6 K at the best."""
    t = np.arange(0.0, 200.0, 0.5)
    rng, running = np.random.default_rng(3), t >= 23.0
    step = 0.5 * 6.894757
    rest = np.where(t < 15.0, 664.5, 664.5 + step)
    columns = {
        "low_side [kPaa]": np.where(running, step * np.rint(rng.normal(300.0, 4.0, len(t)) / step), rest),
        "high_side [kPaa]": np.where(running, step * np.rint(rng.normal(1300.0, 4.0, len(t)) / step), rest),
        "ambient [degC]": 25.0 + rng.normal(0.0, 0.05, len(t)),
        "liquid_line [degC]": np.where(running, 40.0, 25.0) + rng.normal(0.0, 0.05, len(t)),
        "clutch [V]": np.where(running, 13.8, 0.0),
    }
    gap = diagnose(recording_of(t, columns), "test").static[0].saturation_gap_kpa
    assert gap.value is not None, gap.why
    assert abs(gap.value) < 5.0
    assert (gap.u95 or 0.0) > 2.0 * 0.6 * 19.8  # kPa/K at 25 degC, CoolProp 8


def test_a_static_test_is_not_read_from_a_clamp_on_sensor():
    """It may have been calibrated on the very saturation that the test asks for."""
    recording = soaked_then_run()
    (stream,) = recording.streams
    clamped = tuple(replace(c, conversion=ClampOn()) if c.id == "high_side" else c for c in stream.channels)
    with_clamp = replace(recording, streams=(replace(stream, channels=clamped),))
    plain, doubtful = diagnose(recording, "test"), diagnose(with_clamp, "test")
    assert abs(plain.static[0].saturation_gap_kpa.value or 99.0) < 5.0
    assert doubtful.static[0].saturation_gap_kpa.why == "a clamp-on sensor cannot tell the pressure at rest"
    by_kind = {check.kind: check for check in doubtful.checks}
    assert by_kind["non_condensables"].why == "a clamp-on sensor cannot tell the pressure at rest"
    assert any("feels the pipe stretch, not the pressure" in flag.text for flag in doubtful.flags)
    assert not any("pipe" in flag.text for flag in plain.flags)
