"""Compressors without steps: what ends a run of theirs (all made)."""

import numpy as np
import pytest

from analysis.case import Case, case_of
from analysis.timeline import timeline_of
from tests.analysis.made import recording_of

STEP_S = 0.5
SECONDS = 700.0
OFF, ON = 300.0, 420.0


def rest(t: np.ndarray, tau_s: float) -> np.ndarray:
    """How far the circuit is at rest: 1 before the start, 0 while pumping, toward 1 between OFF and ON."""
    level = np.where(t < 20.0, 1.0, 0.0)
    off = (t >= OFF) & (t < ON)
    level[off] = 1.0 - np.exp(-(t[off] - OFF) / tau_s)
    return level


def made(
    marks: list[tuple[float, str]], *, tau_s: float = 40.0, rises: float = 1.0, clutch: bool = False, **job: object
) -> Case:
    """A stepless car at 1500 1/min; ``rises`` is how much of the way to rest its pressures go between OFF and ON."""
    rng = np.random.default_rng(5)
    t = np.arange(0.0, SECONDS, STEP_S)
    share = rest(t, tau_s) * np.where(t < 20.0, 1.0, rises)
    columns = {
        "low_side [kPa]": 200.0 + share * 380.0 + rng.normal(0.0, 0.8, len(t)),
        "high_side [kPa]": 1300.0 - share * 700.0 + rng.normal(0.0, 2.0, len(t)),
        "vent [degC]": 7.0 + 20.0 * share + rng.normal(0.0, 0.1, len(t)),
        "ambient [degC]": np.full(len(t), 28.0),
        "engine_speed [1/min]": np.full(len(t), 1500.0),
    }
    if clutch:
        columns["clutch [V]"] = np.where(t >= 20.0, 13.6, 0.0)
    entries = [{"time_s": at, "kind": kind, "text": ""} for at, kind in marks]
    recording = recording_of(t, columns, **{"compressor": "variable_internal", "marks": entries, **job})
    timeline = timeline_of(recording)
    assert timeline is not None
    return case_of(timeline, recording.job)


@pytest.mark.parametrize(
    "marks",
    [[(OFF + 1.0, "ac_off"), (ON + 1.0, "ac_on")], [(ON + 1.0, "ac_on")], [(OFF + 1.0, "ac_off")]],
    ids=["both", "off forgotten", "on forgotten"],
)
def test_a_hand_on_the_switch_ends_a_run_whichever_mark_was_forgotten(marks: list[tuple[float, str]]):
    """The sides converge slowly and not by much: without a mark that is low stroke."""
    runs = made([(20.5, "engine_on"), *marks], tau_s=60.0, rises=0.5).running.runs
    assert len(runs) == 2
    assert runs[0].end_s == pytest.approx(OFF, abs=6.0)
    assert runs[1].start_s == pytest.approx(ON, abs=6.0)


def test_without_a_mark_it_was_turned_down_and_runs_on():
    assert len(made([(20.5, "engine_on")], tau_s=60.0, rises=0.5).running.runs) == 1


def test_under_volts_it_stands_still_where_both_coils_stand_at_the_temperature_of_their_air():
    case = made([(20.5, "engine_on")], tau_s=15.0, clutch=True)
    assert len(case.running.runs) == 2
    dropped = [stop for stop in case.stops if stop.why == "dropout"]
    assert [stop.cooling_stopped for stop in dropped] == ["mechanical"]
    assert dropped[0].at_s == pytest.approx(OFF, abs=4.0)


def test_under_volts_a_lower_stroke_is_no_stop():
    """Half the way to rest: evaporating stays below the vents and condensing over ambient."""
    assert len(made([(20.5, "engine_on")], tau_s=15.0, rises=0.45, clutch=True).running.runs) == 1
