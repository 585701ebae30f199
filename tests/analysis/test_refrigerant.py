"""Saturation against the papers' tables, independent equations, older handbooks and CoolProp itself."""

import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from analysis.diagnose import diagnose
from analysis.refrigerant import TABLES, Refrigerant, refrigerant
from recorder.jobsheet import REFRIGERANTS
from tests.analysis.made import recording_of
from tests.conftest import ROOT
from tests.reference import digits_of, mutations, table

COOLPROP = {"R-134a": "R134a", "R-1234yf": "R1234yf", "R-152a": "R152A", "R-744": "CO2"}


KPA_IN_PSI = 6.894757293168
ATMOSPHERE_KPA = 101.325


def agrees(value: float, printed: str, within: float = 0.5003) -> bool:
    """Whether a value rounds to the printed digits, within so many units of the last."""
    return abs(value - float(printed)) <= within * digits_of(printed)


def paper_agrees(row: dict[str, str]) -> bool:
    got_mpa = refrigerant(row["refrigerant"]).pressure_at(float(row["t_k"]) - 273.15) / 1e3
    return agrees(got_mpa, row["p_mpa"])


@pytest.mark.parametrize("row", table("saturation_papers.csv"), ids=lambda row: f"{row['refrigerant']} {row['t_k']} K")
def test_saturation_pressure_is_the_papers_to_the_last_printed_digit(row: dict[str, str]):
    """Tillner-Roth & Baehr 1994, Span & Wagner 1996, Outcalt & McLinden 1996; source in the table's header."""
    assert paper_agrees(row)


def pressure_agrees(row: dict[str, str]) -> bool:
    """A row of the table of pressures: both scales of temperature, absolute and gauge, both units."""
    fluid, degc = refrigerant(row["refrigerant"]), float(row["t_degc"])
    kpa = fluid.pressure_at(degc)
    gauge = kpa - ATMOSPHERE_KPA
    return (
        agrees(1.8 * degc + 32.0, row["t_degf"])
        and agrees(kpa, row["p_kpa"])
        and agrees(gauge, row["gauge_kpa"])
        and agrees(kpa / KPA_IN_PSI, row["p_psi"])
        and agrees(gauge / KPA_IN_PSI, row["gauge_psi"])
        and (not row["slope_kpa_k"] or agrees(slope_at(fluid, degc), row["slope_kpa_k"], 0.51))
    )


def slope_at(fluid: Refrigerant, degc: float) -> float:
    """dp/dT from the table's neighbours at 0.1, 0.2 and 0.3 K (seven-point difference)."""
    one, two, three = (fluid.pressure_at(degc + 0.1 * k) - fluid.pressure_at(degc - 0.1 * k) for k in (1, 2, 3))
    return (45.0 * one - 9.0 * two + three) / 6.0


@pytest.mark.parametrize(
    "row", table("saturation_pressures.csv"), ids=lambda row: f"{row['refrigerant']} {row['t_degc']}"
)
def test_saturation_pressure_at_round_temperatures(row: dict[str, str]):
    assert pressure_agrees(row)


FLUID_COLUMNS = ("R-134a", "R-1234yf", "R-152a", "R-744")


def temperature_agrees(row: dict[str, str]) -> bool:
    kpa = float(row["p_kpa"])
    printed = [(name, row[name]) for name in FLUID_COLUMNS if row[name]]
    same = agrees(kpa / KPA_IN_PSI, row["p_psi"])
    return same and all(agrees(refrigerant(name).temperature_at(kpa), text) for name, text in printed)


@pytest.mark.parametrize("row", table("saturation_temperatures.csv"), ids=lambda row: row["p_kpa"])
def test_saturation_temperature_at_round_pressures(row: dict[str, str]):
    assert temperature_agrees(row)


def equation_kpa(row: dict[str, str], t_k: np.ndarray) -> np.ndarray:
    """An ancillary vapour-pressure equation evaluated here from its published coefficients."""
    tc = float(row["tc_k"])
    theta = 1.0 - t_k / tc
    with np.errstate(invalid="ignore"):  # an altered Tc may lie under t_k: then there is no number
        terms = sum(float(n) * theta ** float(t) for n, t in zip(row["n"].split(), row["t"].split(), strict=True))
    return float(row["pc_pa"]) / 1e3 * np.exp(tc / t_k * terms)


@pytest.mark.parametrize("row", table("vapour_pressure_equations.csv"), ids=lambda row: row["id"])
def test_saturation_pressure_agrees_with_an_independent_equation(row: dict[str, str]):
    t_degc = np.arange(float(row["t_low_degc"]), float(row["t_high_degc"]) + 0.01, 0.5)
    got = refrigerant(row["refrigerant"]).saturation_pressure(t_degc)
    assert np.abs(got / equation_kpa(row, t_degc + 273.15) - 1.0).max() * 100 < float(row["tolerance_percent"])


def equation_checks(row: dict[str, str]) -> bool:
    """Whether an equation gives its check values to their last digit."""
    checks = [check for check in table("vapour_pressure_checks.csv") if check["id"] == row["id"]]
    return len(checks) == 3 and all(check_agrees(check, row) for check in checks)


def check_agrees(check: dict[str, str], row: dict[str, str]) -> bool:
    return agrees(1e3 * float(equation_kpa(row, np.array([float(check["t_k"])]))[0]), check["p_pa"])


@pytest.mark.parametrize("row", table("vapour_pressure_equations.csv"), ids=lambda row: row["id"])
def test_the_equations_give_their_check_values(row: dict[str, str]):
    assert equation_checks(row)


def test_the_worked_example_of_equation_a1():
    """R-134a at 298.15 K by Tillner-Roth & Baehr's ancillary: 665 339.63 Pa, 62 ppm below the equation of state."""
    row = table("vapour_pressure_equations.csv")[0]
    assert 1e3 * float(equation_kpa(row, np.array([298.15]))[0]) == pytest.approx(665339.63, abs=0.005)
    assert refrigerant("R-134a").pressure_at(25.0) == pytest.approx(665.33963, rel=1e-4)


def handbook_agrees(row: dict[str, str]) -> bool:
    got = refrigerant("R-134a").temperature_at(100.0 * float(row["p_bar"]))
    return agrees(float(row["t_degc"]) - got, row["differs_k"])


@pytest.mark.parametrize("row", table("handbook_r134a.csv"), ids=lambda row: f"{row['source']} {row['p_bar']} bar")
def test_older_handbooks_differ_by_what_is_known(row: dict[str, str]):
    assert handbook_agrees(row)


@pytest.mark.parametrize(
    ("name", "columns", "holds"),
    [
        ("saturation_papers.csv", ("t_k", "p_mpa"), paper_agrees),
        (
            "saturation_pressures.csv",
            ("t_degc", "t_degf", "p_kpa", "gauge_kpa", "p_psi", "gauge_psi", "slope_kpa_k"),
            pressure_agrees,
        ),
        ("saturation_temperatures.csv", ("p_kpa", "p_psi", *FLUID_COLUMNS), temperature_agrees),
        ("vapour_pressure_equations.csv", ("tc_k", "pc_pa", "n", "t"), equation_checks),
        ("handbook_r134a.csv", ("p_bar", "t_degc", "differs_k"), handbook_agrees),
    ],
)
def test_no_digit_of_a_table_can_be_altered_unnoticed(
    name: str, columns: tuple[str, ...], holds: Callable[[dict[str, str]], bool]
):
    for row in table(name):
        unnoticed = [changed for changed in mutations(row, columns) if holds(changed)]
        assert not unnoticed


def test_no_digit_of_the_equations_check_values_can_be_altered_unnoticed():
    rows = {row["id"]: row for row in table("vapour_pressure_equations.csv")}
    for check in table("vapour_pressure_checks.csv"):
        assert not [c for c in mutations(check, ("t_k", "p_pa")) if check_agrees(c, rows[check["id"]])]


@pytest.mark.parametrize("name", REFRIGERANTS)
def test_the_table_stays_within_1_mk_and_a_ten_thousandth_of_coolprop(name: str):
    """CoolProp 8, by PropsSI and not by its ancillary, which is wrong for R-1234yf."""
    fluid = refrigerant(name)
    t = np.random.default_rng(3).uniform(-50.0, min(fluid.critical_degc, 90.0) - 0.2, 300)
    p = PropsSI("P", "T", t + 273.15, "Q", 1, COOLPROP[name]) / 1e3
    assert np.abs(fluid.saturation_temperature(p) - t).max() < 1e-3
    assert np.abs(fluid.saturation_pressure(t) / p - 1.0).max() < 1e-4


@pytest.mark.parametrize("length", [0, 1, 16384, 16385, 50_000])
def test_a_trace_of_any_length_is_looked_up_reading_by_reading(length: int):
    """Pieces join without a seam; a missing reading stays missing."""
    p = np.random.default_rng(5).uniform(10.0, 4500.0, length)
    p[::7] = np.nan
    fluid = refrigerant("R-134a")
    got = fluid.saturation_temperature(p)
    expected = np.interp(p, fluid.p_kpa, fluid.t_degc, left=np.nan, right=np.nan)
    assert np.isnan(got).tolist() == np.isnan(expected).tolist()
    assert got == pytest.approx(expected, abs=1e-3, nan_ok=True)


def test_above_the_critical_point_there_is_no_saturation():
    """R-744: 30.9782 degC, 7377.3 kPa (Span & Wagner 1996). No number is better than an extrapolated one."""
    carbon_dioxide = refrigerant("R-744")
    assert carbon_dioxide.none_at(7400.0) is not None
    assert "above the critical point of R-744 (7.37 MPa" in carbon_dioxide.none_at(7400.0)  # type: ignore[operator]
    assert carbon_dioxide.none_at(5000.0) is None
    assert "the table of R-744 ends" in carbon_dioxide.none_at(100.0)  # type: ignore[operator]
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


def test_a_carbon_dioxide_system_on_a_hot_day_is_told_to_have_no_condensing_temperature():
    """High side at 9 MPa: nothing condenses; the row says so and gives no median of the few readings that do."""
    t = np.arange(0.0, 600.0, 1.0)
    high = np.where(t < 60.0, 6000.0, 9000.0)
    columns = {"low_side [kPaa]": np.full(len(t), 3500.0), "high_side [kPaa]": high, "ambient [degC]": 0.0 * t + 35.0}
    recording = recording_of(t, columns, refrigerant="R-744", compressor="variable_external")
    rows = {row.quantity: row for row in diagnose(recording, "test").expected}
    over = rows["condensing over ambient"]
    assert over.state == "not measured"
    assert "above the critical point of R-744" in (over.measured.why or "")
    assert rows["evaporating temperature"].measured.value == pytest.approx(0.2, abs=0.2)
