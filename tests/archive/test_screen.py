"""Screening: every recording has its row, whatever is wrong with it and whatever is killed meanwhile."""

import json
import os
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from analysis.archive import screening
from analysis.archive.examine import examine
from analysis.archive.index import ASIDE, indexed
from analysis.archive.kept import JOURNAL_FILE, TABLE_FILE, kept_findings
from analysis.archive.progress import Progress, duration
from analysis.archive.rows import SCHEMA, read_table, table_of
from analysis.diagnose import diagnose
from recorder.errors import InputError
from recorder.recording import open_recording
from recorder.store import software
from tests.archive.killing import Held, of_group, until, workers_of
from tests.archive.made import copies_of
from tests.conftest import warmspell


def in_process(work: Callable, items: list[str]) -> Iterator:
    """Spread over nothing: one after the other, here."""
    for item in items:
        yield item, work(item)


def screened(archive: Path, version: str = "tests 1", spread: Callable = in_process) -> screening.Screened:
    """Screen an archive in this process; what is told must be expected by the test."""
    index = indexed(archive, str, by_content=True)
    return screening.screen(index, version, spread, Progress(0, sys.stderr), str)


def test_the_rows_say_what_the_findings_say(small: Path, tmp_path: Path):
    copies_of(small, tmp_path, 1)
    findings = diagnose(open_recording(tmp_path / "bus-00000"), "tests 1")
    table = screened(tmp_path).table
    assert table.schema == SCHEMA
    assert table["kind"].to_list() == [e.kind for e in findings.episodes]
    assert table["start_s"].to_list() == [e.start_s for e in findings.episodes]
    row = table.row(0, named=True)
    assert row["cause"] == findings.causes[0].cause
    assert row["verdict"] == findings.verdict == "fault_found"
    assert set(row["present_kinds"]) == {e.kind for e in findings.episodes}
    decided = set(row["present_kinds"]) | set(row["absent_kinds"]) | set(row["undecided_kinds"])
    assert decided == {check.kind for check in findings.checks}
    assert row["recorded_h"] == pytest.approx(findings.recording.duration_s / 3600.0)
    assert 0.1 < row["pumped_h"] < row["recorded_h"]
    data = open_recording(tmp_path / "bus-00000").streams[0].data
    assert row["ambient_degc"] == pytest.approx(data["ambient"].mean(), abs=0.2)
    assert (row["model"], row["plate"], row["odometer_km"]) == ("Invented A", "HV 00000", 0.0)
    assert row["digest"] == json.loads((tmp_path / "bus-00000" / "seal.json").read_text())["digest"]


def test_only_what_changed_failed_or_is_of_another_version_is_analysed_again(small: Path, tmp_path: Path):
    folders = copies_of(small, tmp_path, 4)
    assert screened(tmp_path).analysed == 4
    assert screened(tmp_path).analysed == 0
    (folders[1] / "recording.json").write_text("{")
    os.utime(folders[2] / "seal.json", (1.0, 1.0))
    again = screened(tmp_path)
    assert again.analysed == 2
    ((path, why),) = again.failed
    assert path == "bus-00001"
    assert why.startswith("recording.json: cannot be read (Expecting property name")
    assert screened(tmp_path).analysed == 1, "what failed is tried again"
    assert screened(tmp_path, "tests 2").analysed == 4
    assert set(kept_findings(tmp_path)["software"]) == {"tests 2"}


def test_no_recording_vanishes_from_the_table(small: Path, tmp_path: Path):
    folders = copies_of(small, tmp_path, 5)
    shutil.copytree(folders[0], tmp_path / "copy-of-0")
    (folders[1] / "recording.json").unlink()
    parquet = next(folders[2].glob("*.parquet"))
    parquet.unlink()
    parquet.write_bytes(b"PAR1 no more")
    now = tmp_path / "now"
    now.mkdir()
    (now / "opening.json").write_text(json.dumps({"id": "now", "utc_ns": 1, "job_sheet": {}}))
    (folders[3] / "seal.json").write_text("{}")
    table = screened(tmp_path).table
    first = table.unique("path", keep="first").sort("path")
    rows = dict(first.select("path", "row").iter_rows())
    assert rows == {
        "bus-00000": "episode", "bus-00001": "error", "bus-00002": "none", "bus-00003": "episode",
        "bus-00004": "episode", "copy-of-0": "skipped", "now": "skipped",
    }  # fmt: skip
    told = dict(first.select("path", "error").iter_rows())
    assert told["copy-of-0"] == "has the id of bus-00000"
    assert told["now"] == "is being recorded"
    assert "recording.json" in told["bus-00001"]
    assert str(tmp_path) not in "".join(told[path] or "" for path in told)
    cut = first.filter(pl.col("path") == "bus-00002")
    assert (cut["verdict"].item(), cut["intact"].item()) == ("cannot_tell", False)


def test_a_kind_asked_for_leaves_each_recording_a_row():
    rows = [
        {"path": "a", "row": "episode", "kind": "undercharge", "severity": 0.5},
        {"path": "a", "row": "episode", "kind": "sensor_fault", "channel": "vent"},
        {"path": "b", "row": "episode", "kind": "sensor_fault", "channel": "vent", "verdict": "cannot_tell"},
        {"path": "c", "row": "error", "error": "half of it"},
    ]
    table = screening.of_kinds(table_of(rows), ["undercharge"])
    assert table.select("path", "row", "kind").rows() == [
        ("a", "episode", "undercharge"),
        ("b", "none", None),
        ("c", "error", None),
    ]
    assert table["channel"].null_count() == 3
    assert table["verdict"].to_list() == [None, "cannot_tell", None]


def test_a_fault_of_an_analysis_is_a_row_and_stops_nothing(small: Path, tmp_path: Path):
    copies_of(small, tmp_path, 3)

    def failing(work: Callable, items: list[str]) -> Iterator:
        for item in items:
            yield item, ZeroDivisionError("by zero") if item == "bus-00001" else work(item)

    result = screened(tmp_path, spread=failing)
    assert result.failed == (("bus-00001", "the analysis failed: ZeroDivisionError: by zero"),)
    assert result.table["path"].n_unique() == 3


def test_a_line_that_was_cut_is_left_out_and_its_recording_analysed_again(small: Path, tmp_path: Path):
    copies_of(small, tmp_path, 3)

    def killed_after_two(work: Callable, items: list[str]) -> Iterator:
        yield from ((item, work(item)) for item in items[:2])
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        screened(tmp_path, spread=killed_after_two)
    journal = tmp_path / ASIDE / JOURNAL_FILE
    held = journal.read_bytes().rstrip(b"\n")
    journal.write_bytes(held[: len(held) - 200])
    assert screened(tmp_path).analysed == 2
    assert not journal.exists()
    assert kept_findings(tmp_path)["path"].n_unique() == 3


def test_an_archive_that_vanishes_ends_the_screening_and_no_recording_is_blamed(small: Path, tmp_path: Path):
    archive, away = tmp_path / "drive", tmp_path / "away"
    copies_of(small, archive, 3)

    def unplugged(work: Callable, items: list[str]) -> Iterator:
        yield items[0], work(items[0])
        archive.rename(away)
        archive.mkdir()  # as a mount point that nothing is mounted on
        yield from in_process(work, items[1:])

    with pytest.raises(InputError, match="is not there any more; 1 of 3 recordings were analysed"):
        screened(archive, spread=lambda work, items: _outcomes(unplugged(work, items)))
    archive.rmdir()
    with pytest.raises(InputError, match="is no folder that can be looked into"):
        screened(archive)
    away.rename(archive)
    again = screened(archive)
    assert (again.analysed, again.failed) == (2, ())


def _outcomes(outcomes: Iterator) -> Iterator:
    """As a process would hand an exception over."""
    try:
        yield from outcomes
    except Exception as fault:
        yield "bus-00001", fault


def test_without_permission_to_write_all_is_analysed_and_handed_out(small: Path, tmp_path: Path):
    copies_of(small, tmp_path / "a", 2)
    (tmp_path / "a" / ASIDE).write_text("in the way")
    done = warmspell("screen", str(tmp_path / "a"), "--out", str(tmp_path / "t.parquet"))
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("going on without") == 2, "the index and the findings"
    assert str(tmp_path / "a" / ASIDE) in done.stderr
    assert read_table(tmp_path / "t.parquet")["path"].n_unique() == 2
    refused = warmspell("screen", str(tmp_path / "a"), "--out", str(tmp_path / "none" / "t.parquet"))
    assert refused.returncode == 1
    assert "the table cannot be written" in refused.stderr


def test_the_command_screens_over_processes_lists_the_verdicts_and_writes_the_table(small: Path, tmp_path: Path):
    copies_of(small, tmp_path / "a", 3)
    (tmp_path / "a" / "bus-00001" / "seal.json").unlink()
    (tmp_path / "a" / "bus-00001" / "recording.json").write_text("[]")
    out = tmp_path / "t.parquet"
    done = warmspell("screen", str(tmp_path / "a"), "--kind", "high-pressure-trip", "--out", str(out))
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0] == "3 recordings, 3 analysed just now"
    assert "bus-00001: recording.json: is not a JSON object." in done.stderr
    table = read_table(out)
    assert set(table["kind"].drop_nulls()) == {"high_pressure_trip"}
    assert set(table["software"]) == {software()}
    found = warmspell("list", str(tmp_path / "a"), "--kind", "high_pressure_trip", "--csv")
    assert [line.split(",")[0] for line in found.stdout.splitlines()] == ["path", "bus-00002", "bus-00000"]
    assert "fault found" in warmspell("list", str(tmp_path / "a")).stdout


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks processes up in /proc")
def test_a_killed_screening_leaves_no_process_behind_and_the_next_goes_on(small: Path, tmp_path: Path):
    held = Held(small, tmp_path, 8)
    os.kill(held.process.pid, signal.SIGKILL)
    held.process.communicate()
    until(lambda: not of_group(held.process.pid))
    held.remove_pipes()
    assert not (tmp_path / ASIDE / TABLE_FILE).exists()
    done = warmspell("screen", str(tmp_path))
    assert done.stdout.splitlines()[:2] == ["8 recordings, 2 analysed just now", "       8  fault found"]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks processes up in /proc")
def test_workers_that_are_killed_cost_nothing(small: Path, tmp_path: Path):
    held = Held(small, tmp_path, 8)
    for worker in workers_of(held.process.pid):
        os.kill(worker, signal.SIGKILL)
    out, err = held.let_go()
    assert held.process.returncode == 0, err
    assert out.splitlines()[:2] == ["8 recordings, 8 analysed just now", "       8  fault found"]


def test_a_recording_that_takes_its_process_down_is_told_and_the_others_go_on():
    from analysis.processes import DiedError, over_cores

    outcomes = dict(over_cores(_dies_of_two, [1, 2, 3, 4, 5], 2))
    assert isinstance(outcomes.pop(2), DiedError)
    assert outcomes == {n: n for n in (1, 3, 4, 5)}


def _dies_of_two(number: int) -> int:
    """Work that the system kills, as for want of memory."""
    if number == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def test_the_workers_of_a_screening_start_no_threads_of_their_own():
    from analysis.processes import over_cores

    ((_, threads),) = list(over_cores(_polars_threads, [0], 1))
    assert threads == 1


def _polars_threads(_: int) -> int:
    return pl.thread_pool_size()


def test_progress_says_rate_and_time_left(capsys: pytest.CaptureFixture[str]):
    progress = replace(Progress(10_000, sys.stderr, done=500), _began_s=time.monotonic() - 50.0)
    assert progress.line() == "500 of 10000 recordings, 10.0 a second, 16 min left"
    slow = replace(Progress(8, sys.stderr, done=2), _began_s=time.monotonic() - 60.0)
    assert slow.line() == "2 of 8 recordings, 2.0 a minute, 3 min left"
    assert (duration(119), duration(9000)) == ("119 s", "2.5 h")
    assert capsys.readouterr().err == ""


def test_what_cannot_be_analysed_is_said_without_a_path_of_this_machine(tmp_path: Path):
    (tmp_path / "half").mkdir()
    (row,) = examine(str(tmp_path), "half", "tests")
    assert row["row"] == "error"
    assert row["error"] == "is not a recording (recording.json and opening.json are both missing)."
