"""Corrections of a sealed recording: added beside it, told as such, the seal stays whole."""

import hashlib

import pytest

from analysis.page.corrections import seconds_of
from recorder.recording import open_recording
from tests.page.conftest import Served

NAME = "minibus-7-corrected"
WHO = {"by": "T. Ashdown", "reason": "misread the plate"}


def sealed_files(page: Served) -> dict[str, str]:
    files = (p for p in (page.out / NAME).iterdir() if p.name != "amendments.jsonl")
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def as_typed(page: Served) -> dict[str, str]:
    from analysis.page.forms import typed_of

    return typed_of(open_recording(page.out / NAME).job.to_dict())


def test_a_job_sheet_is_corrected_as_a_revision_and_what_was_sealed_stays(page: Served):
    before = sealed_files(page)
    typed = {**as_typed(page), "plate": "HV 70 BUS"}
    del typed["complaint_when"]
    assert page.post(f"/api/amend/{NAME}", {"job": typed, **WHO}).status == 200
    assert sealed_files(page) == before
    recording = open_recording(page.out / NAME)
    assert recording.intact
    assert (recording.job.plate, recording.job.complaint_when) == ("HV 70 BUS", None)
    assert recording.sealed_job is not None
    assert recording.sealed_job.plate == "HV 07 BUS"
    (amendment,) = recording.amendments
    assert dict(amendment.job_sheet) == {"plate": "HV 70 BUS", "complaint_when": None}, "only what was changed"
    text = page.write_up(NAME).body.decode()
    for words in ("HV 70 BUS", "T. Ashdown", "misread the plate", "complaint when: taken out"):
        assert words in text
    assert NAME in [e["name"] for e in page.get("/api/list?q=hv+70").json()["entries"]]


def test_a_wrong_or_nameless_or_empty_correction_is_told_beside_its_field(page: Served):
    typed = {**as_typed(page), "rated_charge_kg": "much"}
    answer = page.post(f"/api/amend/{NAME}", {"job": typed})
    assert answer.status == 422
    assert set(answer.json()["wrong"]) == {"rated_charge_kg", "by", "reason"}
    unchanged = page.post(f"/api/amend/{NAME}", {"job": as_typed(page), **WHO})
    assert (unchanged.status, unchanged.json()["says"]) == (400, "nothing was changed.")


def test_a_mark_is_put_right_added_and_taken_out(page: Served):
    marks = page.get(f"/api/review/{NAME}").json()["marks"]
    first = next(mark for mark in marks if mark["kind"] == "complaint")
    gone = {"utc": first["utc"], "kind": first["kind"]}
    right = {"gone": gone, "time": first["clock"], "kind": "complaint", "text": "passenger: warm", **WHO}
    assert page.post(f"/api/amend-mark/{NAME}", right).status == 200
    later = {"time": "12:30", "kind": "note", "text": "window opened", **WHO}
    assert page.post(f"/api/amend-mark/{NAME}", later).status == 200
    told = page.get(f"/api/review/{NAME}").json()["marks"]
    assert next(m for m in told if m["text"] == "passenger: warm")["utc"] == first["utc"], "its time was not touched"
    assert next(m for m in told if m["text"] == "window opened")["time_s"] == pytest.approx(750.0)
    assert len(told) == len(marks) + 1
    assert page.post(f"/api/amend-mark/{NAME}", {"gone": gone, **WHO}).status == 200
    assert page.post(f"/api/amend-mark/{NAME}", {"gone": gone, **WHO}).status == 400, "it is gone already"
    assert len(page.get(f"/api/review/{NAME}").json()["marks"]) == len(marks)


def test_a_mark_that_cannot_be_is_refused_by_field(page: Served):
    answer = page.post(f"/api/amend-mark/{NAME}", {"time": "soon", "kind": "party", "text": "x" * 401, **WHO})
    assert answer.status == 422
    assert set(answer.json()["wrong"]) == {"time", "kind", "text"}


def test_a_recording_that_is_not_intact_is_not_corrected(page: Served):
    answer = page.post("/api/amend/minibus-7-altered", {"job": {"plate": "X"}, **WHO})
    assert answer.status == 400
    assert not (page.out / "minibus-7-altered" / "amendments.jsonl").exists()


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("12:30", 750.0), ("1:02:03", 3723.0), ("7,5", 7.5), ("", None), ("1:75", None), ("-3", None), ("1:2:3:4", None)],
)
def test_times_are_read_as_people_write_them(text: str, seconds: float | None):
    assert seconds_of(text) == seconds


def test_before_and_after_are_compared_in_the_analysis_own_words(page: Served):
    text = page.get("/compare?before=minibus-7-before&after=minibus-7-after").body.decode()
    assert "Repaired, as far as driving can show" in text
    assert "condensing over ambient" in text
    assert page.get("/compare").status == 200
    pair = {"before": "minibus-7-before", "after": "minibus-7-after", "units": "bar"}
    assert "comparison.pdf" in page.post("/api/comparison", pair).json()["files"]
    assert page.get("/sheets/minibus-7-after/comparison.pdf").body.startswith(b"%PDF")
    assert page.post("/api/comparison", {"before": "..", "after": "minibus-7-after"}).status == 404
    assert page.get("/compare?before=..&after=minibus-7-after").status == 404
