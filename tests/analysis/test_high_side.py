"""The high side judged on made traces: a condenser without air, air in the circuit, too much in it, a narrow place."""

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.case import case_of
from analysis.diagnose import diagnose
from analysis.episodes import examine
from analysis.episodes.sensor_fault import KIND as SENSOR
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Check, Findings
from analysis.refrigerant import refrigerant
from analysis.stretches import lowest_before
from analysis.timeline import timeline_of
from recorder.recording import Recording
from tests.analysis.made import recording_of

FLUID, AMBIENT, STARTS, STOPS, END = refrigerant("R-134a"), 30.0, 20.0, 1100.0, 1300.0
ATMOSPHERE = 101.325


def toward(t: np.ndarray, targets: np.ndarray, tau_s: float) -> np.ndarray:
    """First-order lag after the targets."""
    out = np.empty(len(t))
    out[0] = targets[0]
    share = 1.0 - np.exp(-(t[1] - t[0]) / tau_s)
    for i in range(1, len(t)):
        out[i] = out[i - 1] + share * (targets[i] - out[i - 1])
    return out


@dataclass
class Car:
    """A made system that runs from 20 s to 1100 s; temperatures are changed before it is recorded."""

    over_k: float = 14.0
    evaporating_degc: float = 3.0
    gap_k: float = 7.0
    starts_s: float = STARTS
    static_k: float = 0.0
    subcooling_share: float | None = None
    step_s: float = 1.0
    extra: dict[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.t = np.arange(0.0, END, self.step_s)
        self.on = (self.t >= self.starts_s) & (self.t < STOPS)
        self.over, self.te = np.full(len(self.t), self.over_k), np.full(len(self.t), self.evaporating_degc)
        self.rpm, self.kmh = np.full(len(self.t), 800.0), np.zeros(len(self.t))
        self.noise = np.random.default_rng(5)

    def at(self, start_s: float, end_s: float) -> np.ndarray:
        """A mask of a stretch."""
        return (self.t >= start_s) & (self.t < end_s)

    def recording(self, *leave_out: str, **job: object) -> Recording:
        """Pressures from the temperatures, with lags and noise."""
        rest = AMBIENT + self.static_k
        stopped = 12.0
        te = toward(self.t, np.where(self.on, self.te, np.where(self.t < STOPS, rest, stopped)), 6.0)
        tc = toward(self.t, np.where(self.on, AMBIENT + self.over, np.where(self.t < STOPS, rest, stopped)), 8.0)
        vent = toward(self.t, np.where(self.on, self.te + self.gap_k, 30.0), 10.0)
        columns = {
            "low_side [kPa]": FLUID.saturation_pressure(te) - ATMOSPHERE + self.noise.normal(0, 0.7, len(self.t)),
            "high_side [kPa]": FLUID.saturation_pressure(tc) - ATMOSPHERE + self.noise.normal(0, 3.0, len(self.t)),
            "vent [degC]": vent + self.noise.normal(0, 0.05, len(self.t)),
            "ambient [degC]": np.full(len(self.t), AMBIENT) + self.noise.normal(0, 0.05, len(self.t)),
            "clutch [V]": np.where(self.on, 13.8, 0.0), "engine_speed [1/min]": self.rpm,
            "vehicle_speed [km/h]": self.kmh, **self.extra,
        }  # fmt: skip
        if self.subcooling_share is not None:
            columns["liquid_line [degC]"] = np.where(self.on, tc - self.subcooling_share * self.over, rest)
        columns = {header: values for header, values in columns.items() if header.split(" ")[0] not in leave_out}
        return recording_of(self.t, columns, **job)

    def findings(self, *leave_out: str, **job: object) -> Findings:
        """Analyse it."""
        return diagnose(self.recording(*leave_out, **job), "test")


def found(findings: Findings, kind: str) -> list[tuple[float, float]]:
    """Episodes of a kind."""
    return [(e.start_s, e.end_s) for e in findings.episodes if e.kind == kind]


def check(findings: Findings, kind: str) -> Check:
    """What was said of a kind."""
    return next(c for c in findings.checks if c.kind == kind)


AIRFLOW = "condenser_airflow_loss"


def jam_with_a_loss() -> Car:
    """Halts and crawls; from 400 s to 520 s the fan is dead, and rolling on for 15 s helps out a little."""
    car = Car()
    rolls = car.at(440, 455) | car.at(700, 715) | car.at(250, 265)
    car.rpm[rolls], car.kmh[rolls] = 1500.0, 20.0
    lost = car.at(400, 520)
    car.over = toward(car.t, np.where(lost & ~rolls, 52.0, np.where(lost, 22.0, 14.0)), 30.0)
    return car


@pytest.mark.parametrize("leave_out", [(), ("vehicle_speed",), ("engine_speed",)])
def test_a_loss_that_a_short_move_interrupts_is_one_episode(leave_out: tuple[str, ...]):
    episodes = found(jam_with_a_loss().findings(*leave_out), AIRFLOW)
    assert len(episodes) == 1
    assert episodes[0][0] == pytest.approx(400.0, abs=10.0)
    assert episodes[0][1] == pytest.approx(522.0, abs=15.0)


def test_a_loss_goes_on_after_a_stop_though_nothing_climbs_any_more():
    car = Car()
    car.over = toward(car.t, np.where(car.at(400, 520), 46.0, 14.0), 25.0)
    car.over[car.at(520, 800)] = 38.0
    car.on &= ~car.at(520, 600)
    hidden = found(
        car.findings(marks=[{"time_s": 520.0, "kind": "ac_off"}, {"time_s": 600.0, "kind": "ac_on"}]), AIRFLOW
    )
    assert hidden[0][0] == pytest.approx(400.0, abs=10.0)
    assert hidden[-1][1] == pytest.approx(800.0, abs=15.0)
    alone = Car()
    alone.over[alone.at(20, 300)] = 38.0
    assert found(alone.findings(), AIRFLOW) == []


def test_coming_to_a_halt_and_speeding_off_are_no_loss_of_air():
    car = Car()
    drives = np.zeros(len(car.t), bool)
    for start in range(100, 1050, 140):
        drives |= car.at(start, start + 80)
    speeds_off = np.zeros(len(car.t), bool)
    for start in range(100, 1050, 140):
        speeds_off |= car.at(start, start + 12)
    car.rpm, car.kmh = np.where(speeds_off, 2300.0, np.where(drives, 1500.0, 800.0)), np.where(drives, 70.0, 0.0)
    car.over = toward(car.t, np.where(speeds_off, 34.0, np.where(drives, 11.0, 20.0)), 12.0)
    assert found(car.findings(), AIRFLOW) == []


def test_a_small_climb_tells_where_nothing_was_asked_of_the_system():
    car = Car(over_k=8.0)
    car.over = toward(car.t, np.where(car.at(500, 640), 19.0, 8.0), 25.0)
    assert len(found(car.findings(), AIRFLOW)) == 1
    driven = Car(over_k=8.0)
    driven.over = car.over
    driven.rpm[driven.at(500, 640)] = 2000.0
    assert found(driven.findings(), AIRFLOW) == []


def test_the_flow_that_comes_back_after_a_frozen_valve_is_no_loss_of_air():
    car = Car()
    for start in (300, 700):
        frozen = car.at(start, start + 120)
        car.te[frozen], car.over[frozen] = -25.0, 2.0
        car.over[car.at(start + 120, start + 200)] = 34.0
    assert found(car.findings(), AIRFLOW) == []


def test_a_fan_that_keeps_its_current_lost_nothing_and_one_that_keeps_its_supply_may_have():
    turned = jam_with_a_loss()
    turned.extra["fan_current [A]"] = np.full(len(turned.t), 12.0)
    assert found(turned.findings(), AIRFLOW) == []
    for header, values in (
        ("fan_current [A]", np.where(turned.at(400, 520), 0.1, 12.0)),
        ("fan [V]", np.full(len(turned.t), 13.5)),
    ):
        car = jam_with_a_loss()
        car.extra[header] = values
        assert len(found(car.findings(), AIRFLOW)) == 1


@pytest.mark.parametrize(("waits_for_pressure", "losses"), [(False, 1), (True, 0)])
def test_a_fan_without_supply_makes_a_small_climb_a_loss_unless_it_waits_for_pressure(
    waits_for_pressure: bool, losses: int
):
    """Crawling on, ram air helps: 10 K in minutes, which nothing but the fan's supply tells from more load."""
    car = Car(over_k=9.0)
    lost = car.at(400, 640)
    car.over = toward(car.t, np.where(lost, 19.0, 9.0), 40.0)
    car.rpm, car.kmh = car.rpm + 400.0 * (np.sin(car.t / 9.0) > 0), np.full(len(car.t), 20.0)
    off = ~car.at(640, 760) if waits_for_pressure else lost
    car.extra["fan [V]"] = np.where(off, 0.0, 13.5)
    assert len(found(car.findings(), AIRFLOW)) == losses
    del car.extra["fan [V]"]
    assert found(car.findings(), AIRFLOW) == []


@pytest.mark.parametrize(("before_k", "losses"), [(24.0, 0), (9.0, 1)])
def test_a_halt_that_comes_to_where_the_last_one_stood_is_ordinary(before_k: float, losses: int):
    car = Car(over_k=8.0)
    first, second = car.at(20, 180), car.at(400, 560)
    drives = ~(first | second)
    car.rpm, car.kmh = np.where(drives, 1700.0, 800.0), np.where(drives, 60.0, 0.0)
    car.over = toward(car.t, np.where(first, before_k, np.where(second, 25.0, 8.0)), 15.0)
    assert len(found(car.findings(), AIRFLOW)) == losses


@pytest.mark.parametrize(("evaporating_degc", "state"), [(9.0, PRESENT), (1.0, UNDECIDED)])
def test_a_blocked_condenser_lets_the_low_side_follow_up_and_an_overfill_does_not(evaporating_degc: float, state: str):
    assert check(Car(over_k=45.0, evaporating_degc=evaporating_degc).findings(), AIRFLOW).state == state


@pytest.mark.parametrize(("over_k", "state"), [(7.0, PRESENT), (20.0, UNDECIDED)])
def test_superheat_at_a_clamp_needs_a_condenser_with_little_heat_to_tell_of_charge(over_k: float, state: str):
    car = Car(over_k=over_k, gap_k=13.0, evaporating_degc=0.0)
    car.extra["suction_line [degC]"] = np.where(car.on, 25.0, AMBIENT)
    assert check(car.findings(compressor="variable_internal"), "undercharge").state == state


def test_what_ram_air_does_not_cool_is_suspected_and_the_liquid_line_tells_air_from_charge():
    def driven(**levels: float) -> Car:
        car = Car(over_k=29.0, **levels)
        car.kmh[:], car.rpm[:] = 70.0, 1800.0
        return car

    said = driven().findings()
    assert said.verdict == "cannot_tell"
    for kind in (AIRFLOW, "overcharge"):
        assert (check(said, kind).state, check(said, kind).suspected) == (UNDECIDED, True)
    assert said.causes[0].cause == AIRFLOW
    assert check(driven(subcooling_share=0.2).findings(), AIRFLOW).state == PRESENT
    assert check(driven(subcooling_share=0.65).findings(), AIRFLOW).state == UNDECIDED
    assert check(driven(subcooling_share=0.65).findings(), "overcharge").state == PRESENT
    assert not check(Car(over_k=29.0).findings(), AIRFLOW).suspected


def test_a_condenser_that_is_warm_all_along_is_not_called_good_without_a_liquid_line_probe():
    said = check(Car(over_k=26.0).findings(), AIRFLOW)
    assert (said.state, said.missing) == (UNDECIDED, ("liquid_line",))
    assert check(Car(over_k=12.0).findings(), AIRFLOW).state == ABSENT


@pytest.mark.parametrize("starts_s", [4.0, 25.0])
def test_air_shows_in_a_short_rest_as_in_a_long_one(starts_s: float):
    kind = "non_condensables"
    assert check(Car(over_k=27.0, static_k=6.0, starts_s=starts_s).findings(), kind).state == PRESENT
    assert check(Car(over_k=14.0, static_k=0.2, starts_s=starts_s).findings(), kind).state == ABSENT


def test_a_car_that_came_in_warm_may_feign_air_unless_a_pipe_shows_the_soak():
    said = check(Car(over_k=13.0, static_k=6.0).findings(), "non_condensables")
    assert said.state == UNDECIDED
    assert set(said.missing) == {"discharge_line", "liquid_line"}


@pytest.mark.parametrize(("over_k", "state"), [(30.0, PRESENT), (48.0, UNDECIDED)])
def test_a_warm_car_whose_condenser_gets_no_air_is_not_called_full_of_air(over_k: float, state: str):
    """Lone ambient probe: a little air does not raise condensing by so much."""
    assert check(Car(over_k=over_k, static_k=6.0).findings(), "non_condensables").state == state


def test_a_cold_pipe_under_the_bonnet_makes_the_pressure_at_rest_proof_of_air():
    car = Car(over_k=13.0, static_k=6.0)
    car.extra["liquid_line [degC]"] = np.where(car.on, AMBIENT + 9.0, AMBIENT + 0.4)
    assert check(car.findings(), "non_condensables").state == PRESENT


def test_subcooling_tells_an_overfill_by_its_share():
    kind = "overcharge"
    assert check(Car(over_k=22.0, subcooling_share=0.68).findings(), kind).state == PRESENT
    # Liquid near ambient behind a good condenser is what the right charge does too.
    assert check(Car(over_k=10.0, subcooling_share=0.75).findings(), kind).state != PRESENT
    assert check(Car(over_k=22.0, subcooling_share=0.3).findings(), kind).state == ABSENT
    said = check(Car(over_k=18.0).findings(), kind)
    assert (said.state, said.missing) == (UNDECIDED, ("liquid_line",))


def test_liquid_before_a_starved_evaporator_is_a_narrow_place_and_none_is_not():
    starved = {"over_k": 11.0, "gap_k": 24.0, "evaporating_degc": -3.0}
    assert check(Car(subcooling_share=0.5, **starved).findings(), "restriction").state == PRESENT
    assert check(Car(subcooling_share=0.1, **starved).findings(), "restriction").state != PRESENT
    assert check(Car(subcooling_share=0.5, over_k=11.0).findings(), "restriction").state == ABSENT


def test_a_starved_evaporator_speaks_for_charge_or_a_narrow_place_and_against_the_doors():
    starved = Car(over_k=8.0, gap_k=24.0, evaporating_degc=-1.0).findings(compressor="variable_internal")
    assert {cause.cause for cause in starved.causes[:2]} == {"undercharge", "restriction"}
    door = Car(over_k=18.0, gap_k=24.0).findings(compressor="variable_internal")
    assert door.causes[0].cause == "outside_the_circuit"


@pytest.mark.parametrize("subcooling_share", [None, 0.6])
def test_vents_near_the_freeze_limit_cool_however_mild_the_day(subcooling_share: float | None):
    mild = {"over_k": 12.0, "subcooling_share": subcooling_share, "evaporating_degc": -9.0}
    assert found(Car(gap_k=17.0, **mild).findings(), "restriction") == []
    warm = Car(gap_k=27.0, **mild).findings()
    assert len(found(warm, "restriction")) == 1


def test_a_switch_closes_again_near_where_it_opened_and_a_hand_waits():
    kinds = []
    for pause_s, level in ((18.0, 48.0), (70.0, 4.0)):
        car = Car()
        car.over = toward(car.t, np.where(car.at(300, 420), 60.0, 14.0), 25.0)
        stop = car.at(420, 420 + pause_s)
        car.on &= ~stop
        recording = _with_rest(car, stop, level)
        kinds.append(len(found(diagnose(recording, "test"), "high_pressure_trip")))
    assert kinds == [1, 0]


def test_a_stop_at_high_pressure_that_ends_the_drive_is_no_trip():
    kinds = []
    for end_s in (470.0, END):
        car = Car()
        car.over = toward(car.t, np.where(car.at(300, 420), 60.0, 14.0), 25.0)
        car.on &= car.t < 420.0
        whole = _with_rest(car, car.t >= 420.0, 45.0 if end_s < END else -4.0)
        stream = whole.streams[0]
        ends = replace(stream, data=stream.data.filter(pl.col("tick_us") < end_s * 1e6))
        kinds.append(len(found(diagnose(replace(whole, streams=(ends,)), "test"), "high_pressure_trip")))
    assert kinds == [1, 0]


def _with_rest(car: Car, stop: np.ndarray, level_k: float) -> Recording:
    """The compressor rests over a stretch while the high side falls toward a level over ambient."""
    te = toward(car.t, np.where(car.on, car.te, np.where(stop, 18.0, AMBIENT)), 8.0)
    target = np.where(car.on, AMBIENT + car.over, AMBIENT + np.where(stop, level_k, 0.0))
    tc = toward(car.t, target, 9.0)
    return recording_of(
        car.t,
        {
            "low_side [kPa]": FLUID.saturation_pressure(te) - ATMOSPHERE + car.noise.normal(0, 0.7, len(car.t)),
            "high_side [kPa]": FLUID.saturation_pressure(tc) - ATMOSPHERE + car.noise.normal(0, 3.0, len(car.t)),
            "vent [degC]": te + 7.0, "ambient [degC]": np.full(len(car.t), AMBIENT),
            "clutch [V]": np.where(car.on, 13.8, 0.0), "engine_speed [1/min]": car.rpm,
        },
    )  # fmt: skip


def test_a_probe_that_stands_while_it_else_flickers_is_stuck():
    car = Car(step_s=0.25)
    assert found(car.findings(), SENSOR) == []
    t = car.t
    vent = np.round(10.0 + np.random.default_rng(3).normal(0, 0.2, len(t)), 1)
    vent[car.at(400, 560)] = 10.1
    car.extra["vent [degC]"] = vent
    assert found(car.findings(), SENSOR) == [pytest.approx((400.0, 560.0), abs=1.0)]


@pytest.mark.parametrize(("moved_k", "fell"), [(0.0, True), (-4.0, True), (9.0, False)])
def test_a_vent_probe_fell_where_evaporator_and_condenser_cool_on(moved_k: float, fell: bool):
    car = Car()
    car.te[car.at(600, END)] += moved_k
    vent = toward(car.t, np.where(car.on, car.te + 7.0, 30.0), 10.0)
    vent = toward(car.t, np.where((car.t > 604.0) & car.on, 32.0, vent), 4.0)
    car.extra["vent [degC]"] = vent + car.noise.normal(0, 0.05, len(car.t))
    assert bool(found(car.findings(), SENSOR)) is fell


def test_a_vent_probe_that_leaps_away_and_back_is_at_fault_and_one_that_follows_is_not():
    car = Car(step_s=0.5)
    vent = toward(car.t, np.where(car.on, car.te + 7.0, 30.0), 10.0)
    away = car.at(500, 560)
    leapt, followed = np.where(away, 26.0, vent), toward(car.t, np.where(away, 26.0, vent), 8.0)
    for values, spans in ((leapt, [pytest.approx((500.0, 560.0), abs=1.5)]), (followed, [])):
        car.extra["vent [degC]"] = values + car.noise.normal(0, 0.05, len(car.t))
        assert found(car.findings(), SENSOR) == spans


@pytest.mark.parametrize(("lets_go_at", "spans"), [(16.5, 1), (12.4, 0)])
def test_a_temperature_that_leaps_where_it_stops_standing_still_was_stuck(lets_go_at: float, spans: int):
    """Its neighbours moved too little to tell; coarse steps alone leave it unchanged for as long."""
    car = Car(step_s=0.5)
    vent = toward(car.t, np.where(car.on, lets_go_at, 30.0), 8.0) + 0.3 * np.sin(car.t / 12.0)
    car.extra["vent [degC]"] = np.where(car.at(300, 500), 12.0, np.round(5.0 * vent) / 5.0)
    assert len(found(car.findings(), SENSOR)) == spans


def driven(moved_k: float) -> Car:
    """Halts and drives in turn, which move both sides; the vents warm by 12 K at a change from halt to drive."""
    car = Car()
    drives = np.zeros(len(car.t), bool)
    for start in range(160, 1090, 160):
        drives |= car.at(start, start + 80)
    car.te, car.over = np.where(drives, -3.0, 9.0), np.where(drives, 12.0, 21.0)
    car.rpm, car.kmh = np.where(drives, 1900.0, 800.0), np.where(drives, 70.0, 0.0)
    vent = np.where(car.on, car.te + 9.0, 30.0) + np.where((car.t > 642.0) & car.on, moved_k, 0.0)
    car.extra["vent [degC]"] = toward(car.t, vent, 8.0)
    car.te += np.where(car.t > 642.0, 0.0 if moved_k > 15.0 else moved_k / 1.5, 0.0)
    return car


def test_a_vent_probe_fell_if_the_vents_are_warmer_whenever_the_circuit_comes_back_to_what_it_was():
    fallen = driven(16.0)
    assert [start for start, _ in found(fallen.findings(), SENSOR)] == [pytest.approx(642.0, abs=12.0)]
    loaded = driven(8.0)
    assert found(loaded.findings(), SENSOR) == []


def test_a_vent_probe_that_came_to_read_the_return_air_is_not_in_the_vent():
    for falls in (True, False):
        car = Car()
        car.te[car.at(600, END)] += 5.0
        back = np.full(len(car.t), 25.0)
        vent = np.where((car.t > 604.0) & car.on & falls, back, np.where(car.on, car.te + 7.0, 30.0))
        vent = toward(car.t, vent, 8.0)
        car.extra["return_air [degC]"] = back + car.noise.normal(0, 0.05, len(car.t))
        car.extra["vent [degC]"] = vent + car.noise.normal(0, 0.05, len(car.t))
        assert bool(found(car.findings(), SENSOR)) is falls


def test_a_fast_cycle_sampled_slowly_has_no_spikes():
    t = np.arange(0.0, 600.0, 1.0)
    cycle = 300.0 + 60.0 * np.sin(2 * np.pi * t / 2.9) + 30.0 * np.sin(2 * np.pi * t / 7.3)
    still = 300.0 + np.random.default_rng(2).normal(0, 2.0, len(t))
    still[np.arange(120, 300, 15)] += 200.0
    level = np.full(len(t), 1000.0) + np.random.default_rng(4).normal(0, 4.0, len(t))
    for values, some in ((cycle, False), (still, True)):
        columns = {"low_side [kPa]": values, "high_side [kPa]": level, "ambient [degC]": np.full(len(t), 30.0)}
        assert bool(found(diagnose(recording_of(t, columns), "test"), SENSOR)) is some


def test_what_was_seen_only_where_a_pressure_is_at_fault_is_taken_out():
    """A low side that stands still for three minutes while the compressor is driven: nothing else is told there."""
    car = jam_with_a_loss()
    recording = car.recording()
    case = case_of(timeline_of(recording), recording.job)  # type: ignore[arg-type]
    whole, _ = examine(case)
    assert [e.kind for e in whole] == [AIRFLOW]
    stuck = car.recording()
    column = next(c.id for c in stuck.streams[0].channels if c.place == "high_side")
    frame = stuck.streams[0].data
    values = frame[column].to_numpy().copy()
    values[380:560] = 2100.0
    data = frame.with_columns(pl.Series(column, values))
    stuck = replace(stuck, streams=(replace(stuck.streams[0], data=data),))
    episodes, checks = examine(case_of(timeline_of(stuck), stuck.job))  # type: ignore[arg-type]
    assert [e.kind for e in episodes] == [SENSOR]
    said = next(c for c in checks if c.kind == AIRFLOW)
    assert said.state != PRESENT


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=60), st.integers(1, 80))
def test_the_lowest_before_is_that_of_a_plain_look_back(values: list[float], count: int):
    plain = [min(values[max(i - count + 1, 0) : i + 1]) for i in range(len(values))]
    assert lowest_before(np.array(values), count).tolist() == plain
