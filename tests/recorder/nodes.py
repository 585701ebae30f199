"""Emulated sensor nodes: a node of ours that speaks frames over any wire, with the faults that a test asks for.

The readings are made up so that each is known from its number: channel c of sample n reads ``reading(n, c)``.
"""

import contextlib
import os
import select
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from recorder.errors import FrameError
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
from recorder.gatt import FROM_NODE, NODE_SERVICE, TO_NODE
from recorder.node import Channel, Group, NodeDescription
from tests.recorder.bluez import Attribute, Bluez, Peripheral

CHANNELS = (
    Channel("low_side", "kPa", "vented_gauge", scale=0.1, raw_unit="0.1 kPa"),
    Channel("high_side", "kPa", "vented_gauge", scale=0.1, raw_unit="0.1 kPa"),
    Channel("vent", "degC", scale=0.01, raw_unit="0.01 degC"),
)


def reading(sample: np.ndarray | int, channel: np.ndarray | int) -> np.ndarray:
    """What a channel's sensor sends for sample number n."""
    return (np.asarray(sample, np.int64) * (7 + 2 * channel) + 500 * channel) % 20_011


def described(name: str, rate_hz: float = 50.0, channels: tuple[Channel, ...] = CHANNELS) -> NodeDescription:
    """A node with one group."""
    return NodeDescription(name, "emulated", 1, (Group(0, rate_hz, "int32", channels),))


@dataclass
class Node:
    """Speaks frames through ``send``; runs in a thread of its own.

    Frames numbered in ``lost``, ``doubled`` or ``broken`` are not sent, sent twice, or sent with a wrong bit; those in
    ``gone`` are neither sent nor kept. ``did`` counts which of these were due while the node streamed; ``resent`` are
    the numbers of the frames that it was asked for again.
    """

    description: NodeDescription
    send: Callable[[bytes], object]
    batch: int = 5
    lost: set[int] = field(default_factory=set)
    doubled: set[int] = field(default_factory=set)
    broken: set[int] = field(default_factory=set)
    gone: set[int] = field(default_factory=set)
    keeps: int = 200
    supply_mv: int = 3300
    silent: bool = False
    room: int = 180
    sends_channels: int | None = None
    boot: int = 0x1234
    seq: int = 0
    kept: deque[Frame] = field(default_factory=deque)
    heard: list[Frame] = field(default_factory=list)
    streaming: bool = False
    ended: bool = False
    did: Counter[str] = field(default_factory=Counter)
    resent: set[int] = field(default_factory=set)
    streamed: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._started = time.monotonic()
        self._over = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def _group(self) -> Group:
        return self.description.groups[0]

    def tick_us(self) -> int:
        """The node's clock."""
        return round((time.monotonic() - self._started) * 1e6)

    def restart(self, boot: int) -> None:
        """Lose power for a moment."""
        with self._lock:
            self.boot, self.seq, self._started, self.streaming = boot, 0, time.monotonic(), False
            self.kept.clear()

    def stop(self) -> None:
        """Switch the node off."""
        self._over.set()
        self._thread.join()

    def end(self) -> None:
        """Say *end* and switch off."""
        self.ended = True
        self._say(Frame(FrameType.END, self.boot, tick_us=self.tick_us()))

    def hear(self, body: bytes) -> None:
        """Take a frame body from the host."""
        with contextlib.suppress(FrameError), self._lock:
            self._answer(decode_body(body))

    def _answer(self, frame: Frame) -> None:
        self.heard.append(frame)
        if self.silent:
            return
        if frame.type is FrameType.HELLO:
            text = self.description.to_json()
            for part in description_frames(text, self.description.revision, self.boot, self.tick_us(), self.room):
                self._say(part)
            health = f'{{"supply_mv":{self.supply_mv},"temperature_degc":31.5,"dropped":0,"uptime_s":12}}'
            self._say(Frame(FrameType.HEALTH, self.boot, tick_us=self.tick_us(), payload=health.encode()))
            self.streaming = True
        elif frame.type is FrameType.ECHO_REQUEST:
            self._say(Frame(FrameType.ECHO, self.boot, tick_us=self.tick_us(), payload=frame.payload))
        elif frame.type is FrameType.RESEND:
            wanted = [k for k in self.kept if k.group == frame.group and k.seq >= frame.seq]
            for kept in wanted[: frame.count or None]:
                again = Frame(
                    kept.type, kept.boot, kept.group, FLAG_RESENT, kept.count, kept.seq, kept.tick_us, kept.payload
                )
                self.resent.add(kept.seq)
                self._say(again)
        elif frame.type is FrameType.STOP:
            self.streaming = False

    def _say(self, frame: Frame) -> None:
        with contextlib.suppress(OSError):
            self.send(encode_body(frame))

    def _run(self) -> None:
        while not self._over.wait(0.002):
            with self._lock:
                due = int(self.tick_us() * 1e-6 * self._group.rate_hz) // self.batch
                while self.seq < due and not self.ended:
                    self._sample()

    def _sample(self) -> None:
        channels = self.sends_channels or len(self._group.channels)
        number = self.seq * self.batch + np.arange(self.batch)
        values = np.column_stack([reading(number, c) for c in range(channels)]).astype("<i4")
        tick_us = round((self.seq + 1) * self.batch * 1e6 / self._group.rate_hz)
        frame = Frame(FrameType.SAMPLES, self.boot, 0, 0, self.batch, self.seq, tick_us, values.tobytes())
        if self.seq not in self.gone:
            self.kept.append(frame)
        while len(self.kept) > self.keeps:
            self.kept.popleft()
        if self.streaming and not self.silent:
            self._stream(frame)
        self.seq += 1

    def _stream(self, frame: Frame) -> None:
        self.streamed.append(frame.seq)
        faults = {"broken": self.broken, "lost": self.lost, "gone": self.gone, "doubled": self.doubled}
        fault = next((name for name, numbers in faults.items() if frame.seq in numbers), None)
        if fault is not None:
            self.did[fault] += 1
        if fault == "broken":
            body = bytearray(encode_body(frame))
            body[25] ^= 0x04
            with contextlib.suppress(OSError):
                self.send(bytes(body))
        elif fault not in ("lost", "gone"):
            for _ in range(2 if fault == "doubled" else 1):
                self._say(frame)


class Pty:
    """A pseudo-terminal whose far end a recorder opens; ``hear`` gets each intact body that it sends."""

    def __init__(self) -> None:
        import tty

        self.near, far = os.openpty()
        tty.setraw(far)
        self.name = os.ttyname(far)
        self._far: int | None = far
        self._deframer = Deframer()
        self._over = threading.Event()
        self.hear: Callable[[bytes], None] = lambda _: None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def send(self, body: bytes) -> None:
        """Put a frame body on the line, unless nobody reads."""
        self.write(to_line(body))

    def write(self, data: bytes) -> None:
        """Put bytes on the line, unless nobody reads."""
        while data and not self._over.is_set():
            _, ready, _ = select.select([], [self.near], [], 0.5)
            if not ready:
                return
            data = data[os.write(self.near, data) :]

    def _run(self) -> None:
        while not self._over.is_set():
            with contextlib.suppress(OSError):
                ready, _, _ = select.select([self.near], [], [], 0.05)
                if ready:
                    for body in self._deframer.feed(os.read(self.near, 65536)):
                        self.hear(body)

    def hang_up(self) -> None:
        """Unplug: whoever holds the far end gets a hang-up."""
        self._over.set()
        self._thread.join()
        os.close(self.near)
        if self._far is not None:
            os.close(self._far)


def serial_node(description: NodeDescription, **faults: object) -> tuple[Node, Pty]:
    """A node on a pseudo-terminal."""
    pty = Pty()
    node = Node(description, pty.send, **faults)  # type: ignore[arg-type]
    pty.hear = node.hear
    return node, pty


def ble_node(bluez: Bluez, address: str, description: NodeDescription, **faults: object) -> tuple[Node, Peripheral]:
    """A node behind the stand-in for the Bluetooth daemon."""
    attributes = [Attribute(FROM_NODE, ("notify",)), Attribute(TO_NODE, ("write-without-response", "write"))]
    peripheral = Peripheral(address, description.id, NODE_SERVICE, attributes)

    def send(body: bytes) -> None:
        bluez.soon(bluez.notify(peripheral, FROM_NODE, body))

    node = Node(description, send, **faults)  # type: ignore[arg-type]
    peripheral.on_write = lambda _, data: node.hear(data)

    def off() -> None:
        node.streaming = False

    peripheral.on_disconnect = off
    bluez.add(peripheral)
    return node, peripheral
