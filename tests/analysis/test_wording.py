"""What the findings say: nothing twice, nothing without its reason, every number for what it is."""

from dataclasses import replace

import pytest

from analysis.diagnose import diagnose
from analysis.findings import ABSENT, NO_FAULT_SEEN, UNDECIDED, Cause, Findings, Weighed
from analysis.shown import KPA, PSI, lasting, percent
from analysis.summary import summary_of
from analysis.wording import coverage_lines, measure_lines, stopped, verdict
from analysis.wording import told as told_of
from recorder.recording import Recording

NOT_FOR_PEOPLE = (
    *("low_side", "high_side", "non condensables", "undercharge", "weak pumping", "condenser airflow", "-0 °"),
    *(" 1 stops", ": :", ";;"),
)


@pytest.fixture(scope="module")
def told(samples: dict[str, Recording]) -> dict[str, Findings]:
    return {name: diagnose(recording, "test") for name, recording in samples.items()}


def test_a_cause_that_is_not_excluded_is_told_with_what_speaks_for_it(told: dict[str, Findings]):
    for findings in told.values():
        lines = summary_of(findings).splitlines()
        for at, line in enumerate(lines):
            if line.strip().startswith("not excluded:"):
                assert lines[at + 1].strip().startswith(("for ", "open ")), line
    none = told["sample18"]
    weak = Cause("undercharge", 0.08, "not excluded", (), (), "", (), "", "", (Weighed("x", 0.3, "x", "y"),))
    clear = replace(weak, weighed=(Weighed("x", 0.7, "x", "y"),))
    common = replace(weak, probability=0.3)
    faint = replace(clear, probability=0.04)
    assert told_of(replace(none, causes=(weak, clear, common, faint))) == [clear, common]


def test_where_a_fault_was_found_that_there_is_none_is_no_cause(told: dict[str, Findings]):
    """Its probability follows from the others; as the leading one it would deny the verdict."""
    sound = Cause("outside_the_circuit", 0.7, "likely", (), (), "", (), "", "")
    found = replace(told["sample18"], causes=(sound,))
    assert told_of(found) == []
    assert verdict(found).startswith("Fault found, cause not settled: ")
    assert told_of(replace(found, verdict=NO_FAULT_SEEN)) == [sound]


def test_stops_by_the_pressure_switch_are_no_cycling_of_the_control(told: dict[str, Findings]):
    findings = told["sample18"]
    line = next(line for line in measure_lines(findings) if line.startswith("cycling"))
    assert "none by its own control (stops: 20 by the high-pressure switch)" in line
    assert "cut out at" not in line
    assert not [row for row in findings.expected if row.quantity == "cycles a minute"]
    assert [row for row in told["sample04"].expected if row.quantity == "cycles a minute"]
    assert stopped(findings.compressor.stops) == "20 by the high-pressure switch, 1 as the engine stopped"


def test_single_readings_are_counted_and_have_no_length(told: dict[str, Findings]):
    cause = next(cause for cause in told["sample15"].causes if cause.cause == "sensor_fault")
    readings = sum(
        value.value or 0.0
        for episode in told["sample15"].episodes
        for evidence in episode.evidence
        if (value := evidence.measures.get("readings")) is not None
    )
    assert f"{readings:.0f} single readings in all" in cause.reasons_for[0]
    assert " s in all" not in cause.reasons_for[0]


def test_no_kind_is_told_absent_by_a_quantity_that_was_not_recorded(told: dict[str, Findings]):
    """Superheat needs a suction probe, subcooling one on the liquid line."""
    for name, findings in told.items():
        places = {sensor.place for sensor in findings.sensors}
        for check in findings.checks:
            if check.kind == "undercharge" and check.state in (ABSENT, UNDECIDED):
                assert "superheat" not in check.why or "suction_line" in places, name
                assert "subcooling" not in check.why or "liquid_line" in places, name


def test_words_for_people_hold_no_name_of_the_program(told: dict[str, Findings]):
    for name, findings in told.items():
        text = summary_of(findings, PSI)
        for word in NOT_FOR_PEOPLE:
            assert word not in text, (name, word)


def test_a_fault_all_along_is_no_certainty_of_it(told: dict[str, Findings]):
    """At 64 % a short look meets the signs, not the fault."""
    assert coverage_lines(told["sample13"])[0].startswith("The signs stood whenever the system ran")


def test_the_share_of_time_at_fault_is_told_with_the_looks(told: dict[str, Findings]):
    findings = told["sample02"]
    at_fault = sum(episode.end_s - episode.start_s for episode in findings.episodes)
    first = coverage_lines(findings)[0]
    share = at_fault / findings.recording.duration_s
    assert first.startswith(f"The fault showed for {lasting(at_fault)} of 35 min ({percent(share)}). A look")
    assert verdict(told["sample14"], KPA).startswith(
        "No fault seen. Nothing was seen in 14 min with cooling asked for:"
    )


def test_condensing_is_told_apart_for_idle_and_a_raised_idle(told: dict[str, Findings]):
    """Faster, the compressor brings the condenser more heat: one number over both would be neither."""
    rows = {row.quantity: row.measured.value or 0.0 for row in told["sample08"].expected}
    idling, raised = (rows[f"condensing over ambient, {how}"] for how in ("idling", "raised idle"))
    assert raised - idling > 8.0
    assert "condensing over ambient" not in rows
    assert "  throughout, 0:23–14:50 too much refrigerant" in summary_of(told["sample08"])


def test_a_rest_in_which_the_sides_did_not_meet_says_so_once(told: dict[str, Findings]):
    """And what stands outside of what is expected, or is suspected, is told not to be in the bound."""
    for findings in told.values():
        for line in measure_lines(findings, PSI):
            assert "not had" not in line, line
            assert "stopped as the engine" not in line, line
    clear = told["sample14"]
    outside = tuple(replace(row, state="outside") for row in clear.expected)
    assert coverage_lines(replace(clear, expected=outside))[0].startswith("What stands outside of what is expected")
    suspected = tuple(replace(check, suspected=True) for check in clear.checks)
    assert coverage_lines(replace(clear, checks=suspected))[0].startswith("What is only suspected is not counted.")
    assert coverage_lines(clear)[0].startswith("Nothing was seen")


def test_where_nothing_is_wrong_no_part_is_in_question_unless_it_cools_badly(told: dict[str, Findings]):
    lines = " ".join(summary_of(told["sample14"]).split())
    assert "parts should it cool badly all the same: air mix door or its actuator;" in lines
    assert "should it cool badly" not in summary_of(told["sample18"])


def test_a_loss_that_a_trip_cuts_short_lasts_as_long_as_the_trip(told: dict[str, Findings]):
    """Twenty trips at an idle: while the compressor rests nothing shows that the air came back."""
    ends = {e.kind: e.end_s for e in told["sample18"].episodes}
    assert ends["condenser_airflow_loss"] == pytest.approx(ends["high_pressure_trip"], abs=1.0)
