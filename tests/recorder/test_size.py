"""What acquisition takes that is no matter of time: memory while recording, bytes once sealed."""

import subprocess
import sys
from pathlib import Path

import pytest

from recorder.recording import open_recording
from recorder.sealing import write_parquet
from tests.conftest import ROOT


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="this system does not tell a process's memory so")
def test_memory_stays_flat_while_hours_are_recorded():
    """Twelve channels at 10 Hz with losses, six hours fed as fast as it goes (``tests.bench`` does the whole day)."""
    command = [sys.executable, "-m", "tests.bench.acquisition", "day", "6"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    _, *hours, _ = (float(word) for word in done.stdout.split())
    assert len(hours) == 5
    assert max(hours) - min(hours) <= 5.0


@pytest.mark.parametrize("name", ["minibus-7-before", "minibus-7-after"])
def test_a_sealed_drive_costs_at_most_four_and_a_half_bytes_a_sample_a_channel(name: str, tmp_path: Path):
    """As it would be sealed now: the shipped files were packed before the level was raised."""
    (stream,) = open_recording(ROOT / "recordings" / name).streams
    assert {f"raw_{channel.id}" for channel in stream.channels} <= set(stream.data.columns)
    write_parquet(tmp_path / "stream.parquet", stream.data)
    assert (tmp_path / "stream.parquet").stat().st_size / stream.data.height / len(stream.channels) <= 4.5
