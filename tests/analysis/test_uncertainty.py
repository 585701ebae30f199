"""Uncertainty by the GUM's own worked example and by examples in the tool's terms."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.derived import Derived
from analysis.limits import Limit, limit_table
from analysis.refrigerant import refrigerant
from analysis.uncertainty import UNIFORM, absent, combine, measured, propagate, rounded


def test_the_gums_end_gauge():
    """JCGM 100:2008, example H.1 (inputs read in MSLNZ/GTC examples/GUM_H1.py): l = 50.000838 mm, u_c = 31.664 nm
    to first order (the GUM prints 32); components 25.000, 9.682, 2.887, 16.599 nm.
    """
    u_d = combine(5.8, 3.9, 6.7)
    theta_u = combine(0.2, 0.5 / math.sqrt(2.0))

    def length(l_s: float, d: float, alpha_s: float, theta: float, delta_alpha: float, delta_theta: float) -> float:
        return l_s + d - l_s * (delta_alpha * theta + alpha_s * delta_theta)

    value, u, components = propagate(
        length,
        [50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0],
        [25.0, u_d, 2e-6 * UNIFORM, theta_u, 1e-6 * UNIFORM, 0.05 * UNIFORM],
    )
    assert value / 1e6 == pytest.approx(50.000838, abs=5e-7)
    assert u == pytest.approx(31.664, abs=0.005)
    assert [round(c, 3) for c in (components[0], components[1], components[4], components[5])] == pytest.approx(
        [25.000, 9.682, 2.887, 16.599], abs=0.002
    )


@pytest.mark.parametrize(
    ("fluid", "full_scale_kpa", "gauge_kpa", "u_zero", "line_degc", "t_sat", "u_p", "u_t", "result", "u"),
    [
        ("R-134a", 1000.0, 200.0, 1.0, 8.0, 0.7944, 5.8885, 0.5429, 7.206, 1.022),
        ("R-134a", 3500.0, 1500.0, 3.0, 50.0, 57.9405, 20.4392, 0.5330, -7.941, 1.017),
        ("R-1234yf", 1000.0, 200.0, 1.0, 8.0, -1.3829, 5.8885, 0.5696, 9.383, 1.037),
    ],
)
def test_superheat_and_subcooling_with_their_uncertainty(
    fluid: str,
    full_scale_kpa: float,
    gauge_kpa: float,
    u_zero: float,
    line_degc: float,
    t_sat: float,
    u_p: float,
    u_t: float,
    result: float,
    u: float,
):
    """1 % transducer, 12 bit over 5 V for a 4 V span, +-1 kPa barometer, type K class 1 probe (IEC 60584-1:2013);
    worked with CoolProp 8.0.0, all uniform.
    """
    step = full_scale_kpa / 4.0 * 5.0 / 4096.0
    got_u_p = combine(0.01 * full_scale_kpa * UNIFORM, step * UNIFORM / 2.0, 1.0 * UNIFORM, u_zero)
    assert got_u_p == pytest.approx(u_p, abs=0.001)
    saturation = refrigerant(fluid)
    p = gauge_kpa + 101.325
    assert saturation.temperature_at(p) == pytest.approx(t_sat, abs=0.001)
    got_u_t = saturation.kelvin_per_kpa(p) * got_u_p
    assert got_u_t == pytest.approx(u_t, abs=0.0008)
    assert line_degc - saturation.temperature_at(p) == pytest.approx(result, abs=0.001)
    assert combine(got_u_t, 1.5 * UNIFORM) == pytest.approx(u, abs=0.001)


@pytest.mark.parametrize(
    ("value", "u95", "text"),
    [
        (31.04, 1.13, "31.0"),
        (610.4, 14.2, "610"),
        (1234.0, 140.0, "1230"),
        (0.91234, 0.0123, "0.912"),
        (2.5, None, "2.5"),
        (-0.71, 4.6, "-0.7"),
    ],
)
def test_numbers_for_people_keep_two_digits_of_their_uncertainty(value: float, u95: float | None, text: str):
    """JCGM 100:2008, 7.2.6."""
    assert rounded(value, u95) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e4))
def test_rounding_loses_less_than_the_uncertainty(value: float, u95: float):
    assert abs(float(rounded(value, u95)) - value) <= u95


def test_a_number_that_cannot_be_had_is_null_with_its_reason():
    assert absent("no probe").to_dict() == {"value": None, "why": "no probe"}
    assert measured(float("nan"), 1.0).value is None
    assert measured(31.0432, 0.55).to_dict() == {"value": 31.04, "u95": 1.1}


def test_a_limit_without_a_source_is_refused():
    with pytest.raises(ValueError, match="'x' has no source"):
        Limit("x", 1.0, "s", " ")
    with pytest.raises(ValueError, match="twice"):
        limit_table(Limit("x", 1.0, "s", "a"), Limit("x", 2.0, "s", "a"))


def test_derived_says_what_it_is_made_of():
    assert "superheat_k" in Derived.__doc__  # type: ignore[operator]
