"""Seal and check: every later change is named."""

import json
import shutil
from pathlib import Path

import jsonschema
import pytest

from analysis.findings import schema
from recorder.hashes import check_seal
from recorder.recording import open_recording, short_digest
from tests.conftest import ROOT, warmspell

BEFORE = ROOT / "recordings" / "minibus-7-before"


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the demo recording that may be damaged."""
    return Path(shutil.copytree(BEFORE, tmp_path / "copy"))


def test_an_intact_recording_checks_out_and_tells_its_digest(copy: Path):
    done = warmspell("check", str(copy))
    digest = json.loads((copy / "seal.json").read_text())["digest"]
    assert done.returncode == 0
    assert done.stdout == f"intact, digest {short_digest(digest)}\n"


@pytest.mark.parametrize("name", ["hv-node-7.parquet", "recording.json", "marks.jsonl"])
def test_one_changed_byte_is_named(copy: Path, name: str):
    data = bytearray((copy / name).read_bytes())
    data[len(data) // 2] ^= 1
    (copy / name).write_bytes(data)
    done = warmspell("check", str(copy))
    assert done.returncode == 1
    assert f"{name} was altered after sealing" in done.stdout + done.stderr


def test_a_missing_file_is_named_and_the_rest_is_still_read(copy: Path):
    (copy / "marks.jsonl").unlink()
    recording = open_recording(copy)
    assert recording.damage == ("marks.jsonl is missing",)
    assert recording.streams[0].data.height == 8641


def test_a_forged_seal_does_not_agree_with_its_digest(copy: Path):
    seal = json.loads((copy / "seal.json").read_text())
    seal["files"]["marks.jsonl"] = "0" * 64
    (copy / "seal.json").write_text(json.dumps(seal))
    _, damage = check_seal(copy)
    assert "seal.json does not agree with its own digest" in damage


def test_damaged_parquet_is_left_out_and_the_findings_say_not_intact(copy: Path):
    (copy / "hv-node-7.parquet").write_bytes(b"PAR1 nothing")
    done = warmspell("analyse", str(copy), "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["verdict"] == "cannot_tell"
    assert document["recording"]["intact"] is False
    assert "hv-node-7.parquet" in document["verdict_why"]
    jsonschema.validate(document, schema())
    assert warmspell("report", str(copy), "--out", str(copy / "out")).returncode == 1
    marks = (copy / "marks.jsonl").read_text()
    (copy / "marks.jsonl").write_text(marks + "{broken\n")
    shutil.copyfile(BEFORE / "hv-node-7.parquet", copy / "hv-node-7.parquet")
    done = warmspell("analyse", str(copy), "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["recording"]["intact"] is False


def test_a_sealed_recording_is_not_sealed_twice(copy: Path):
    done = warmspell("seal", str(copy))
    assert (done.returncode, done.stdout) == (1, "")
    assert "is sealed already" in done.stderr


def test_what_stands_beside_a_recording_is_told(copy: Path):
    (copy / "photo.png").write_bytes(b"x")
    assert "photo.png stands beside the recording" in warmspell("check", str(copy)).stderr
