"""Coverage against Monte Carlo, on made drives whose fault lives where we put it."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.case import Case, case_of
from analysis.coverage import coverage_of, exposure_of, missed_by_look, missed_interval, spells_of, union
from analysis.findings import Episode
from analysis.rates import NOTHING_SEEN_95, missed_in_turn
from analysis.timeline import timeline_of
from tests.analysis.made import recording_of

spans = st.lists(
    st.tuples(st.floats(0, 3000), st.floats(0.5, 300)).map(lambda p: (p[0], min(p[0] + p[1], 3300.0))),
    min_size=1,
    max_size=6,
)


@given(spans, st.sampled_from([120.0, 300.0, 600.0]))
def test_the_chance_to_miss_is_what_random_looks_find(faults: list[tuple[float, float]], look: float):
    duration = 3600.0
    starts = np.random.default_rng(9).uniform(0.0, duration - look, 4000)
    hit = np.zeros(len(starts), np.bool_)
    for a, b in faults:
        hit |= (starts < b) & (starts + look > a)
    chance = missed_by_look(faults, duration, look)
    assert chance == pytest.approx(1.0 - hit.mean(), abs=0.035)


def test_strictly_periodic_faults_follow_their_formula():
    """Model C: P(see) = min(1, (w + d)/P); P 300 s, d 5 s, w 60 s: 0.216667 (edges of the recording aside)."""
    faults = [(300.0 * k + 150.0, 300.0 * k + 155.0) for k in range(100)]
    chance = missed_by_look(faults, 30_000.0, 60.0)
    assert 1.0 - (chance or 0.0) == pytest.approx(0.216667, abs=0.001)


@given(spans)
def test_union_covers_the_same_seconds_without_overlap(faults: list[tuple[float, float]]):
    joined = union(faults)
    assert all(a[1] < b[0] for a, b in pairwise(joined))
    probe = np.linspace(0.0, 3400.0, 997)
    inside = lambda parts: np.any([(probe >= a) & (probe <= b) for a, b in parts], axis=0)  # noqa: E731
    assert (inside(joined) == inside(faults)).all()


def test_a_look_longer_than_the_recording_has_no_chance():
    assert missed_by_look([(1.0, 2.0)], 100.0, 120.0) is None


def test_the_interval_holds_the_truth_of_such_drives_95_times_in_100():
    """2000 drives of an hour by an alternating renewal process (U 500 s, exponential faults of mean 40 s)."""
    rng = np.random.default_rng(12)
    between, lasting, look, duration = 500.0, 40.0, 300.0, 3600.0
    truth, inside, drives = missed_in_turn(between, lasting, look), 0, 0
    while drives < 2000:
        good, bad = rng.exponential(between, 60), rng.exponential(lasting, 60)
        starts = np.cumsum(good + np.concatenate([[0.0], bad[:-1]]))
        faults = [(a, min(a + b, duration)) for a, b in zip(starts, bad, strict=True) if a < duration]
        if not faults:
            continue
        chance = missed_by_look(faults, duration, look)
        assert chance is not None
        low, high = missed_interval(chance, faults, duration, look)
        inside, drives = inside + (low <= truth <= high), drives + 1
    assert 0.94 <= inside / drives <= 1.0


def drive(minutes: float = 60.0, **job: object) -> Case:
    """A drive that stands 2 of every 10 minutes, hotter from hour to hour, cooling on throughout."""
    t = np.arange(0.0, 60.0 * minutes, 1.0)
    speed = np.where(t % 600.0 >= 480.0, 0.0, 50.0)
    columns = {
        "low_side [kPa]": np.full(len(t), 200.0),
        "high_side [kPa]": np.full(len(t), 1500.0),
        "clutch [V]": np.full(len(t), 13.8),
        "ambient [degC]": 25.0 + 10.0 * t / 3600.0,
        "vehicle_speed [km/h]": speed,
    }
    recording = recording_of(t, columns, **job)
    timeline = timeline_of(recording)
    assert timeline is not None
    return case_of(timeline, recording.job)


def episode(start_s: float, end_s: float, kind: str = "condenser_airflow_loss", *, permanent: bool = False) -> Episode:
    return Episode(kind, start_s, end_s, 0.5, (), permanent)


STANDING = [episode(600.0 * k + 500.0, 600.0 * k + 560.0) for k in range(6)]


def test_a_fault_that_shows_only_at_standstill_is_found_to_live_there():
    found = coverage_of(drive(), STANDING)
    road = next(one for one in found.circumstances if one.factor == "road_speed")
    assert (road.starts_under, road.starts_outside) == (6, 0)
    assert road.under_s == pytest.approx(6 * 60.0, abs=8.0)
    assert road.p_adjusted < 0.01
    assert "more than chance would bring" in road.says
    others = [one for one in found.circumstances if one.factor != "road_speed"]
    assert {one.factor for one in others} == {"since_start", "ambient"}
    assert all("may be chance" in one.says for one in others)


def test_what_the_job_sheet_states_is_not_held_to_have_been_searched_for():
    searched = coverage_of(drive(), STANDING[:3]).circumstances
    stated = coverage_of(drive(complaint_when="idle"), STANDING[:3]).circumstances
    road = [next(one for one in found if one.factor == "road_speed") for found in (searched, stated)]
    assert road[0].p == road[1].p
    assert road[1].p_adjusted == road[1].p < road[0].p_adjusted
    assert (road[0].stated, road[1].stated) == (False, True)


def test_chance_alone_is_called_a_place_of_the_fault_no_more_than_5_times_in_100():
    case, rng, called = drive(), np.random.default_rng(6), 0
    for _ in range(300):
        starts = np.sort(rng.uniform(30.0, 3500.0, 6))
        found = coverage_of(case, [episode(float(a), float(a) + 2.0) for a in starts])
        called += any(one.p_adjusted <= 0.05 for one in found.circumstances)
    assert called / 300 <= 0.05 + 2.0 * np.sqrt(0.05 * 0.95 / 300)


def test_exposure_counts_only_under_the_conditions_of_the_complaint():
    everywhere = drive()
    assert everywhere.seconds(exposure_of(everywhere).mask) == pytest.approx(3600.0, abs=2.0)
    case = drive(complaint_when="idle", complaint_after_min=20, complaint_ambient_degc=33)
    exposure = exposure_of(case)
    # Standing 2 of 10 minutes, from minute 20 and from 28 degC (minute 18) on: 8, 18 are out, 28 to 58 are in.
    assert case.seconds(exposure.mask) == pytest.approx(4 * 120.0, abs=6.0)
    assert exposure.under == (
        "under the conditions of the complaint (from 20 min after the start, standing, within 5 K of 33 degC outside)"
    )


def test_nothing_seen_is_bounded_by_the_exposure_under_the_complaint():
    found = coverage_of(drive(complaint_when="idle"), ())
    assert found.rate_bound_per_hour == pytest.approx(NOTHING_SEEN_95 / (found.exposure_s / 3600.0))
    assert found.exposure_s == pytest.approx(720.0, abs=8.0)
    assert "standing" in found.says
    assert found.enough_s == pytest.approx(3600.0 * NOTHING_SEEN_95 - found.exposure_s)


def test_a_condition_that_no_channel_shows_is_said_to_be_unchecked():
    case = drive(complaint_when="idle")
    blind = replace(case, operating=replace(case.operating, moving=None, engine_speed=None))
    exposure = exposure_of(blind)
    assert exposure.not_checked == ("idle, since neither road speed nor engine speed was recorded",)
    assert "neither road speed nor engine speed" in coverage_of(blind, ()).says


def test_a_drive_that_never_met_the_complaint_says_nothing_of_it():
    found = coverage_of(drive(complaint_ambient_degc=-10), ())
    assert found.exposure_s == 0.0
    assert found.rate_bound_per_hour is None
    assert found.says.startswith("This drive never came under the conditions of the complaint")


def test_after_a_repair_as_much_driving_is_needed_as_the_exact_test_asks():
    """Six spells: (t1/(t1 + t2))^6 = 0.05, t2 = t1 (20^(1/6) - 1)."""
    found = coverage_of(drive(), STANDING)
    assert found.rate.count == 6
    assert found.rate.exposure_s == pytest.approx(3600.0 - 360.0, abs=8.0)
    assert found.enough_s == pytest.approx(found.rate.exposure_s * (20 ** (1 / 6) - 1.0), rel=1e-6)


def test_episodes_that_follow_each_other_are_one_spell_and_a_sensor_is_none():
    close = [episode(100.0, 150.0), episode(190.0, 200.0, "high_pressure_trip"), episode(400.0, 410.0)]
    others = [episode(0.0, 900.0, permanent=True), episode(700.0, 710.0, "sensor_fault")]
    assert spells_of([*close, *others]) == [(100.0, 200.0), (400.0, 410.0)]


def test_a_permanent_fault_is_seen_by_any_look():
    found = coverage_of(drive(), [episode(0.0, 3600.0, permanent=True)])
    assert found.says.startswith("The signs stood whenever the system ran")
    assert found.missed_by_look == {"120": 0.0, "300": 0.0, "600": 0.0}
