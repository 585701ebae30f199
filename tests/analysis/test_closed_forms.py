"""Settling and equalisation against closed forms of valves and nozzles: the tool is fed a law and says its times."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from analysis.cycling import IQR_TO_SIGMA
from analysis.equalisation import first_below, fit_decay, log_slope
from analysis.readings import MAD_TO_SIGMA
from analysis.step_response import last_outside
from tests.reference import digits_of, mutations, table

P_SUPPLY, P_AMBIENT, B, TAU_S = 700.0, 100.0, 0.3, 2.0
"""Sonic valve: kPa, kPa, critical ratio, V/(C p_ref)."""
GAMMA = 1.4
A0_M_S = math.sqrt(GAMMA * 8.314462618 / 0.0289652 * 293.15)
CHOKED = (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))
NOZZLE_S = 1e-3 / (0.8 * 1e-6 * A0_M_S * CHOKED)


def agrees(value: float, printed: str) -> bool:
    return abs(value - float(printed)) <= 0.503 * digits_of(printed)


def no_digit_can_be_altered(name: str, columns: tuple[str, ...], holds: Callable[[dict[str, str]], bool]) -> None:
    for row in table(name):
        assert holds(row), row
        assert not [changed for changed in mutations(row, columns) if holds(changed)], row


def settles(row: dict[str, str]) -> bool:
    """The last time outside the band, read by the tool off a fine trace around it."""
    band = float(row["band"])
    t = np.linspace(max(-math.log(max(band, 1e-9)) - 0.5, 0.0), -math.log(max(band, 1e-9)) + 0.5, 20_001)
    return band > 0.0 and agrees(last_outside(t, np.exp(-t), 0.0, band), row["over_tau"])


def test_a_first_order_step_leaves_each_band_for_the_last_time_when_the_table_says():
    no_digit_can_be_altered("first_order.csv", ("band", "over_tau"), settles)


def filling(t: np.ndarray) -> np.ndarray:
    """From 100 kPa: choked until b of the supply, then a quarter of a sine."""
    choked_s = TAU_S * (B - P_AMBIENT / P_SUPPLY)
    phase = np.clip((t - choked_s) / (TAU_S * (1.0 - B)), 0.0, math.pi / 2.0)
    late = P_SUPPLY * (B + (1.0 - B) * np.sin(phase))
    return np.where(t < choked_s, P_AMBIENT + P_SUPPLY * t / TAU_S, late)


def emptying(t: np.ndarray) -> np.ndarray:
    """From 700 kPa: an exponential while choked; then the time to a pressure ratio is an integral over its phase."""
    x = np.linspace(0.0, math.pi / 2.0, 20_001)
    rate = TAU_S * (1.0 - B) / (B + (1.0 - B) * np.sin(x))
    since = np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2.0 * np.diff(x))])
    choked_s = TAU_S * math.log(P_SUPPLY * B / P_AMBIENT)
    pressure = P_AMBIENT / (B + (1.0 - B) * np.sin(x))
    return np.where(t < choked_s, P_SUPPLY * np.exp(-t / TAU_S), np.interp(t - choked_s, since, pressure))


def crosses(row: dict[str, str]) -> bool:
    """The first time past the table's pressure, as the tool finds it on a fine trace of the law around that time."""
    at, level = float(row["t_s"]), float(row["p_kpa"])
    t = at + np.linspace(-2e-4, 2e-4, 40_001)
    p = filling(t) if row["way"] == "fill" else emptying(t)
    index = first_below(level - p if row["way"] == "fill" else p - level, 0.0)
    slope = abs(float(p[-1] - p[0])) / 4e-4
    return index is not None and slope > 0.0 and abs(t[index] - at) <= 2e-8 + 0.503 * digits_of(row["p_kpa"]) / slope


def test_a_sonic_valve_fills_and_empties_as_the_table_says():
    no_digit_can_be_altered("sonic_valve.csv", ("t_s", "p_kpa"), crosses)


def test_the_subsonic_part_of_a_discharge_takes_its_integral():
    def holds(row: dict[str, str]) -> bool:
        b = float(row["b"])
        last = (
            quad(lambda x: (1.0 - b) / (b + (1.0 - b) * math.sin(x)), 0.0, math.pi / 2.0)[0] if 0.0 < b < 1.0 else 0.0
        )
        return agrees(last, row["over_tau"])

    no_digit_can_be_altered("subsonic_discharge.csv", ("b", "over_tau"), holds)


def test_the_fit_finds_the_choked_part_and_says_that_the_rest_is_faster():
    t = np.arange(0.0, 4.2, 0.01)
    p = emptying(t)
    choked = t < TAU_S * math.log(P_SUPPLY * B / P_AMBIENT)
    assert log_slope(t[choked], p[choked]).value == pytest.approx(TAU_S, rel=1e-9)
    decay = fit_decay(t, p - P_AMBIENT, P_SUPPLY - P_AMBIENT)
    assert decay.early_s.value > decay.late_s.value  # type: ignore[operator]
    assert decay.misfit is not None
    assert decay.misfit > 0.01


def blown(row: dict[str, str]) -> bool:
    t = float(row["t_s"]) / NOZZLE_S
    cooled = 1.0 + (GAMMA - 1.0) / 2.0 * t
    got = (math.exp(-t), cooled ** (-2.0 * GAMMA / (GAMMA - 1.0)), cooled**-2.0)
    return all(agrees(v, row[name]) for v, name in zip(got, ("isothermal", "adiabatic", "temperature"), strict=True))


def test_a_nozzle_blows_down_as_the_table_says_and_the_fit_tells_heat_from_none():
    """An isothermal blow-down is one exponential with 6.293 s; an adiabatic one is faster at first and bends."""
    assert pytest.approx(6.2931199, rel=1e-5) == NOZZLE_S
    no_digit_can_be_altered("blow_down.csv", ("t_s", "isothermal", "adiabatic", "temperature"), blown)
    t = np.arange(0.0, 30.0, 0.02)
    isothermal = fit_decay(t, np.exp(-t / NOZZLE_S), 1.0)
    assert isothermal.constant_s.value == pytest.approx(NOZZLE_S, rel=1e-6)
    assert isothermal.r2 == pytest.approx(1.0)
    cold = fit_decay(t, (1.0 + 0.2 * t / NOZZLE_S) ** -7.0, 1.0)
    assert cold.early_s.value < cold.late_s.value < NOZZLE_S  # type: ignore[operator]
    assert cold.misfit > 0.001  # type: ignore[operator]


def test_spreads_are_scaled_by_the_quantiles_of_the_normal():
    """Median absolute deviation and interquartile range; [1, 1, 2, 2, 4, 6, 9]: median 2, MAD 1."""
    assert pytest.approx(1.0 / norm.ppf(0.75), rel=1e-12) == MAD_TO_SIGMA
    assert pytest.approx(0.5 / norm.ppf(0.75), rel=1e-12) == IQR_TO_SIGMA
    values = np.array([1, 1, 2, 2, 4, 6, 9])
    assert MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values)))) == pytest.approx(1.482602, abs=1e-6)
