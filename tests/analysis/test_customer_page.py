"""What the customer's page says of a job sheet left empty, of what stays open, and of driving on."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.case import Case
from analysis.claim.customer import PLAIN, page_data
from analysis.diagnose import diagnose_timeline
from analysis.findings import CANNOT_TELL, UNDECIDED, Episode, Findings
from analysis.pressure_limits import limit_of
from analysis.timeline import timeline_of
from recorder.recording import Recording


def diagnosed(recording: Recording) -> tuple[Case, Findings]:
    timeline = timeline_of(recording)
    assert timeline is not None
    findings, case = diagnose_timeline(recording, timeline, "test")
    return case, findings


@pytest.fixture(scope="module")
def tripped(samples: dict[str, Recording]) -> tuple[Case, Findings]:
    return diagnosed(samples["sample18"])


def test_the_faults_that_stay_open_are_named_in_plain_words(tripped: tuple[Case, Findings]):
    case, findings = tripped
    told = page_data(case, findings, 400)["unmeasured"]
    names = [PLAIN[check.kind].name for check in findings.checks if check.state == UNDECIDED]
    assert names
    assert told.endswith(f"Not decided: {', '.join(names)}.")
    blind = replace(findings, checks=tuple(replace(check, state=UNDECIDED) for check in findings.checks))
    assert page_data(case, blind, 400)["unmeasured"].endswith("None of the faults that we look for could be decided.")


def test_driving_on_is_answered_by_the_cautions_and_left_to_the_technician(tripped: tuple[Case, Findings]):
    """Only a pressure near its limit asks to leave it off: a protection that worked did its duty."""
    case, findings = tripped
    drive = page_data(case, findings, 400)["drive"]
    assert "nothing in it forbids that. Have it seen to soon." in drive
    assert drive.endswith("What your technician says comes before this page.")
    high = case.derived.high_kpa
    assert high is not None
    peak = np.where(np.arange(len(high)) == len(high) // 2, limit_of("R-134a", "high_side") + 110.0, high)
    hot = replace(case, derived=replace(case.derived, high_kpa=peak))
    assert page_data(hot, findings, 400)["drive"].startswith("Leave the air conditioning switched off")
    misread = Episode("sensor_fault", 1.0, 2.0, 1.0, (), channel="high_side")
    doubted = replace(findings, episodes=(*findings.episodes, misread))
    assert "Leave" not in page_data(hot, doubted, 400)["drive"]


@pytest.mark.parametrize(("refrigerant", "burns"), [("R-134a", False), ("R-1234yf", True), ("R-152a", True)])
def test_refrigerant_that_may_be_escaping_is_warned_of_where_it_burns(
    refrigerant: str, burns: bool, tripped: tuple[Case, Findings]
):
    case, findings = tripped
    leak = Episode("undercharge", 1.0, 900.0, 0.4, (), permanent=True)
    short = replace(findings, episodes=(leak,), job_sheet={**findings.job_sheet, "refrigerant": refrigerant})
    assert ("no flame or spark near it" in page_data(case, short, 400)["drive"]) is burns


def test_an_empty_job_sheet_leaves_a_line_to_write_on(tripped: tuple[Case, Findings]):
    case, findings = tripped
    data = page_data(case, findings, 400)
    assert (data["vehicle"], data["technician"]) == ("", "")
    known = replace(findings, job_sheet={**findings.job_sheet, "vehicle": "minibus 7", "technician": "J. Moss"})
    data = page_data(case, known, 400)
    assert (data["vehicle"], data["technician"]) == ("minibus 7", "J. Moss")


JARGON = ("kPa", "superheat", "subcooling", "condensing", "ambient", "evaporat", "saturation", "refrigerant pressure")


def test_why_nothing_can_be_told_is_said_without_the_words_of_the_trade(tripped: tuple[Case, Findings]):
    case, found = tripped
    blank = replace(found, verdict=CANNOT_TELL, episodes=(), expected=(), verdict_why="superheat 19 K, condensing 35 K")
    outside = replace(blank, expected=tuple(replace(row, state="outside") for row in found.expected))
    suspected = replace(
        blank, checks=tuple(replace(c, suspected=c.kind in ("undercharge", "overcharge")) for c in found.checks)
    )
    short = replace(blank, coverage=replace(found.coverage, exposure_s=10.0))
    blind = replace(blank, sensors=tuple(s for s in found.sensors if s.place != "high_side"))
    told = {
        name: page_data(case, one, 400)
        for name, one in (
            ("outside", outside),
            ("suspected", suspected),
            ("short", short),
            ("blind", blind),
            ("blank", blank),
        )
    }
    assert "outside of what is usual" in told["outside"]["sure"]
    assert "We suspect too little refrigerant or too much refrigerant, but" in told["suspected"]["sure"]
    assert "Too little cooling was recorded" in told["short"]["sure"]
    assert "Sensors that would show it were not fitted." in told["blind"]["sure"]
    for name, data in told.items():
        assert not [word for word in JARGON if word in f"{data['sure']} {data['next']}"], name
    assert told["suspected"]["next"].startswith("The workshop measures what was missing")
    assert told["short"]["next"].startswith("If the air turns warm, note when")
