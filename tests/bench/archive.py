"""What an archive costs, each figure beside what is asked and beside a floor of the same run.

``python -m tests.bench.archive`` takes some minutes; ``python -m tests.bench.archive all`` also screens all 10,000.
"""

import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from analysis.archive.examine import examine
from analysis.processes import cores, over_cores
from recorder.store import software
from tests.archive.made import copies_of, small_recording
from tests.bench.acquisition import Row
from tests.conftest import ROOT

SIZES = (100, 1000, 10_000)
REPEATS = 7
ALONE = 100
"""Recordings of which the floor is made: one process, one thread, nothing else."""
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


def _best_s(*words: str, repeats: int = REPEATS) -> float:
    """Shortest wall time [s] of a command, start included."""

    def once() -> float:
        began = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, capture_output=True, cwd=ROOT, env=ENVIRONMENT)
        return time.perf_counter() - began

    return min(once() for _ in range(repeats))


def _ms(seconds: float) -> str:
    return f"{1e3 * seconds:.0f} ms"


def help_and_list(archives: list[Path]) -> Iterator[Row]:
    """The command's own help, and a list of a hundred to ten thousand recordings whose index is there."""
    python, frames = _best_s("-c", "pass"), _best_s("-c", "import polars")
    helped = _best_s("-m", "analysis", "--help")
    yield "warmspell --help", _ms(helped), "< 80 ms", "python -c pass", _ms(python)
    took: list[float] = []
    for archive, count in zip(archives, SIZES, strict=True):
        began = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "analysis", "list", str(archive)],
            check=True, capture_output=True, cwd=ROOT, env=ENVIRONMENT,
        )  # fmt: skip
        first = time.perf_counter() - began
        took.append(_best_s("-m", "analysis", "list", str(archive)))
        asked = "< 500 ms" if count == SIZES[-1] else ""
        yield f"list {count} recordings", _ms(took[-1]), asked, "import polars", _ms(frames)
        yield f"list {count} recordings, index made anew", _ms(first), "", "import polars", _ms(frames)
    few, many = ((took[k] - took[0]) / (SIZES[k] - SIZES[0]) * 1e6 for k in (1, 2))
    yield "list, each recording more, 1,000 to 10,000", f"{many:.0f} us", "linear", "100 to 1,000", f"{few:.0f} us"


def _alone(archive: str) -> tuple[float, float]:
    """Recordings a second in one process with one thread, and its peak of memory [MB]."""
    paths = sorted(p.name for p in Path(archive).iterdir() if not p.name.startswith("."))[: ALONE + 5]
    for path in paths[:5]:
        examine(archive, path, "bench")
    began = time.perf_counter()
    for path in paths[5:]:
        examine(archive, path, "bench")
    took = time.perf_counter() - began
    return len(paths[5:]) / took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def screening(archives: list[Path], *, everything: bool) -> Iterator[Row]:
    """Throughput and memory of screenings, against one process by itself."""
    ((_, alone),) = over_cores(_alone, [str(archives[0])], 1)
    assert isinstance(alone, tuple), alone
    per_s, mb = alone
    yield "analyse one by one, one thread", f"{per_s:.1f} /s", "", "", ""
    rates: list[float] = []
    for archive, count in list(zip(archives, SIZES, strict=True))[: 3 if everything else 2]:
        rate, worker_mb = _screened(archive, count)
        rates.append(rate)
        share = rate / (cores() * per_s)
        yield f"screen {count}, {cores()} cores, start included", f"{rate:.1f} /s", "", "cores x one", f"{share:.2f}"
        yield f"screen {count}, most memory of a worker", f"{worker_mb:.0f} MB", "one each", "one alone", f"{mb:.0f} MB"
    share = rates[1] / (cores() * per_s)
    yield "screening throughput", f"{rates[1]:.1f} /s", ">= 0.90", "cores x one", f"{share:.2f}"
    if everything:
        yield "screen 10,000, rate beside that of 1,000", f"{rates[2] / rates[1]:.2f}", "linear", "", ""


def _screened(archive: Path, count: int) -> tuple[float, float]:
    """Recordings a second, and the most memory of any worker [MB]."""
    command = [sys.executable, "-m", "analysis", "screen", str(archive)]
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT, env=ENVIRONMENT)
    peak = [0.0]
    watcher = threading.Thread(target=_watch, args=(process, peak))
    watcher.start()
    out, err = process.communicate()
    took = time.perf_counter() - began
    watcher.join()
    assert out.startswith(f"{count} recordings, {count} analysed".encode()), (out, err)
    return count / took, peak[0]


def _watch(process: "subprocess.Popen[bytes]", peak: list[float]) -> None:
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    while process.poll() is None:
        try:
            for child in children.read_text().split():
                status = Path(f"/proc/{child}/status").read_text()
                peak[0] = max(peak[0], int(status.split("VmHWM:")[1].split()[0]) / 1e3)
        except (OSError, IndexError):
            pass
        time.sleep(0.2)


def table(*, everything: bool) -> Iterator[Row]:
    """Make the archives and measure."""
    with tempfile.TemporaryDirectory() as name:
        small = small_recording(Path(name) / "small")
        archives = [Path(name) / f"{count}" for count in SIZES]
        began = time.perf_counter()
        for archive, count in zip(archives, SIZES, strict=True):
            copies_of(small, archive, count)
        made = time.perf_counter() - began
        yield f"archives of {', '.join(map(str, SIZES))} made", f"{made:.1f} s", "", software(), ""
        yield from help_and_list(archives)
        yield from screening(archives, everything=everything)


if __name__ == "__main__":
    print(f"{'what':58} {'measured':>15} {'asked':>10}  {'floor':15} {'':>10}")
    for what, measured, asked, floor, figure in table(everything=sys.argv[1:] == ["all"]):
        print(f"{what:58} {measured:>15} {asked:>10}  {floor:15} {figure:>10}", flush=True)
