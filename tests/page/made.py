"""A recording under way for tests: frames through the real journal, as a recorder would write them."""

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from recorder.clock import HostClock
from recorder.frames import Frame, FrameType, description_frames, encode_body
from recorder.jobsheet import job_sheet_from
from recorder.journal import Arrival
from recorder.node import Channel, Group, NodeDescription
from recorder.places import STORED_UNIT, place_of
from recorder.store import RecordingStore


def channel_of(name: str) -> Channel:
    """A channel at a place, gauge where it is a pressure of the circuit."""
    quantity = place_of(name).quantity
    reference = "absolute" if name == "vacuum" else "vented_gauge"
    return Channel(name, STORED_UNIT[quantity], reference if quantity == "pressure" else None)


Making = Callable[..., "UnderWay"]


class UnderWay:
    """A recording under way since ``ago_s`` whose samples a test hands in; time is the node's."""

    def __init__(
        self, out: Path, places: tuple[str, ...], rate_hz: float = 1.0, ago_s: float = 0.0, **job: object
    ) -> None:
        sheet = job_sheet_from({"refrigerant": "R-134a", "altitude_m": 0, **job}, "test")
        now = HostClock.start()
        self.host = HostClock(now.monotonic_ns - round(1e9 * ago_s), now.utc_ns - round(1e9 * ago_s))
        self.store = RecordingStore(out, sheet, self.host)
        self.folder = self.store.folder
        self.places, self.rate_hz = places, rate_hz
        group = Group(0, rate_hz, "float32", tuple(channel_of(place) for place in places))
        self.description = NodeDescription("made", "test", 1, (group,))
        self.seq, self.tick_us = 0, 0
        self.store.describe("made", self.description)
        for frame in description_frames(self.description.to_json(), 1, 7, 0, 200):
            self.keep(frame, 0)

    @contextmanager
    def beating(self) -> Iterator[None]:
        """Give the sign of life that a recorder gives once a second."""
        ended = threading.Event()

        def beat() -> None:
            while not ended.wait(1.0):
                os.utime(self.folder / "opening.json")

        heart = threading.Thread(target=beat)
        heart.start()
        try:
            yield
        finally:
            ended.set()
            heart.join()

    def keep(self, frame: Frame, after_ns: int) -> None:
        """Journal a frame that arrived so long after the start."""
        at = self.host.monotonic_ns + after_ns
        self.store.append("made", Arrival(encode_body(frame), at, self.host.utc_ns + after_ns))

    def send(self, rows: np.ndarray, boot: int = 7) -> None:
        """Send rows of shape (n, places), one frame each."""
        for row in np.atleast_2d(rows):
            payload = row.astype("<f4").tobytes()
            self.keep(Frame(FrameType.SAMPLES, boot, 0, 0, 1, self.seq, self.tick_us, payload), self.tick_us * 1000)
            self.seq += 1
            self.tick_us += round(1e6 / self.rate_hz)
