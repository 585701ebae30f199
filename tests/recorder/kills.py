"""Recorders killed at random instants: ``python -m tests.recorder.kills 200``.

A node on a pseudo-terminal notes when it sent each frame. A recorder, in a process of its own, is killed (``kill -9``)
while it starts, records, writes parts (every 0.4 s here, so that many kills meet one) or seals. What it left must open
and seal, hold only what the node sent, and hold all that was sent a second and longer before the kill.
"""

import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from recorder.errors import InputError
from recorder.files import OPENING_FILE
from recorder.frames import FrameType, decode_body
from recorder.recording import Recording, open_recording
from recorder.sealing import seal
from tests.conftest import ROOT
from tests.recorder.nodes import Node, Pty, described, reading

RECORD = """
import sys
import recorder.store
recorder.store.PART_EVERY_S = 0.4
from analysis.__main__ import main
sys.argv[1:] = ["record", *sys.argv[1:]]
main()
"""
BATCH = 5


@dataclass(frozen=True, slots=True)
class Kill:
    """One kill: what the recorder left (``nothing``, ``unsealed``, ``sealed``), what it lost, and how far back [s].

    ``frames`` were sent before the kill.
    """

    left: str
    frames: int
    lost: int
    lost_s: float


class _Sender:
    """Passes frames on to a terminal and notes when each was sent first."""

    def __init__(self, pty: Pty) -> None:
        self.sent: dict[int, float] = {}
        self._pty = pty

    def __call__(self, body: bytes) -> None:
        frame = decode_body(body)
        if frame.type is FrameType.SAMPLES:
            self.sent.setdefault(frame.seq, time.monotonic())
        self._pty.send(body)


def kill_once(out: Path, rng: random.Random) -> Kill:
    """Start a node and a recorder, kill the recorder, look at what it left.

    Raises
    ------
    AssertionError
        If what it left cannot be opened or sealed, or holds what nobody sent.
    """
    pty = Pty()
    sender = _Sender(pty)
    node = Node(described("hv-1", 200.0), sender, batch=BATCH)
    pty.hear = node.hear
    recorder = subprocess.Popen(
        [sys.executable, "-c", RECORD, pty.name, "--out", str(out)],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    killed_s = _kill(recorder, sender, rng)
    _, said = recorder.communicate()
    node.stop()
    pty.hang_up()
    assert b"Traceback" not in said, said.decode()
    sent = {seq: at_s for seq, at_s in sender.sent.items() if at_s < killed_s}
    left, kept = _left(out)
    missing = [killed_s - at_s for seq, at_s in sent.items() if seq not in kept]
    return Kill(left, len(sent), len(missing), max(missing, default=0.0))


def _kill(recorder: subprocess.Popen[bytes], sender: _Sender, rng: random.Random) -> float:
    """Kill it within its first seconds, or while it ends in order; returns the monotonic time [s]."""
    if rng.random() < 0.6:
        time.sleep(rng.uniform(0.0, 4.0))
    else:
        deadline = time.monotonic() + 30.0
        while not sender.sent:
            assert time.monotonic() < deadline, "the recorder never asked the node to stream"
            time.sleep(0.01)
        time.sleep(rng.uniform(0.2, 1.5))
        recorder.send_signal(signal.SIGINT)
        time.sleep(rng.uniform(0.0, 1.2))
    at_s = time.monotonic()
    recorder.kill()
    return at_s


def _left(out: Path) -> tuple[str, set[int]]:
    """What is there, once it has been opened and sealed; and the numbers of the frames in it."""
    folders = sorted(out.iterdir()) if out.exists() else []
    if not folders or not any(path.suffix != ".aside" for path in folders[0].iterdir()):
        return "nothing", set()
    (folder,) = folders
    before = open_recording(folder)
    assert not [told for told in before.damage if "no intact frame" not in told], before.damage
    left = "sealed" if before.sealed else "unsealed"
    if not any(stream.data.height for stream in before.streams):
        return left, set()
    if (folder / OPENING_FILE).exists():
        seal(folder, "test")
    else:
        assert before.sealed
    after = open_recording(folder)
    assert after.sealed
    assert after.intact, after.damage
    assert {path.suffix for path in folder.iterdir()} <= {".parquet", ".json", ".jsonl"}
    assert _rows(after) == _rows(before)
    return left, {seq for seq, _, _ in _rows(after)}


def _rows(recording: Recording) -> set[tuple[int, int, int]]:
    """Number of frame, number of sample and first raw reading of each row; none is what nobody sent."""
    rows: set[tuple[int, int, int]] = set()
    for stream in recording.streams:
        seq = stream.data["seq"].to_numpy()
        number = seq * BATCH + np.arange(len(seq)) % BATCH
        for column, channel in enumerate(stream.channels):
            assert np.array_equal(stream.data[f"raw_{channel.id}"].to_numpy(), reading(number, column))
        rows |= set(zip(seq.tolist(), number.tolist(), reading(number, 0).tolist(), strict=True))
    return rows


def kill_many(count: int, seed: int, at_once: int, work: Path) -> list[Kill]:
    """Kill so many recorders; a failure names the seed that makes it again."""
    shown = threading.Lock()

    def one(number: int) -> Kill:
        out = work / f"kill-{number}"
        try:
            kill = kill_once(out, random.Random(seed + number))
        except (AssertionError, InputError) as wrong:
            raise AssertionError(f"seed {seed + number}, see {out}: {wrong!r}") from wrong
        with shown:
            shutil.rmtree(out, ignore_errors=True)
        return kill

    with ThreadPoolExecutor(at_once) as pool:
        return list(pool.map(one, range(count)))


def main() -> None:
    """Kill, and print what was lost."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    kills = kill_many(count, 1, 4, Path(tempfile.mkdtemp()))
    left = Counter(kill.left for kill in kills)
    print(f"{count} kills left {', '.join(f'{n} {what}' for what, n in sorted(left.items()))}")
    print(f"frames sent {sum(kill.frames for kill in kills)}, lost {sum(kill.lost for kill in kills)}")
    print(f"longest stretch lost {max(kill.lost_s for kill in kills):.3f} s (asked: at most 1 s)")


if __name__ == "__main__":
    main()
