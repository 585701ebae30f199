"""Corrections after sealing: chained, applied on reading, the original kept, every tampering named."""

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from recorder.amendments import AMENDMENTS_FILE, append_amendment
from recorder.errors import InputError
from recorder.hashes import check_seal
from recorder.marks import Mark
from recorder.recording import open_recording, short_digest
from tests.conftest import ROOT, warmspell

BEFORE = ROOT / "recordings" / "minibus-7-before"
NOW_NS = 1_800_000_000 * 10**9


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the demo recording that may be amended."""
    return Path(shutil.copytree(BEFORE, tmp_path / "copy"))


def three_amendments(folder: Path) -> list[str]:
    """Odometer, a mark more, and a mark that was set by mistake."""
    recording = open_recording(folder)
    first = recording.started_utc_ns
    assert first is not None
    return [
        append_amendment(folder, NOW_NS, "J. Meadow", "read wrongly", {"odometer_out_km": 84_212.0, "plate": None}),
        append_amendment(
            folder, NOW_NS, "J. Meadow", "forgotten", marks_added=(Mark(first + 5 * 10**9, "note", "door open"),)
        ),
        append_amendment(folder, NOW_NS, "J. Meadow", "wrong key", marks_removed=recording.marks[:1]),
    ]


def test_amendments_apply_in_order_and_the_sealed_original_stays(copy: Path):
    before = open_recording(copy)
    digests = three_amendments(copy)
    after = open_recording(copy)
    assert after.intact
    assert (after.digest, after.chain_digest) == (before.digest, digests[-1])
    assert after.job.odometer_out_km == 84_212.0
    assert after.job.plate is None
    assert after.job.refrigerant == before.job.refrigerant
    assert after.sealed_job == before.job
    assert after.sealed_marks == before.marks
    assert before.marks[0] not in after.marks
    assert "door open" in [mark.text for mark in after.marks if mark.kind == "note"]
    assert [amendment.by for amendment in after.amendments] == ["J. Meadow"] * 3
    assert check_seal(copy) == (before.digest, [])


def test_check_tells_the_amendments_and_their_digest(copy: Path):
    digests = three_amendments(copy)
    done = warmspell("check", str(copy))
    assert done.returncode == 0
    assert done.stdout.splitlines()[1] == f"3 amendments since, digest {short_digest(digests[-1])}"


@pytest.mark.parametrize(
    ("tamper", "says", "kept"),
    [
        (lambda lines: [lines[0].replace("84212", "64212"), *lines[1:]], "line 2 does not follow line 1", 1),
        (lambda lines: [lines[0], lines[2]], "line 2 does not follow line 1", 1),
        (lambda lines: [lines[1], lines[0], lines[2]], "line 1 does not follow the seal", 0),
        (lambda lines: lines[1:], "line 1 does not follow the seal", 0),
        (lambda lines: [lines[0], "{broken", *lines[1:]], "line 2 cannot be read", 1),
        (lambda lines: [lines[0], lines[0], *lines[1:]], "line 2 does not follow line 1", 1),
    ],
)
def test_every_tampering_is_named_and_nothing_after_it_applies(copy: Path, tamper, says: str, kept: int):
    three_amendments(copy)
    path = copy / AMENDMENTS_FILE
    path.write_text("".join(f"{line}\n" for line in tamper(path.read_text().splitlines())))
    recording = open_recording(copy)
    assert len(recording.damage) == 1
    assert recording.damage[0].startswith(f"{AMENDMENTS_FILE} {says}")
    assert len(recording.amendments) == kept
    done = warmspell("check", str(copy))
    assert done.returncode == 1
    assert says in done.stdout
    with pytest.raises(InputError, match="nothing is added to a broken chain"):
        append_amendment(copy, NOW_NS, "J. Meadow", "more", {"plate": "HV 7"})


def test_a_chain_of_another_recording_does_not_fit_this_one(copy: Path, tmp_path: Path):
    other = Path(shutil.copytree(ROOT / "recordings" / "minibus-7-after", tmp_path / "other"))
    append_amendment(other, NOW_NS, "J. Meadow", "why", {"plate": "HV 7"})
    shutil.copyfile(other / AMENDMENTS_FILE, copy / AMENDMENTS_FILE)
    assert open_recording(copy).damage == (f"{AMENDMENTS_FILE} line 1 does not follow the seal",)


def test_a_line_torn_by_a_crash_was_never_confirmed_and_is_written_over(copy: Path):
    three_amendments(copy)
    path = copy / AMENDMENTS_FILE
    whole = path.read_bytes()
    for cut in range(1, 40, 7):
        path.write_bytes(whole[:-cut])
        assert len(open_recording(copy).amendments) == 2
        assert open_recording(copy).intact
    append_amendment(copy, NOW_NS, "J. Meadow", "again", {"plate": "HV 7"})
    assert len(open_recording(copy).amendments) == 3
    assert open_recording(copy).job.plate == "HV 7"


@pytest.mark.parametrize(
    ("by", "reason", "sheet", "says"),
    [
        ("", "why", {"plate": "x"}, "who made it and why"),
        ("J", " ", {"plate": "x"}, "who made it and why"),
        ("J", "why", {}, "changes nothing"),
        ("J", "why", {"colour": "red"}, "no key 'colour'"),
        ("J", "why", {"odometer_in_km": "many"}, "must be a number in km"),
        ("J", "why", {"marks": []}, "marks are amended by"),
    ],
)
def test_an_amendment_that_cannot_be_is_refused_and_leaves_no_line(copy: Path, by, reason, sheet, says: str):
    with pytest.raises(InputError, match=says):
        append_amendment(copy, NOW_NS, by, reason, sheet)
    assert not (copy / AMENDMENTS_FILE).exists()


def test_a_recording_under_way_is_corrected_before_sealing(tmp_path: Path):
    with pytest.raises(InputError, match="is not sealed"):
        append_amendment(tmp_path, NOW_NS, "J", "why", {"plate": "x"})


def test_lines_are_json_that_another_program_can_verify(copy: Path):
    three_amendments(copy)
    previous = json.loads((copy / "seal.json").read_text())["digest"]
    for line in (copy / AMENDMENTS_FILE).read_bytes().splitlines():
        assert json.loads(line)["previous"] == previous
        previous = hashlib.sha256(line).hexdigest()
