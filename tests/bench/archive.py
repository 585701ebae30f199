"""An archive that grows: ``python -m tests.bench.archive [RECORDINGS TO SCREEN]`` (1000; 10000 takes its minutes).

Each figure stands beside a floor measured in the same run, so that a busy machine moves both. Recordings are the
shipped drive with few samples, each with an id and a job sheet of its own.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from analysis.processes import THREADS, cores
from tests.archive.made import copies_of, small_recording
from tests.conftest import ROOT

SIZES = (100, 1_000, 10_000)
LIST_BUDGET_S, HELP_BUDGET_S = 0.5, 0.08
SINGLE = """
import sys, time
from analysis.archive.examine import examine
names = sys.argv[2:]
for name in names[:10]:
    examine(sys.argv[1], name, "bench")
wall, cpu = time.perf_counter(), time.process_time()
for name in names:
    examine(sys.argv[1], name, "bench")
print(time.perf_counter() - wall, time.process_time() - cpu)
"""
"""One recording after the other in one process, one thread."""
FLOOR = "one a core, side by side"
STAT = "import os, sys; [entry.stat() for entry in os.scandir(sys.argv[1])]; import polars"


@dataclass(frozen=True)
class Took:
    """A process: time from start to end [s], processor time of it and its children [s], largest of them [MB]."""

    wall_s: float
    cpu_s: float
    largest_mb: float


def run(*words: str, **environment: str) -> Took:
    """Run Python with these words; its output is thrown away."""
    began = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
    )
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0, words
    return Took(time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1e3)


def best(job: Callable[[], Took], repeats: int = 7) -> Took:
    """Shortest times of several runs."""
    runs = [job() for _ in range(repeats)]
    return Took(min(run.wall_s for run in runs), min(run.cpu_s for run in runs), max(run.largest_mb for run in runs))


def row(what: str, took_s: float, floor: str, floor_s: float, told: str = "") -> None:
    """A line of the table."""
    print(f"{what:44} {1e3 * took_s:9.1f}  {floor:34} {1e3 * floor_s:9.1f} {took_s / floor_s:7.2f}  {told}", flush=True)


def _screened_as_one(archive: Path) -> None:
    """Findings of one recording kept for all, as though the archive had been screened."""
    import polars as pl

    from analysis.archive.examine import examine
    from analysis.archive.index import ASIDE, indexed
    from analysis.archive.kept import KEPT, TABLE_FILE
    from recorder.store import software

    index = indexed(archive, str)
    rows = examine(str(archive), index.table["path"][0], software())
    one = pl.DataFrame([{name: found.get(name) for name in KEPT} for found in rows], schema=KEPT)
    paths = index.table.select("path", "stamp")
    kept = one.drop("path", "stamp").join(paths, how="cross").select(KEPT.names()).sort("path")
    kept.write_parquet(archive / ASIDE / TABLE_FILE)


def listing(small: Path, out: Path) -> None:
    """``warmspell list``: from its start to its end, over ever more recordings."""
    for count in SIZES:
        archive = out / f"list-{count}"
        began = time.perf_counter()
        copies_of(small, archive, count)
        made_s = time.perf_counter() - began
        anew = run("-m", "analysis", "list", str(archive)).wall_s
        row(f"list {count}, the index made anew", anew, "making the recordings", made_s)
        _screened_as_one(archive)
        floor = best(lambda archive=archive: run("-c", STAT, str(archive)))
        took = best(lambda archive=archive: run("-m", "analysis", "list", str(archive)))
        told = f"{1e3 * took.cpu_s:.0f} ms of processor time, budget {1e3 * LIST_BUDGET_S:.0f}"
        row(f"list {count}, all screened", took.wall_s, "start, import polars, one stat each", floor.wall_s, told)
    print()


def singles(archive: Path, names: list[str], at_once: int) -> tuple[float, float]:
    """So many processes side by side, each one recording after the other in one thread: seconds a recording."""
    command = [sys.executable, "-c", SINGLE, str(archive), *names]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **dict.fromkeys(THREADS, "1")}
    children = [
        subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT, env=environment) for _ in range(at_once)
    ]
    told = [[float(word) / len(names) for word in child.communicate()[0].split()] for child in children]
    walls, cpus = zip(*told, strict=True)
    return sum(walls) / at_once, sum(cpus) / at_once


def screening(small: Path, out: Path, most: int) -> None:
    """``warmspell screen``: beside as many processes as there are cores, each with recordings of its own.

    The floor runs on all cores too, before and after, so that whatever else the machine does slows both.
    """
    few_at, many_at = out / "screen-100", out / f"screen-{most}"
    names = [folder.name for folder in copies_of(small, few_at, 100)]
    copies_of(small, many_at, most)
    before_s, cpu_s = singles(few_at, names, cores())
    few = run("-m", "analysis", "screen", str(few_at))
    many = run("-m", "analysis", "screen", str(many_at))
    again = run("-m", "analysis", "screen", str(many_at))
    after_s, _ = singles(few_at, names, cores())
    floor_s = (before_s + after_s) / 2 / cores()
    print(f"{cores()} cores; one recording in one thread takes {1e3 * cpu_s:.1f} ms of processor time")
    for count, took in ((100, few), (most, many)):
        row(f"screen {count}, a recording, with start", took.wall_s / count, FLOOR, floor_s)
    each_s, each_cpu_s = ((b - a) / (most - 100) for a, b in ((few.wall_s, many.wall_s), (few.cpu_s, many.cpu_s)))
    told = f"{100 * floor_s / each_s:.0f} % of cores x single speed (asked for: 90 %)"
    row("screen, each further recording", each_s, FLOOR, floor_s, told)
    row("the same, processor time", each_cpu_s, "one alone, processor time", cpu_s, f"{100 * cpu_s / each_cpu_s:.0f} %")
    imports = best(lambda: run("-c", "import polars"))
    row(f"screen {most}, nothing changed", again.wall_s, "start, import polars", imports.wall_s)
    print(f"largest process: {few.largest_mb:.0f} MB over 100 recordings, {many.largest_mb:.0f} MB over {most}")


def main() -> None:
    """Print the table."""
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000
    print(f"{'what':44} {'ms':>9}  {'floor':34} {'ms':>9} {'ratio':>7}")
    helped, bare = best(lambda: run("-m", "analysis", "--help"), 15), best(lambda: run("-c", "pass"), 15)
    told = f"{1e3 * helped.cpu_s:.0f} ms of processor time, budget {1e3 * HELP_BUDGET_S:.0f}"
    row("warmspell --help", helped.wall_s, "python -c pass", bare.wall_s, told)
    with tempfile.TemporaryDirectory() as name:
        small = small_recording(Path(name) / "small")
        listing(small, Path(name))
        screening(small, Path(name), most)


if __name__ == "__main__":
    main()
