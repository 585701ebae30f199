"""Step responses against closed forms of first and second order and python-control; fits against scipy."""

import math

import control
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from analysis.exponentials import fit_one, fit_two
from analysis.step_response import (
    LIMITS,
    Response,
    constants_of,
    departures,
    last_outside,
    onset,
    respond,
    ringing_period,
    u_settled,
)
from tests.reference import digits_of, mutations, table


def unit_step(damping: float, t: np.ndarray) -> np.ndarray:
    """Closed form of the unit step, wn = 1."""
    if damping < 1.0:
        wd = math.sqrt(1.0 - damping**2)
        return 1.0 - np.exp(-damping * t) * (np.cos(wd * t) + damping / wd * np.sin(wd * t))
    if damping == 1.0:
        return 1.0 - np.exp(-t) * (1.0 + t)
    root = math.sqrt(damping**2 - 1.0)
    fast, slow = damping + root, damping - root
    return 1.0 - (fast * np.exp(-slow * t) - slow * np.exp(-fast * t)) / (2.0 * root)


def response_of(damping: float) -> tuple[Response, float, float]:
    """The tool's answer on a grid refined around settling and peak, the time of the peak, and settling to 2 %."""
    t = np.arange(0.0, 80.0, 0.01)
    for reach, step in ((0.02, 1e-4), (2e-4, 1e-7), (0.0, 1.0)):
        y = unit_step(damping, t)
        response, peak = respond(t, y, 0.0, 0.0, 10.0, smoothing_s=0.0), float(t[np.argmax(y)])
        two_percent = last_outside(t, y, response.final, 0.02)
        fine = [np.arange(max(at - reach, 0.0), at + reach, step) for at in (response.settled_s, two_percent, peak)]
        t = np.unique(np.concatenate([t, *fine]))
    return response, peak, two_percent


def second_order_agrees(row: dict[str, str], known: dict[str, tuple[Response, float, float]]) -> bool:
    if row["damping"] not in known:
        known[row["damping"]] = response_of(float(row["damping"]))
    response, peak, two_percent = known[row["damping"]]
    same = _agrees(two_percent, row["settled_2"]) and _agrees(response.settled_s, row["settled_5"])
    same = same and _agrees(100 * response.overshoot, row["overshoot_percent"])
    return same and (not row["peak"] or _agrees(peak, row["peak"]))


def _agrees(value: float, printed: str) -> bool:
    return abs(value - float(printed)) <= 0.503 * digits_of(printed)


def test_second_order_steps_settle_and_overshoot_as_the_table_says_and_no_digit_can_be_altered():
    known: dict[str, tuple[Response, float, float]] = {}
    for row in table("second_order.csv"):
        assert second_order_agrees(row, known), row
        for changed in mutations(row, ("damping", "settled_2", "settled_5", "overshoot_percent", "peak")):
            assert not second_order_agrees(changed, known), changed


def test_the_flattest_step_is_known_too():
    """z = 1/sqrt(2): 5 % after 2.9298, overshoot 4.3214 %, peak after 4.4429."""
    response, peak, _ = response_of(math.sqrt(0.5))
    assert (response.settled_s, 100.0 * response.overshoot, peak) == pytest.approx((2.9298, 4.3214, 4.4429), abs=6e-5)


@pytest.mark.parametrize("damping", [0.2, 0.5, 0.7, 1.0, 2.0])
def test_python_control_agrees_on_a_fine_grid(damping: float):
    """control.step_info with a grid of 0.001: settling to 5 % and overshoot within 0.002."""
    t = np.arange(0.0, 60.0, 0.001)
    info = control.step_info(control.tf([1.0], [1.0, 2.0 * damping, 1.0]), T=t, SettlingTimeThreshold=0.05)
    response, _, _ = response_of(damping)
    assert response.settled_s == pytest.approx(float(info["SettlingTime"]), abs=0.002)
    assert 100.0 * response.overshoot == pytest.approx(float(info["Overshoot"]), abs=0.01)


@pytest.mark.parametrize("tau", [2.0, 12.0])
def test_a_first_order_step_has_its_time_constants(tau: float):
    """63.2121 % after tau, 90 % after 2.302585 tau, 5 % band after 2.995732 tau; 3 + 7 exp(-t/12) as any other step."""
    t = np.arange(0.0, 40.0 * tau, tau / 2000.0)
    response = respond(t, 3.0 + 7.0 * np.exp(-t / tau), 10.0, 0.0, tau)
    assert response.at_50_s == pytest.approx(math.log(2.0) * tau, rel=1e-3)
    assert response.at_63_s == pytest.approx(tau, rel=1e-3)
    assert response.at_90_s == pytest.approx(2.302585 * tau, rel=1e-3)
    assert response.settled_s == pytest.approx(2.995732 * tau, rel=1e-3)
    assert response.overshoot == pytest.approx(0.0, abs=1e-12)


@given(st.floats(-50.0, 50.0), st.floats(-500.0, 500.0).filter(lambda d: abs(d) > 1e-3), st.floats(0.01, 100.0))
def test_a_response_does_not_depend_on_level_sign_or_unit(initial: float, change: float, scale: float):
    t = np.arange(0.0, 40.0, 0.05)
    y = unit_step(0.3, t)
    one = respond(t, y, 0.0, 0.0, 4.0, smoothing_s=0.0)
    other = respond(scale * t, initial + change * y, initial, 0.0, scale * 4.0, smoothing_s=0.0)
    assert other.overshoot == pytest.approx(one.overshoot, abs=1e-6)
    assert other.settled_s == pytest.approx(scale * one.settled_s, rel=0.01)


def test_noise_moves_a_settling_time_by_no_more_than_its_smoothing():
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 300.0, 0.25)
    for _ in range(20):
        y = 30.0 - 20.0 * (1.0 - np.exp(-t / 20.0)) + rng.normal(0.0, 0.15, len(t))
        assert respond(t, y, 30.0, 0.15, 30.0).settled_s == pytest.approx(2.995732 * 20.0, abs=4.0)


@pytest.mark.parametrize(("noise", "late_s"), [(0.1, 5.0), (0.4, 6.0)])
def test_a_noisy_creep_settles_no_later_than_it_does_and_its_u95_holds_that(noise: float, late_s: float):
    """A fast and a slow exponential, 10 K together: the truth from the same curve without noise."""
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 400.0, 0.5)
    clean = 8.0 * np.exp(-t / 10.0) + 2.0 * np.exp(-t / 60.0)
    smoothing, true = LIMITS["longest_smoothing"].value, respond(t, clean, 10.0, 0.0, 40.0).settled_s
    off, u = np.empty(100), np.empty(100)
    for i in range(100):
        y = clean + rng.normal(0.0, noise, len(t))
        response = respond(t, y, 10.0, noise, 40.0)
        off[i] = response.settled_s - true
        u[i] = u_settled(t, y, response, noise, noise / math.sqrt(80.0), 0.0, smoothing)
    assert abs(float(np.median(off))) < late_s
    assert 0.9 <= float(np.mean(np.abs(off) <= 2.0 * u)) <= 1.0
    assert float(np.median(2.0 * u)) < 6.0 * float(np.median(np.abs(off)))


def test_onset_waits_out_noise_and_short_spikes():
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 400.0, 1.0)
    y = np.where(t >= 150.0, 5.0, 0.0) + rng.normal(0.0, 0.2, len(t))
    y[40:45] += 30.0
    assert onset(t, y, 0.0, 0.2, 5.0) == 150.0
    assert onset(t, rng.normal(0.0, 0.2, len(t)), 0.0, 0.2, 5.0) is None
    assert departures(t, y, 0.0, 1.2, 3.0) == [(40.0, 44.0), (150.0, 399.0)]


@pytest.mark.parametrize("damping", [0.05, 0.1, 0.2])
def test_a_ring_has_its_period(damping: float):
    """Damped period 2 pi/(wn sqrt(1 - z^2))."""
    t = np.arange(0.0, 60.0, 0.05)
    period = ringing_period(t, unit_step(damping, t), 1.0)
    assert period == pytest.approx(2.0 * math.pi / math.sqrt(1.0 - damping**2), rel=0.04)


def test_what_goes_on_at_its_height_is_no_ring_and_neither_is_a_plain_step_or_noise():
    t = np.arange(0.0, 60.0, 0.05)
    assert ringing_period(t, 1.0 + 0.2 * np.sin(t), 1.0) is None
    assert ringing_period(t, unit_step(0.9, t), 1.0) is None
    rng = np.random.default_rng(4)
    assert all(ringing_period(t, unit_step(1.5, t) + rng.normal(0, 0.003, len(t)), 1.0) is None for _ in range(50))


def test_one_exponential_is_scipys_and_its_uncertainty_holds_the_truth():
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 250.0, 0.5)
    inside = 0
    for _ in range(100):
        slow = np.convolve(rng.normal(0.0, 0.3, len(t) + 8), np.ones(9) / 3.0, "valid")
        y = 5.0 + 10.0 * np.exp(-t / 40.0) + slow
        one = fit_one(t, y)
        assert one is not None
        inside += abs(one.tau_s - 40.0) <= 2.0 * one.u_tau_s
    assert 90 <= inside <= 100
    fitted = curve_fit(lambda t, a, b, tau: a + b * np.exp(-t / tau), t[:300], y[:300], [5.0, 10.0, 30.0])[0]
    one = fit_one(t[:300], y[:300])
    assert one is not None
    assert (one.offset, one.amplitude, one.tau_s) == pytest.approx(tuple(fitted), rel=1e-3)


def test_two_exponentials_are_found_where_one_misfits_and_not_elsewhere():
    t = np.arange(0.0, 600.0, 1.0)
    y = 3.0 + 8.0 * np.exp(-t / 12.0) + 2.0 * np.exp(-t / 150.0)
    two = fit_two(t, y)
    assert two is not None
    assert (*two.taus_s, *two.amplitudes, two.offset) == pytest.approx((12.0, 150.0, 8.0, 2.0, 3.0), rel=0.01)
    one, both = constants_of(t, y)
    assert one is not None
    assert both is not None
    assert constants_of(t, 3.0 + 8.0 * np.exp(-t / 12.0))[1] is None


def test_a_straight_line_and_a_few_points_have_no_time_constant():
    t = np.arange(0.0, 100.0, 1.0)
    assert fit_one(t, 2.0 - 0.1 * t) is None
    assert fit_one(t[:5], np.exp(-t[:5])) is None
    assert fit_two(t[:10], np.exp(-t[:10])) is None
