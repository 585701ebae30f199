"""`warmspell record` as a person runs it: keys, time, unattended rounds, a cap, a full disk."""

import os
import pty as pseudo_terminal
import re
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from recorder.jobsheet import MARK_KINDS
from recorder.keys import MARK_KEYS
from recorder.recording import open_recording
from tests.conftest import ROOT, warmspell
from tests.recorder.nodes import Node, Pty, described, serial_node

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo-terminals")


class Terminal:
    """A recorder in a terminal of its own; ``shown`` is all that it wrote there."""

    def __init__(self, *words: str) -> None:
        self.shown = ""
        self._process, self._handle = self._start(words)

    def _start(self, words: tuple[str, ...]) -> tuple[int, int]:
        process, handle = pseudo_terminal.fork()
        if process == 0:
            os.environ["PYTHONPATH"] = str(ROOT)
            os.execv(sys.executable, [sys.executable, "-m", "analysis", "record", *words])
        return process, handle

    def wait_for(self, pattern: str, within_s: float = 60.0) -> str:
        """Read until a pattern is shown."""
        deadline = time.monotonic() + within_s
        while not re.search(pattern, self.shown):
            assert time.monotonic() < deadline, self.shown
            ready, _, _ = select.select([self._handle], [], [], 0.2)
            if ready:
                try:
                    self.shown += os.read(self._handle, 65536).decode()
                except OSError:
                    break
        assert re.search(pattern, self.shown), self.shown
        return self.shown

    def press(self, key: str) -> None:
        """Press a key."""
        os.write(self._handle, key.encode())

    def end(self) -> int:
        """Wait for its end; returns the exit status."""
        _, status = os.waitpid(self._process, 0)
        os.close(self._handle)
        return os.waitstatus_to_exitcode(status)


@pytest.fixture
def node() -> Iterator[tuple[Node, Pty]]:
    """A node on a pseudo-terminal."""
    made, pty = serial_node(described("hv-1"))
    yield made, pty
    made.stop()
    pty.hang_up()


def until(condition: Callable[[], bool], within_s: float = 60.0) -> None:
    """Wait for something to happen."""
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.02)


@pytest.fixture
def start() -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Starts recorders without a terminal, and leaves none behind."""
    started: list[subprocess.Popen[str]] = []

    def begin(*words: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "analysis", "record", *words],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        return process

    yield begin
    for process in started:
        process.kill()
        process.communicate()


def test_every_kind_of_mark_has_its_key():
    assert sorted(MARK_KEYS.values()) == sorted(MARK_KINDS)
    assert all(len(key) == 1 for key in MARK_KEYS)


def test_keys_mark_the_moment_and_the_screen_shows_it(tmp_path: Path, node: tuple[Node, Pty]):
    terminal = Terminal(node[1].name, "--out", str(tmp_path))
    terminal.wait_for("Keys mark the moment")
    assert "never the driver" in terminal.shown
    terminal.wait_for(r"hv-1: streaming, \d+ frames, 3.30 V")
    terminal.press("a")
    terminal.wait_for("marked ac on")
    terminal.press("C")
    terminal.wait_for("marked complaint")
    terminal.press("?")
    terminal.press("\x03")
    terminal.wait_for("Sealed. Digest [0-9A-F]{4}-")
    assert terminal.end() == 0
    (folder,) = tmp_path.iterdir()
    recording = open_recording(folder)
    assert [mark.kind for mark in recording.marks] == ["ac_on", "complaint"]
    first = recording.started_utc_ns
    assert first is not None
    assert 0 < recording.marks[0].utc_ns - first < 20e9
    assert recording.intact


def test_for_ends_the_recording_and_the_account_is_told(tmp_path: Path, start):
    node, pty = serial_node(described("hv-1", 200.0), keeps=0)
    recorder = start(pty.name, "--for", "2.5s", "--out", str(tmp_path))
    until(lambda: node.streaming)
    soon = node.seq + 10
    node.lost |= {soon, soon + 1}
    node.doubled.add(soon + 5)
    told, said = recorder.communicate(timeout=30)
    node.stop()
    pty.hang_up()
    assert recorder.returncode == 0, said
    assert re.search(r"hv-1: stopped, \d+ frames, 2 lost, 1 doubled", said)
    assert "Sealed. Digest" in said
    assert Path(told.strip()).parent == tmp_path
    seconds = open_recording(Path(told.strip())).streams[0].data["t"].to_physical().to_numpy() / 1e9
    assert 0.5 < seconds[-1] - seconds[0] < 3.5
    checked = warmspell("check", told.strip())
    assert "hv-1: 2 frames of samples never arrived, in 1 gap\n" in checked.stderr


def test_who_closes_the_terminal_or_the_pipe_still_gets_a_sealed_recording(tmp_path: Path, node: tuple[Node, Pty]):
    """As in ``warmspell record ... 2>&1 | head``: nobody reads any more, then the terminal hangs up."""
    ours, theirs = os.pipe()
    recorder = subprocess.Popen(
        [sys.executable, "-m", "analysis", "record", node[1].name, "--out", str(tmp_path)],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=theirs,
    )
    os.close(theirs)
    until(lambda: node[0].streaming)
    os.close(ours)
    frames = node[0].seq
    until(lambda: node[0].seq > frames + 15)
    recorder.send_signal(signal.SIGHUP)
    assert recorder.wait(30) == 0
    (folder,) = tmp_path.iterdir()
    recording = open_recording(folder)
    assert recording.sealed
    assert recording.intact


def test_unattended_recording_begins_with_the_nodes_ends_with_their_silence_and_begins_anew(tmp_path: Path, start):
    link = tmp_path / "usb-node"
    out = tmp_path / "out"
    recorder = start(str(link), "--unattended", "--quiet", "1.2s", "--out", str(out))
    time.sleep(1.0)
    assert not out.exists(), "nothing is there yet, so nothing is begun"
    for number in range(2):
        node, pty = serial_node(described("hv-1"), boot=100 + number)
        link.symlink_to(pty.name)
        until(lambda node=node: node.seq > 20 and node.streaming)
        link.unlink()
        node.stop()
        pty.hang_up()
        until(lambda number=number: len(list(out.glob("*/seal.json"))) == number + 1)
    recorder.send_signal(signal.SIGTERM)
    told, said = recorder.communicate(timeout=20)
    assert recorder.returncode == 0, said
    folders = sorted(out.iterdir())
    assert sorted(told.split()) == [str(folder) for folder in folders]
    for folder in folders:
        recording = open_recording(folder)
        assert recording.intact
        assert recording.nodes[0]["counters"]["frames"] > 5
    assert said.count("Ended: all nodes have been silent for 1.2 s.") == 2


def test_a_cap_stops_recording_seals_it_and_deletes_nothing(tmp_path: Path, node: tuple[Node, Pty]):
    older = tmp_path / "older"
    older.mkdir()
    (older / "big.bin").write_bytes(bytes(995_000))
    done = warmspell("record", node[1].name, "--for", "20s", "--cap", "1MB", "--out", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert "have reached the cap of 1 MB; recording was stopped, nothing was deleted" in done.stderr
    assert (older / "big.bin").stat().st_size == 995_000
    assert open_recording(Path(done.stdout.strip())).intact


def test_a_wrong_cap_or_duration_says_what_to_write():
    assert "write a size of at least a megabyte" in warmspell("record", "x", "--cap", "much").stderr
    assert "write a duration such as" in warmspell("record", "x", "--quiet", "soon").stderr


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 24 MB of its own."""
    mount = shutil.which("mount")
    folder = tmp_path / "disk"
    folder.mkdir()
    command = [mount or "mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode != 0:
        pytest.skip("this system does not let the test mount a small disk")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_disk_that_fills_up_stops_while_there_is_room_to_seal(small_disk: Path, node: tuple[Node, Pty], start):
    recorder = start(node[1].name, "--for", "30s", "--out", str(small_disk / "out"))
    until(lambda: bool(list(small_disk.glob("out/*/*.journal"))) and node[0].seq > 30)
    (small_disk / "other").write_bytes(bytes(17_500_000))
    told, said = recorder.communicate(timeout=25)
    assert recorder.returncode == 0, said
    assert "MB left and sealing may need" in said
    assert "nothing was deleted" in said
    recording = open_recording(Path(told.strip()))
    assert recording.intact
    assert recording.nodes[0]["counters"]["frames"] > 10


def test_a_disk_that_is_full_at_once_loses_nothing_that_was_on_it(small_disk: Path, node: tuple[Node, Pty], start):
    """Another program takes the last byte: the recorder stops and says so; with room again, seal finishes it."""
    recorder = start(node[1].name, "--for", "30s", "--out", str(small_disk / "out"))
    until(lambda: any(p.stat().st_size > 4000 for p in small_disk.glob("out/*/*.journal")))
    hog = small_disk / "other"
    with hog.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass
    _, said = recorder.communicate(timeout=25)
    assert recorder.returncode == 1, said
    assert "Traceback" not in said
    assert re.search(r"cannot be sealed \(.*[Nn]o space left on device.*\); nothing is lost", said), said
    (folder,) = (small_disk / "out").iterdir()
    before = open_recording(folder).streams[0].data
    assert before.height > 50
    hog.unlink()
    assert warmspell("seal", str(folder)).returncode == 0
    sealed = open_recording(folder)
    assert sealed.intact
    assert sealed.streams[0].data.height == before.height
