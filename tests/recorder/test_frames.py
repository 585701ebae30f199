"""Frames, COBS and CRC-32."""

import contextlib
import zlib

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from recorder.errors import FrameError
from recorder.frames import (
    LONGEST,
    TICK_END_US,
    Deframer,
    DescriptionBuffer,
    Frame,
    FrameType,
    decode_body,
    description_frames,
    encode_body,
    to_line,
)
from tests.reference import table

frames = st.builds(
    Frame,
    st.sampled_from(FrameType),
    st.integers(0, 0xFFFF),
    st.integers(0, 0xFF),
    st.integers(0, 0xFF),
    st.integers(0, 0xFFFF),
    st.integers(0, 0xFFFFFFFF),
    st.integers(0, TICK_END_US - 1),
    st.binary(max_size=600),
)


def test_checksum_is_the_catalogues_crc_32_iso_hdlc():
    """CRC catalogue: CRC-32/ISO-HDLC of "123456789" is 0xCBF43926 (computed with crccheck 1.3.1 and fastcrc 0.5.0)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    body = encode_body(Frame(FrameType.END))
    assert int.from_bytes(body[-4:], "little") == zlib.crc32(body[:-4])


@pytest.mark.parametrize("row", table("cobs.csv"), ids=lambda row: row["raw"] or "empty")
def test_line_encoding_is_the_papers(row: dict[str, str]):
    assert to_line(bytes.fromhex(row["raw"])) == bytes.fromhex(row["encoded"]) + b"\x00"


@pytest.mark.parametrize(
    ("raw", "encoded"),
    [
        (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
        (bytes(range(255)), b"\x01\xff" + bytes(range(1, 255))),
        (bytes(range(1, 256)), b"\xff" + bytes(range(1, 255)) + b"\x02\xff"),
        (bytes(range(2, 256)) + b"\x00", b"\xff" + bytes(range(2, 256)) + b"\x01\x01"),
        (bytes(range(3, 256)) + b"\x00\x01", b"\xfe" + bytes(range(3, 256)) + b"\x02\x01"),
    ],
)
def test_line_encoding_at_the_254_byte_edge(raw: bytes, encoded: bytes):
    """Edges of Cheshire & Baker's blocks; computed with cobs 1.2.2."""
    assert to_line(raw) == encoded + b"\x00"


@given(frames)
def test_a_body_comes_back_as_the_frame_it_was(frame: Frame):
    assert decode_body(encode_body(frame)) == frame


@given(st.binary(max_size=LONGEST + 10))
def test_any_bytes_decode_or_are_refused(data: bytes):
    with contextlib.suppress(FrameError):
        assert encode_body(decode_body(data)) == data


@given(st.lists(frames, max_size=5), st.data())
def test_a_stream_cut_anywhere_gives_the_same_frames(sent: list[Frame], data: st.DataObject):
    line = b"".join(to_line(encode_body(frame)) for frame in sent)
    deframer, got, position = Deframer(), [], 0
    while position < len(line):
        step = data.draw(st.integers(1, 400))
        got += deframer.feed(line[position : position + step])
        position += step
    assert [decode_body(body) for body in got] == sent
    assert deframer.refused == {}


@given(st.lists(st.binary(max_size=300), max_size=6), frames)
def test_rubbish_before_a_frame_costs_nothing_but_itself(rubbish: list[bytes], frame: Frame):
    deframer = Deframer()
    for piece in rubbish:
        deframer.feed(piece + b"\x00")
    assert deframer.feed(to_line(encode_body(frame))) == [encode_body(frame)]


def test_a_flipped_bit_is_refused_by_its_reason():
    body = bytearray(encode_body(Frame(FrameType.SAMPLES, payload=b"abcd")))
    body[22] ^= 1
    deframer = Deframer()
    assert deframer.feed(cobs.encode(bytes(body)) + b"\x00") == []
    assert deframer.refused == {"checksum": 1}


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"", "length 0"),
        (bytes(23), "length 23"),
        (bytes(LONGEST + 1), f"length {LONGEST + 1}"),
        (bytes(24), "checksum"),
    ],
)
def test_a_refusal_names_its_reason(body: bytes, reason: str):
    with pytest.raises(FrameError, match=reason):
        decode_body(body)


def test_a_foreign_version_and_type_are_refused():
    whole = encode_body(Frame(FrameType.END))
    for index, reason in ((0, "version 9"), (1, "type 9")):
        changed = bytearray(whole[:-4])
        changed[index] = 9
        with pytest.raises(FrameError, match=reason):
            decode_body(bytes(changed) + zlib.crc32(bytes(changed)).to_bytes(4, "little"))


def test_a_clock_that_no_date_holds_is_refused():
    with pytest.raises(FrameError, match="tick 4503599627370496"):
        decode_body(encode_body(Frame(FrameType.SAMPLES, tick_us=TICK_END_US)))


@given(st.binary(min_size=1, max_size=3000), st.integers(20, 500), st.randoms())
def test_description_fragments_come_together_in_any_order(text: bytes, room: int, random):
    fragments = description_frames(text, 3, 7, 0, room)
    assert all(len(fragment.payload) <= room for fragment in fragments)
    random.shuffle(fragments)
    buffer = DescriptionBuffer()
    assert [whole for fragment in fragments if (whole := buffer.add(fragment)) is not None] == [text]
