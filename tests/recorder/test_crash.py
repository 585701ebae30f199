"""A killed recorder loses nothing that was on the disk."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from recorder.journal import read_journal
from recorder.recording import open_recording
from tests.conftest import ROOT, Replaying, warmspell

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals, device paths or pseudo-terminals")
BEFORE = ROOT / "recordings" / "minibus-7-before"


def start_recorder(port: str, out: Path) -> subprocess.Popen[bytes]:
    """A recorder as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "analysis", "record", port, "--out", str(out)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def wait_for_journal(out: Path, size: int) -> Path:
    """The journal, once it has that size on the disk."""
    deadline = time.monotonic() + 30.0
    while time.monotonic() < deadline:
        for journal in out.glob("*/*.journal"):
            if journal.stat().st_size > size:
                return journal
        time.sleep(0.02)
    pytest.fail("no journal grew")


def test_a_killed_recorder_leaves_what_was_forced_and_seal_finishes_it(tmp_path: Path, replaying: Replaying):
    recorder = start_recorder(replaying.start(BEFORE, 100.0), tmp_path)
    journal = wait_for_journal(tmp_path, 60_000)
    on_disk = len(read_journal(journal).arrivals)
    recorder.kill()
    recorder.wait()
    folder = journal.parent
    unsealed = open_recording(folder)
    assert not unsealed.sealed
    rows = unsealed.streams[0].data.height
    assert len(read_journal(journal).arrivals) >= on_disk
    done = warmspell("seal", str(folder))
    assert done.returncode == 0, done.stderr
    sealed = open_recording(folder)
    assert sealed.sealed
    assert sealed.intact
    assert sealed.streams[0].data.height == rows
    original = open_recording(BEFORE).streams[0].data
    shared = [c for c in original.columns if c not in ("seq", "boot")]
    assert sealed.streams[0].data.select(shared).equals(original.select(shared).head(rows))


def test_nobody_marks_a_recording_whose_recorder_died(tmp_path: Path, replaying: Replaying):
    recorder = start_recorder(replaying.start(BEFORE, 100.0), tmp_path)
    journal = wait_for_journal(tmp_path, 20_000)
    assert warmspell("mark", "note", "alive", "--recording", str(journal.parent)).returncode == 0
    recorder.kill()
    recorder.wait()
    minute_ago = time.time() - 60.0
    os.utime(journal.parent / "opening.json", (minute_ago, minute_ago))
    done = warmspell("mark", "note", "dead", "--recording", str(journal.parent))
    assert done.returncode == 1
    assert "nothing was marked" in done.stderr
    assert "warmspell seal" in done.stderr


@posix_only
def test_a_port_that_does_not_exist_is_told_at_once_and_leaves_nothing(tmp_path: Path):
    done = warmspell("record", "/dev/ttyNOPE", "--for", "3s", "--out", str(tmp_path / "out"))
    assert done.returncode == 1
    assert "/dev/ttyNOPE: there is no such port" in done.stderr
    assert not (tmp_path / "out").exists()


@posix_only
def test_a_port_on_which_nobody_speaks_leaves_no_folder(tmp_path: Path):
    master, slave = os.openpty()
    done = warmspell("record", os.ttyname(slave), "--for", "2s", "--out", str(tmp_path / "out"))
    os.close(master)
    os.close(slave)
    assert done.returncode == 1
    assert "nothing was received, nothing was kept" in done.stderr
    assert list((tmp_path / "out").iterdir()) == []


def test_a_journal_cut_by_the_power_is_read_up_to_the_cut(tmp_path: Path, replaying: Replaying):
    recorder = start_recorder(replaying.start(BEFORE, 200.0), tmp_path)
    journal = wait_for_journal(tmp_path, 80_000)
    recorder.kill()
    recorder.wait()
    whole = journal.read_bytes()
    intact = len(read_journal(journal).arrivals)
    os.truncate(journal, len(whole) - 7)
    recording = open_recording(journal.parent)
    assert len(read_journal(journal).arrivals) == intact - 1
    assert any("belong to no intact frame" in sentence for sentence in recording.damage)
    done = warmspell("analyse", str(journal.parent))
    assert done.returncode == 0, done.stderr
    assert "NOT INTACT" in done.stdout


@posix_only
def test_ctrl_c_ends_a_recording_in_order_and_seals_it(tmp_path: Path, replaying: Replaying):
    recorder = start_recorder(replaying.start(BEFORE, 100.0), tmp_path)
    journal = wait_for_journal(tmp_path, 40_000)
    recorder.send_signal(signal.SIGINT)
    assert recorder.wait(timeout=20) == 0
    assert open_recording(journal.parent).sealed
    assert warmspell("check", str(journal.parent)).returncode == 0
