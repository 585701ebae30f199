"""Noise on the line: random bytes, and one bit in a thousand wrong. No wrong sample is ever accepted."""

import asyncio
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.clock import HostClock
from recorder.errors import FrameError
from recorder.frames import Deframer, Frame, FrameType, decode_body, encode_body, to_line
from recorder.jobsheet import JobSheet
from recorder.links import link_to
from recorder.recording import open_recording
from recorder.sealing import seal
from recorder.session import Session
from recorder.store import RecordingStore
from tests.recorder.nodes import Node, Pty, described, reading
from tests.recorder.test_session import until

BIT_ERROR_RATE = 1e-3
EXAMPLES, BYTES = 25, 40_000
"""A million bytes in all."""


def noisy(data: bytes, rng: np.random.Generator, rate: float = BIT_ERROR_RATE) -> bytes:
    """The bytes with some bits wrong."""
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    return np.packbits(bits ^ (rng.random(len(bits)) < rate)).tobytes()


def some_frames(rng: np.random.Generator, size: int) -> list[bytes]:
    """Bodies of sample frames of 1 to 12 rows of one to four channels, ``size`` bytes in all or a little more."""
    bodies: list[bytes] = []
    while sum(map(len, bodies)) < size:
        count = int(rng.integers(1, 13))
        payload = rng.integers(-500, 30_000, count * int(rng.integers(1, 5)), dtype="<i4").tobytes()
        bodies.append(encode_body(Frame(FrameType.SAMPLES, 7, 0, 0, count, len(bodies), len(bodies) * 1000, payload)))
    return bodies


@settings(max_examples=EXAMPLES)
@given(st.integers(0, 2**32 - 1), st.integers(1, 5000))
def test_with_one_bit_in_a_thousand_wrong_only_what_was_sent_is_accepted(seed: int, piece: int):
    rng = np.random.default_rng(seed)
    sent = some_frames(rng, BYTES)
    line = noisy(b"".join(map(to_line, sent)), rng)
    deframer, got = Deframer(), list[bytes]()
    for start in range(0, len(line), piece):
        got += deframer.feed(line[start : start + piece])
    assert set(got) <= set(sent)
    assert [decode_body(body).seq for body in got] == sorted({decode_body(body).seq for body in got}), "in order, once"
    assert len(got) > len(sent) / 10, "what came through whole is kept"
    assert sum(deframer.refused.values()) > len(sent) / 10, "what did not is counted"


@settings(max_examples=EXAMPLES)
@given(st.integers(0, 2**32 - 1))
def test_notifications_with_wrong_bits_are_refused(seed: int):
    rng = np.random.default_rng(seed)
    for body in some_frames(rng, BYTES):
        heard = noisy(body, rng)
        if heard != body:
            with pytest.raises(FrameError):
                decode_body(heard)


@settings(max_examples=EXAMPLES)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 0.3))
def test_of_random_bytes_none_is_a_frame_and_the_frame_after_them_is_read(seed: int, zeros: float):
    rng = np.random.default_rng(seed)
    noise = rng.integers(0, 256, BYTES, dtype=np.uint8)
    noise[rng.random(BYTES) < zeros] = 0
    deframer = Deframer()
    assert deframer.feed(noise.tobytes()) == []
    whole = encode_body(Frame(FrameType.END, 7))
    assert deframer.feed(b"\x00" + to_line(whole)) == [whole]


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo-terminals")
def test_a_node_on_a_noisy_line_is_recorded_without_a_wrong_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Wrong bits both ways, rubbish between the frames: what is missing is asked for, what stays missing is counted."""
    monkeypatch.setattr("recorder.conversation.HELLO_EVERY_S", 0.1)
    rng = np.random.default_rng(1)
    pty = Pty()

    def send(body: bytes) -> None:
        rubbish = rng.integers(0, 256, int(rng.integers(0, 20)), dtype=np.uint8).tobytes()
        pty.write(noisy(rubbish + b"\x00" + to_line(body), rng))

    node = Node(described("hv-1", 1000.0), send, room=60)
    hear = node.hear
    pty.hear = lambda body: hear(noisy(body, rng))
    store = RecordingStore(tmp_path, JobSheet(), HostClock.start())
    session = Session(store, [link_to(pty.name)])

    async def run() -> None:
        running = asyncio.create_task(session.run(60.0))
        await until(lambda: session.nodes[0].frames > 500, 50.0)
        session.stop()
        await running

    asyncio.run(run())
    node.stop()
    pty.hang_up()
    seal(store.folder, "test")
    recording = open_recording(store.folder)
    (stream,), (entry,) = recording.streams, recording.nodes
    seq = stream.data["seq"].to_numpy()
    number = seq * node.batch + np.arange(len(seq)) % node.batch
    for column, channel in enumerate(stream.channels):
        assert np.array_equal(stream.data[f"raw_{channel.id}"].to_numpy(), reading(number, column))
    kept = np.unique(seq)
    assert entry["counters"]["frames"] == len(kept) > 500
    assert entry["counters"]["lost"] == kept[-1] - kept[0] + 1 - len(kept)
    assert entry["counters"]["recovered"] > 100
    assert entry["counters"]["refused"] == 0
    assert sum(count for name, count in entry["link"].items() if name.startswith("refused_")) > 200
