"""Speaks for a sensor that knows no frames: turns what a link reads into the frame bodies that a node of ours sends.

So journal, clock, account and store stay one path. What the sensor sent stays raw; scale and offset stand in the
description that the link makes for it. Ticks are the host's own microseconds, or the sensor's where it tells them.
"""

import math
import secrets
from collections import deque
from collections.abc import Sequence

import numpy as np

from recorder.clock import now_ns, utc_now_ns
from recorder.errors import FrameError
from recorder.frames import LONGEST, SHORTEST, Frame, FrameType, decode_body, description_frames, encode_body
from recorder.journal import Arrival
from recorder.node import MISSING_INT32, NodeDescription

ROOM = LONGEST - SHORTEST
LARGEST_INT32 = 2**31 - 1
OLDEST_READING_NS = 3_600 * 10**9
"""Ticks begin so much before the link, since a sensor may tell of readings that it took earlier."""


class Interpreter:
    """One sensor that cannot describe itself.

    ``describe`` may be called again while no sample was sent; ``samples`` numbers each reading of a group, ``miss``
    spends a number on one that did not come, so that it counts as lost.
    """

    def __init__(self) -> None:
        self.description: NodeDescription | None = None
        self._boot = secrets.randbelow(0x10000)
        self._began_ns = now_ns() - OLDEST_READING_NS
        self._seq: dict[int, int] = {}
        self._ready: deque[Arrival] = deque()
        self._asked = False
        self._round_trip: tuple[int, int, int] | None = None

    def describe(self, description: NodeDescription) -> None:
        """State what the sensor is; answers a *hello* that came before."""
        if description != self.description:
            self.description = description
            if self._asked:
                self._say_description()

    def hear(self, body: bytes) -> None:
        """Answer a frame body from the host as a node would."""
        try:
            frame = decode_body(body)
        except FrameError:
            return
        if frame.type is FrameType.HELLO:
            self._asked = True
            self._say_description()
        elif frame.type is FrameType.ECHO_REQUEST and self._round_trip is not None:
            asked_ns, answered_ns, tick_us = self._round_trip
            echo = Frame(FrameType.ECHO, self._boot, tick_us=tick_us, payload=asked_ns.to_bytes(8, "little"))
            self._put(echo, answered_ns, utc_now_ns())
            self._round_trip = None

    def samples(
        self,
        group: int,
        values: Sequence[float | None],
        monotonic_ns: int,
        utc_ns: int,
        tick_us: int | None = None,
    ) -> None:
        """One reading of every channel of a group, in its order, as the sensor sent it; None is missing.

        ``tick_us`` is the sensor's own time where it tells one; else the reading is taken as of its arrival.
        """
        described = self.description.group(group) if self.description else None
        if described is None:
            return
        if described.format == "int32":
            payload = np.array([_int32(value) for value in values], "<i4").tobytes()
        else:
            payload = np.array([math.nan if value is None else value for value in values], "<f4").tobytes()
        tick_us = self.tick_us(monotonic_ns) if tick_us is None else tick_us
        seq = self._next(group)
        self._put(Frame(FrameType.SAMPLES, self._boot, group, 0, 1, seq, tick_us, payload), monotonic_ns, utc_ns)

    def miss(self, group: int) -> None:
        """A reading that was due did not come."""
        self._next(group)

    def round_trip(self, asked_ns: int, answered_ns: int) -> None:
        """A question to the sensor and its answer: the reading was taken between the two."""
        self._round_trip = (asked_ns, answered_ns, self.tick_us((asked_ns + answered_ns) // 2))

    def tick_us(self, monotonic_ns: int) -> int:
        """Tick of a host monotonic time."""
        return max(0, (monotonic_ns - self._began_ns) // 1000)

    def take(self) -> list[Arrival]:
        """Frame bodies since the last call."""
        ready = list(self._ready)
        self._ready.clear()
        return ready

    def _next(self, group: int) -> int:
        seq = self._seq.get(group, 0)
        self._seq[group] = seq + 1
        return seq

    def _say_description(self) -> None:
        told = self.description
        if told is not None:
            at_ns, utc_ns = now_ns(), utc_now_ns()
            for frame in description_frames(told.to_json(), told.revision, self._boot, self.tick_us(at_ns), ROOM):
                self._put(frame, at_ns, utc_ns)

    def _put(self, frame: Frame, monotonic_ns: int, utc_ns: int) -> None:
        self._ready.append(Arrival(encode_body(frame), monotonic_ns, utc_ns))


def _int32(value: float | None) -> int:
    """A whole number as sent; one that four bytes cannot hold counts as missing."""
    if value is None or not -LARGEST_INT32 <= value <= LARGEST_INT32:
        return MISSING_INT32
    return int(value)


def node_id_from(text: str, prefix: str) -> str:
    """A node id out of an address or a name: letters, digits, '-' and '_', at most 40."""
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in text).strip("-")
    return f"{prefix}-{kept}"[:40].rstrip("-") if kept else prefix
