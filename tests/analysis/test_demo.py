"""The demo: the whole job over a real line, on invented recordings that their command makes again."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from analysis.diagnose import diagnose
from analysis.findings import FAULT_FOUND, NO_FAULT_SEEN
from recorder.recording import open_recording
from tests.conftest import ROOT
from tests.plant import make_recordings

RECORDINGS = ROOT / "recordings"


def test_the_command_makes_the_shipped_recordings_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Their first five minutes, to a step of the converter: processors differ in the last digit of an exponential."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    make_recordings.main(tmp_path, 300.0)
    for name in (make_recordings.BEFORE, make_recordings.AFTER):
        fresh, shipped = open_recording(tmp_path / name), open_recording(RECORDINGS / name)
        assert shipped.intact
        assert fresh.job == shipped.job
        assert fresh.marks == shipped.marks
        assert fresh.streams[0].channels == shipped.streams[0].channels
        again = fresh.streams[0].data
        kept = shipped.streams[0].data.head(again.height)
        assert again["t"].equals(kept["t"])
        raws = [column for column in again.columns if column.startswith("raw_")]
        assert np.abs(again.select(raws).to_numpy() - kept.select(raws).to_numpy()).max() <= 1


def test_the_fault_is_found_before_and_not_after():
    before = diagnose(open_recording(RECORDINGS / "minibus-7-before"), "test")
    after = diagnose(open_recording(RECORDINGS / "minibus-7-after"), "test")
    assert (before.verdict, after.verdict) == (FAULT_FOUND, NO_FAULT_SEEN)
    assert before.causes[0].cause == "condenser_airflow_loss"
    true = make_recordings.FAN_OUT
    found = [e for e in before.episodes if e.kind == "condenser_airflow_loss"]
    assert len(found) == len(true)
    for episode, (start, end) in zip(found, true, strict=True):
        assert episode.start_s == pytest.approx(start, abs=16.0)
        assert episode.start_s < end
        assert episode.end_s <= end + 10.0


def test_swapping_the_two_recordings_swaps_the_verdicts(tmp_path: Path):
    """The verdict comes from the samples: exchange the two Parquet files, keep job sheets and names."""
    folders = {}
    for name, other in (("before", "after"), ("after", "before")):
        folder = Path(shutil.copytree(RECORDINGS / f"minibus-7-{name}", tmp_path / name))
        shutil.copyfile(RECORDINGS / f"minibus-7-{other}" / "hv-node-7.parquet", folder / "hv-node-7.parquet")
        folders[name] = folder
    verdicts = {name: diagnose(open_recording(folder), "test").verdict for name, folder in folders.items()}
    assert verdicts == {"before": NO_FAULT_SEEN, "after": FAULT_FOUND}


def test_the_recordings_say_that_they_are_invented():
    text = (RECORDINGS / "README.md").read_text(encoding="utf-8")
    assert "invented" in text.lower()
    assert "python -m tests.plant.make_recordings" in text
    for name in ("before", "after"):
        about = json.loads((RECORDINGS / f"minibus-7-{name}" / "recording.json").read_text())
        assert "invented" in about["origin"]
