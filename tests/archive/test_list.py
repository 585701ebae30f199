"""The list: what an archive holds, found by what people remember, whatever else lies in it."""

import json
import os
import shutil
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from analysis import commands
from analysis.archive.index import ASIDE, INDEX_FILE, Index, indexed
from analysis.archive.walk import DEEPEST
from recorder.amendments import append_amendment
from recorder.errors import InputError
from tests.archive.made import copies_of, listed, small_recording
from tests.conftest import warmspell


def quiet(archive: Path) -> Index:
    """The index, where nothing is to be told."""
    told: list[str] = []
    index = indexed(archive, told.append)
    assert told == []
    return index


@pytest.fixture
def archive(small: Path, tmp_path: Path) -> Path:
    """Six buses, two of them a folder deeper, and a file that is no recording."""
    copies_of(small, tmp_path, 4)
    copies_of(small, tmp_path / "2025" / "spring", 2, first=4, refrigerant="R-1234yf")
    (tmp_path / "notes.txt").write_text("call the depot")
    (tmp_path / "calibrations.json").write_text("{}")
    return tmp_path


def names(*words: str) -> list[str]:
    """The folders that a list names."""
    done = CliRunner().invoke(commands.warmspell, ["list", *words, "--json"])
    assert done.exit_code == 0, done.output
    return sorted(row["path"].rsplit("/", maxsplit=1)[-1] for row in json.loads(done.stdout))


def test_recordings_are_found_at_any_depth_and_other_files_are_told(archive: Path):
    index = quiet(archive)
    assert listed(index.table) == [*(f"2025/spring/bus-0000{n}" for n in (4, 5)), *(f"bus-0000{n}" for n in range(4))]
    assert index.remarks == ["1 file is no recording and was skipped: notes.txt."]


def test_filters_find_what_was_asked_for(archive: Path):
    where = str(archive)
    assert names(where, "--plate", "hv 00-003") == ["bus-00003"]
    assert names(where, "--vehicle", "minibus 2") == ["bus-00002"]
    assert names(where, "--vehicle", "invented b") == ["bus-00001", "bus-00004"]
    assert names(where, "--refrigerant", "r1234yf") == ["bus-00004", "bus-00005"]
    assert names(where, "--from", "2025-02-02", "--to", "2025-05-05") == ["bus-00001", "bus-00004"]
    assert names(where, "--verdict", "fault_found") == []
    assert len(names(where, "--verdict", "not_screened")) == 6


def test_what_the_list_cannot_take_is_a_fault_of_usage(archive: Path):
    for words, told in (
        (("--kind", "bad luck"), "is no kind of episode"),
        (("--from", "yesterday"), "is no date; write it as 2026-07-14"),
        (("--refrigerant", "R-1"), "must be one of R-134a"),
        (("--json", "--csv"), "choose one"),
    ):
        done = CliRunner().invoke(commands.warmspell, ["list", str(archive), *words])
        assert done.exit_code == 2, done.stderr
        assert told in done.stderr
    missing = warmspell("list", str(archive / "none"))
    assert missing.returncode == 1
    assert "is no folder that can be looked into" in missing.stderr


def test_the_table_goes_to_standard_output_and_the_rest_to_standard_error(archive: Path):
    done = warmspell("list", str(archive))
    head, *rows = done.stdout.splitlines()
    assert head.split() == ["started", "vehicle", "plate", "refrigerant", "verdict", "kinds", "path"]
    assert len(rows) == 6
    assert all("not screened" in row for row in rows)
    assert done.stderr.splitlines() == ["1 file is no recording and was skipped: notes.txt.", "6 recordings."]
    assert warmspell("list", str(archive), "--csv").stdout.count("\n") == 7


def test_what_changed_is_read_again_and_nothing_else(archive: Path, small: Path, monkeypatch: pytest.MonkeyPatch):
    quiet(archive)
    from analysis.archive import index as module

    read: list[str] = []
    real = module.row_of
    monkeypatch.setattr(module, "row_of", lambda root, path: read.append(path) or real(root, path))
    quiet(archive)
    assert read == []
    append_amendment(archive / "bus-00001", 10**18, "J. Meadow", "misread", {"plate": "HV 1 BUS"})
    copies_of(small, archive, 1, first=9)
    shutil.rmtree(archive / "bus-00002")
    table = quiet(archive).table
    assert sorted(read) == ["bus-00001", "bus-00009"]
    assert table.filter(pl.col("path") == "bus-00001")["plate"].to_list() == ["HV 1 BUS"]
    assert "bus-00002" not in listed(table)
    read.clear()
    append_amendment(archive / "bus-00001", 10**18, "J. Meadow", "again", {"plate": "HV 2 BUS"})
    assert "HV 2 BUS" in quiet(archive).table["plate"].to_list()
    assert read == ["bus-00001"]


def test_an_index_that_is_lost_damaged_or_of_another_version_is_made_again(archive: Path):
    whole = quiet(archive).table
    file = archive / ASIDE / INDEX_FILE
    for spoil in (
        lambda: shutil.rmtree(archive / ASIDE),
        lambda: file.write_bytes(file.read_bytes()[:100]),
        lambda: whole.select("path").write_parquet(file),
    ):
        spoil()
        assert quiet(archive).table.equals(whole)
    assert pl.read_parquet(file).height == 6


def test_half_recordings_and_copies_are_told_counted_and_listed(archive: Path, small: Path):
    (archive / "bus-00000" / "recording.json").write_text("{")
    (archive / "bus-00001" / "recording.json").unlink()
    cut = archive / "cut-off"
    cut.mkdir()
    (cut / "hv-node-7.journal").write_bytes(b"\x00" * 30)
    shutil.copytree(archive / "bus-00002", archive / "a-copy-of-2")
    index = quiet(archive)
    foreign, copies, wrong = index.remarks
    half = "recording.json is missing: this is half a recording"
    assert foreign == "1 file is no recording and was skipped: notes.txt."
    assert copies == "1 recording is a copy of another and was skipped: bus-00002 (of a-copy-of-2)."
    assert wrong.startswith("3 recordings cannot be read: bus-00000 (recording.json cannot be read), ")
    assert wrong.endswith(f"bus-00001 ({half}), cut-off ({half}).")
    done = warmspell("list", str(archive))
    assert done.returncode == 0
    assert done.stdout.count("cannot be read") == 3
    assert done.stdout.count("copy ") == 1


def test_links_hidden_folders_and_bottomless_folders_are_not_followed(archive: Path, tmp_path: Path):
    (archive / "again").symlink_to(archive)
    shutil.copytree(archive / "bus-00003", archive / ".trash" / "bus-00003")
    deep = archive.joinpath(*"abcdefghijk")
    deep.mkdir(parents=True)
    index = quiet(archive)
    assert index.table.height == 6
    assert f"more than {DEEPEST} folders deep" in index.remarks[1]


def test_a_cut_off_recording_is_listed_and_one_under_way_as_such(archive: Path):
    for name in ("cut", "now"):
        folder = archive / name
        folder.mkdir()
        about = {"id": name, "utc_ns": 1_700_000_000_000_000_000, "monotonic_ns": 1, "job_sheet": {}, "software": "x"}
        (folder / "opening.json").write_text(json.dumps(about))
    os.utime(archive / "cut" / "opening.json", (1.0, 1.0))
    states = dict(quiet(archive).table.select("path", "state").iter_rows())
    assert (states["cut"], states["now"]) == ("cut_off", "under_way")


def test_an_archive_that_cannot_be_written_is_listed_without_an_index(small: Path, tmp_path: Path):
    copies_of(small, tmp_path, 2)
    (tmp_path / ASIDE).write_text("in the way")
    told: list[str] = []
    assert indexed(tmp_path, told.append).table.height == 2
    assert len(told) == 1
    assert str(tmp_path / ASIDE / INDEX_FILE) in told[0]
    assert "going on without" in told[0]


def test_a_folder_without_recordings_is_an_empty_list(tmp_path: Path):
    done = warmspell("list", str(tmp_path))
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "0 recordings.\n")
    with pytest.raises(InputError, match="is no folder"):
        indexed(tmp_path / "none", print)


def test_a_recording_without_a_time_of_day_lies_between_no_dates(tmp_path: Path):
    small_recording(tmp_path / "one")
    file = tmp_path / "one" / "recording.json"
    file.write_text(json.dumps(json.loads(file.read_text()) | {"time_of_day_stated": False}))
    done = warmspell("list", str(tmp_path), "--from", "2000-01-01")
    assert done.stdout == ""
    assert done.stderr == "0 of 1 recording.\n1 state no date and lie between no dates.\n"
    assert "not stated" in warmspell("list", str(tmp_path)).stdout
