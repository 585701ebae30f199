"""Makes firmware_notes/vectors.json: python -m tests.reference.make_vectors [FILE].

Encoded and decoded examples of every frame, and broken ones with what must be refused. The bytes are put together here
with ``struct`` and a bitwise CRC of its own, not by the recorder's encoder, so that a test can hold one against the
other.
"""

import json
import math
import struct
import sys
from pathlib import Path
from typing import Any

MISSING = -(2**31)
DESCRIPTION = {
    "id": "node-1",
    "firmware": "1.0",
    "revision": 3,
    "groups": [
        {
            "number": 0,
            "rate_hz": 10,
            "format": "int32",
            "channels": [
                {
                    "id": "low_side",
                    "unit": "kPa",
                    "reference": "vented_gauge",
                    "range_low": 0,
                    "range_high": 1000,
                    "accuracy": 10,
                    "scale": 0.0001,
                    "raw_unit": "0.1 mV",
                    "serial_number": "LP-7",
                    "conversion": {"kind": "ratiometric", "low": 0, "high": 1000, "supply": "sensor_supply"},
                },
                {"id": "sensor_supply", "unit": "V", "scale": 0.001, "raw_unit": "mV"},
            ],
        },
        {
            "number": 1,
            "rate_hz": 2,
            "format": "float32",
            "channels": [{"id": "vent", "unit": "degC", "accuracy": 0.5, "serial_number": "PT-1"}],
        },
    ],
}


def crc32(data: bytes) -> int:
    """CRC-32/ISO-HDLC, bit by bit."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def cobs(body: bytes) -> bytes:
    """Consistent overhead byte stuffing (Cheshire & Baker 1999), with the delimiter."""
    out, block = bytearray(), bytearray()
    for index, byte in enumerate(body):
        if byte:
            block.append(byte)
        if not byte or (len(block) == 254 and index + 1 < len(body)):
            out += bytes([len(block) + 1]) + block
            block.clear()
    return bytes(out) + bytes([len(block) + 1]) + bytes(block) + b"\0"


def body_of(frame: dict[str, Any]) -> bytes:
    """Header, payload, CRC."""
    keys = ("boot", "group", "flags", "count", "seq", "tick_us")
    head = struct.pack("<BBHBBHIQ", frame.get("version", 1), frame["type"], *(frame[key] for key in keys))
    whole = head + bytes.fromhex(frame["payload"])
    return whole + struct.pack("<I", crc32(whole))


def frame(kind: int, payload: bytes = b"", **fields: int) -> dict[str, Any]:
    """A frame as the file states it."""
    empty = {"boot": 0, "group": 0, "flags": 0, "count": 0, "seq": 0, "tick_us": 0}
    return {"type": kind, **empty, **fields, "payload": payload.hex()}


def examples() -> list[dict[str, Any]]:
    """Every type of frame, with what its payload says."""
    text = json.dumps(DESCRIPTION, separators=(",", ":")).encode()
    size = 200 - 24 - 6
    parts = [text[i : i + size] for i in range(0, len(text), size)]
    boot = {"boot": 0xBEEF}
    found = [
        {
            "says": f"describe, fragment {i} of {len(parts)}: what the node is, 200 bytes a body",
            "frame": frame(1, struct.pack("<HHH", 3, i, len(parts)) + part, seq=i, tick_us=1000 + i, **boot),
            "decoded": {"revision": 3, "index": i, "total": len(parts), "text": part.decode()},
        }
        for i, part in enumerate(parts)
    ]
    ints = [[22000, 4930], [22014, 4931], [MISSING, 4931]]
    packed = [value for row in ints for value in row]
    floats = [11.25, math.nan, -40.0]
    health = {"supply_mv": 5012, "temperature_degc": -5.3, "dropped": 0, "uptime_s": 61}
    health_text = json.dumps(health, separators=(",", ":")).encode()
    found += [
        {
            "says": "samples of group 0: three rows of two int32 channels, the oldest first; one reading is missing",
            "frame": frame(2, struct.pack("<6i", *packed), count=3, seq=41, tick_us=12_400_000, **boot),
            "decoded": {"rows": [[None if v == MISSING else v for v in row] for row in ints]},
        },
        {
            "says": "the same frame, sent again on request: only the flag and the CRC differ",
            "frame": frame(2, struct.pack("<6i", *packed), count=3, seq=41, tick_us=12_400_000, flags=1, **boot),
            "decoded": {"rows": [[None if v == MISSING else v for v in row] for row in ints]},
        },
        {
            "says": "samples of group 1: three rows of one float32 channel; NaN is missing",
            "frame": frame(2, struct.pack("<3f", *floats), count=3, group=1, seq=7, tick_us=2**40 + 5, **boot),
            "decoded": {"rows": [[None if math.isnan(v) else v] for v in floats]},
        },
        {
            "says": "samples with the highest numbers that a header may hold",
            "frame": frame(
                2, struct.pack("<i", -1), boot=0xFFFF, group=255, count=1, seq=0xFFFFFFFF, tick_us=2**52 - 1
            ),
            "decoded": {"rows": [[-1]]},
        },
        {"says": "health", "frame": frame(3, health_text, tick_us=61_000_000, **boot), "decoded": health},
        {"says": "echo: the host's eight bytes", "frame": frame(4, bytes(range(8)), tick_us=61_000_250, **boot)},
        {"says": "end", "frame": frame(5, tick_us=61_000_300, **boot)},
        {"says": "from the host: hello", "frame": frame(16)},
        {"says": "from the host: send again all of group 0 from frame 41 on", "frame": frame(17, seq=41, **boot)},
        {"says": "from the host: send frames 41 to 43 again", "frame": frame(17, seq=41, count=3, **boot)},
        {"says": "from the host: echo request", "frame": frame(18, bytes(range(8)))},
        {"says": "from the host: stop", "frame": frame(19)},
    ]
    for example in found:
        body = body_of(example["frame"])
        example |= {"body": body.hex(), "line": cobs(body).hex()}
    return found


def broken() -> list[dict[str, Any]]:
    """Bytes that must be refused, and the word by which they are counted."""
    good = body_of(frame(5, boot=7, tick_us=99))
    flipped = bytes([*good[:12], good[12] ^ 1, *good[13:]])
    short = good[:10]
    made = [
        ("a bit of the tick was turned over", "checksum", flipped),
        ("the CRC is that of other bytes", "checksum", good[:-4] + bytes(4)),
        ("cut short", "length", short),
        ("nothing but a header and CRC-sized rest, one byte short", "length", good[:-1]),
        ("longer than 4096 bytes", "length", bytes(4097)),
        ("version 2", "version", body_of({**frame(5), "version": 2})),
        ("type 9 is nobody's", "type", body_of(frame(9))),
        ("a clock of 142 years", "tick", body_of(frame(5, tick_us=2**52))),
    ]
    lines = [{"says": says, "refused": word, "body": body.hex(), "line": cobs(body).hex()} for says, word, body in made]
    line = cobs(good)
    lines += [
        {"says": "a COBS code that points past the delimiter", "refused": "framing", "line": "ff0102" + "00"},
        {"says": "the last byte before the delimiter is lost", "refused": "framing", "line": (line[:-2] + b"\0").hex()},
    ]
    return lines


def mismatched() -> list[dict[str, Any]]:
    """Intact frames that contradict the description above: their samples are refused and counted."""
    made = [
        ("three rows are announced, two are there", frame(2, bytes(16), count=3, seq=1)),
        ("no row at all", frame(2, b"", count=0, seq=2)),
        ("a payload that is no whole number of values", frame(2, bytes(7), count=1, seq=3)),
    ]
    return [{"says": says, "frame": f, "body": body_of(f).hex()} for says, f in made]


def descriptions() -> list[dict[str, Any]]:
    """Descriptions that must be refused, with a word of the reason."""
    vent = {"id": "vent", "unit": "degC"}

    def node(*channels: dict[str, Any], **fields: Any) -> dict[str, Any]:
        group = {"number": 0, "rate_hz": 10, "format": "int32", "channels": list(channels)}
        return {"id": "n", "firmware": "1", "revision": 1, "groups": [group], **fields}

    couple = {**vent, "conversion": {"kind": "thermocouple", "type": "K", "cold_junction": "cold_junction"}}
    return [
        {"says": "a place that there is not", "reason": "names no place", "text": node({"id": "roof", "unit": "degC"})},
        {"says": "a unit that is not stored", "reason": "is stored in degC", "text": node({**vent, "unit": "degF"})},
        {
            "says": "a pressure without its zero",
            "reason": "needs a reference",
            "text": node({"id": "low_side", "unit": "kPa"}),
        },
        {"says": "one channel twice", "reason": "one twice", "text": node(vent, vent)},
        {"says": "an id that is no file name", "reason": "file name", "text": node(vent, id="my node")},
        {"says": "no cold junction beside it", "reason": "needs a temperature channel", "text": node(couple)},
        {"says": "an unknown key", "reason": "colour", "text": node({**vent, "colour": "red"})},
    ]


def conversions() -> list[dict[str, Any]]:
    """What the recorder makes of raw values: channels as described, raw rows, stored rows (null: missing)."""
    channels = DESCRIPTION["groups"][0]["channels"]
    couple = [
        {
            "id": "vent",
            "unit": "degC",
            "conversion": {"kind": "thermocouple", "type": "K", "cold_junction": "cold_junction"},
        },
        {"id": "cold_junction", "unit": "degC", "scale": 0.01},
    ]
    return [
        {
            "says": "ratiometric 0.5-4.5 V, 0 to 1000 kPa, raw in 0.1 mV: 2.0 V at 4.9 V is 0.385204 of full scale",
            "channels": channels,
            "raw": [[20000, 4900], [25000, 5000], [2000, 5000], [48000, 5000], [25000, 0], [MISSING, 5000]],
            "stored": [[385.204, 4.9], [500.0, 5.0], [None, 5.0], [None, 5.0], [None, 0.0], [None, 5.0]],
            "within": 0.001,
        },
        {
            "says": "type K: 1.5172 mV over terminals at 23 degC is 60 degC; EMFs are added, never temperatures",
            "channels": couple,
            "raw": [[1517, 2300], [-1799, 3500], [1517, MISSING]],
            "stored": [[60.0, 23.0], [-10.0, 35.0], [None, None]],
            "within": 0.02,
        },
    ]


def vectors() -> dict[str, Any]:
    """The whole file."""
    return {
        "about": "Frames of a sensor node: see README.md. Bytes are hexadecimal; a line ends in its delimiter.",
        "description": DESCRIPTION,
        "frames": examples(),
        "broken": broken(),
        "mismatched": mismatched(),
        "descriptions": descriptions(),
        "conversions": conversions(),
    }


def text() -> str:
    """The file as it is written."""
    return json.dumps(vectors(), indent=1) + "\n"


if __name__ == "__main__":
    Path(sys.argv[1] if len(sys.argv) > 1 else "firmware_notes/vectors.json").write_text(text(), encoding="utf-8")
