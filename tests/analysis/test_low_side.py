"""Faults of the low side and of the compressor on made traces: each kind beside what looks alike and is another."""

import numpy as np
import pytest

from analysis.diagnose import diagnose
from analysis.findings import Findings
from tests.analysis.made import recording_of

STEP_S = 0.25
SECONDS = 700.0
ON_S = 20.0


def seconds() -> np.ndarray:
    """Times of the readings."""
    return np.arange(0.0, SECONDS, STEP_S)


def between(t: np.ndarray, start: float, end: float, tau_s: float) -> np.ndarray:
    """0, toward 1 from start, toward 0 from end, each with a time constant."""
    up = np.where(t >= start, 1.0 - np.exp(-np.maximum(t - start, 0.0) / tau_s), 0.0)
    down = np.where(t >= end, np.exp(-np.maximum(t - end, 0.0) / tau_s), 1.0)
    return up * down


def findings(columns: dict[str, np.ndarray], *, speed: bool = True, rpm: float = 1500.0, **job: object) -> Findings:
    """Analyse made readings, with noise on them, of an engine whose speed may have been recorded."""
    t, rng = seconds(), np.random.default_rng(8)
    noisy = {
        name: values
        if name.startswith("low_side")
        else values + rng.normal(0.0, 1.0 if "kPa" in name else 0.08, len(t))
        for name, values in columns.items()
    }
    marks = [{"time_s": ON_S, "kind": "engine_on", "text": ""}, {"time_s": ON_S + 1.0, "kind": "ac_on", "text": ""}]
    if speed:
        noisy["engine_speed [1/min]"] = np.where(t >= ON_S, rpm, 0.0) + rng.normal(0.0, 4.0, len(t)) * (t >= ON_S)
    return diagnose(recording_of(t, noisy, marks=marks, **job), "test")


def weakened(
    tau_s: float, *, stuck: bool = False, lost_kpa: tuple[float, float] = (110.0, 380.0)
) -> dict[str, np.ndarray]:
    """From 300 to 400 s the compressor holds little more than half its lift; it goes and comes with ``tau_s``."""
    t = seconds()
    rest = np.exp(-np.maximum(t - ON_S, 0.0) / 8.0)
    lost = between(t, 300.0, 400.0, tau_s)
    low = 200.0 + 500.0 * rest + lost_kpa[0] * lost + np.random.default_rng(9).normal(0.0, 0.8, len(t))
    if stuck:
        low[(t >= 300.0) & (t < 420.0)] = 310.0
    return {
        "low_side [kPa]": low,
        "high_side [kPa]": 1400.0 - 700.0 * rest - lost_kpa[1] * lost,
        "vent [degC]": 10.0 + 25.0 * np.exp(-np.maximum(t - ON_S, 0.0) / 30.0) + 9.0 * between(t, 300.0, 400.0, 8.0),
        "ambient [degC]": np.full(len(t), 35.0),
    }


def kinds(found: Findings) -> set[str]:
    """Kinds of the episodes, without those of a sensor."""
    return {episode.kind for episode in found.episodes} - {"sensor_fault"}


@pytest.mark.parametrize(("tau_s", "kind"), [(0.3, "compressor_dropout"), (6.0, "weak_pumping")])
def test_a_clutch_slips_at_once_and_a_control_valve_moves_in_seconds(tau_s: float, kind: str):
    found = findings(weakened(tau_s), compressor="variable_internal")
    assert kinds(found) == {kind}
    assert found.episodes[0].start_s == pytest.approx(300.0, abs=6.0)
    assert found.episodes[0].end_s == pytest.approx(400.0, abs=12.0)


def test_a_low_side_that_stands_still_tells_no_slip():
    found = findings(weakened(0.3, stuck=True), compressor="cycling_clutch")
    assert "compressor_dropout" not in {e.kind for e in found.episodes if e.start_s > 250.0}


@pytest.mark.parametrize(("tau_s", "lost_kpa", "weak"), [(6.0, (110.0, 380.0), True), (60.0, (180.0, 600.0), False)])
def test_a_lift_that_stands_shows_that_the_compressor_was_driven_and_one_that_only_falls_does_not(
    tau_s: float, lost_kpa: tuple[float, float], weak: bool
):
    """Nothing recorded tells of clutch or engine."""
    rolling = {"vehicle_speed [km/h]": np.full(len(seconds()), 50.0)}
    found = findings(weakened(tau_s, lost_kpa=lost_kpa) | rolling, speed=False, compressor="variable_external")
    assert ("weak_pumping" in kinds(found)) is weak


@pytest.mark.parametrize(("lost_kpa", "weak"), [((80.0, 270.0), False), ((150.0, 650.0), True)])
def test_a_loss_beyond_what_a_slower_engine_takes_needs_no_speed(lost_kpa: tuple[float, float], weak: bool):
    t = seconds()
    columns = weakened(6.0, lost_kpa=lost_kpa) | {"return_air [degC]": np.full(len(t), 30.0)}
    found = findings(columns, compressor="variable_external", speed=False)
    said = next(check for check in found.checks if check.kind == "weak_pumping")
    assert said.state == ("present" if weak else "undecided")


@pytest.mark.parametrize(("low_kpa", "weak"), [(330.0, True), (180.0, False)])
def test_a_starved_evaporator_lifts_as_little_as_a_weak_compressor_and_is_cold(low_kpa: float, weak: bool):
    t = seconds()
    rest = np.exp(-np.maximum(t - ON_S, 0.0) / 8.0)
    high = 2.1 * (low_kpa + 101.3) - 101.3
    columns = {
        "low_side [kPa]": low_kpa + (480.0 - low_kpa) * rest + np.random.default_rng(9).normal(0.0, 0.8, len(t)),
        "high_side [kPa]": high + (480.0 - high) * rest,
        "vent [degC]": 15.0 + 10.0 * np.exp(-np.maximum(t - ON_S, 0.0) / 30.0),
        "ambient [degC]": np.full(len(t), 22.0),
    }
    assert ("weak_pumping" in kinds(findings(columns))) is weak


@pytest.mark.parametrize(("vent_degc", "weak"), [(25.0, True), (9.0, False)])
def test_vents_that_never_were_cold_need_not_warm_and_cold_ones_tell_of_little_demand(vent_degc: float, weak: bool):
    columns = weakened(6.0, lost_kpa=(150.0, 500.0))
    columns["vent [degC]"] = vent_degc + 10.0 * np.exp(-np.maximum(seconds() - ON_S, 0.0) / 30.0)
    found = findings(columns, compressor="variable_external")
    assert ("weak_pumping" in kinds(found)) is weak


def loaded(high_kpa: float) -> dict[str, np.ndarray]:
    """A hot day: from 250 to 500 s a halt loads the evaporator fully; else it cools well."""
    t = seconds()
    rest, halt = np.exp(-np.maximum(t - ON_S, 0.0) / 8.0), between(t, 250.0, 500.0, 6.0)
    return {
        "low_side [kPa]": 260.0 + 500.0 * rest + 100.0 * halt + np.random.default_rng(9).normal(0.0, 0.8, len(t)),
        "high_side [kPa]": 1130.0 - 370.0 * rest + (high_kpa - 1130.0) * halt,
        "vent [degC]": 12.0 + 25.0 * np.exp(-np.maximum(t - ON_S, 0.0) / 30.0) + 9.0 * halt,
        "ambient [degC]": np.full(len(t), 36.0),
    }


@pytest.mark.parametrize(
    ("high_kpa", "rpm", "weak"), [(1130.0, 1500.0, True), (1500.0, 1500.0, False), (1130.0, 760.0, False)]
)
def test_under_full_load_a_good_compressor_heats_the_condenser_if_the_engine_turns(
    high_kpa: float, rpm: float, weak: bool
):
    """Evaporating at 13 degC, condensing 11 or 21 K over ambient (R-134a by NIST SRD 69)."""
    assert ("weak_pumping" in kinds(findings(loaded(high_kpa), rpm=rpm))) is weak


def test_a_compressor_that_lifts_well_at_its_best_is_not_weak_where_the_load_is_high():
    columns = loaded(1130.0)
    columns["low_side [kPa]"] -= 90.0 * ~((seconds() > 250.0) & (seconds() < 515.0))
    assert "weak_pumping" not in kinds(findings(columns))


def test_little_lift_from_warm_vents_is_not_called_good_without_the_outside_air():
    columns = {name: values for name, values in loaded(1130.0).items() if not name.startswith("ambient")}
    columns["low_side [kPa]"] += 60.0
    got = findings(columns, compressor="variable_external")
    said = next(check for check in got.checks if check.kind == "weak_pumping")
    assert (said.state, said.missing) == ("undecided", ("ambient",))


def starved(fall_s: float, fall_kpa: float = 270.0) -> dict[str, np.ndarray]:
    """At 300 s the low side begins to fall, within ``fall_s``; at 600 s it is free again."""
    t = seconds()
    rest = np.exp(-np.maximum(t - ON_S, 0.0) / 8.0)
    share = np.clip((t - 300.0) / fall_s, 0.0, 1.0) * (t < 600.0)
    return {
        "low_side [kPa]": 200.0 + 500.0 * rest - fall_kpa * share + np.random.default_rng(9).normal(0.0, 0.8, len(t)),
        "high_side [kPa]": 1400.0 - 700.0 * rest - 300.0 * between(t, 300.0, 600.0, 15.0),
        "vent [degC]": 8.0 + 25.0 * np.exp(-np.maximum(t - ON_S, 0.0) / 30.0) + 14.0 * between(t, 300.0, 600.0, 30.0),
        "ambient [degC]": np.full(len(t), 30.0),
    }


@pytest.mark.parametrize(("fall_s", "dives"), [(3.0, True), (270.0, False)])
def test_ice_closes_a_valve_within_seconds_and_what_takes_minutes_is_something_else(fall_s: float, dives: bool):
    assert ("moisture_freeze" in kinds(findings(starved(fall_s)))) is dives


@pytest.mark.parametrize(
    ("fall_kpa", "ambient_degc", "kind"),
    [(270.0, 30.0, "moisture_freeze"), (195.0, 30.0, "restriction"), (195.0, 44.0, "moisture_freeze")],
)
def test_ice_leaves_a_vacuum_and_no_heat_and_a_narrow_place_a_level_and_some_heat(
    fall_kpa: float, ambient_degc: float, kind: str
):
    columns = starved(3.0, fall_kpa) | {"ambient [degC]": np.full(len(seconds()), ambient_degc)}
    found = findings(columns)
    assert kinds(found) == {kind}
    assert found.episodes[0].start_s == pytest.approx(300.0, abs=5.0)
    assert found.episodes[0].end_s == pytest.approx(600.0, abs=5.0)


def held_up(*, fed_again: bool) -> dict[str, np.ndarray]:
    """From 300 to 500 s the vents warm while a stepless compressor holds its low side; then it leaps up, or not."""
    t = seconds()
    rest = np.exp(-np.maximum(t - ON_S, 0.0) / 8.0)
    leap = np.where(t >= 500.0, np.exp(-np.maximum(t - 500.0, 0.0) / 12.0), 0.0) * 110.0 * fed_again
    return {
        "low_side [kPa]": 210.0 + 500.0 * rest + leap + np.random.default_rng(9).normal(0.0, 0.8, len(t)),
        "high_side [kPa]": 1200.0 - 500.0 * rest - 200.0 * between(t, 300.0, 500.0, 10.0),
        "vent [degC]": 9.0 + 25.0 * np.exp(-np.maximum(t - ON_S, 0.0) / 30.0) + 9.0 * between(t, 300.0, 500.0, 12.0),
        "ambient [degC]": np.full(len(t), 32.0),
    }


@pytest.mark.parametrize("fed_again", [True, False])
def test_a_stepless_compressor_that_is_fed_again_leaps_up_and_a_moved_air_door_does_not(fed_again: bool):
    found = findings(held_up(fed_again=fed_again), compressor="variable_external")
    assert ("restriction" in kinds(found)) is fed_again
    assert "moisture_freeze" not in kinds(found)


def cycled(
    plugged_at: int | None, switch_kpa: tuple[float, float] = (150.0, 300.0), coil_kpa: float = 620.0
) -> dict[str, np.ndarray]:
    """A system on a low-side switch; after one stop hardly anything passes the orifice for a while.

    At rest the low side comes up toward saturation at the coil's temperature.
    """
    t = seconds()
    low, high, vent, on, stops, slow = 600.0, 620.0, 30.0, False, 0, False
    rows: list[tuple[float, float, float]] = []
    for now in t:
        was, on = on, now >= ON_S and (low > switch_kpa[0] if on else low > switch_kpa[1])
        stops += was and not on
        slow = (slow or stops == plugged_at) and not (slow and on)
        plugged_at = None if stops == plugged_at else plugged_at
        low += (
            STEP_S / 8.0 * (switch_kpa[0] - 60.0 - low) if on else STEP_S / (150.0 if slow else 8.0) * (coil_kpa - low)
        )
        high += STEP_S / 10.0 * ((1350.0 if on else 700.0) - high)
        vent += STEP_S / 25.0 * ((6.0 if not slow else 30.0) - vent)
        rows.append((low, high, vent))
    lows, highs, vents = np.array(rows).T
    return {
        "low_side [kPa]": lows + np.random.default_rng(2).normal(0.0, 0.8, len(t)),
        "high_side [kPa]": highs,
        "vent [degC]": vents,
        "ambient [degC]": np.full(len(t), 28.0),
    }


@pytest.mark.parametrize(("plugged_at", "found"), [(None, 0), (12, 1)])
def test_a_plugged_orifice_lets_the_low_side_rise_many_times_more_slowly(plugged_at: int | None, found: int):
    """The pressure switch cut the dive short; it waits for its cut-in, which takes a minute instead of seconds."""
    got = findings(cycled(plugged_at), metering="fixed_orifice")
    assert len([e for e in got.episodes if e.kind == "moisture_freeze"]) == found
    assert kinds(got) <= {"moisture_freeze"}


@pytest.mark.parametrize("leave_out", [(), ("vent [degC]",)])
@pytest.mark.parametrize(
    ("switch_kpa", "coil_kpa", "ices"), [((60.0, 150.0), 170.0, True), ((60.0, 230.0), 260.0, False)]
)
def test_a_control_that_starts_again_below_freezing_never_lets_ice_thaw(
    switch_kpa: tuple[float, float], coil_kpa: float, ices: bool, leave_out: tuple[str, ...]
):
    """R-134a boils at 0 degC at 191 kPa gauge (NIST SRD 69): one control restarts at -5 degC, one at 4 degC."""
    columns = cycled(None, switch_kpa, coil_kpa)
    got = findings({name: values for name, values in columns.items() if name not in leave_out})
    assert bool([e for e in got.episodes if e.kind == "evaporator_icing"]) is ices
    if leave_out and not ices:
        said = next(check for check in got.checks if check.kind == "evaporator_icing")
        assert (said.state, said.missing) == ("undecided", ("vent",))


def cycling_valve(*, hunts: bool) -> dict[str, np.ndarray]:
    """A compressor that runs 30 s of 40 s; from 250 to 500 s the low side dips within each run, if it hunts."""
    t = seconds()
    phase = np.mod(t - ON_S, 40.0)
    on = (t >= ON_S) & (phase < 30.0)
    dips = on & (np.abs(phase - 14.0) < 4.5) & (t > 250.0) & (t < 500.0) & hunts
    low, high, vent, rows = 600.0, 620.0, 30.0, []
    for running, dip in zip(on, dips, strict=True):
        low += STEP_S / 2.5 * ((5.0 if dip else 195.0 if running else 330.0) - low)
        high += STEP_S / 10.0 * ((1350.0 if running else 900.0) - high)
        vent += STEP_S / 25.0 * (9.0 - vent)
        rows.append((low, high, vent))
    lows, highs, vents = np.array(rows).T
    return {
        "low_side [kPa]": lows + np.random.default_rng(2).normal(0.0, 0.8, len(t)),
        "high_side [kPa]": highs,
        "vent [degC]": vents,
        "ambient [degC]": np.full(len(t), 28.0),
        "clutch [V]": np.where(on, 13.8, 0.0),
    }


@pytest.mark.parametrize("hunts", [True, False])
def test_a_valve_that_hunts_shows_though_the_compressor_cycles(hunts: bool):
    got = [e for e in findings(cycling_valve(hunts=hunts)).episodes if e.kind == "valve_hunting"]
    assert len(got) == hunts
    if got:
        assert got[0].start_s == pytest.approx(250.0, abs=25.0)
        assert got[0].end_s == pytest.approx(500.0, abs=25.0)
