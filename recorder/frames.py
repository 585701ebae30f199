"""The frame body and its serial framing: bytes to Frame and back; refuses, never guesses.

Body, little endian: version u8, type u8, boot u16, group u8, flags u8, count u16, seq u32, tick u64 (us), payload,
CRC-32 (IEEE 802.3, ISO-HDLC in the CRC catalogue) over all before it. On a serial line a body is COBS encoded
(Cheshire & Baker 1999) and delimited by 0x00.
"""

import struct
import zlib
from dataclasses import dataclass, field
from enum import IntEnum

from cobs import cobs

from recorder.errors import FrameError

VERSION = 1
_HEADER = struct.Struct("<BBHBBHIQ")
_CRC = struct.Struct("<I")
_FRAGMENT = struct.Struct("<HHH")
SHORTEST = _HEADER.size + _CRC.size
LONGEST = 4096
FLAG_RESENT = 0x01
TICK_END_US = 2**52
"""Clocks of 142 years and more are refused: their nanoseconds no longer fit beside a date."""


class FrameType(IntEnum):
    """What a frame is; 1-15 from node to host, 16-31 from host to node."""

    DESCRIBE = 1
    SAMPLES = 2
    HEALTH = 3
    ECHO = 4
    END = 5
    HELLO = 16
    RESEND = 17
    ECHO_REQUEST = 18
    STOP = 19


_TYPES = {kind.value: kind for kind in FrameType}


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame body.

    ``boot`` is drawn anew at each node start; ``seq`` counts the sample frames of a group since then; ``tick_us`` is
    the node's clock at the last sample.
    """

    type: FrameType
    boot: int = 0
    group: int = 0
    flags: int = 0
    count: int = 0
    seq: int = 0
    tick_us: int = 0
    payload: bytes = b""


def encode_body(frame: Frame) -> bytes:
    """Return the frame's bytes with their CRC; raises FrameError where they are more than a frame holds."""
    head = _HEADER.pack(
        VERSION, frame.type, frame.boot, frame.group, frame.flags, frame.count, frame.seq, frame.tick_us
    )
    body = head + frame.payload
    if len(body) + _CRC.size > LONGEST:
        raise FrameError(f"a frame of {len(body) + _CRC.size} bytes is longer than {LONGEST}")
    return body + _CRC.pack(zlib.crc32(body))


def decode_body(body: bytes) -> Frame:
    """Read a frame body.

    Raises
    ------
    FrameError
        On a wrong length, checksum, version, type or tick.
    """
    _check(body)
    _, kind, boot, group, flags, count, seq, tick_us = _HEADER.unpack_from(body)
    payload = body[_HEADER.size : -_CRC.size]
    return Frame(_TYPES[kind], boot, group, flags, count, seq, tick_us, payload)


def _check(body: bytes) -> None:
    if not SHORTEST <= len(body) <= LONGEST:
        raise FrameError(f"length {len(body)}")
    if zlib.crc32(body[: -_CRC.size]) != _CRC.unpack(body[-_CRC.size :])[0]:
        raise FrameError("checksum")
    version, kind, _, _, _, _, _, tick_us = _HEADER.unpack_from(body)
    if version != VERSION:
        raise FrameError(f"version {version}")
    if kind not in _TYPES:
        raise FrameError(f"type {kind}")
    if tick_us >= TICK_END_US:
        raise FrameError(f"tick {tick_us}")


def type_of(body: bytes) -> int:
    """The type of an intact body, without reading the rest."""
    return body[1]


def to_line(body: bytes) -> bytes:
    """Return a body as it travels on a serial line."""
    return cobs.encode(body) + b"\x00"  # pyright: ignore[reportUnknownMemberType]


@dataclass(slots=True)
class Deframer:
    """Cuts a serial byte stream into frame bodies; keeps the unfinished rest.

    ``refused`` counts what was thrown away, by reason.
    """

    refused: dict[str, int] = field(default_factory=dict[str, int])
    _rest: bytes = b""
    _overlong: bool = False

    def feed(self, data: bytes) -> list[bytes]:
        """Return the intact bodies that ``data`` completes."""
        pieces = (self._rest + data).split(b"\x00")
        self._rest = pieces.pop()
        bodies: list[bytes] = []
        for piece in pieces:
            if self._overlong:
                self._overlong = False
                self._refuse("length")
            elif piece:
                self._take(piece, bodies)
        if len(self._rest) > 2 * LONGEST:
            self._overlong, self._rest = True, b""
        return bodies

    def _take(self, piece: bytes, bodies: list[bytes]) -> None:
        try:
            body = cobs.decode(piece)  # pyright: ignore[reportUnknownMemberType]
            _check(body)
        except cobs.DecodeError:
            self._refuse("framing")
        except FrameError as reason:
            self._refuse(str(reason).split(" ", maxsplit=1)[0])
        else:
            bodies.append(body)

    def _refuse(self, reason: str) -> None:
        self.refused[reason] = self.refused.get(reason, 0) + 1


def description_frames(description: bytes, revision: int, boot: int, tick_us: int, room: int) -> list[Frame]:
    """Cut a description into numbered fragments that fit ``room`` payload bytes each."""
    size = room - _FRAGMENT.size
    parts = [description[start : start + size] for start in range(0, len(description), size)]
    return [
        Frame(
            FrameType.DESCRIBE,
            boot,
            seq=index,
            tick_us=tick_us,
            payload=_FRAGMENT.pack(revision & 0xFFFF, index, len(parts)) + part,
        )
        for index, part in enumerate(parts)
    ]


@dataclass(slots=True)
class DescriptionBuffer:
    """Puts the fragments of a *describe* message together again."""

    _key: tuple[int, int, int] | None = None
    _parts: dict[int, bytes] = field(default_factory=dict[int, bytes])

    def add(self, frame: Frame) -> bytes | None:
        """Take a fragment; return the whole description once it is complete.

        Raises
        ------
        FrameError
            If the fragment contradicts itself.
        """
        if len(frame.payload) < _FRAGMENT.size:
            raise FrameError("describe fragment without its numbers")
        revision, index, total = _FRAGMENT.unpack_from(frame.payload)
        if not index < total:
            raise FrameError(f"describe fragment {index} of {total}")
        key = (frame.boot, revision, total)
        if key != self._key:
            self._key, self._parts = key, {}
        self._parts[index] = frame.payload[_FRAGMENT.size :]
        if len(self._parts) < total:
            return None
        return b"".join(self._parts[number] for number in range(total))
