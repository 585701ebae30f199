"""The append-only journal: every frame body with its arrival, each record with its own CRC.

Record, little endian: marker A5 5A, length u16, arrival monotonic ns i64, arrival UTC ns i64, body, CRC-32 over all
before it. A journal cut at any byte loses the cut record alone; damage in the middle is skipped to the next
marker whose record checks out, and counted.
"""

import contextlib
import os
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path

from recorder.durable import write_all

_MARKER = b"\xa5\x5a"
_HEAD = struct.Struct("<2sHqq")
_CRC = struct.Struct("<I")


@dataclass(frozen=True, slots=True)
class Arrival:
    """A frame body and when it arrived: host monotonic clock and UTC, both in ns."""

    body: bytes
    monotonic_ns: int
    utc_ns: int


@dataclass(frozen=True, slots=True)
class JournalContent:
    """What a journal holds; ``lost_bytes`` are those that belong to no intact record."""

    arrivals: list[Arrival]
    lost_bytes: int


def encode_record(arrival: Arrival) -> bytes:
    """Return one journal record."""
    head = _HEAD.pack(_MARKER, len(arrival.body), arrival.monotonic_ns, arrival.utc_ns)
    record = head + arrival.body
    return record + _CRC.pack(zlib.crc32(record))


def decode_journal(data: bytes) -> JournalContent:
    """Read every intact record of a journal."""
    arrivals: list[Arrival] = []
    lost = position = 0
    while position < len(data):
        end = _record_end(data, position)
        if end is None:
            following = data.find(_MARKER, position + 1)
            following = len(data) if following < 0 else following
            lost += following - position
            position = following
            continue
        _, _, monotonic_ns, utc_ns = _HEAD.unpack_from(data, position)
        arrivals.append(Arrival(data[position + _HEAD.size : end - _CRC.size], monotonic_ns, utc_ns))
        position = end
    return JournalContent(arrivals, lost)


def _record_end(data: bytes, start: int) -> int | None:
    if start + _HEAD.size > len(data):
        return None
    marker, length, _, _ = _HEAD.unpack_from(data, start)
    end = start + _HEAD.size + length + _CRC.size
    if marker != _MARKER or end > len(data):
        return None
    checked = data[start : end - _CRC.size]
    return end if zlib.crc32(checked) == _CRC.unpack_from(data, end - _CRC.size)[0] else None


def read_journal(path: Path) -> JournalContent:
    """Read a journal file."""
    return decode_journal(path.read_bytes())


class JournalWriter:
    """Appends records; what ``append`` returned from survives the process, what ``force`` did survives a power cut.

    ``size`` counts the bytes appended.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("ab", buffering=0)
        self._dirty = False
        self.size = 0

    def append(self, arrival: Arrival) -> None:
        """Hand a record to the system, so that a reader of the file sees it at once."""
        record = encode_record(arrival)
        self._dirty = True
        write_all(self._file.fileno(), record)
        self.size += len(record)

    def force(self) -> None:
        """Put all that was appended on the disk."""
        if self._dirty:
            self._dirty = False
            try:
                os.fsync(self._file.fileno())
            except OSError:
                self._dirty = True
                raise

    def close(self) -> None:
        """Force and close; a full disk keeps what it had taken."""
        with contextlib.suppress(OSError):
            self.force()
        with contextlib.suppress(OSError):
            self._file.close()
