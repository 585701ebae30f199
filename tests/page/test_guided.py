"""Guided tests: each watches for what it asks, marks it by itself, and says when enough has been recorded."""

from collections.abc import Callable

import numpy as np
import pytest

from analysis.diagnose import diagnose
from analysis.page.guided import GuidedRun, guided_test, guided_tests
from analysis.page.live import LiveRecording
from recorder.errors import InputError
from recorder.jobsheet import MARK_KINDS
from recorder.marks import Mark, append_mark
from recorder.places import PLACES
from recorder.recording import open_recording
from tests.page.made import Making, UnderWay

PLACED = ("low_side", "high_side", "suction_line", "liquid_line", "vent", "ambient", "engine_speed", "vacuum")
RUNNING = np.array([200.0, 1400.0, 10.0, 45.0, 8.0, 30.0, 800.0, 101.3])
RAISED = np.array([190.0, 1600.0, 9.0, 46.0, 7.0, 30.0, 1500.0, 101.3])
RESTING = np.array([600.0, 605.0, 28.0, 31.0, 27.0, 30.0, 0.0, 101.3])
HALFWAY = np.array([300.0, 1000.0, 20.0, 38.0, 20.0, 30.0, 0.0, 101.3])


class Rehearsed:
    """A guided test over a recording under way whose readings a test hands in, a second a row."""

    def __init__(self, made: UnderWay, name: str) -> None:
        self.made, self.live = made, LiveRecording(made.folder)
        self.width = len(made.places)
        made.send(RUNNING[: self.width])
        self.live.look()
        self.run = GuidedRun(guided_test(name), self.live.now_s)
        self.marks: list[str] = []
        self.noise = np.random.default_rng(5)

    def seconds(self, row: np.ndarray, seconds: int) -> "Rehearsed":
        for _ in range(seconds):
            read = row.copy()
            read[-1] *= 1.0 + self.noise.normal(0.0, 0.002)  # no gauge reads the same number for ten minutes
            self.made.send(read)
            self.live.look()
            for kind, text in self.run.look(self.live, self.marks):
                self.marks.append(kind)
                at_ns = round(self.live.now_s * 1e9)
                host = self.made.host
                append_mark(self.made.folder, Mark(host.utc_ns + at_ns, kind, text, host.monotonic_ns + at_ns))
        return self

    def confirm(self, row: np.ndarray = RUNNING) -> "Rehearsed":
        assert self.run.told(self.live)["by_hand"]
        self.run.confirm(self.step)
        return self.seconds(row, 1)

    @property
    def step(self) -> int:
        return int(self.run.told(self.live)["step"])

    @property
    def over(self) -> bool:
        return bool(self.run.told(self.live)["over"])


@pytest.fixture
def rehearsed(under_way: Making) -> Callable[[str], Rehearsed]:
    return lambda name: Rehearsed(under_way(PLACED), name)


def test_shutdown_waits_for_steady_running_for_the_stop_and_for_both_sides_to_meet(
    rehearsed: Callable[[str], Rehearsed],
):
    test = rehearsed("shutdown_equalisation").seconds(RUNNING, 50)
    assert test.step == 1, "a minute of steady running first"
    test.seconds(RUNNING, 15)
    assert test.step == 2
    test.seconds(HALFWAY, 3)
    assert (test.step, test.marks) == (3, ["engine_off"])
    test.seconds(HALFWAY, 40)
    assert not test.over
    test.seconds(RESTING, 2)
    assert test.over
    assert test.marks == ["engine_off", "note"]


def test_shutdown_does_not_take_a_resting_system_for_a_running_one(rehearsed: Callable[[str], Rehearsed]):
    assert rehearsed("shutdown_equalisation").seconds(RESTING, 120).step == 1


def test_the_cold_static_test_needs_three_minutes_of_stillness(rehearsed: Callable[[str], Rehearsed]):
    test = rehearsed("cold_static").confirm().seconds(RESTING, 100)
    test.seconds(RESTING + np.array([30.0, 0, 0, 0, 0, 0, 0, 0]), 5).seconds(RESTING, 160)
    assert not test.over, "a bump begins the wait anew"
    test.seconds(RESTING, 40)
    assert test.over
    assert test.marks == ["note"]


PULLED = np.array([-101.0, -101.0, 20.0, 20.0, 20.0, 20.0, 0.0, 0.05])


def test_the_vacuum_hold_marks_pump_and_valve_so_that_the_analysis_calls_a_tight_circuit_tight(
    rehearsed: Callable[[str], Rehearsed],
):
    test = rehearsed("vacuum_hold").confirm().seconds(RESTING, 5)
    assert (test.step, test.marks) == (2, ["recovery"]), "full of air still: it does not pump"
    for second in range(60):
        test.seconds(PULLED + np.array([0, 0, 0, 0, 0, 0, 0, 101.0 * np.exp(-second / 6.0)]), 1)
    test.confirm(PULLED)
    assert test.marks == ["recovery", "vacuum", "note"]
    test.seconds(PULLED, 620)
    assert not test.over
    assert test.seconds(PULLED, 20).over
    (hold,) = diagnose(open_recording(test.made.folder), "test").vacuum
    assert hold.reading == "tight", hold.says
    assert hold.end_s - hold.start_s > 600.0


def test_a_switch_that_was_on_already_is_a_note_and_after_an_off_it_is_a_mark(rehearsed: Callable[[str], Rehearsed]):
    test = rehearsed("road_test").confirm()
    assert test.marks == ["engine_on", "ac_on"], "nothing told that it ran"
    test.live.pumping_told = True
    for marked, expected in (((), "note"), (("ac_on",), "note"), (("ac_off",), "ac_on"), (("ac_off", "ac_on"), "note")):
        again = GuidedRun(guided_test("road_test"), test.live.now_s)
        again.look(test.live)
        again.confirm(1)
        assert again.look(test.live, marked)[1][0] == expected, marked


def test_recharge_marks_charging_and_recharged_and_waits_until_it_settles(rehearsed: Callable[[str], Rehearsed]):
    test = rehearsed("recharge_settle").confirm().confirm()
    assert test.marks == ["charging", "recharged"]
    test.seconds(RUNNING, 3)
    assert test.marks[-2:] == ["engine_on", "ac_on"]
    for minute in range(4):
        test.seconds(RUNNING + np.array([0, 80.0 * minute, 0, 0, 4.0 - minute, 0, 0, 0]), 30)
    assert not test.over
    assert test.seconds(RUNNING, 130).over


def test_idle_and_raised_idle_watches_the_engine_speed(rehearsed: Callable[[str], Rehearsed]):
    test = rehearsed("idle_raised_idle").confirm().seconds(RUNNING, 185)
    assert test.step == 3
    assert test.seconds(RUNNING, 60).step == 3, "still idling"
    test.seconds(RAISED, 2)
    assert test.marks == ["engine_on", "ac_on", "raised_idle"]
    assert test.seconds(RAISED, 185).over


def test_the_road_test_says_when_half_an_hour_is_recorded(rehearsed: Callable[[str], Rehearsed]):
    test = rehearsed("road_test").confirm().seconds(RUNNING, 302)
    assert test.step == 3
    test.seconds(RUNNING, 1700)
    assert not test.over
    assert test.seconds(RUNNING, 120).over
    assert "write-up" in test.run.told(test.live)["says"]


def test_a_step_that_another_page_confirmed_is_not_confirmed_twice(rehearsed: Callable[[str], Rehearsed]):
    test = rehearsed("recharge_settle").confirm()
    test.run.confirm(1)
    test.seconds(RESTING, 3)
    assert (test.step, test.marks) == (2, ["charging"])


def test_there_are_six_and_each_keeps_to_the_protocol():
    found = guided_tests()
    assert len(found) == 6
    for name, module in found.items():
        assert module.TITLE, name
        assert module.CAUTION, name
        assert module.ENOUGH, name
        assert set(module.NEEDS) <= set(PLACES), name
        assert all(kind in MARK_KINDS for step in module.STEPS for kind, _ in step.marks), name


def test_what_it_cannot_watch_without_is_told(under_way: Making):
    test = Rehearsed(under_way(PLACED[:-1]), "vacuum_hold")
    assert test.run.told(test.live)["lacking"] == ["vacuum gauge"]


def test_an_unknown_one_is_refused():
    with pytest.raises(InputError, match="no such guided test"):
        guided_test("../guided")
