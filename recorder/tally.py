"""What arrived of one node, frame by frame: new, twice, sent again, not fitting; what never came; where it restarted.

The session counts while it records and the seal counts again over the journal, both with this one account. Its memory
does not grow with the recording.
"""

import zlib
from bisect import bisect_right
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from operator import itemgetter

from recorder.frames import FLAG_RESENT, Frame
from recorder.node import NodeDescription

REMEMBERED = 1024
"""Frames of a group whose content is remembered, to tell a doubled frame from a restarted node; a node keeps fewer."""
NEWEST_MISSING = 64
"""Missing stretches a group that are told for asking again: older ones were told when they were new."""


@dataclass(slots=True)
class _Numbers:
    """Sequence numbers of one group since the node's (re)start; ``missing`` are closed intervals, in order."""

    first: int
    last: int
    missing: list[list[int]] = field(default_factory=list[list[int]])
    recent: dict[int, int] = field(default_factory=dict[int, int])
    order: deque[int] = field(default_factory=deque[int])

    def remember(self, seq: int, content: int) -> None:
        self.recent[seq] = content
        self.order.append(seq)
        if len(self.order) > REMEMBERED:
            del self.recent[self.order.popleft()]

    def fill(self, seq: int) -> bool:
        """Take a missing number off the list; False if it was not missing."""
        index = bisect_right(self.missing, seq, key=itemgetter(0)) - 1
        if index < 0 or seq > self.missing[index][1]:
            return False
        low, high = self.missing[index]
        self.missing[index : index + 1] = [p for p in ([low, seq - 1], [seq + 1, high]) if p[0] <= p[1]]
        return True


@dataclass(slots=True)
class Tally:
    """The account of one node.

    ``frames`` counts sample frames that were new, ``duplicate`` those that came twice unasked, ``recovered`` those
    missing ones that came when asked for again, ``refused`` those that do not fit the description. A boot number that
    begins again under another content is a restart: ``segments`` counts them all.
    """

    widths: Mapping[int, int]
    frames: int = 0
    duplicate: int = 0
    recovered: int = 0
    refused: int = 0
    _groups: dict[tuple[int, int], _Numbers] = field(default_factory=dict[tuple[int, int], _Numbers])
    _restarts: dict[int, int] = field(default_factory=dict[int, int])
    _left_missing: int = 0
    _left_gaps: int = 0

    @classmethod
    def of(cls, description: NodeDescription) -> "Tally":
        """An empty account for a node."""
        return cls({group.number: 4 * len(group.channels) for group in description.groups})

    def segment_of(self, boot: int) -> int:
        """Segment in which a boot number is now: the number itself, plus 65536 a restart under the same number."""
        return boot + (self._restarts.get(boot, 0) << 16)

    def take(self, frame: Frame) -> int | None:
        """Count a sample frame; return its segment if its samples are new, else None."""
        width = self.widths.get(frame.group)
        if width is None or frame.count == 0 or len(frame.payload) != frame.count * width:
            self.refused += 1
            return None
        if not self._is_new(frame):
            return None
        self.frames += 1
        return self.segment_of(frame.boot)

    def _is_new(self, frame: Frame) -> bool:
        boot = self._restarts.setdefault(frame.boot, 0)
        content = zlib.crc32(frame.payload, frame.tick_us & 0xFFFFFFFF)
        numbers = self._groups.get((frame.boot, frame.group))
        if numbers is None:
            numbers = self._groups[frame.boot, frame.group] = _Numbers(frame.seq, frame.seq)
        elif frame.seq > numbers.last:
            if frame.seq > numbers.last + 1:
                numbers.missing.append([numbers.last + 1, frame.seq - 1])
            numbers.last = frame.seq
        elif numbers.fill(frame.seq):
            self.recovered += bool(frame.flags & FLAG_RESENT)
        elif numbers.recent.get(frame.seq) == content:
            self.duplicate += not frame.flags & FLAG_RESENT
            return False
        elif numbers.first - REMEMBERED <= frame.seq < numbers.first:
            if frame.seq + 1 < numbers.first:
                numbers.missing.insert(0, [frame.seq + 1, numbers.first - 1])
            numbers.first = frame.seq
        elif frame.flags & FLAG_RESENT:
            return False
        else:
            self._begin_again(frame.boot)
            self._restarts[frame.boot] = boot + 1
            return self._is_new(frame)
        numbers.remember(frame.seq, content)
        return True

    def _begin_again(self, boot: int) -> None:
        """The node restarted under the number it had: what was missing before stays missing."""
        for key in [key for key in self._groups if key[0] == boot]:
            gone = self._groups.pop(key).missing
            self._left_missing += sum(high - low + 1 for low, high in gone)
            self._left_gaps += len(gone)

    @property
    def lost(self) -> int:
        """Frames that never came."""
        now = sum(high - low + 1 for numbers in self._groups.values() for low, high in numbers.missing)
        return self._left_missing + now

    @property
    def gaps(self) -> int:
        """Stretches of frames that never came."""
        return self._left_gaps + sum(len(numbers.missing) for numbers in self._groups.values())

    @property
    def segments(self) -> int:
        """Times that the node started, as far as its frames tell."""
        return len(self._restarts) + sum(self._restarts.values())

    def last_seq(self, boot: int) -> dict[int, int]:
        """Latest frame number of each group of a boot."""
        return {group: numbers.last for (own, group), numbers in self._groups.items() if own == boot}

    def missing(self, boot: int) -> list[tuple[int, int, int]]:
        """Group, first and last number of the newest missing stretches of a boot."""
        groups = [(group, n.missing[-NEWEST_MISSING:]) for (own, group), n in self._groups.items() if own == boot]
        return [(group, low, high) for group, newest in groups for low, high in newest]

    def counters(self) -> dict[str, int]:
        """The account as ``recording.json`` keeps it."""
        return {
            "frames": self.frames,
            "lost": self.lost,
            "gaps": self.gaps,
            "duplicate": self.duplicate,
            "recovered": self.recovered,
            "refused": self.refused,
            "boots": self.segments,
        }
