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

WIDTH, NARROW = 60, 10
"""Windows of the linear-time search [samples at 2 Hz]: half a minute; 5 s, short enough for a cycle's stop."""
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
    """The same channels at 2 Hz through ruptures, to the sample (jump 1).

    Left to its penalty, the search with a window stops after a change point or two: cycles weigh one another up. Asked
    for as many as the compressor started and stopped it finds them, as the analysis does; the last column says how
    many.
    """
    (stream,) = recording.streams
    channels = [stream.data[channel.id].to_numpy().astype(np.float64) for channel in stream.channels]
    channels = [values / max(float(values.std()), 1e-9) for values in channels]
    together, piece = np.column_stack(channels), round(PIECE_S * stream.rate_hz)
    penalty = 2.0 * float(np.log(len(together)))
    short, runs = _first(recording, piece), diagnose(recording, "bench").compressor.runs
    edges = np.array([edge for run in runs for edge in (run.start_s, run.end_s)])
    took = taking_turns(
        {"all": lambda: diagnose(recording, "bench"), "short": lambda: diagnose(short, "bench")}, 8, time.process_time
    )
    count, wide = len(edges), len(channels)
    searches: list[tuple[str, str, Callable[[], list[int]]]] = [
        ("Pelt, 10 min, twelve channels as one signal", "short", lambda: _pelt(together[:piece], wide * penalty)),
        ("Window, 8 h, as one signal, by penalty", "all", lambda: _window(WIDTH, together, pen=wide * penalty)),
        ("Window, 8 h, as one signal, told how many", "all", lambda: _window(NARROW, together, n_bkps=count)),
        (
            "Window, 8 h, channel by channel, by penalty",
            "all",
            lambda: [point for one in channels for point in _window(WIDTH, one, pen=penalty)],
        ),
    ]
    print(f"\n{'change points at 2 Hz, to the sample':46} {'search':>8} {'analyse':>8} {'ratio':>7}   edges found")
    for title, own, search in searches:
        began = time.process_time()
        points = np.array(search()) / stream.rate_hz
        spent = time.process_time() - began
        known = edges[edges <= (PIECE_S if own == "short" else edges[-1])]
        found = sum(bool(np.abs(points - edge).min() <= 1.0) for edge in known)
        print(f"{title:46} {spent:6.2f} s {1e3 * took[own]:5.0f} ms {spent / took[own]:7.1f}   {found} of {len(known)}")


def _pelt(signal: np.ndarray, penalty: float) -> list[int]:
    return ruptures.Pelt("l2", jump=1).fit(signal).predict(pen=penalty)


def _window(width: int, signal: np.ndarray, **until: float) -> list[int]:
    return ruptures.Window(width, "l2", jump=1).fit(signal).predict(**until)


def _first(recording: Recording, rows: int) -> Recording:
    """The first rows of a recording."""
    (stream,) = recording.streams
    return replace(recording, streams=(replace(stream, data=stream.data.head(rows)),))
