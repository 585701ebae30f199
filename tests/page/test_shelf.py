"""The list of recordings: found by what people remember, a damaged one told as such."""

from tests.page.conftest import Served


def names(page: Served, query: str = "") -> list[str]:
    return [entry["name"] for entry in page.get(f"/api/list?{query}").json()["entries"]]


def test_all_are_listed_and_nothing_else(page: Served):
    found = set(names(page))
    assert {"minibus-7-before", "minibus-7-after", "minibus-7-broken", "minibus-7-altered"} <= found
    assert "elsewhere" not in found


def test_search_by_vehicle_plate_complaint_and_several_words(page: Served):
    for query in ("q=minibus", "q=hv+07", "q=warm+stops", "q=HVCT7BUS000000007", "q=16+SEATS+bus"):
        assert "minibus-7-before" in names(page, query), query
    assert names(page, "q=minibus+tram") == []


def test_a_damaged_recording_is_listed_with_what_is_wrong(page: Served):
    entry = next(e for e in page.get("/api/list").json()["entries"] if e["name"] == "minibus-7-broken")
    assert entry["wrong"] == "recording.json cannot be read."
    told = page.get("/write-up/minibus-7-broken")
    assert told.status == 200
    assert b"cannot be read" in told.body
    assert str(page.out).encode() not in told.body


def test_verdicts_are_worked_out_once_and_searched(page: Served):
    for name in ("minibus-7-before", "minibus-7-after", "minibus-7-altered"):
        assert page.post(f"/api/verdict/{name}").status == 200
    assert "minibus-7-before" in names(page, "verdict=fault_found")
    assert "minibus-7-after" in names(page, "verdict=no_fault_seen")
    assert "minibus-7-after" not in names(page, "verdict=fault_found")
    wrong = names(page, "verdict=wrong")
    assert {"minibus-7-broken", "minibus-7-altered"} <= set(wrong)
    assert "minibus-7-before" in names(page, "q=condenser+airflow")
    (page.out / "minibus-7-after" / "seal.json").touch()
    assert "minibus-7-after" not in names(page, "verdict=no_fault_seen"), "changed files are looked at afresh"


def test_an_altered_recording_says_not_intact_and_what(page: Served):
    text = page.get("/write-up/minibus-7-altered").body.decode()
    assert "NOT INTACT" in text
    assert "marks.jsonl was altered after sealing" in text


def test_markup_in_a_job_sheet_stays_text(page: Served):
    evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
    body = b"time_s,vent [degC]\n0,10\n1,10\n2,11\n"
    made = page.request("POST", "/api/import?name=" + "%3Cb%3Eevil%3C%2Fb%3E.csv", body).json()["name"]
    assert page.post("/api/job-sheet", {"vehicle": evil}).status == 200
    assert b"<b>evil" not in page.get(f"/write-up/{made}").body


def test_a_csv_that_is_none_is_refused_without_a_path_of_this_machine(page: Served):
    answer = page.request("POST", "/api/import?name=..%2F..%2Fevil.csv", b"a,b\n1,2\n")
    assert answer.status == 400
    assert "evil.csv" in answer.json()["says"]
    assert "/tmp" not in answer.json()["says"]
