"""Screening over a real Dask scheduler with two worker processes, of which some are killed."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.archive.killing import LONG_S, Held, until
from tests.conftest import ROOT, warmspell


@dataclass
class Cluster:
    """A scheduler and its workers, each a process of its own; the scheduler retries a killed piece of work once."""

    folder: Path
    address: str = ""
    processes: "list[subprocess.Popen[bytes]]" = field(default_factory=list)

    def _start(self, name: str, *words: str) -> Path:
        environment = {
            **os.environ, "PYTHONPATH": str(ROOT), "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1",
            "DASK_TEMPORARY_DIRECTORY": str(self.folder), "POLARS_MAX_THREADS": "1",
        }  # fmt: skip
        log = self.folder / name
        with log.open("wb") as said:
            command = [sys.executable, "-m", "dask", *words, "--no-dashboard"]
            self.processes.append(subprocess.Popen(command, stdout=said, stderr=said, cwd=self.folder, env=environment))
        return log

    def begin(self) -> None:
        """Start the scheduler, which says where it listens, and two workers that nobody starts again."""
        log = self._start("scheduler", "scheduler", "--host", "127.0.0.1", "--port", "0")
        told = re.compile(r"Scheduler at:\s+(tcp://\S+)")
        until(lambda: told.search(log.read_text()) is not None)
        found = told.search(log.read_text())
        assert found
        self.address = found[1]
        for number in (1, 2):
            alone = ("--nthreads", "1", "--no-nanny", "--memory-limit", "0")
            self._start(f"worker-{number}", "worker", self.address, *alone)

    def kill(self, number: int) -> None:
        """SIGKILL: 0 is the scheduler, 1 and 2 are the workers."""
        self.processes[number].send_signal(signal.SIGKILL)

    def end(self) -> None:
        """Leave no process behind."""
        for process in reversed(self.processes):
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A cluster of two workers."""
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    try:
        made.begin()
        yield made
    finally:
        made.end()


def test_a_worker_killed_in_the_middle_costs_nothing(running: Cluster, small: Path, tmp_path: Path):
    held = Held(small, tmp_path, 10, "--cluster", running.address)
    running.kill(1)
    out, err = held.let_go()
    assert held.process.returncode == 0, err
    assert out.splitlines()[:2] == ["10 recordings, 10 analysed just now", "      10  fault found"]
    assert err == ""


def test_a_scheduler_that_is_killed_is_told_and_the_cores_here_go_on(running: Cluster, small: Path, tmp_path: Path):
    held = Held(small, tmp_path, 10, "--cluster", running.address)
    running.kill(0)
    _, err = held.process.communicate(timeout=LONG_S)
    assert held.process.returncode == 1
    assert err == f"warmspell: {running.address}: the scheduler is not there any more.\n"
    held.remove_pipes()
    done = warmspell("screen", str(tmp_path))
    assert done.stdout.splitlines()[:2] == ["10 recordings, 2 analysed just now", "      10  fault found"]


def test_an_address_that_is_none_is_told(tmp_path: Path):
    done = warmspell("screen", str(tmp_path), "--cluster", "nonsense")
    assert done.returncode == 1
    assert done.stderr.startswith("warmspell: nonsense: no Dask scheduler answers there (missing port number")
