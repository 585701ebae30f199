"""Uncertainty by the GUM's own worked example and by examples in the tool's terms."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.derived import Derived
from analysis.limits import Limit, limit_table
from analysis.refrigerant import refrigerant
from analysis.uncertainty import UNIFORM, absent, combine, measured, propagate, rounded
from tests.reference import digits_of, mutations, table


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


def budget_agrees(row: dict[str, str]) -> bool:
    """Each column of the budget by the tool's own functions, to its last printed digit."""
    scale, p = float(row["full_scale_kpa"]), float(row["gauge_kpa"]) + 101.325
    step, saturation = scale / 4.0 * 5.0 / 4096.0, refrigerant(row["fluid"])
    u_kpa = combine(0.01 * scale * UNIFORM, step * UNIFORM / 2.0, 1.0 * UNIFORM, float(row["u_zero_kpa"]))
    degc = saturation.temperature_at(p)
    u_k = saturation.kelvin_per_kpa(p) * u_kpa
    got = {
        "saturation_degc": degc, "u_kpa": u_kpa, "u_saturation_k": u_k,
        "difference_k": float(row["line_degc"]) - degc, "u_k": combine(u_k, 1.5 * UNIFORM),
    }  # fmt: skip
    return all(abs(value - float(row[name])) <= 0.503 * digits_of(row[name]) for name, value in got.items())


def test_superheat_and_subcooling_have_the_budgets_uncertainty_and_no_digit_of_it_can_be_altered():
    for row in table("superheat_budget.csv"):
        columns = tuple(name for name in row if name != "fluid")
        assert budget_agrees(row), row
        assert not [changed for changed in mutations(row, columns) if budget_agrees(changed)], row


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
