"""Saturation against the papers' tables, independent equations, older handbooks and CoolProp itself."""

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from analysis.refrigerant import TABLES, refrigerant
from recorder.jobsheet import REFRIGERANTS
from tests.conftest import ROOT
from tests.reference import table

COOLPROP = {"R-134a": "R134a", "R-1234yf": "R1234yf", "R-152a": "R152A", "R-744": "CO2"}


@pytest.mark.parametrize("row", table("saturation_papers.csv"), ids=lambda row: f"{row['refrigerant']} {row['t_k']} K")
def test_saturation_pressure_is_the_papers_to_the_last_printed_digit(row: dict[str, str]):
    """Tillner-Roth & Baehr 1994, Span & Wagner 1996, Outcalt & McLinden 1996; source in the table's header."""
    got_mpa = refrigerant(row["refrigerant"]).pressure_at(float(row["t_k"]) - 273.15) / 1e3
    assert got_mpa == pytest.approx(float(row["p_mpa"]), abs=1.01 * float(row["unit_of_last_digit"]))


@pytest.mark.parametrize("row", table("vapour_pressure_equations.csv"), ids=lambda row: row["id"])
def test_saturation_pressure_agrees_with_an_independent_equation(row: dict[str, str]):
    """Ancillary vapour-pressure equations evaluated here from their published coefficients."""
    t_k = np.arange(float(row["t_low_degc"]), float(row["t_high_degc"]) + 0.01, 0.5) + 273.15
    tc = float(row["tc_k"])
    theta = 1.0 - t_k / tc
    terms = sum(float(n) * theta ** float(t) for n, t in zip(row["n"].split(), row["t"].split(), strict=True))
    expected_kpa = float(row["pc_pa"]) / 1e3 * np.exp(tc / t_k * terms)
    got = refrigerant(row["refrigerant"]).saturation_pressure(t_k - 273.15)
    assert np.abs(got / expected_kpa - 1.0).max() * 100 < float(row["tolerance_percent"])


def test_the_worked_example_of_equation_a1():
    """R-134a at 298.15 K by Tillner-Roth & Baehr's ancillary: 665 339.63 Pa, 62 ppm below the equation of state."""
    assert refrigerant("R-134a").pressure_at(25.0) == pytest.approx(665.33963, rel=1e-4)


@pytest.mark.parametrize("row", table("saturation_temperatures.csv"), ids=lambda row: row["p_kpa"])
@pytest.mark.parametrize("name", ["R-134a", "R-1234yf", "R-152a"])
def test_saturation_temperature_at_round_pressures(name: str, row: dict[str, str]):
    got = refrigerant(name).temperature_at(float(row["p_kpa"]))
    assert got == pytest.approx(float(row[name]), abs=0.001 + 0.00005)


@pytest.mark.parametrize("row", table("handbook_r134a.csv"), ids=lambda row: f"{row['source']} {row['p_bar']} bar")
def test_older_handbooks_disagree_no_more_than_their_equations_do(row: dict[str, str]):
    got = refrigerant("R-134a").temperature_at(100.0 * float(row["p_bar"]))
    assert got == pytest.approx(float(row["t_degc"]), abs=float(row["tolerance_k"]))


@pytest.mark.parametrize("name", REFRIGERANTS)
def test_the_table_stays_within_1_mk_and_a_ten_thousandth_of_coolprop(name: str):
    """CoolProp 8, by PropsSI and not by its ancillary, which is wrong for R-1234yf."""
    fluid = refrigerant(name)
    t = np.random.default_rng(3).uniform(-50.0, min(fluid.critical_degc, 90.0) - 0.2, 300)
    p = PropsSI("P", "T", t + 273.15, "Q", 1, COOLPROP[name]) / 1e3
    assert np.abs(fluid.saturation_temperature(p) - t).max() < 1e-3
    assert np.abs(fluid.saturation_pressure(t) / p - 1.0).max() < 1e-4


def test_above_the_critical_point_there_is_no_saturation():
    """R-744: 30.9782 degC, 7377.3 kPa (Span & Wagner 1996). No number is better than an extrapolated one."""
    carbon_dioxide = refrigerant("R-744")
    assert carbon_dioxide.critical_degc < 30.9782
    assert math.isnan(carbon_dioxide.temperature_at(7400.0))
    assert math.isnan(carbon_dioxide.pressure_at(31.0))


def test_curves_cross_where_they_should():
    """R-134a = R-1234yf at 41.28 degC (computed with CoolProp 8.0.0)."""
    one, other = refrigerant("R-134a"), refrigerant("R-1234yf")
    assert one.pressure_at(41.28) == pytest.approx(other.pressure_at(41.28), rel=2e-5)
    assert one.pressure_at(30.0) < other.pressure_at(30.0)


def test_pressure_rises_with_temperature_and_the_inverse_returns():
    for name in REFRIGERANTS:
        fluid = refrigerant(name)
        assert (np.diff(fluid.p_kpa) > 0).all()
        t = np.linspace(-40.0, fluid.critical_degc - 0.5, 500)
        assert fluid.saturation_temperature(fluid.saturation_pressure(t)) == pytest.approx(t, abs=1e-3)


def test_the_shipped_tables_are_what_their_script_makes(tmp_path: Path):
    made = tmp_path / "saturation.npz"
    subprocess.run([sys.executable, "-m", "tests.reference.make_saturation", str(made)], cwd=ROOT, check=True)
    with np.load(made) as fresh, np.load(TABLES) as shipped:
        assert sorted(fresh.files) == sorted(shipped.files)
        for key in fresh.files:
            assert fresh[key] == pytest.approx(shipped[key], rel=1e-9)
