"""Following the journals of a recording under way: what arrived since the last look, put on the drive's seconds."""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from recorder.assignment import carried_over
from recorder.errors import FrameError, InputError
from recorder.frames import DescriptionBuffer, Frame, FrameType, decode_body
from recorder.journal import Arrival, decode_journal
from recorder.node import Group, Health, NodeDescription, description_from, description_from_json, health_from_json
from recorder.readings import readings_of
from recorder.tally import Tally

LONGEST_RECORD = 1 << 17
LARGEST_READ = 1 << 18
SILENT_S = 2.0
"""A node that says nothing for longer is told as silent (common practice, no source)."""

Rows = tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]
"""Seconds of the drive (n,), and stored values (n,) by channel id."""


class JournalTail:
    """New records of one journal; an unfinished one waits for its rest."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._offset = 0
        self._rest = b""

    @property
    def behind(self) -> bool:
        """Whether more was written than was read."""
        try:
            return self.path.stat().st_size > self._offset
        except FileNotFoundError:  # sealed meanwhile
            return False

    def news(self) -> list[Arrival]:
        """Records that were completed since the last call, at most as many as a moment allows."""
        if not self.behind:
            return []
        try:
            with self.path.open("rb") as file:
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
class NodeTail:
    """One node of a recording under way.

    ``silences`` are pairs of host monotonic seconds between which nothing arrived for longer than ``SILENT_S``;
    ``account`` is what the session says of the link: reconnections, outages with their reason, radio signal.
    """

    name: str
    journal: JournalTail
    description: NodeDescription | None = None
    tally: Tally | None = None
    health: Health | None = None
    account: dict[str, Any] = field(default_factory=dict[str, Any])
    first_ns: int | None = None
    last_ns: int | None = None
    silences: list[tuple[float, float]] = field(default_factory=list[tuple[float, float]])
    _segment: int | None = None
    _origin: tuple[int, float] = (0, 0.0)
    _account_ns: int = 0
    _buffer: DescriptionBuffer = field(default_factory=DescriptionBuffer)

    @property
    def lost(self) -> int:
        """Frames that are missing in the numbering so far."""
        return self.tally.lost if self.tally else 0

    @property
    def restarts(self) -> int:
        """How often the node began anew."""
        return max(self.tally.segments - 1, 0) if self.tally else 0

    @property
    def time_scale(self) -> float:
        """How much faster than the host's clock this node's ticks run."""
        return self.description.time_scale if self.description else 1.0

    def news(self, first_ns: int | None) -> list[tuple[Group, Rows]]:
        """Rows that arrived, by group, in order of time within a call; those that were sent again come with them.

        ``first_ns`` is the arrival of the recording's first sample on the host's monotonic clock.
        """
        samples: dict[int, list[Frame]] = {}
        for arrival in self.journal.news():
            self._note_arrival(arrival)
            frame = decode_body(arrival.body)
            if frame.type is FrameType.DESCRIBE:
                self._describe(frame)
            elif frame.type is FrameType.HEALTH:
                self._read_health(frame)
            elif frame.type is FrameType.SAMPLES and self._counts(frame, arrival, first_ns):
                samples.setdefault(frame.group, []).append(frame)
        found: list[tuple[Group, Rows]] = []
        for number, frames in samples.items():
            group = self.description.group(number) if self.description else None
            if group is not None:
                found.append((group, self._rows(group, frames)))
        return found

    def read_account(self) -> None:
        """Read what the session says of the link, if it said anything new."""
        path = self.journal.path.with_suffix(".link.json")
        try:
            changed_ns = path.stat().st_mtime_ns
            if changed_ns != self._account_ns:
                self.account = cast("dict[str, Any]", json.loads(path.read_text(encoding="utf-8")))
                self._account_ns = changed_ns
        except (OSError, ValueError):
            return

    def _note_arrival(self, arrival: Arrival) -> None:
        if self.last_ns is not None and arrival.monotonic_ns - self.last_ns > SILENT_S * 1e9:
            self.silences.append((self.last_ns / 1e9, arrival.monotonic_ns / 1e9))
        self.last_ns = arrival.monotonic_ns

    def _read_health(self, frame: Frame) -> None:
        try:
            self.health = health_from_json(frame.payload)
        except FrameError:
            return

    def _describe(self, frame: Frame) -> None:
        try:
            whole = self._buffer.add(frame)
            if whole is None:
                return
            described = carried_over(description_from_json(whole), self._noted())
        except FrameError:
            return
        if self.tally is None:
            self.tally = Tally.of(described)
        self.description = described

    def _noted(self) -> NodeDescription | None:
        """The description as the recorder noted it, with the calibrations that are known of its sensors."""
        try:
            noted = json.loads(self.journal.path.with_suffix(".node.json").read_text(encoding="utf-8"))
            return description_from(cast("dict[str, Any]", noted))
        except (OSError, ValueError, InputError):
            return None

    def _counts(self, frame: Frame, arrival: Arrival, first_ns: int | None) -> bool:
        """Count a frame; whether its rows are wanted: one that came twice is not."""
        if self.tally is None:
            return False
        segment = self.tally.take(frame)
        if segment is None:
            return False
        if self.first_ns is None:
            self.first_ns = arrival.monotonic_ns
        if segment != self._segment:
            since = 0 if first_ns is None else arrival.monotonic_ns - first_ns
            self._segment, self._origin = segment, (frame.tick_us, since / 1e9 * self.time_scale)
        return True

    def _rows(self, group: Group, frames: list[Frame]) -> Rows:
        kind = np.dtype("<i4") if group.format == "int32" else np.dtype("<f4")
        raw = np.frombuffer(b"".join(f.payload for f in frames), kind).reshape(-1, len(group.channels))
        sent = {channel.id: raw[:, column] for column, channel in enumerate(group.channels)}
        counts = np.array([f.count for f in frames], np.intp)
        behind = np.repeat(np.cumsum(counts), counts) - 1 - np.arange(len(raw))
        tick0, start_s = self._origin
        last_s = np.repeat([(f.tick_us - tick0) / 1e6 for f in frames], counts)
        t_s, values = start_s + last_s - behind / group.rate_hz, readings_of(group.channels, sent).values
        if not bool((np.diff(t_s) < 0).any()):
            return t_s, values
        order = np.argsort(t_s, kind="stable")
        return t_s[order], {name: own[order] for name, own in values.items()}
