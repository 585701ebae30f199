"""Bundles: one zip that shows on another machine whether anything in it was changed."""

import shutil
import zipfile
from pathlib import Path

import pytest

from recorder.bundle import bundle_of, check_bundle
from recorder.errors import InputError
from recorder.recording import check_seal
from tests.conftest import ROOT, warmspell

BEFORE = ROOT / "recordings" / "minibus-7-before"
MADE = {"findings.json": b"{}\n", "claim-sheet.pdf": b"%PDF-1.4 nothing"}


@pytest.fixture
def bundle(tmp_path: Path) -> Path:
    """The demo recording with two small files, bundled."""
    path = tmp_path / "bundle.zip"
    path.write_bytes(bundle_of({"recording": BEFORE}, MADE))
    return path


def test_an_intact_bundle_tells_both_digests(bundle: Path):
    found = check_bundle(bundle)
    assert found.damage == ()
    assert found.recording_digests["recording"] == check_seal(BEFORE)[0]
    assert found.digest is not None


def test_the_same_files_give_the_same_bytes(bundle: Path):
    assert bundle_of({"recording": BEFORE}, MADE) == bundle.read_bytes()


def rewritten(bundle: Path, change: dict[str, bytes | None]) -> Path:
    """The bundle with files changed, added or (None) left out."""
    path = bundle.with_name("changed.zip")
    with zipfile.ZipFile(bundle) as old, zipfile.ZipFile(path, "w") as new:
        for name in old.namelist():
            data = change.get(name, old.read(name))
            if data is not None:
                new.writestr(name, data)
        for name in set(change) - set(old.namelist()):
            new.writestr(name, change[name] or b"")
    return path


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("findings.json", b"{} \n", "findings.json was altered after bundling"),
        ("claim-sheet.pdf", None, "claim-sheet.pdf is missing"),
        ("recording/recording.json", b"{}", "recording: recording.json is missing"),
        ("note.txt", b"new", "note.txt stands in the bundle unhashed"),
    ],
)
def test_what_was_changed_is_named(name: str, data: bytes | None, says: str, bundle: Path):
    changed = rewritten(bundle, {name: data})
    assert says in " ".join(check_bundle(changed).damage)
    done = warmspell("check", str(changed))
    assert done.returncode == 1
    assert "not intact" in done.stderr


def test_every_flipped_byte_in_the_packed_files_is_found_or_refused(bundle: Path, tmp_path: Path):
    """Bytes across the zip: a change is damage, a refusal, or in a field of the zip that says nothing of a file."""
    data = bundle.read_bytes()
    whole = check_bundle(bundle)
    changed = tmp_path / "flipped.zip"
    unseen = 0
    places = range(40, len(data), max(len(data) // 60, 1))
    for at in places:
        changed.write_bytes(data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :])
        try:
            found = check_bundle(changed)
        except InputError:
            continue
        unseen += found == whole
    assert unseen <= len(places) // 10


@pytest.mark.parametrize("name", ["../outside.txt", "/etc/outside", "a\\..\\b", "C:x", "recording/../../x"])
def test_names_that_leave_the_folder_are_refused_before_anything_is_unpacked(name: str, bundle: Path):
    changed = bundle.with_name("evil.zip")
    shutil.copyfile(bundle, changed)
    with zipfile.ZipFile(changed, "a") as archive:
        archive.writestr(zipfile.ZipInfo(name), b"x")
    with pytest.raises(InputError, match="which no bundle has"):
        check_bundle(changed)


def test_what_is_no_bundle_is_said_to_be_none(tmp_path: Path):
    path = tmp_path / "other.zip"
    path.write_bytes(b"not a zip")
    with pytest.raises(InputError, match="is not a bundle that can be read"):
        check_bundle(path)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("x.txt", "x")
    with pytest.raises(InputError, match=r"is not a bundle \(hashes.json"):
        check_bundle(path)


def test_report_bundles_and_check_verifies_elsewhere(tmp_path: Path):
    done = warmspell("report", str(BEFORE), "--out", str(tmp_path / "claim"), "--bundle")
    assert done.returncode == 0, done.stderr
    elsewhere = shutil.copyfile(tmp_path / "claim" / "bundle.zip", tmp_path / "arrived.zip")
    checked = warmspell("check", str(elsewhere), cwd=tmp_path)
    assert checked.returncode == 0, checked.stderr
    assert "intact, recording digest 4E46-AA95-2403-1E8C-1F6E" in checked.stdout
    with zipfile.ZipFile(elsewhere) as archive:
        names = set(archive.namelist())
    assert {"hashes.json", "claim-sheet.pdf", "customer-page.pdf", "report.html", "findings.json"} <= names
    assert "recording/seal.json" in names
