"""A node on a real line: what travels is what the journal holds, and the original time comes back."""

import asyncio
import os
import select
import socket
import sys
import threading
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from recorder import serial_port
from recorder.clock import HostClock, now_ns, utc_now_ns
from recorder.frames import Frame, FrameType, decode_body, encode_body, to_line
from recorder.jobsheet import JobSheet
from recorder.journal import Arrival, read_journal
from recorder.links import link_to
from recorder.recording import Stream, open_recording
from recorder.sealing import seal, write_sealed
from recorder.session import Session
from recorder.store import RecordingStore
from tests.conftest import ROOT, Replaying

BEFORE = ROOT / "recordings" / "minibus-7-before"
pty_only = pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo-terminals")


class Tap:
    """A second pseudo-terminal between node and recorder; keeps every byte that the node sends."""

    def __init__(self, node_port: str) -> None:
        import tty  # not on every system

        self.node = os.open(node_port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.node)
        self.master, host_side = os.openpty()
        tty.setraw(host_side)
        self.host_side = host_side
        self.port = os.ttyname(host_side)
        self.from_node = bytearray()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._carry)
        self._thread.start()

    def _carry(self) -> None:
        while not self._ended.is_set():
            ready, _, _ = select.select([self.node, self.master], [], [], 0.1)
            if self.node in ready:
                data = os.read(self.node, 65536)
                self.from_node += data
                os.write(self.master, data)
            if self.master in ready:
                os.write(self.node, os.read(self.master, 65536))

    def end(self) -> None:
        """Stop carrying and close."""
        self._ended.set()
        self._thread.join()
        for handle in (self.node, self.master, self.host_side):
            os.close(handle)


def record(port: str, out: Path) -> RecordingStore:
    """Record from a port until the node's end; leaves the recording unsealed."""
    store = RecordingStore(out, JobSheet(), HostClock.start())
    asyncio.run(Session(store, [link_to(port)]).run(60.0))
    return store


@pty_only
def test_pieces_handed_over_together_keep_their_own_times(monkeypatch: pytest.MonkeyPatch):
    import tty  # not on every system

    stamped = threading.Event()
    monkeypatch.setattr(serial_port, "utc_now_ns", lambda: (stamped.set(), utc_now_ns())[1])
    near, far = os.openpty()
    tty.setraw(far)
    link = link_to(os.ttyname(far))
    lines = [to_line(encode_body(Frame(FrameType.END, boot))) for boot in (1, 2)]
    wrote_ns: list[int] = []

    def write() -> None:
        wrote_ns.append(now_ns())
        os.write(near, lines[0] + lines[1][:9])
        stamped.wait(10.0)
        wrote_ns.append(now_ns())
        os.write(near, lines[1][9:])

    async def hear() -> list[Arrival]:
        await link.open()
        writer, heard = threading.Thread(target=write), list[Arrival]()
        writer.start()
        while len(heard) < 2:
            heard += await link.receive()
        writer.join()
        await link.close()
        return heard

    first, second = asyncio.run(hear())
    os.close(near)
    os.close(far)
    assert [decode_body(a.body).boot for a in (first, second)] == [1, 2]
    assert wrote_ns[0] <= first.monotonic_ns <= wrote_ns[1] <= second.monotonic_ns


def bodies_on_the_line(line: bytes) -> list[bytes]:
    """COBS decoded by hand from Cheshire & Baker's description, independent of the recorder's deframer."""
    bodies: list[bytes] = []
    for block in line.split(b"\x00"):
        if not block:
            continue
        out, position = bytearray(), 0
        while position < len(block):
            code = block[position]
            out += block[position + 1 : position + code]
            position += code
            if code < 0xFF and position < len(block):
                out.append(0)
        bodies.append(bytes(out))
    return bodies


@pty_only
def test_the_bytes_on_the_line_are_the_frames_in_the_journal(tmp_path: Path, replaying: Replaying):
    tap = Tap(replaying.start(BEFORE, 600.0))
    try:
        store = record(tap.port, tmp_path)
    finally:
        tap.end()
    (journal,) = store.folder.glob("*.journal")
    held = read_journal(journal)
    assert held.lost_bytes == 0
    assert [arrival.body for arrival in held.arrivals] == bodies_on_the_line(bytes(tap.from_node))
    kinds = [decode_body(arrival.body).type for arrival in held.arrivals]
    assert kinds[0] is FrameType.DESCRIBE
    assert kinds[-1] is FrameType.END
    assert kinds.count(FrameType.SAMPLES) > 1000


def assert_same_recording(made: Path, original: Path) -> None:
    """Ticks, raw readings, stored values and UTC are the original's, digit for digit."""
    one, other = open_recording(made).streams[0].data, open_recording(original).streams[0].data
    shared = [c for c in other.columns if c not in ("seq", "boot")]
    assert one.height == other.height
    assert one.select(shared).equals(other.select(shared))


@pty_only
@pytest.mark.parametrize("speed", [300.0, 1500.0])
def test_a_replay_faster_than_the_drive_yields_the_original_time(speed: float, tmp_path: Path, replaying: Replaying):
    store = record(replaying.start(BEFORE, speed), tmp_path)
    seal(store.folder, "test")
    assert_same_recording(store.folder, BEFORE)
    node = open_recording(store.folder).nodes[0]
    assert node["description"]["time_scale"] == speed
    assert node["counters"]["lost"] == 0


def test_a_tcp_port_serves_where_there_is_no_pseudo_terminal(tmp_path: Path, replaying: Replaying):
    port = replaying.start(BEFORE, 1500.0, "--tcp")
    assert port.startswith("socket://127.0.0.1:")
    store = record(port, tmp_path)
    seal(store.folder, "test")
    assert_same_recording(store.folder, BEFORE)


@pty_only
def test_a_mark_pressed_during_a_replay_carries_the_replays_time(tmp_path: Path, replaying: Replaying):
    """At 300 x a mark pressed between two samples lands between them, on the original time base."""
    port = replaying.start(BEFORE, 300.0)
    store = RecordingStore(tmp_path, JobSheet(), HostClock.start())
    session = Session(store, [link_to(port)])

    async def mark_midway() -> None:
        running = asyncio.create_task(session.run(60.0))
        while session.nodes[0].frames < 1000:  # noqa: ASYNC110 - watched from outside, as a technician would
            await asyncio.sleep(0.01)
        store.mark("complaint", "now")
        frames = session.nodes[0].frames
        await running
        seen.append(frames)

    seen: list[int] = []
    asyncio.run(mark_midway())
    seal(store.folder, "test")
    recording = open_recording(store.folder)
    original = open_recording(BEFORE).streams[0].data["t"].cast(pl.Int64).to_numpy()
    (mark,) = recording.marks
    rows_per_frame = len(original) / session.nodes[0].frames
    expected = original[min(int(seen[0] * rows_per_frame), len(original) - 1)]
    assert abs(mark.utc_ns - expected) / 1e9 < 300.0 * 0.4


@pty_only
def test_an_unplugged_node_is_found_again_and_what_it_kept_is_sent_again(tmp_path: Path, replaying: Replaying):
    """A TCP line is cut in the middle; the recorder reconnects, asks for what it missed, and nothing is lost.

    The node keeps 512 frames: at 20 x and 4 Hz that is six seconds of the line's time, enough on a busy machine too.
    """
    drive = shortened(tmp_path / "short", 640)
    port = replaying.start(drive, 20.0, "--tcp")
    host, number = port.removeprefix("socket://").split(":")
    relay = Relay(host, int(number), cut_after=15_000)
    try:
        store = record(f"socket://127.0.0.1:{relay.port}", tmp_path / "out")
    finally:
        relay.end()
    assert relay.cuts == 1
    seal(store.folder, "test")
    recording = open_recording(store.folder)
    link = recording.nodes[0]["link"]
    assert link["reconnects"] == 1
    assert recording.nodes[0]["counters"]["lost"] == 0
    assert_same_recording(store.folder, drive)


def shortened(folder: Path, rows: int) -> Path:
    """The first rows of the demo recording as a recording of their own."""
    whole = open_recording(BEFORE)
    stream = whole.streams[0]
    folder.mkdir()
    head = Stream(stream.id, stream.rate_hz, stream.channels, stream.data.head(rows))
    write_sealed(folder, "short", whole.job, (head,), list(whole.nodes), [], "test")
    return folder


class Relay:
    """A TCP relay that cuts the line once after so many bytes."""

    def __init__(self, host: str, port: int, cut_after: int) -> None:
        self._target = (host, port)
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.2)
        self.port = self._server.getsockname()[1]
        self._left = cut_after
        self.cuts = 0
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while not self._ended.is_set():
            try:
                client, _ = self._server.accept()
            except TimeoutError:
                continue
            with client, socket.create_connection(self._target) as node:
                self._carry(client, node)

    def _carry(self, client: socket.socket, node: socket.socket) -> None:
        while not self._ended.is_set():
            ready, _, _ = select.select([client, node], [], [], 0.1)
            for one in ready:
                try:
                    data = one.recv(65536)
                except OSError:
                    return
                if not data:
                    return
                if one is node and self.cuts == 0:
                    self._left -= len(data)
                    if self._left <= 0:
                        self.cuts = 1
                        return
                try:
                    (client if one is node else node).sendall(data)
                except OSError:
                    return

    def end(self) -> None:
        """Stop."""
        self._ended.set()
        self._thread.join()
        self._server.close()


def test_sample_times_of_a_live_node_follow_its_clock_not_the_arrival(tmp_path: Path, replaying: Replaying):
    """A live recording is timed by the fit; a replay states its start, so only the fit itself is looked at."""
    store = record(replaying.start(BEFORE, 1500.0, "--tcp"), tmp_path)
    fits = open_recording(store.folder).nodes[0]["clock"]
    assert len(fits) == 1
    assert fits[0]["time_scale"] == 1500.0
    assert np.isfinite(fits[0]["residual_s"])
