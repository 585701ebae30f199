"""What the analysis of a long drive costs, beside reading it, and beside change-point searches of general purpose.

The floor is reading the time and every channel of the same Parquet with polars, in the same process; the whole file
holds the raw readings as well. Jobs take turns, so that whatever else the machine does falls on all of them.
Polars reads on every core that is free, the analysis works on one: the ratio of the CPU times stands beside that of the
clock's.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import ruptures

from analysis.diagnose import diagnose
from recorder.recording import Recording, open_recording
from tests.bench.long import long_recording
from tests.conftest import ROOT

WIDTH = 60
"""Window of the linear-time search [samples]: half a minute at 2 Hz."""
PIECE_S = 600.0
"""What the search without a window gets: its cost grows faster than its length."""


def main() -> None:
    """Print the tables."""
    with tempfile.TemporaryDirectory(prefix="warmspell-bench-") as name:
        out = Path(name)
        drives = [("1 h, 10 Hz", 1, 10), ("2 h, 10 Hz", 2, 10), ("4 h, 10 Hz", 4, 10), ("8 h, 10 Hz", 8, 10)]
        print(
            f"{'12 channels':14} {'read':>8} {'analyse':>8} {'ratio':>6} {'of CPU':>7} {'an hour':>8}"
            "   the command: CPU, memory"
        )
        for title, hours, rate_hz in [*drives, ("8 h, 100 Hz", 8, 100)]:
            recording = open_recording(long_recording(out, hours, rate_hz))
            _print_drive(title, hours, recording)
        _print_searches(open_recording(long_recording(out, 8, 2)))


def taking_turns(
    jobs: dict[str, Callable[[], object]], repeats: int, clock: Callable[[], float] = time.perf_counter
) -> dict[str, float]:
    """Shortest time [s] of each job by a clock."""
    best = dict.fromkeys(jobs, float("inf"))
    for _ in range(repeats):
        for name, job in jobs.items():
            began = clock()
            job()
            best[name] = min(best[name], clock() - began)
    return best


def _print_drive(title: str, hours: float, recording: Recording) -> None:
    parquet = next(recording.path.glob("*.parquet"))
    columns = ["t", *(channel.id for channel in recording.streams[0].channels)]
    jobs: dict[str, Callable[[], object]] = {
        "read": lambda: pl.read_parquet(parquet, columns=columns),
        "analyse": lambda: diagnose(recording, "bench"),
    }
    repeats = 8 if recording.streams[0].data.height < 1_000_000 else 3
    took, used = taking_turns(jobs, repeats), taking_turns(jobs, repeats, time.process_time)
    cpu_s, peak_mb = command(recording.path)
    print(
        f"{title:14} {1e3 * took['read']:5.0f} ms {1e3 * took['analyse']:5.0f} ms {took['analyse'] / took['read']:6.1f}"
        f" {used['analyse'] / used['read']:7.1f} {1e3 * took['analyse'] / hours:5.0f} ms"
        f"   {cpu_s:6.2f} s {peak_mb:6.0f} MB"
    )


def command(path: Path) -> tuple[float, float]:
    """CPU time [s] and peak memory [MB] of ``warmspell analyse``, start included; the better of two."""
    used: list[tuple[float, float]] = []
    for _ in range(2):
        with Path(os.devnull).open("w") as silence:
            pid = os.posix_spawn(
                sys.executable,
                [sys.executable, "-m", "analysis", "analyse", str(path)],
                os.environ | {"PYTHONPATH": str(ROOT)},
                file_actions=[(os.POSIX_SPAWN_DUP2, silence.fileno(), 1)],
            )
            _, status, usage = os.wait4(pid, 0)
        if status:
            raise SystemExit(f"warmspell analyse {path} failed.")
        used.append((usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024.0))
    return min(used)


def _print_searches(recording: Recording) -> None:
    """The same channels at 2 Hz through ruptures, to the sample (jump 1), channel by channel."""
    data = recording.streams[0].data
    channels = [data[channel.id].to_numpy().astype(np.float64) for channel in recording.streams[0].channels]
    channels = [values / max(float(values.std()), 1e-9) for values in channels]
    piece = round(PIECE_S * recording.streams[0].rate_hz)
    penalty = 2.0 * float(np.log(len(channels[0])))
    short = _first(recording, piece)
    took = taking_turns(
        {"all": lambda: diagnose(recording, "bench"), "short": lambda: diagnose(short, "bench")}, repeats=8
    )
    took |= taking_turns(
        {
            "window": lambda: [
                ruptures.Window(WIDTH, "l2", jump=1).fit(values).predict(pen=penalty) for values in channels
            ],
            "at once": lambda: (
                ruptures.Window(WIDTH, "l2", jump=1).fit(np.column_stack(channels)).predict(pen=12 * penalty)
            ),
            "pelt": lambda: [
                ruptures.Pelt("l2", jump=1).fit(values[:piece]).predict(pen=penalty) for values in channels[:4]
            ],
        },
        repeats=1,
    )
    print(f"\n{'change points at 2 Hz, to the sample':58} {'search':>8} {'analyse':>8} {'ratio':>6}")
    for title, search, own in (
        ("Pelt, 10 min, four of twelve channels", "pelt", "short"),
        ("Window (linear time), 8 h, channel by channel", "window", "all"),
        ("Window (linear time), 8 h, twelve channels as one signal", "at once", "all"),
    ):
        print(f"{title:58} {took[search]:6.2f} s {1e3 * took[own]:5.0f} ms {took[search] / took[own]:6.1f}")


def _first(recording: Recording, rows: int) -> Recording:
    """The first rows of a recording."""
    (stream,) = recording.streams
    return replace(recording, streams=(replace(stream, data=stream.data.head(rows)),))
