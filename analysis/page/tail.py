"""Following the journals of a recording under way: what arrived since the last look, put on the drive's seconds."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from recorder.errors import FrameError
from recorder.frames import DescriptionBuffer, Frame, FrameType, decode_body
from recorder.journal import Arrival, decode_journal
from recorder.node import MISSING_INT32, Group, NodeDescription, description_from_json

LONGEST_RECORD = 1 << 17
LARGEST_READ = 1 << 18
SILENT_S = 2.0
"""A node that says nothing for longer is told as silent (common practice, no source)."""

Rows = tuple[NDArray[np.float64], NDArray[np.float64]]


class JournalTail:
    """New records of one journal; an unfinished one waits for its rest."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._offset = 0
        self._rest = b""

    def news(self) -> list[Arrival]:
        """Records that were completed since the last call, at most as many as a moment allows."""
        try:
            if self._path.stat().st_size <= self._offset:
                return []
            with self._path.open("rb") as file:
                file.seek(self._offset)
                data = file.read(LARGEST_READ)
        except FileNotFoundError:  # sealed meanwhile
            return []
        self._offset += len(data)
        held = decode_journal(self._rest + data)
        whole = self._rest + data
        self._rest = whole[-held.lost_bytes :][-LONGEST_RECORD:] if held.lost_bytes else b""
        return held.arrivals


@dataclass(slots=True)
class _GroupState:
    last_seq: int | None = None
    lost: int = 0


@dataclass(slots=True)
class NodeTail:
    """One node of a recording under way.

    ``lost`` frames are gaps in the numbering that were not filled by a resend; ``silences`` are pairs of host
    monotonic seconds between which nothing arrived for longer than ``SILENT_S``.
    """

    name: str
    journal: JournalTail
    description: NodeDescription | None = None
    frames: int = 0
    restarts: int = 0
    reconnects: int = 0
    supply_mv: int | None = None
    first_ns: int | None = None
    last_ns: int | None = None
    silences: list[tuple[float, float]] = field(default_factory=list[tuple[float, float]])
    _boot: int | None = None
    _origin: tuple[int, float] | None = None
    _groups: dict[int, _GroupState] = field(default_factory=dict[int, _GroupState])
    _buffer: DescriptionBuffer = field(default_factory=DescriptionBuffer)

    @property
    def lost(self) -> int:
        """Frames that are missing in the numbering so far."""
        return sum(group.lost for group in self._groups.values())

    @property
    def time_scale(self) -> float:
        """How much faster than the host's clock this node's ticks run."""
        return self.description.time_scale if self.description else 1.0

    def news(self, first_ns: int | None) -> list[tuple[Group, Rows]]:
        """Rows that arrived: for each group its seconds (n,) and stored values (n, channels).

        ``first_ns`` is the arrival of the recording's first sample on the host's monotonic clock.
        """
        arrivals = self.journal.news()
        samples: dict[int, list[Frame]] = {}
        for arrival in arrivals:
            self._note_arrival(arrival)
            frame = decode_body(arrival.body)
            if frame.type is FrameType.DESCRIBE:
                self._describe(frame)
            elif frame.type is FrameType.HEALTH and len(frame.payload) >= 2:
                self.supply_mv = int.from_bytes(frame.payload[:2], "little")
            elif frame.type is FrameType.SAMPLES and self._counts(frame):
                self._place(frame, arrival, first_ns)
                samples.setdefault(frame.group, []).append(frame)
        found: list[tuple[Group, Rows]] = []
        for number, frames in samples.items():
            group = self.description.group(number) if self.description else None
            if group is not None:
                found.append((group, self._rows(group, frames)))
        return found

    def _note_arrival(self, arrival: Arrival) -> None:
        if self.last_ns is not None and arrival.monotonic_ns - self.last_ns > SILENT_S * 1e9:
            self.silences.append((self.last_ns / 1e9, arrival.monotonic_ns / 1e9))
        self.last_ns = arrival.monotonic_ns

    def _describe(self, frame: Frame) -> None:
        try:
            whole = self._buffer.add(frame)
            if whole is None:
                return
            self.reconnects += self.frames > 0
            self.description = description_from_json(whole)
        except FrameError:
            return

    def _counts(self, frame: Frame) -> bool:
        """Whether a frame is new; counts what the numbering says is missing."""
        if frame.boot != self._boot:
            self.restarts += self._boot is not None
            self._boot, self._origin, self._groups = frame.boot, None, {}
        group = self._groups.setdefault(frame.group, _GroupState())
        self.frames += 1
        if group.last_seq is None or frame.seq == group.last_seq + 1:
            group.last_seq = frame.seq
            return True
        if frame.seq > group.last_seq:
            group.lost += frame.seq - group.last_seq - 1
            group.last_seq = frame.seq
            return True
        group.lost = max(group.lost - 1, 0)  # a resend fills a hole; the strips do not go back for it
        return False

    def _place(self, frame: Frame, arrival: Arrival, first_ns: int | None) -> None:
        if self.first_ns is None:
            self.first_ns = arrival.monotonic_ns
        if self._origin is None:
            since = 0 if first_ns is None else arrival.monotonic_ns - first_ns
            self._origin = frame.tick_us, since / 1e9 * self.time_scale

    def _rows(self, group: Group, frames: list[Frame]) -> Rows:
        width = 4 * len(group.channels)
        kept = [f for f in frames if f.count and len(f.payload) == f.count * width]
        kind = np.dtype("<i4") if group.format == "int32" else np.dtype("<f4")
        raw = np.frombuffer(b"".join(f.payload for f in kept), kind).reshape(-1, len(group.channels))
        values = raw.astype(np.float64)
        if raw.dtype.kind == "i":
            values[raw == MISSING_INT32] = np.nan
        values = values * [c.scale for c in group.channels] + [c.offset for c in group.channels]
        counts = np.array([f.count for f in kept], np.intp)
        behind = np.repeat(np.cumsum(counts), counts) - 1 - np.arange(len(values))
        tick0, start_s = self._origin or (0, 0.0)
        last_s = np.repeat([(f.tick_us - tick0) / 1e6 for f in kept], counts)
        return start_s + last_s - behind / group.rate_hz, values
