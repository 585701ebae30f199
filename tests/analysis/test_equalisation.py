"""Equalisation against closed forms of two volumes that meet."""

import numpy as np
import pytest

from analysis.case import case_of
from analysis.equalisation import first_lasting, fit_decay
from analysis.timeline import timeline_of
from tests.analysis.made import recording_of

TAU_S, D0_KPA, P_EQ_KPA = 49.391094, 1250.0, 750.0
"""Two isothermal volumes, 0.8 and 1.2 L, 1500 and 250 kPa, linear resistance: closed form, checked by an ODE solver."""


def two_volumes(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Absolute pressures [kPa] of the high and the low side after the stop."""
    dp = D0_KPA * np.exp(-t / TAU_S)
    return P_EQ_KPA + dp * 0.6, P_EQ_KPA - dp * 0.4


def rest(law, **job: object):
    """The equalisation of a made recording: 120 s pumping, then the law."""
    t = np.arange(0.0, 480.0, 0.25)
    high, low = np.full(len(t), 1500.0), np.full(len(t), 250.0)
    off = t >= 120.0
    high[off], low[off] = law(t[off] - 120.0)
    clutch = np.where(off, 0.0, 13.8)
    recording = recording_of(t, {"low_side [kPaa]": low, "high_side [kPaa]": high, "clutch [V]": clutch}, **job)
    timeline = timeline_of(recording)
    assert timeline is not None
    (one,) = case_of(timeline, recording.job).equalisations
    return one


def test_two_volumes_meet_as_their_closed_form_says():
    """Table of the closed form: dp = 50 kPa after 158.984 s, 10 % after 113.73 s, tau 49.391 s; meeting at 2 %."""
    one = rest(two_volumes)
    assert one.difference_kpa.value == pytest.approx(1250.0)
    assert one.time_to_50_kpa_s.value == pytest.approx(158.984, abs=0.6)
    assert one.time_to_90_s.value == pytest.approx(TAU_S * np.log(10.0), abs=0.6)
    assert one.time_constant_s.value == pytest.approx(TAU_S, rel=0.01)
    assert one.fit_r2 == pytest.approx(1.0, abs=1e-4)
    # d is 2 % of d(0) at 193.219 s: the mean of the sides is then 750 + 0.1 * 25 kPa absolute.
    assert one.settled_kpa.value == pytest.approx(750.0 + 2.5 - 101.325, abs=0.5)
    assert one.time_to_50_kpa_s.u95 is not None


def test_a_turbulent_valve_meets_in_finite_time_and_the_fit_says_that_it_misfits():
    """mdot = K sqrt(dp): dp = (sqrt(dp0) - a t)^2, end at 36.81 s; an exponential does not hold (r2 well under 1)."""
    a = 30.369848 / np.sqrt(1000.0)

    def law(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        dp = np.maximum(np.sqrt(D0_KPA) - a * t, 0.0) ** 2
        return P_EQ_KPA + dp * 0.6, P_EQ_KPA - dp * 0.4

    one = rest(law)
    assert one.time_to_90_s.value == pytest.approx(36.813948 * (1.0 - np.sqrt(0.1)), abs=0.6)
    assert one.fit_r2 is not None
    assert one.fit_r2 < 0.985
    assert one.time_constant_s.value == pytest.approx(36.813948 / 2.0 * 0.62, rel=0.15)


def test_sides_that_do_not_meet_give_null_with_the_reason():
    def law(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return 1500.0 - 0.1 * t, 250.0 + 0.1 * t

    one = rest(law)
    assert one.time_to_90_s.value is None
    assert one.time_to_90_s.why == "did not meet within 360 s"
    assert one.settled_kpa.value is None


def test_the_fit_finds_a_pure_exponential():
    t = np.arange(0.0, 200.0, 0.5)
    decay = fit_decay(t, 1000.0 * np.exp(-t / 33.0), 1000.0)
    for constant in (decay.constant_s, decay.early_s, decay.late_s):
        assert constant.value == pytest.approx(33.0, rel=1e-6)
    assert decay.r2 == pytest.approx(1.0)
    assert decay.misfit == pytest.approx(0.0, abs=1e-9)


def test_a_difference_that_does_not_fall_has_no_time_constant():
    t = np.arange(0.0, 50.0, 0.5)
    assert fit_decay(t, np.linspace(500.0, 800.0, len(t)), 1000.0).constant_s.value is None


def test_first_lasting_wants_it_to_last():
    assert first_lasting(np.array([False, True, False, True, True])) == 3
    assert first_lasting(np.array([True, True, False])) is None
    assert first_lasting(np.array([], np.bool_)) is None
