"""Opening a recording: worked out once beside the server, kept, and never answered with what was found before."""

import asyncio
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from analysis.archive.kept import by_recording, kept_findings
from analysis.page.desk import Desk
from analysis.page.opened import BEGINS, Kept, Openings, work_out
from analysis.page.shelf import Shelf
from analysis.page.trace import read_derived
from recorder.errors import InputError
from tests.conftest import ROOT
from tests.page.conftest import Served

NAME = "minibus-7-after"


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    shutil.copytree(ROOT / "recordings" / NAME, tmp_path / NAME)
    return Shelf(tmp_path)


def in_openings(shelf: Shelf, job: Any) -> Any:
    """Run a coroutine function with openings and their processes."""

    async def run() -> Any:
        desk = Desk()
        try:
            return await job(Openings(shelf, desk))
        finally:
            desk.close()

    return asyncio.run(run())


def test_what_takes_long_is_told_and_then_had_and_kept_for_every_later_opening(shelf: Shelf):
    async def first(openings: Openings) -> tuple[Any, ...]:
        at_once = await openings.told(NAME, "kPa", 0.0)
        how_far = await openings.progress(NAME)
        return at_once, how_far, await openings.told(NAME, "psi"), await openings.progress(NAME)

    at_once, how_far, told, after = in_openings(shelf, first)
    assert at_once is None
    assert not how_far["done"]
    assert how_far["says"] == BEGINS or how_far["says"].startswith("Step ")
    assert after == {"done": True}
    assert told["verdict"] == "no_fault_seen"

    async def again(openings: Openings) -> Any:
        openings.work.close()
        return await openings.told(NAME, "psi", 0.0), openings.work

    later, work = in_openings(shelf, again)
    assert later == told
    assert not work._pools, "read, not worked out anew"


def test_a_correction_is_never_answered_with_what_was_found_before(shelf: Shelf):
    async def amended(openings: Openings) -> Any:
        before = await openings.kept(NAME)
        marks = shelf.folder(NAME) / "amendments.jsonl"
        marks.write_text("", encoding="utf-8")
        return before, await openings.kept(NAME)

    before, after = in_openings(shelf, amended)
    assert before.folder == after.folder
    assert before.fingerprint != after.fingerprint


def test_what_is_kept_serves_trace_and_list_too(shelf: Shelf, tmp_path: Path):
    kept = Kept(tmp_path / "kept", "one")
    told = work_out(shelf.out, NAME, kept.folder, kept.fingerprint, "test 1")
    assert set(told) == {"kPa", "bar", "psi"}
    assert kept.read() == json.loads(json.dumps(told))
    assert {one.name for one in read_derived(kept.lines)} >= {"evaporating", "condensing", "superheat"}
    assert sorted(path.suffix for path in kept.folder.iterdir()) == [".json", ".npz"]
    assert by_recording(kept_findings(shelf.out))["verdict"].to_list() == ["no_fault_seen"]


def test_a_recording_that_cannot_be_read_is_refused_each_time_and_tried_once(shelf: Shelf):
    (shelf.folder(NAME) / "recording.json").write_text("{", encoding="utf-8")

    async def refused(openings: Openings) -> list[str]:
        said: list[str] = []
        for _ in range(2):
            with pytest.raises(InputError, match=r"recording\.json") as reason:
                await openings.told(NAME, "kPa")
            said.append(str(reason.value))
        return said

    first, second = in_openings(shelf, refused)
    assert first == second


def test_the_whole_trace_is_there_without_an_analysis(page: Served):
    """The trace does not wait: its length comes with it."""
    whole = page.get("/api/trace/minibus-7-after?whole&buckets=300").json()
    assert whole["start_s"] == 0.0
    assert whole["end_s"] == pytest.approx(36 * 60.0, abs=1.0)
    assert {"high_side", "vent"} <= {line["name"] for line in whole["lines"]}


def test_the_whole_trace_is_kept_with_its_derived_lines_and_zooms_like_any_other(page: Served):
    page.get("/api/review/minibus-7-after")
    first, again = (page.get("/api/trace/minibus-7-after?whole&buckets=256").json() for _ in range(2))
    kept = list((page.out / ".page" / "opened" / "minibus-7-after").glob("*-256.json"))
    assert len(kept) == 1
    assert again == first
    assert {"high_side", "superheat"} <= {line["name"] for line in again["lines"]}
    part = page.get(f"/api/trace/minibus-7-after?start=0&end={first['end_s']}&buckets=256").json()
    assert part["lines"] == first["lines"]
