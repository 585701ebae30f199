"""Screenings that are killed at a known moment: a recording whose marks are a named pipe waits until it is let go."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from analysis.archive.index import ASIDE
from analysis.archive.kept import JOURNAL_FILE
from tests.archive.made import copies_of
from tests.conftest import ROOT

LONG_S = 120.0


def until(true: Callable[[], bool], within_s: float = LONG_S) -> None:
    """Wait for it."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.01)


class Held:
    """A screening, as a process of its own, that has kept all but the recordings which two workers are held by."""

    def __init__(self, small: Path, archive: Path, count: int, *words: str) -> None:
        folders = copies_of(small, archive, count)
        self.pipes = [folder / "marks.jsonl" for folder in folders[-2:]]  # the last ones: the others are kept by then
        for pipe in self.pipes:
            os.mkfifo(pipe)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "analysis", "screen", str(archive), *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            start_new_session=True,
        )
        journal = archive / ASIDE / JOURNAL_FILE
        rest = count - len(self.pipes)
        self._until(lambda: self._is_over() or (journal.exists() and journal.read_bytes().count(b"\n\n") == rest - 1))
        assert self.process.poll() is None, self.process.communicate()

    def _is_over(self) -> bool:
        return self.process.poll() is not None

    def _until(self, true: Callable[[], bool]) -> None:
        """Wait for it; where it does not come, no process stays behind and what was said is shown."""
        try:
            until(true)
        except AssertionError:
            os.killpg(self.process.pid, signal.SIGKILL)
            raise AssertionError(self.process.communicate()) from None

    def let_go(self) -> tuple[str, str]:
        """Whoever reads a pipe reads nothing and goes on; returns what the screening says in the end."""

        def over() -> bool:
            for pipe in self.pipes:
                with contextlib.suppress(OSError):  # nobody reads it now
                    os.close(os.open(pipe, os.O_WRONLY | os.O_NONBLOCK))
            return self._is_over()

        self._until(over)
        return self.process.communicate()

    def remove_pipes(self) -> None:
        """The recordings as they were."""
        for pipe in self.pipes:
            pipe.unlink()


def of_group(group: int) -> set[int]:
    """Processes of a group that are there and no zombies."""
    found: set[int] = set()
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            rest = stat.read_text().rsplit(")", 1)[1].split()
        except (OSError, IndexError):
            continue
        if int(rest[2]) == group and rest[0] != "Z":
            found.add(int(stat.parent.name))
    return found


def workers_of(pid: int) -> list[int]:
    """The worker processes of a screening."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(child) for child in children if "spawn_main" in Path(f"/proc/{child}/cmdline").read_text()]
