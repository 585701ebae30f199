"""Timings as ratios to a floor measured in the same run: python -m tests.bench."""

import time
import zlib
from collections.abc import Callable

import numpy as np

from analysis.diagnose import diagnose
from analysis.refrigerant import refrigerant
from recorder.frames import Deframer, Frame, FrameType, encode_body, to_line
from recorder.recording import open_recording
from tests.bench import drives, sheets
from tests.bench.acquisition import print_table
from tests.conftest import ROOT

REPEATS = 5


def best_of(job: Callable[[], object]) -> float:
    """Shortest of several runs [s]."""
    times: list[float] = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        job()
        times.append(time.perf_counter() - began)
    return min(times)


def main() -> None:
    """Print the table."""
    p = np.sort(np.random.default_rng(1).uniform(150.0, 2800.0, 1_000_000))
    fluid = refrigerant("R-134a")
    line = b"".join(
        to_line(encode_body(Frame(FrameType.SAMPLES, count=1, seq=i, payload=bytes(40)))) for i in range(20_000)
    )
    recording = open_recording(ROOT / "recordings" / "minibus-7-before")
    values = recording.streams[0].data.height * len(recording.streams[0].channels)
    rows = [
        (
            "saturation temperature, 1e6 values",
            best_of(lambda: fluid.saturation_temperature(p)),
            "np.sqrt",
            best_of(lambda: np.sqrt(p)),
        ),
        (
            f"deframe {len(line) / 1e6:.1f} MB",
            best_of(lambda: Deframer().feed(line)),
            "zlib.crc32",
            best_of(lambda: zlib.crc32(line)),
        ),
        (
            f"analyse {values} readings",
            best_of(lambda: diagnose(recording, "bench")),
            "open and hash",
            best_of(lambda: open_recording(recording.path)),
        ),
    ]
    print(f"{'what':38} {'ms':>9}  {'floor':14} {'ms':>8} {'ratio':>7}")
    for what, took, floor, least in rows:
        print(f"{what:38} {1e3 * took:9.2f}  {floor:14} {1e3 * least:8.2f} {took / least:7.1f}")


if __name__ == "__main__":
    main()
    print()
    drives.main()
    print()
    sheets.main()
    print()
    print_table()
