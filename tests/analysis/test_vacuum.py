"""Vacuum holds made from the physics of a leak, of boiling water and of oil that gives off gas."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from analysis.diagnose import diagnose
from analysis.findings import VacuumHold
from analysis.vacuum import water_saturation_pa
from tests.analysis.made import recording_of
from tests.reference import digits_of, mutations, table

PUMP_S, HOLD_S = 300.0, 900.0
BASE_PA, ATMOSPHERE_PA = 40.0, 101_325.0


def agrees(row: dict[str, str]) -> bool:
    """The table is the full equation of state, rounded; the short equation stays within 0.01 % of that."""
    t = float(row["t_degc"])
    full = PropsSI("P", "T", t + 273.15, "Q", 0.0, "Water")
    printed = abs(full - float(row["p_pa"])) <= 0.501 * digits_of(row["p_pa"])
    return printed and water_saturation_pa(t) == pytest.approx(full, rel=1e-4)


def test_water_boils_where_the_table_says_and_no_digit_of_a_pressure_can_be_altered():
    for row in table("water_saturation.csv"):
        assert agrees(row)
        assert not any(agrees(changed) for changed in mutations(row, ("p_pa",)))


def leak(t: np.ndarray, pa_per_minute: float) -> np.ndarray:
    """Air at the speed of sound until about half the atmosphere, then ever slower (ISO 6358 with b = 0.5)."""
    pa = np.full(len(t), BASE_PA)
    for k in range(1, len(t)):
        ratio = pa[k - 1] / ATMOSPHERE_PA
        choked = 1.0 if ratio < 0.5 else np.sqrt(max(1.0 - ((ratio - 0.5) / 0.5) ** 2, 0.0))
        pa[k] = pa[k - 1] + pa_per_minute / 60.0 * choked * (t[k] - t[k - 1])
    return pa


def rising_to(t: np.ndarray, plateau_pa: float, tau_s: float) -> np.ndarray:
    return plateau_pa - (plateau_pa - BASE_PA) * np.exp(-t / tau_s)


def hold(
    rise: np.ndarray, *, noise_pa: float = 2.0, place: str = "vacuum [kPaa]", step_pa: float = 1.0, note: bool = True
) -> VacuumHold:
    """A pump-down of five minutes, then the rise, at 1 Hz in 20 degC."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, PUMP_S + HOLD_S, 1.0)
    down = np.maximum(ATMOSPHERE_PA * np.exp(-t[t < PUMP_S] / 15.0), BASE_PA)
    pa = np.concatenate([down, rise]) + rng.normal(0.0, noise_pa, len(t))
    kpa = np.round(pa / step_pa) * step_pa / 1e3
    if "kPaa" not in place:
        kpa = kpa - 101.325
    marks = [{"time_s": 0.0, "kind": "vacuum"}]
    marks += [{"time_s": PUMP_S, "kind": "note", "text": "Pump off"}] if note else []
    ambient = 20.0 + rng.normal(0.0, 0.05, len(t))
    (one,) = diagnose(recording_of(t, {place: kpa, "ambient [degC]": ambient}, marks=marks), "test").vacuum
    return one


AFTER = np.arange(0.0, HOLD_S, 1.0)


@pytest.mark.parametrize("note", [True, False])
@pytest.mark.parametrize(
    ("reading", "rise"),
    [
        ("leak", leak(AFTER, 30.0)),
        ("leak", leak(AFTER, 400.0)),
        ("leak", leak(AFTER, 20_000.0)),
        ("moisture", rising_to(AFTER, 0.9 * 2339.3, 180.0)),
        ("moisture", rising_to(AFTER, 0.75 * 2339.3, 90.0)),
        ("outgassing", rising_to(AFTER, 260.0, 150.0)),
    ],
)
def test_the_rise_tells_a_leak_from_water_and_from_gas_of_the_oil(reading: str, rise: np.ndarray, note: bool):
    one = hold(rise, note=note)
    assert (one.reading, one.says) == (reading, one.says)
    assert abs(one.start_s - PUMP_S) < 20.0


def test_a_tight_circuit_is_tight_only_where_the_pumps_end_is_known():
    rise = np.full(len(AFTER), BASE_PA) + AFTER / 60.0
    assert hold(rise).reading == "tight"
    unknown = hold(rise, note=False)
    assert unknown.reading == "cannot_tell"


def test_the_rate_of_a_leak_and_the_plateau_of_water_lie_inside_their_u95():
    late = hold(leak(AFTER, 120.0)).late_pa_per_minute
    assert late.value is not None
    assert late.u95 is not None
    assert abs(late.value - 120.0) <= late.u95 < 2.0
    plateau = hold(rising_to(AFTER, 2000.0, 150.0)).plateau_pa
    assert plateau.value is not None
    assert plateau.u95 is not None
    assert abs(plateau.value - 2000.0) <= plateau.u95


def test_a_coarse_transducer_tells_a_gross_leak_and_nothing_finer():
    """A low-side transducer in steps of 0.7 kPa, gauge."""
    coarse = {"place": "low_side [kPa]", "noise_pa": 500.0, "step_pa": 700.0}
    assert hold(leak(AFTER, 3000.0), **coarse).reading == "leak"  # type: ignore[arg-type]
    fine = hold(rising_to(AFTER, 260.0, 150.0), **coarse)  # type: ignore[arg-type]
    assert fine.reading == "cannot_tell"
    assert "does not resolve" in fine.says


def test_a_leak_that_has_just_begun_to_bend_is_not_guessed():
    """Half a leak, half gas of the oil."""
    one = hold(leak(AFTER, 12.0) + rising_to(AFTER, 200.0, 250.0) - BASE_PA)
    assert one.reading == "cannot_tell"
