"""The job sheet form: what is wrong is told by field, what is right comes back as typed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.page.forms import FIELDS, read_form, typed_of
from recorder.jobsheet import JobSheet
from tests.page.conftest import Served

GOOD = {
    "vehicle": "Minibus 7", "plate": "HV 07 BUS", "complaint": "warm at stops", "complaint_when": "idle",
    "refrigerant": "r134a", "rated_charge_kg": "0,95", "rear_evaporator": "no", "fault_codes": "B10, B11",
}  # fmt: skip


def test_a_filled_form_becomes_a_job_sheet():
    job, wrong = read_form(GOOD)
    assert wrong == {}
    assert job is not None
    assert (job.refrigerant, job.rated_charge_kg, job.rear_evaporator) == ("R-134a", 0.95, False)
    assert job.fault_codes == ("B10", "B11")


@pytest.mark.parametrize(
    ("field", "text", "says"),
    [
        ("rated_charge_kg", "a lot", "is not a number in kg."),
        ("rated_charge_kg", "95", "must lie from 0 to 30 kg."),
        ("rated_charge_kg", "1e3", "is not a number in kg."),
        ("rated_charge_kg", "nan", "is not a number in kg."),
        ("altitude_m", "9000", "must lie from -500 to 6000 m."),
        ("refrigerant", "R-1", "must be one of R-134a, R-1234yf, R-152a, R-744."),
        ("complaint_when", "sometimes", "must be one of idle, moving, always."),
        ("rear_evaporator", "perhaps", "is yes, no or not known."),
        ("vehicle", "x" * 5000, "cannot be read here."),
    ],
)
def test_a_wrong_value_is_told_beside_its_field_and_only_there(field: str, text: str, says: str):
    job, wrong = read_form({**GOOD, field: text})
    assert job is None
    assert wrong == {field: says}


def test_every_fault_is_told_at_once():
    _, wrong = read_form({"rated_charge_kg": "x", "altitude_m": "x", "labour_h": "x"})
    assert set(wrong) == {"rated_charge_kg", "altitude_m", "labour_h"}


def test_every_field_of_the_job_sheet_but_the_recorders_own_can_be_typed():
    own = {"name", "started_at", "marks"}
    assert set(FIELDS) == set(JobSheet.__dataclass_fields__) - own


@given(st.dictionaries(st.sampled_from(sorted(FIELDS)), st.text(max_size=40)))
def test_whatever_is_typed_is_read_or_refused_by_name(typed: dict[str, str]):
    job, wrong = read_form(typed)
    assert (job is None) == bool(wrong)
    assert set(wrong) <= set(typed)
    if job is not None:
        again, _ = read_form(typed_of(job.to_dict()))
        assert again == job


def test_the_server_refuses_a_wrong_form_by_field(page: Served):
    answer = page.post("/api/record", {"job": {"rated_charge_kg": "much"}, "addresses": []})
    assert answer.status == 422
    assert answer.json()["wrong"] == {
        "rated_charge_kg": "is not a number in kg.",
        "addresses": "is missing: choose a node, or type it.",
    }


def test_a_node_that_is_not_there_is_told_in_the_recorders_words(page: Served):
    answer = page.post("/api/record", {"job": {}, "addresses": ["/dev/ttyNOWHERE9"], "beside": True})
    assert answer.status == 400
    assert "there is no such port" in answer.json()["says"]
    assert page.post("/api/record", {"job": {}, "addresses": ["--out=/tmp/x"]}).status == 422
