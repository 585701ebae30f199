"""What acquisition costs, each figure beside what is asked and beside a floor of the same run.

``python -m tests.bench.acquisition day [HOURS]`` runs the day alone (its memory needs a process of its own).
"""

import asyncio
import contextlib
import os
import subprocess
import sys
import tempfile
import time
import tty
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl

from recorder.clock import HostClock
from recorder.frames import Deframer, Frame, FrameType, encode_body, to_line
from recorder.jobsheet import JobSheet
from recorder.journal import Arrival
from recorder.links import link_to
from recorder.node import Channel, Group, NodeDescription
from recorder.places import PLACES, STORED_UNIT
from recorder.recording import open_recording
from recorder.sealing import SEALED_LEVEL, seal, write_parquet
from recorder.session import Session
from recorder.store import RecordingStore
from tests.bench.nodes import RATE_HZ, described, payloads, samples_line
from tests.conftest import ROOT

Row = tuple[str, str, str, str, str]
"""What, measured, asked, floor, its figure."""
NODES, ROWS, FEW_ROWS, SIMULATED_S = 8, 50, 10, 60
"""Rows a frame on a serial line, and as few as fit a BLE notification."""
MEMORY_DISK = Path("/dev/shm")
LOST_ONE_IN = 50
DAY_PLACES = (
    *("low_side", "high_side", "vent", "return_air", "suction_line", "discharge_line", "liquid_line", "ambient"),
    *("clutch", "battery", "engine_speed", "vehicle_speed"),
)


class SimulatedClock(HostClock):
    """A host clock that the feeder sets; what arrives stands an hour apart in a second."""

    at_ns = 0

    @staticmethod
    def now_ns() -> int:
        """Monotonic time [ns], as set."""
        return SimulatedClock.at_ns


@contextlib.contextmanager
def _folder(where: Path | None = None) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=where, ignore_cleanup_errors=True) as folder:
        yield Path(folder)


def _nodes(*words: object) -> tuple[subprocess.Popen[str], list[str]]:
    command = [sys.executable, "-m", "tests.bench.nodes", *map(str, words)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout is not None
    return process, process.stdout.readline().split()


def decode_and_store(rows: int) -> Row:
    """8 nodes x 1,000 rows/s x 4 channels through deframer and store, forced writes and parts included."""
    per_s = round(RATE_HZ / rows)
    made = payloads(rows)
    lines = [samples_line(seq, rows, made[seq % len(made)]) for seq in range(SIMULATED_S * per_s)]
    SimulatedClock.at_ns = 0
    with _folder() as folder:
        store = RecordingStore(folder, JobSheet(), SimulatedClock(0, 10**18))
        deframers = [Deframer() for _ in range(NODES)]
        for number in range(NODES):
            store.describe(f"bench-{number}", described(f"bench-{number}"))
        began_s = time.process_time()
        for seq, line in enumerate(lines):
            SimulatedClock.at_ns = round((seq + 1) / per_s * 1e9)
            for number, deframer in enumerate(deframers):
                for body in deframer.feed(line):
                    store.append(f"bench-{number}", Arrival(body, SimulatedClock.at_ns, SimulatedClock.at_ns))
            store.keep()
            store.write_parts()
        store.force()
        store.close()
        cpu_s = time.process_time() - began_s
        began_s = time.process_time()
        with (folder / "floor").open("wb") as file:
            for line in lines * NODES:
                zlib.crc32(line)
                file.write(line)
            os.fsync(file.fileno())
        floor_s = time.process_time() - began_s
    share, floor = 100.0 * cpu_s / SIMULATED_S, 100.0 * floor_s / SIMULATED_S
    return (
        f"8 nodes x 1,000/s x 4, {rows} a frame: decode, store",
        f"{share:.2f} % CPU",
        "<= 6 %",
        "CRC, write",
        f"{floor:.3f} %",
    )


def whole_session(rows: int, for_s: float = 12.0) -> Row:
    """The same eight nodes in real time over eight pseudo-terminals: links, session, journal, all of it."""
    process, ports = _nodes(NODES, rows)
    try:
        with _folder() as folder:
            store = RecordingStore(folder, JobSheet(), HostClock.start())
            session = Session(store, [link_to(port) for port in ports])
            cpu_s, began_s = time.process_time(), time.perf_counter()
            asyncio.run(session.run(for_s))
            cpu_s, took_s = time.process_time() - cpu_s, time.perf_counter() - began_s
            frames = sum(node.frames for node in session.nodes)
            lost = sum(node.tally.lost for node in session.nodes if node.tally)
    finally:
        process.kill()
        process.communicate()
    what = f"the same over 8 lines, {rows} a frame, real time ({lost} lost)"
    return what, f"{100.0 * cpu_s / took_s:.2f} % CPU", "<= 6 %", "frames/s", f"{frames / took_s:.0f}"


def through_a_line(megabytes: float = 30.0) -> Row:
    """One node at full speed: pseudo-terminal, COBS, CRC, journal; beside a bare read of as many bytes."""
    process, (port,) = _nodes(1, ROWS, megabytes)
    try:
        assert process.stdout is not None
        frames, size = map(int, process.stdout.readline().split())
        with _folder() as folder:
            store = RecordingStore(folder, JobSheet(), HostClock.start())
            session = Session(store, [link_to(port)])
            began_s = time.perf_counter()
            asyncio.run(session.run(60.0))
            took_s = time.perf_counter() - began_s
            got = session.nodes[0].frames
    finally:
        process.kill()
        process.communicate()
    what = f"through one line ({frames - got} of {frames} frames lost)"
    return what, f"{size / 1e6 / took_s:.1f} MB/s", ">= 5 MB/s", "bare read", f"{_bare_read_mb_s(megabytes):.1f} MB/s"


def _bare_read_mb_s(megabytes: float) -> float:
    near, far = os.openpty()
    tty.setraw(far)
    writer = subprocess.Popen(["head", "-c", str(int(megabytes * 1e6)), "/dev/zero"], stdout=near)
    began_s, left = time.perf_counter(), int(megabytes * 1e6)
    while left > 0:
        left -= len(os.read(far, 65536))
    took_s = time.perf_counter() - began_s
    writer.wait()
    os.close(near)
    os.close(far)
    return megabytes / took_s


def _resident_mb() -> float:
    fields = Path("/proc/self/statm").read_text(encoding="ascii").split()
    return int(fields[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def day(hours: int = 24, rows: int = 5) -> None:
    """Feed a day of 12 channels at 10 Hz as fast as it goes, one frame in 50 lost; then seal it.

    Prints resident MB at the start, at every hour from the second on, and the largest ever once it is sealed.
    """
    import resource  # not on every system

    channels = tuple(
        Channel(p, STORED_UNIT[PLACES[p].quantity], "vented_gauge" if p.endswith("_side") else None, scale=0.01)
        for p in DAY_PLACES
    )
    group = Group(0, 10.0, "int32", channels)
    values = np.random.default_rng(2).integers(0, 2000, (1000, rows, len(channels))).astype("<i4")
    SimulatedClock.at_ns = 0
    with _folder(MEMORY_DISK if MEMORY_DISK.is_dir() else None) as folder:
        store = RecordingStore(folder, JobSheet(), SimulatedClock(0, 10**18))
        print(f"{_resident_mb():.2f}")
        store.describe("day", NodeDescription("day", "bench", 1, (group,)))
        deframer = Deframer()
        for seq in (seq for seq in range(hours * 36_000 // rows) if seq % LOST_ONE_IN != LOST_ONE_IN - 2):
            tick_us = (seq + 1) * rows * 100_000
            SimulatedClock.at_ns = tick_us * 1000
            payload = values[seq % len(values)].tobytes()
            frame = Frame(FrameType.SAMPLES, 7, count=rows, seq=seq, tick_us=tick_us, payload=payload)
            for body in deframer.feed(to_line(encode_body(frame))):
                store.append("day", Arrival(body, SimulatedClock.at_ns, SimulatedClock.at_ns))
            store.keep()
            store.write_parts()
            if tick_us % 3_600_000_000 == 0 and tick_us > 3_600_000_000:
                print(f"{_resident_mb():.2f}", flush=True)
        store.close()
        seal(store.folder, "bench")
        print(f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.2f}")


def memory_of_a_day() -> Iterator[Row]:
    """Largest less smallest resident memory of a day's hours, the first one left to warm up; then what sealing took."""
    began_s = time.perf_counter()
    command = [sys.executable, "-m", "tests.bench.acquisition", "day"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    start, *hours, sealed = (float(word) for word in done.stdout.split())
    took_s = time.perf_counter() - began_s
    what = f"24 h of 12 x 10 Hz, fed and sealed in {took_s:.0f} s"
    yield what, f"{max(hours) - min(hours):.1f} MB swing", "<= 5 MB", "at the start", f"{start:.0f} MB"
    yield "sealing that day", f"{sealed:.0f} MB at most", "", "recording it", f"{max(hours):.0f} MB"


def _packed_bytes(data: pl.DataFrame, channels: int) -> float:
    with _folder() as folder:
        write_parquet(folder / "x.parquet", data, SEALED_LEVEL)
        return (folder / "x.parquet").stat().st_size / data.height / channels


def size_when_sealed() -> Row:
    """Bytes a sample a channel with its raw reading: the demo drive, sealed as it would be now."""
    stream = open_recording(ROOT / "recordings" / "minibus-7-before").streams[0]
    raw = stream.data.select(f"raw_{c.id}" for c in stream.channels).to_numpy().astype("<i4")
    steps = np.diff(raw, axis=0, prepend=0)
    floor = len(zlib.compress(np.ascontiguousarray(steps.T).tobytes(), 9)) / raw.size
    cost = _packed_bytes(stream.data, len(stream.channels))
    return "a sealed drive (10 channels, 5 Hz)", f"{cost:.2f} B/sample", "<= 4.5", "raw steps, zlib", f"{floor:.2f} B"


def noisy_size_when_sealed(rows: int = 432_000, channels: int = 12) -> Row:
    """The same for twelve hours of twelve channels at 10 Hz whose noise is 6 digits wide, which packs badly."""
    rng = np.random.default_rng(3)
    t = np.arange(rows)
    columns = {"t": pl.Series(t * 100_000_037 + 10**18, dtype=pl.Datetime("ns", "UTC")), "tick_us": t * 100_000}
    columns |= {"seq": t // 5, "boot": np.zeros(rows, np.int32)}
    raws = [
        np.rint(20_000 + 2000 * np.sin(t / 600) + np.cumsum(rng.normal(0, 2, rows)) + rng.normal(0, 6, rows))
        for _ in range(channels)
    ]
    columns |= {f"c{i}": (raw * 0.01).astype(np.float32) for i, raw in enumerate(raws)}
    columns |= {f"raw_c{i}": raw.astype(np.int32) for i, raw in enumerate(raws)}
    floor = len(zlib.compress(np.diff(raws[0].astype("<i4")).tobytes(), 9)) / rows
    cost = _packed_bytes(pl.DataFrame(columns), channels)
    return "12 h of 12 noisy channels, sealed", f"{cost:.2f} B/sample", "<= 4.5", "raw steps, zlib", f"{floor:.2f} B"


def table() -> Iterator[Row]:
    """Every figure, one after the other; those over a pseudo-terminal only where the system has them."""
    yield decode_and_store(ROWS)
    yield decode_and_store(FEW_ROWS)
    if hasattr(os, "openpty"):
        yield whole_session(ROWS)
        yield whole_session(FEW_ROWS)
        yield through_a_line()
    if Path("/proc/self/statm").exists():
        yield from memory_of_a_day()
    yield size_when_sealed()
    yield noisy_size_when_sealed()


def print_table() -> None:
    """Print each figure as it is had."""
    print(f"{'what':58} {'measured':>15} {'asked':>10}  {'floor':15} {'':>10}")
    for what, measured, asked, floor, figure in table():
        print(f"{what:58} {measured:>15} {asked:>10}  {floor:15} {figure:>10}", flush=True)


if __name__ == "__main__":
    day(*map(int, sys.argv[2:])) if sys.argv[1:2] == ["day"] else print_table()
