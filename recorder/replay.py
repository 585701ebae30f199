"""A recording as a node on a line: a pseudo-terminal, or a TCP port where the system has none."""

import os
import secrets
import select
import socket
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import polars as pl
from numpy.typing import NDArray

from recorder.errors import InputError
from recorder.frames import (
    FLAG_RESENT,
    Deframer,
    Frame,
    FrameType,
    decode_body,
    description_frames,
    encode_body,
    to_line,
)
from recorder.marks import iso_utc
from recorder.node import MISSING_INT32, Channel, Group, NodeDescription, renumbered
from recorder.recording import Recording

DESCRIPTION_ROOM = 200
KEPT_FOR_RESEND = 512
WAIT_FOR_HELLO_S = 120.0
IDLE_S = 0.002
FAREWELL_S = 3.0
ONLY_ASKED_S = 6.0
"""As long as ``warmspell find`` listens to a node, and a little more."""


class Line(Protocol):
    """Where the node's bytes go."""

    name: str

    def read(self, wait_s: float) -> bytes:
        """Return what the host sent within ``wait_s``; empty if nothing."""
        ...

    def write(self, data: bytes) -> None:
        """Write all of ``data``, waiting for the host where it must; raises OSError when the line is gone."""
        ...

    def close(self) -> None:
        """Give the line up."""
        ...


class PtyLine:
    """A pseudo-terminal; the far end is kept open so that a host may come and go."""

    def __init__(self) -> None:
        import tty

        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.name = os.ttyname(self._far)

    def read(self, wait_s: float) -> bytes:
        """Return what the host sent within ``wait_s``."""
        ready, _, _ = select.select([self._near], [], [], wait_s)
        return os.read(self._near, 65536) if ready else b""

    def write(self, data: bytes) -> None:
        """Write all, as fast as the host reads; raises OSError where nobody reads for 10 s."""
        while data:
            _, ready, _ = select.select([], [self._near], [], 10.0)
            if not ready:
                raise OSError("nobody has read the line for 10 s")
            try:
                data = data[os.write(self._near, data) :]
            except BlockingIOError:
                time.sleep(IDLE_S)

    def close(self) -> None:
        """Close both ends."""
        os.close(self._near)
        os.close(self._far)


class TcpLine:
    """A TCP port on the loopback interface, for one host at a time."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._peer: socket.socket | None = None
        self.name = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def read(self, wait_s: float) -> bytes:
        """Return what the host sent within ``wait_s``; takes a host that comes."""
        if self._peer is None:
            ready, _, _ = select.select([self._server], [], [], wait_s)
            if ready:
                self._peer = self._server.accept()[0]
            return b""
        ready, _, _ = select.select([self._peer], [], [], wait_s)
        if not ready:
            return b""
        try:
            data = self._peer.recv(65536)
        except ConnectionError:
            data = b""
        if not data:
            self._peer.close()
            self._peer = None
        return data

    def write(self, data: bytes) -> None:
        """Write all; a host that left without a word is waited for, as a pulled plug would be."""
        if self._peer is None:
            return
        try:
            self._peer.sendall(data)
        except ConnectionError:
            self._peer.close()
            self._peer = None

    def close(self) -> None:
        """Close the port."""
        if self._peer is not None:
            self._peer.close()
        self._server.close()


def best_line() -> Line:
    """A pseudo-terminal where the system has one, else a TCP port."""
    return PtyLine() if hasattr(os, "openpty") else TcpLine()


@dataclass(slots=True)
class _Samples:
    """Rows of one group, ready to send one by one."""

    group: Group
    tick_us: NDArray[np.int64]
    payload: NDArray[Any]
    seq: int = 0
    kept: deque[Frame] = field(default_factory=lambda: deque[Frame](maxlen=KEPT_FOR_RESEND))


def _samples(recording: Recording) -> list[_Samples]:
    first_ns = recording.started_utc_ns
    if first_ns is None:
        raise InputError(f"{recording.path}: has no samples to replay.")
    taken: dict[str, int] = {}
    groups: list[_Samples] = []
    for number, stream in enumerate(recording.streams):
        raw = stream.data.select(pl.col(f"raw_{channel.id}") for channel in stream.channels)
        whole = all(dtype == pl.Int32 for dtype in raw.dtypes)
        if whole:
            payload = raw.fill_null(MISSING_INT32).to_numpy().astype("<i4")
        else:
            payload = raw.cast(pl.Float32).fill_null(float("nan")).to_numpy().astype("<f4")
        channels = tuple(_unique(channel, taken) for channel in stream.channels)
        group = Group(number, stream.rate_hz, "int32" if whole else "float32", channels)
        tick_us = (stream.data["t"].cast(pl.Int64).to_numpy() - first_ns) // 1000
        groups.append(_Samples(group, tick_us, np.ascontiguousarray(payload)))
    return groups


def _unique(channel: Channel, taken: dict[str, int]) -> Channel:
    taken[channel.place] = taken.get(channel.place, 0) + 1
    count = taken[channel.place]
    return channel if count == 1 else renumbered(channel, f"{channel.place}_{count}")


@dataclass(slots=True)
class ReplayNode:
    """Speaks the wire as a node would; its ticks are the recording's own microseconds."""

    line: Line
    samples: list[_Samples]
    description: NodeDescription
    boot: int
    _deframer: Deframer = field(default_factory=Deframer)
    _started_ns: int | None = None
    _stopped: bool = False

    @property
    def was_only_asked(self) -> bool:
        """Whether a host said *stop* so soon that it only wanted to know what is there: then it begins anew."""
        return (
            self._stopped
            and self._started_ns is not None
            and time.monotonic_ns() - self._started_ns < ONLY_ASKED_S * 1e9
        )

    def run(self) -> bool:
        """Stream to the end; False if no host came or it left. Ends with an *end* frame."""
        deadline = time.monotonic() + WAIT_FOR_HELLO_S
        while self._started_ns is None and not self._stopped:
            self._listen(0.05)
            if time.monotonic() > deadline:
                return False
        for sample_set, row in self._in_order():
            if not self._wait_for(int(sample_set.tick_us[row])):
                return False
            self._send_row(sample_set, row)
        self._send(Frame(FrameType.END, self.boot, tick_us=self._now_us()))
        until = time.monotonic() + FAREWELL_S
        while time.monotonic() < until and not self._stopped:
            try:
                self._listen(0.05)
            except OSError:
                break
        return True

    def _in_order(self) -> Iterator[tuple[_Samples, int]]:
        """Every row of every group, by tick, in the order of the file where ticks step back."""
        which = np.repeat(np.arange(len(self.samples)), [len(s.tick_us) for s in self.samples])
        rows = np.concatenate([np.arange(len(s.tick_us)) for s in self.samples])
        due = np.concatenate([np.maximum.accumulate(s.tick_us) for s in self.samples])
        for index in np.argsort(due, kind="stable"):
            yield self.samples[which[index]], int(rows[index])

    def _now_us(self) -> int:
        started_ns = self._started_ns or time.monotonic_ns()
        return round((time.monotonic_ns() - started_ns) / 1e3 * self.description.time_scale)

    def _wait_for(self, tick_us: int) -> bool:
        while True:
            ahead_s = (tick_us - self._now_us()) / 1e6 / self.description.time_scale
            self._listen(min(max(ahead_s, 0.0), 0.05))
            if self._stopped:
                return False
            if ahead_s <= IDLE_S:
                return True

    def _send_row(self, own: _Samples, row: int) -> None:
        frame = Frame(
            FrameType.SAMPLES,
            self.boot,
            own.group.number,
            count=1,
            seq=own.seq,
            tick_us=int(own.tick_us[row]),
            payload=own.payload[row].tobytes(),
        )
        own.seq += 1
        own.kept.append(frame)
        self._send(frame)

    def _send(self, frame: Frame) -> None:
        self.line.write(to_line(encode_body(frame)))

    def _listen(self, wait_s: float) -> None:
        for body in self._deframer.feed(self.line.read(wait_s)):
            frame = decode_body(body)
            if frame.type is FrameType.HELLO:
                self._describe()
            elif frame.type is FrameType.ECHO_REQUEST:
                self._send(Frame(FrameType.ECHO, self.boot, tick_us=self._now_us(), payload=frame.payload))
            elif frame.type is FrameType.RESEND:
                self._resend(frame)
            elif frame.type is FrameType.STOP:
                self._stopped = True

    def _describe(self) -> None:
        if self._started_ns is None:
            self._started_ns = time.monotonic_ns()
        described = self.description
        text = described.to_json()
        for frame in description_frames(text, described.revision, self.boot, self._now_us(), DESCRIPTION_ROOM):
            self._send(frame)

    def _resend(self, asked: Frame) -> None:
        for own in self.samples:
            if own.group.number == asked.group:
                for kept in own.kept:
                    if kept.seq >= asked.seq:
                        self._send(
                            Frame(
                                FrameType.SAMPLES,
                                kept.boot,
                                kept.group,
                                kept.flags | FLAG_RESENT,
                                kept.count,
                                kept.seq,
                                kept.tick_us,
                                kept.payload,
                            )
                        )


def replay(recording: Recording, speed: float, line: Line, announce: Callable[[str], None]) -> bool:
    """Play a recording as a node.

    Parameters
    ----------
    recording : Recording
        What to play.
    speed : float
        1 is real time; above 1 is faster. The node declares it, so that the host recovers the original time.
    line : Line
        Where to speak.
    announce : callable
        Called with the line's name once a host may open it.

    Returns
    -------
    bool
        Whether all was sent.

    Raises
    ------
    InputError
        If the speed is none that a replay can keep.
    """
    if not 0.01 <= speed <= 10_000:
        raise InputError(f"speed {speed:g}: must lie from 0.01 to 10000 times real time.")
    samples = _samples(recording)
    first_ns = recording.started_utc_ns or 0
    description = NodeDescription(
        "replay",
        "warmspell replay",
        1,
        tuple(own.group for own in samples),
        speed,
        iso_utc(first_ns),
        recording.path.name + (f", {recording.origin}" if recording.origin else ""),
    )
    announce(line.name)
    while True:
        node = ReplayNode(line, samples, description, secrets.randbelow(0x10000))
        done = node.run()
        if not node.was_only_asked:
            return done
        samples = _samples(recording)
