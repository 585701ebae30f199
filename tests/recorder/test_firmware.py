"""What firmware_notes says is what the recorder does: vectors, the C99 encoder byte for byte, a whole node in C."""

import asyncio
import json
import math
import os
import re
import struct
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder import gatt
from recorder.clock import HostClock
from recorder.errors import FrameError
from recorder.frames import (
    FLAG_RESENT,
    LONGEST,
    SHORTEST,
    TICK_END_US,
    Deframer,
    DescriptionBuffer,
    Frame,
    FrameType,
    decode_body,
    encode_body,
    to_line,
)
from recorder.jobsheet import JobSheet
from recorder.journal import Arrival
from recorder.links import link_to
from recorder.node import MISSING_INT32, channel_from, description_from, description_from_json
from recorder.places import PLACES, UNUSED
from recorder.readings import readings_of
from recorder.recording import open_recording
from recorder.sealing import seal
from recorder.sensors import KINDS
from recorder.session import Session
from recorder.store import RecordingStore
from recorder.streams import assemble
from tests.conftest import ROOT
from tests.reference import make_vectors

NOTES = ROOT / "firmware_notes"
VECTORS = json.loads((NOTES / "vectors.json").read_text(encoding="utf-8"))
FLAGS = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-fsanitize=undefined", "-fno-sanitize-recover=all"]
REASONS = {"length": 1, "checksum": 2, "version": 3}


def frame_of(values: dict[str, Any]) -> Frame:
    """A frame as the vectors state it."""
    numbers = (values[key] for key in ("boot", "group", "flags", "count", "seq", "tick_us"))
    return Frame(FrameType(values["type"]), *numbers, payload=bytes.fromhex(values["payload"]))


def named(vectors: list[dict[str, Any]]) -> Any:
    """A parametrisation by what each vector says."""
    return pytest.mark.parametrize("vector", vectors, ids=[vector["says"][:50] for vector in vectors])


def test_the_vectors_are_those_that_the_script_makes():
    assert (NOTES / "vectors.json").read_text(encoding="utf-8") == make_vectors.text()


@named(VECTORS["frames"])
def test_a_vector_is_what_the_recorder_writes_and_reads(vector: dict[str, Any]):
    frame, body = frame_of(vector["frame"]), bytes.fromhex(vector["body"])
    assert encode_body(frame) == body
    assert decode_body(body) == frame
    assert to_line(body).hex() == vector["line"]
    assert Deframer().feed(bytes.fromhex(vector["line"])) == [body]


@named([v for v in VECTORS["frames"] if "rows" in v.get("decoded", {})])
def test_the_samples_of_a_vector_are_the_rows_it_states(vector: dict[str, Any]):
    rows = vector["decoded"]["rows"]
    kind = "f" if vector["frame"]["group"] == 1 else "i"
    values = struct.unpack(f"<{len(rows) * len(rows[0])}{kind}", bytes.fromhex(vector["frame"]["payload"]))
    told = [None if v == MISSING_INT32 or math.isnan(v) else v for v in values]
    assert told == [value for row in rows for value in row]


def test_the_vectors_put_together_are_a_recording():
    """Every frame of the file as a node sent them: the description, then samples of both groups, one of them twice."""
    bodies = [bytes.fromhex(v["body"]) for v in VECTORS["frames"] if v["frame"]["type"] < 16]
    bodies += [bytes.fromhex(v["body"]) for v in VECTORS["mismatched"]]
    content = assemble([Arrival(body, 10**9 + i, 0) for i, body in enumerate(bodies)], HostClock(10**9, 10**18))
    assert content is not None
    assert content.description == description_from(VECTORS["description"])
    first, second = content.streams[0], content.streams[1]
    assert first["raw_low_side"].to_list() == [22000, 22014, None]
    assert first["tick_us"].to_list() == [12_200_000, 12_300_000, 12_400_000]
    assert second["vent"].to_list() == [11.25, None, -40.0]
    assert content.counters["duplicate"] == 0  # the frame that came twice says that it was sent again on request
    undescribed = sum(v["frame"]["type"] == 2 and v["frame"]["group"] == 255 for v in VECTORS["frames"])
    assert undescribed == 1
    assert content.counters["refused"] == len(VECTORS["mismatched"]) + undescribed


def test_the_fragments_of_the_vectors_are_the_description():
    buffer = DescriptionBuffer()
    fragments = [frame_of(v["frame"]) for v in VECTORS["frames"] if v["frame"]["type"] == FrameType.DESCRIBE]
    (whole,) = [found for fragment in fragments if (found := buffer.add(fragment)) is not None]
    assert json.loads(whole) == VECTORS["description"]


@named(VECTORS["broken"])
def test_a_broken_vector_is_refused_by_its_reason(vector: dict[str, Any]):
    deframer = Deframer()
    intact = VECTORS["frames"][0]
    got = deframer.feed(bytes.fromhex(vector["line"]) + bytes.fromhex(intact["line"]))
    assert got == [bytes.fromhex(intact["body"])], "the frame after it is not touched"
    assert len(vector.get("body", "")) > 2 * LONGEST or deframer.refused == {vector["refused"]: 1}
    if "body" in vector:
        with pytest.raises(FrameError, match=vector["refused"]):
            decode_body(bytes.fromhex(vector["body"]))


@named(VECTORS["descriptions"])
def test_a_description_that_must_be_refused_is(vector: dict[str, Any]):
    with pytest.raises(FrameError, match=vector["reason"]):
        description_from_json(json.dumps(vector["text"]).encode())


@named(VECTORS["conversions"])
def test_raw_values_become_what_the_vectors_state(vector: dict[str, Any]):
    channels = tuple(channel_from(values) for values in vector["channels"])
    raw = np.array(vector["raw"], np.int32)
    stored = readings_of(channels, {c.id: raw[:, i] for i, c in enumerate(channels)}).values
    expected = np.array(vector["stored"], np.float64)
    for i, channel in enumerate(channels):
        assert stored[channel.id] == pytest.approx(expected[:, i], abs=vector["within"], nan_ok=True)


class Encoder:
    """``encoder.h`` behind its harness, a question and an answer a line."""

    def __init__(self, program: Path) -> None:
        self._process = subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def ask(self, *words: object) -> list[str]:
        """Answer to a request, in words."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(" ".join(map(str, words)) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        assert line, "the harness died: undefined behaviour, or a request that it does not know"
        return line.split()

    def bodies(self, *words: object) -> list[bytes]:
        """Bodies that a request makes, each held against its own line first."""
        answer = self.ask(*words)
        pairs = [
            (bytes.fromhex(b), bytes.fromhex(li)) for b, li in zip(answer[::2], answer[1::2], strict=True) if b != "-"
        ]
        for body, line in pairs:
            assert line == to_line(body)
        return [body for body, _ in pairs]

    def end(self) -> None:
        """Close; a sanitizer's complaint is an exit status."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        assert self._process.wait(10) == 0


def compiled(source: Path, program: Path, *more: str) -> Path:
    """Compile with every warning an error."""
    done = subprocess.run(
        ["gcc", *FLAGS, f"-I{NOTES}", str(source), "-o", str(program), *more],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return program


@pytest.fixture(scope="module")
def encoder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Encoder]:
    """The compiled encoder."""
    started = Encoder(compiled(ROOT / "tests/recorder/encoder_harness.c", tmp_path_factory.mktemp("c") / "harness"))
    yield started
    started.end()


u8, u16, u32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
u64 = st.integers(0, TICK_END_US - 1)
gcc = pytest.mark.debian("gcc")


def hexed(data: bytes) -> str:
    """Hexadecimal, or a dash for nothing."""
    return data.hex() or "-"


@gcc
@given(st.sampled_from("IF"), u16, u8, u8, u32, u64, st.integers(1, 20), st.integers(1, 40), st.data())
@settings(max_examples=150)
def test_samples_are_the_recorders_byte_for_byte(
    encoder: Encoder,
    form: str,
    boot: int,
    group: int,
    flags: int,
    seq: int,
    tick: int,
    channels: int,
    rows: int,
    data: Any,
):
    """Random frames of any header and any values, zeros and 0xFF blocks among them."""
    payload = data.draw(
        st.binary(min_size=4 * channels * rows, max_size=4 * channels * rows)
        | st.just(bytes(4 * channels * rows))
        | st.just(b"\x01" * (4 * channels * rows))
    )
    made = encoder.bodies(form, boot, group, flags, seq, tick, channels, rows, LONGEST, payload.hex())
    assert made == [encode_body(Frame(FrameType.SAMPLES, boot, group, flags, rows, seq, tick, payload))]


@gcc
@given(u16, u64, u16, st.integers(24, 600), st.binary(min_size=1, max_size=3000))
@settings(max_examples=100)
def test_a_description_is_cut_into_fragments_that_come_together(
    encoder: Encoder, boot: int, tick: int, revision: int, room: int, text: bytes
):
    made = encoder.bodies("D", boot, tick, revision, room, text.hex())
    if room <= SHORTEST + 6:
        assert made == []
        return
    assert all(len(body) <= room for body in made)
    buffer = DescriptionBuffer()
    assert [whole for body in made if (whole := buffer.add(decode_body(body))) is not None] == [text]


@gcc
@given(u16, u64, u16, st.integers(-32768, 32767), u32, u32)
@settings(max_examples=60)
def test_health_is_the_json_that_the_recorder_reads(
    encoder: Encoder, boot: int, tick: int, mv: int, tenths: int, dropped: int, uptime: int
):
    (body,) = encoder.bodies("H", boot, tick, mv, tenths, dropped, uptime)
    frame = decode_body(body)
    assert (frame.type, frame.boot, frame.tick_us) == (FrameType.HEALTH, boot, tick)
    expected = {"supply_mv": mv, "temperature_degc": tenths / 10, "dropped": dropped, "uptime_s": uptime}
    assert json.loads(frame.payload) == expected


@gcc
@given(u16, u64, st.binary(min_size=8, max_size=8))
@settings(max_examples=40)
def test_echo_and_end_are_the_recorders_byte_for_byte(encoder: Encoder, boot: int, tick: int, question: bytes):
    assert encoder.bodies("E", boot, tick, question.hex()) == [
        encode_body(Frame(FrameType.ECHO, boot, tick_us=tick, payload=question))
    ]
    assert encoder.bodies("Z", boot, tick) == [encode_body(Frame(FrameType.END, boot, tick_us=tick))]


@gcc
def test_the_encoder_makes_the_vectors_and_refuses_the_broken_ones(encoder: Encoder):
    for vector in VECTORS["frames"]:
        f = vector["frame"]
        assert encoder.ask("R", vector["body"]) == [
            *(str(f[key]) for key in ("type", "boot", "group", "flags", "count", "seq", "tick_us")),
            f["payload"] or "-",
        ]
        if f["type"] == FrameType.SAMPLES:
            width = len(vector["decoded"]["rows"][0])
            form = "F" if f["group"] == 1 else "I"
            head = (f["boot"], f["group"], f["flags"], f["seq"], f["tick_us"], width, f["count"], LONGEST)
            assert encoder.bodies(form, *head, f["payload"]) == [bytes.fromhex(vector["body"])]
    for vector in VECTORS["broken"]:
        if "body" in vector and vector["refused"] in REASONS:
            assert encoder.ask("R", vector["body"]) == ["refused", str(REASONS[vector["refused"]])]


@gcc
def test_what_does_not_fit_is_not_written(encoder: Encoder):
    """No room, no row, or longer than a frame may be: nothing comes out, and the sanitizer has nothing to say."""
    sixteen = "00" * 16
    assert encoder.bodies("I", 1, 0, 0, 0, 0, 2, 2, 39, sixteen) == []
    assert len(encoder.bodies("I", 1, 0, 0, 0, 0, 2, 2, 40, sixteen)[0]) == 40
    assert encoder.bodies("I", 1, 0, 0, 0, 0, 2, 0, LONGEST, "-") == []
    assert len(encoder.bodies("I", 1, 0, 0, 0, 0, 1, 1018, LONGEST, "00" * 4072)[0]) == LONGEST
    assert encoder.bodies("I", 1, 0, 0, 0, 0, 1, 1019, LONGEST + 64, "00" * 4076) == []


requests = st.builds(
    Frame,
    st.sampled_from([FrameType.HELLO, FrameType.RESEND, FrameType.ECHO_REQUEST, FrameType.STOP]),
    u16,
    u8,
    u8,
    u16,
    u32,
    u64,
    st.binary(max_size=40),
)


@gcc
@given(st.lists(requests | st.binary(max_size=200), max_size=8))
@settings(max_examples=150)
def test_the_receiver_finds_every_request_of_a_host_between_any_rubbish(encoder: Encoder, sent: list[Frame | bytes]):
    """Its bodies are those that the recorder's own deframer takes out of the same bytes, and none that is broken."""
    pieces = [to_line(encode_body(item)) if isinstance(item, Frame) else item + b"\x00" for item in sent]
    line = b"".join(pieces)
    own = Deframer().feed(line)
    found = [bytes.fromhex(word) for word in encoder.ask("L", hexed(line))]
    intact = [body for body in found if encoder.ask("R", body.hex())[0] != "refused"]
    assert intact == [body for body in own if len(body) <= 64]
    assert [decode_body(body) for body in intact if body in own] == [item for item in sent if isinstance(item, Frame)]


@gcc
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
@pytest.mark.parametrize("leave_out", [0, 4])
def test_a_node_in_c_is_recorded_over_a_real_line(leave_out: int, tmp_path: Path):
    """firmware_notes/example_node.c, compiled and recorded: described, converted, missing where it said so.

    Where it leaves out every fourth frame at first, the host asks for them and nothing is lost.
    """
    import tty  # not on every system

    program = compiled(NOTES / "example_node.c", tmp_path / "node", "-lm")
    near, far = os.openpty()
    tty.setraw(far)
    node = subprocess.Popen([program, str(leave_out)], stdin=near, stdout=near)
    try:
        store = RecordingStore(tmp_path / "out", JobSheet(), HostClock.start())
        session = Session(store, [link_to(os.ttyname(far))])
        asyncio.run(session.run(2.5))
    finally:
        node.kill()
        node.wait()
        os.close(near)
        os.close(far)
    seal(store.folder, "test")
    (stream,) = open_recording(store.folder).streams
    assert stream.id == "example-c"
    assert stream.data.height > 80
    counters = open_recording(store.folder).nodes[0]["counters"]
    assert (counters["lost"], counters["duplicate"], counters["refused"]) == (0, 0, 0)
    assert (counters["recovered"] > 3) is (leave_out > 0)
    expected = 250.0 + 150.0 * np.sin(stream.data["tick_us"].to_numpy() / 1e6)
    assert stream.data["low_side"].to_numpy() == pytest.approx(expected, abs=0.02)
    seconds = stream.data["tick_us"].to_numpy() // 1_000_000
    assert np.array_equal(stream.data["vent"].is_null().to_numpy(), seconds % 7 == 6)


@gcc
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
def test_what_the_node_in_c_keeps_is_what_it_sent(tmp_path: Path):
    """Asked for everything while its ring (made short) is full: the frame that is being filled is not among it."""
    import tty  # not on every system

    short = tmp_path / "short.c"
    short.write_text((NOTES / "example_node.c").read_text(encoding="utf-8").replace("KEPT = 64", "KEPT = 4"))
    near, far = os.openpty()
    tty.setraw(far)
    node = subprocess.Popen([compiled(short, tmp_path / "node", "-lm", f"-I{NOTES}")], stdin=near, stdout=near)
    try:
        deframer, first, again = Deframer(), dict[int, Frame](), 0
        os.write(far, to_line(encode_body(Frame(FrameType.HELLO))))
        while max(first, default=0) < 12:
            for frame in map(decode_body, deframer.feed(os.read(far, 4096))):
                if frame.type is FrameType.SAMPLES and frame.flags & FLAG_RESENT:
                    again += 1
                    assert replace(frame, flags=0) == first.get(frame.seq)
                elif frame.type is FrameType.SAMPLES:
                    first[frame.seq] = frame
                if frame.type is FrameType.SAMPLES and max(first) > 3:  # again and again, so at every row
                    wanted = Frame(FrameType.RESEND, frame.boot, frame.group, count=2, seq=max(first) - 3)
                    os.write(far, to_line(encode_body(wanted)))
    finally:
        node.kill()
        node.communicate()
        os.close(near)
        os.close(far)
    assert again > 5


def test_the_gatt_table_is_the_recorders():
    text = (NOTES / "README.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| ([a-z, ]+) \| `([0-9a-f-]{36})` \|", text, re.MULTILINE))
    assert rows == {
        "service, advertised": gatt.NODE_SERVICE,
        "from the node": gatt.FROM_NODE,
        "to the node": gatt.TO_NODE,
    }


def test_the_encoder_is_short_and_allocates_nothing():
    text = (NOTES / "encoder.h").read_text(encoding="utf-8")
    assert text.count("\n") < 300
    assert not re.search(r"\b(malloc|calloc|realloc|free|alloca)\b", text)


def test_the_notes_name_every_type_key_place_and_kind():
    """Nothing that the recorder understands is missing from the text, so that nobody has to read the source."""
    text = (NOTES / "README.md").read_text(encoding="utf-8")
    # What is in use is told at the board; no node sends that.
    sent = [place for place in PLACES if not place.startswith(UNUSED)]
    words = {f"`{place}`" for place in sent} | {f"`{kind}`" for kind in KINDS}
    for kind in KINDS.values():
        words |= {f"`{field.name}`" for field in fields(kind) if field.name != "kind"}
    channel = channel_from({"id": "vent", "unit": "degC"})
    words |= {f"`{field.name}`" for field in fields(channel)}
    words |= {f"`{name}`" for name in ("supply_mv", "temperature_degc", "dropped", "uptime_s", "rate_hz", "format")}
    assert not {word for word in words if word not in text}
    for kind in FrameType:
        name = "echo request" if kind is FrameType.ECHO_REQUEST else kind.name.lower()
        assert re.search(rf"^\| {kind.value} \| \*{name}\*", text, re.MULTILINE), name
    for caution in ("Orange cables", "fused", "pedals", "passenger", "licensed practice", "pressure"):
        assert caution in text


@pytest.mark.skipif(sys.platform == "win32", reason="paths")
def test_the_notes_stand_alone():
    """Everything that the text points to lies in the folder itself, or is a command."""
    text = (NOTES / "README.md").read_text(encoding="utf-8")
    for link in re.findall(r"\]\((?!https?:|#)([^)]+)\)", text):
        assert (NOTES / link).exists(), link
    assert "recorder/" not in text
