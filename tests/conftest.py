"""What the tests share: Debian programs that may be missing, imported samples, a line with a node on it."""

import gzip
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from recorder.importer import import_csv
from recorder.jobsheet import read_job_sheet
from recorder.recording import Recording, open_recording

ROOT = Path(__file__).parent.parent
SAMPLES = Path(__file__).parent / "reference" / "samples"
settings.register_profile("unhurried", deadline=None)  # a slow machine is no fault of what is tested
settings.load_profile("unhurried")
SAMPLE_NAMES = sorted(path.name.removesuffix(".csv.gz") for path in SAMPLES.glob("*.csv.gz"))


def pytest_runtest_setup(item: pytest.Item) -> None:
    """A missing Debian program skips its tests with the reason; in CI it fails them."""
    for mark in item.iter_markers("debian"):
        for program in mark.args:
            if shutil.which(program) is None:
                if os.environ.get("WARMSPELL_CI"):
                    pytest.fail(f"{program} is missing in CI", pytrace=False)
                pytest.skip(f"{program} (a Debian package) is not installed")


@pytest.fixture(scope="session")
def sample_csvs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample CSVs and job sheets, unpacked."""
    folder = tmp_path_factory.mktemp("samples")
    for name in SAMPLE_NAMES:
        (folder / f"{name}.csv").write_bytes(gzip.decompress((SAMPLES / f"{name}.csv.gz").read_bytes()))
        shutil.copyfile(SAMPLES / f"{name}.job.json", folder / f"{name}.job.json")
    return folder


@pytest.fixture(scope="session")
def samples(sample_csvs: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Recording]:
    """The samples, imported and opened."""
    out = tmp_path_factory.mktemp("recordings")
    opened: dict[str, Recording] = {}
    for name in SAMPLE_NAMES:
        job = read_job_sheet(sample_csvs / f"{name}.job.json")
        opened[name] = open_recording(import_csv(sample_csvs / f"{name}.csv", job, out, {}))
    return opened


def warmspell(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command as a technician would."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, "-m", "analysis", *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        cwd=cwd or ROOT,
        env=environment,
    )


@pytest.fixture
def replaying() -> Iterator["Replaying"]:
    """Starts replays of recordings and ends them with the test."""
    started = Replaying()
    yield started
    started.end()


class Replaying:
    """Replay processes of one test."""

    def __init__(self) -> None:
        self._processes: list[subprocess.Popen[str]] = []

    def start(self, recording: Path, speed: float, *options: str) -> str:
        """Replay a recording; returns the port to record from."""
        command = [sys.executable, "-m", "analysis", "replay", str(recording), "--speed", f"{speed:g}", *options]
        process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        self._processes.append(process)
        assert process.stdout is not None
        return process.stdout.readline().strip()

    def end(self) -> None:
        """Leave no process behind."""
        for process in self._processes:
            process.kill()
            process.communicate()
