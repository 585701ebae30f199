"""The list of recordings: found by what people remember, a damaged one told as such."""

import io
import json
import struct
import subprocess
import sys
import zipfile
import zlib
from urllib.parse import quote

from analysis.page.shelf import name_of, path_of
from tests.conftest import ROOT
from tests.page.conftest import Served


def names(page: Served, query: str = "") -> list[str]:
    return [entry["name"] for entry in page.get(f"/api/list?{query}").json()["entries"]]


def test_all_are_listed_and_nothing_else(page: Served):
    found = set(names(page))
    assert {"minibus-7-before", "minibus-7-after", "minibus-7-broken", "minibus-7-altered"} <= found
    assert "elsewhere" not in found


def test_it_lists_what_the_command_lists(page: Served):
    command = [sys.executable, "-m", "analysis", "list", str(page.out), "--json"]
    told = json.loads(subprocess.run(command, capture_output=True, check=True, cwd=ROOT).stdout)
    shown = page.get("/api/list").json()["entries"]
    kinds = ("path", "state", "started_at", "plate", "complaint", "verdict", "copy_of")
    mine, theirs = ({tuple(entry[kind] for kind in kinds) for entry in entries} for entries in (shown, told))
    assert mine == theirs


def test_a_recording_at_any_depth_and_of_any_name_has_an_address(page: Served):
    path = "2025 July/after~the repair, 100 %"
    name = next(entry["name"] for entry in page.get("/api/list").json()["entries"] if entry["path"] == path)
    assert (name, path_of(name)) == (name_of(path), path)
    told = page.write_up(quote(name))
    assert told.status == 200
    assert f"/compare?after={quote(name)}".encode() in told.body
    assert page.get(f"/write-up/{quote(name)}/job-sheet").status == 200


def test_search_by_vehicle_plate_complaint_and_several_words(page: Served):
    for query in ("q=minibus", "q=hv+07", "q=warm+stops", "q=HVCT7BUS000000007", "q=16+SEATS+bus", "q=hv07"):
        assert "minibus-7-before" in names(page, query), query
    assert names(page, "q=minibus+tram") == []


def test_a_damaged_recording_is_listed_with_what_is_wrong(page: Served):
    entry = next(e for e in page.get("/api/list").json()["entries"] if e["name"] == "minibus-7-broken")
    assert entry["wrong"] == "recording.json cannot be read."
    told = page.write_up("minibus-7-broken")
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
    text = page.write_up("minibus-7-altered").body.decode()
    assert "NOT INTACT" in text
    assert "marks.jsonl was altered after sealing" in text


def test_markup_in_a_job_sheet_stays_text(page: Served):
    evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
    body = b"time_s,vent [degC]\n0,10\n1,10\n2,11\n"
    made = page.request("POST", "/api/import?name=" + "%3Cb%3Eevil%3C%2Fb%3E.csv", body).json()["name"]
    assert page.post("/api/job-sheet", {"vehicle": evil}).status == 200
    assert b"<b>evil" not in page.write_up(made).body


def test_a_csv_that_is_none_is_refused_without_a_path_of_this_machine(page: Served):
    answer = page.request("POST", "/api/import?name=..%2F..%2Fevil.csv", b"a,b\n1,2\n")
    assert answer.status == 400
    assert "evil.csv" in answer.json()["says"]
    assert "/tmp" not in answer.json()["says"]


def test_sheets_are_written_in_the_readers_units_with_photographs_and_all_in_one_file(page: Served):
    name = "minibus-7-after"
    picture = ROOT.joinpath("analysis", "page", "static", "mark.svg").read_bytes()
    assert page.request("POST", f"/api/photo/{name}?name=plate.png", picture).status == 400, "no JPEG or PNG"
    png = png_of(40, 30)
    told = page.request("POST", f"/api/photo/{name}?name=..%2F..%2Fthe+plate.gif", png).json()
    assert told["photos"] == ["the-plate.png"], "named by what it is, and it stays in its folder"
    assert page.request("POST", f"/api/photo/{name}?name=odd.png", png).json()["photos"] == ["odd.png", "the-plate.png"]
    assert page.post(f"/api/drop-photo/{name}", {"photo": "../odd.png"}).status == 400
    assert page.post(f"/api/drop-photo/{name}", {"photo": "odd.png"}).json()["photos"] == ["the-plate.png"]
    assert page.post(f"/api/sheets/{name}", {"units": "cubits"}).status == 400
    files = page.post(f"/api/sheets/{name}", {"units": "psi", "paper": "letter", "bundle": True}).json()["files"]
    assert {"claim-sheet.pdf", "customer-page.pdf", "report.html", "findings.json", "bundle.zip"} <= set(files)
    with zipfile.ZipFile(io.BytesIO(page.get(f"/sheets/{name}/bundle.zip").body)) as bundle:
        assert any(entry.endswith("photos/the-plate.png") for entry in bundle.namelist())
    assert not (page.out / name / "photos").exists(), "what is sealed is not touched"


def png_of(width: int, height: int) -> bytes:
    """A grey picture (ISO/IEC 15948)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = zlib.compress((b"\0" + b"\x80" * width) * height)
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def test_the_write_up_speaks_the_units_that_the_browser_chose(page: Served):
    text = page.write_up("minibus-7-before", Cookie="units=psi").body.decode()
    assert " psi" in text
    assert " kPa gauge" not in text
    other = page.write_up("minibus-7-before", Cookie="units=furlongs").body.decode()
    assert " kPa gauge" in other
