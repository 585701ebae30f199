"""Frames of one node put together: duplicates, losses, late arrivals and restarts are counted, no sample is made up."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.clock import HostClock
from recorder.frames import FLAG_RESENT, Frame, FrameType, description_frames, encode_body
from recorder.journal import Arrival
from recorder.node import MISSING_INT32, Channel, Group, NodeDescription
from recorder.sealing import write_parquet
from recorder.streams import assemble, with_parts

RATE_HZ = 10.0
CHANNELS = (
    Channel("low_side", "kPa", "vented_gauge", scale=0.1, offset=-20.0),
    Channel("vent", "degC", scale=0.01),
)
NODE = NodeDescription("n", "test", 1, (Group(0, RATE_HZ, "int32", CHANNELS),))


def sent(boot: int, seq: int, values: np.ndarray) -> Frame:
    """One frame of ``count`` rows; the tick is that of its last sample."""
    count = len(values)
    tick_us = round((seq * count + count) * 1e6 / RATE_HZ)
    return Frame(FrameType.SAMPLES, boot, count=count, seq=seq, tick_us=tick_us, payload=values.astype("<i4").tobytes())


def arrive(frames: list[Frame]) -> list[Arrival]:
    """Bodies in order of arrival, a millisecond apart."""
    described = description_frames(NODE.to_json(), 1, frames[0].boot if frames else 0, 0, 200)
    bodies = [encode_body(frame) for frame in [*described, *frames]]
    return [Arrival(body, 10**9 + 10**6 * i, 10**18 + 10**6 * i) for i, body in enumerate(bodies)]


@st.composite
def journeys(draw: st.DrawFn) -> tuple[list[Frame], dict[tuple[int, int], np.ndarray], list[int]]:
    """Frames as they arrive: some lost, some twice, some late, perhaps after a restart of the node."""
    boots = draw(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=3, unique=True))
    rows = draw(st.integers(1, 4))
    frames: list[Frame] = []
    truth: dict[tuple[int, int], np.ndarray] = {}
    for boot in boots:
        kept = draw(st.sets(st.integers(0, 30), min_size=1, max_size=20))
        own = []
        for seq in sorted(kept):
            values = np.array(draw(st.lists(st.integers(-900, 60_000), min_size=2 * rows, max_size=2 * rows)))
            truth[boot, seq] = values.reshape(rows, 2)
            own.append(sent(boot, seq, truth[boot, seq]))
        twice = draw(st.lists(st.sampled_from(own), max_size=4))
        own = draw(st.permutations([*own, *twice]))
        frames.extend(own)
    return frames, truth, boots


@given(journeys())
def test_every_sample_that_arrived_stands_once_and_what_is_lost_is_counted(journey):
    frames, truth, boots = journey
    content = assemble(arrive(frames), HostClock(10**9, 10**18))
    assert content is not None
    data = content.streams[0]
    expected = np.concatenate([truth[boot, seq] for boot in boots for seq in sorted(s for b, s in truth if b == boot)])
    assert data.height == len(expected)
    assert np.array_equal(data["raw_low_side"].to_numpy(), expected[:, 0])
    assert np.allclose(data["low_side"].to_numpy(), expected[:, 0] * 0.1 - 20.0, rtol=1e-6, atol=1e-3)
    assert np.allclose(data["vent"].to_numpy(), expected[:, 1] * 0.01, rtol=1e-6, atol=1e-5)
    lost = sum(max(own) - min(own) + 1 - len(own) for boot in boots if (own := [s for b, s in truth if b == boot]))
    assert content.counters["lost"] == lost
    assert content.counters["duplicate"] == len(frames) - len(truth)
    assert content.counters["boots"] == len(boots)


def test_rows_within_a_frame_are_spaced_by_the_rate():
    frame = sent(1, 0, np.arange(10).reshape(5, 2))
    content = assemble(arrive([frame]), HostClock(10**9, 10**18))
    assert content is not None
    assert content.streams[0]["tick_us"].to_list() == [100_000, 200_000, 300_000, 400_000, 500_000]


def test_a_missing_reading_is_null_in_both_columns():
    content = assemble(arrive([sent(1, 0, np.array([[MISSING_INT32, 5]]))]), HostClock(10**9, 10**18))
    assert content is not None
    row = content.streams[0].row(0, named=True)
    assert row["low_side"] is None
    assert row["raw_low_side"] is None
    assert row["raw_vent"] == 5


def test_a_payload_of_the_wrong_size_is_refused_and_counted():
    frame = Frame(FrameType.SAMPLES, 1, count=2, seq=0, tick_us=1, payload=bytes(12))
    good = sent(1, 1, np.array([[1, 2]]))
    content = assemble(arrive([frame, good]), HostClock(10**9, 10**18))
    assert content is not None
    assert content.counters["refused"] == 1
    assert content.streams[0].height == 1


def test_frames_that_nobody_described_are_not_guessed_at():
    body = encode_body(sent(1, 0, np.array([[1, 2]])))
    assert assemble([Arrival(body, 0, 0)], HostClock(0, 0)) is None


@pytest.mark.parametrize("resent", [set(), {3, 11, 19, 27}, set(range(1, 30))])
def test_frames_sent_again_say_nothing_of_the_clock(resent: set[int]):
    """Each frame 5 ms after its last row, except those that were asked for again: they come a second late."""
    frames = [sent(1, seq, np.full((2, 2), seq)) for seq in range(30)]
    frames = [replace(frame, flags=FLAG_RESENT if frame.seq in resent else 0) for frame in frames]
    at_ns = {f.seq: 1000 * f.tick_us + (10**9 if f.seq in resent else 5_000_000) for f in frames}
    arriving = sorted(frames, key=lambda frame: at_ns[frame.seq])
    described = arrive([])
    told = [Arrival(encode_body(f), 10**9 + at_ns[f.seq], 10**18 + at_ns[f.seq]) for f in arriving]
    content = assemble([*described, *told], HostClock(10**9, 10**18))
    assert content is not None
    assert content.streams[0].height == 60
    (fit,) = content.fits
    assert fit.frames == 30 - len(resent)
    assert fit.residual_s < 1e-6
    error_s = (
        content.streams[0]["t"].cast(pl.Int64).to_numpy() - 10**18 - 1000 * content.streams[0]["tick_us"].to_numpy()
    )
    assert np.abs(error_s - 5_000_000).max() < 1000


def test_a_segment_of_frames_sent_again_alone_is_timed_by_them():
    frames = [replace(sent(1, seq, np.full((2, 2), seq)), flags=FLAG_RESENT) for seq in range(5)]
    content = assemble(arrive(frames), HostClock(10**9, 10**18))
    assert content is not None
    assert content.streams[0].height == 10
    assert content.fits[0].frames == 5


@pytest.fixture
def in_parts(tmp_path: Path) -> tuple[pl.DataFrame, Path]:
    """Sixty rows, and a folder that holds them in six parts."""
    content = assemble(arrive([sent(1, seq, np.full((2, 2), seq)) for seq in range(30)]), HostClock(10**9, 10**18))
    assert content is not None
    parts = tmp_path / "n"
    parts.mkdir()
    for number in range(6):
        write_parquet(parts / f"part-{number + 1:05d}.parquet", content.streams[0][10 * number : 10 * number + 10])
    return content.streams[0], parts


@pytest.mark.parametrize("kept", [slice(0, 60), slice(0, 33), slice(20, 44), slice(0, 0)])
def test_parts_give_back_what_a_damaged_journal_lost(kept: slice, in_parts: tuple[pl.DataFrame, Path]):
    rows, parts = in_parts
    whole, damage = with_parts(rows[kept], parts)
    assert damage == []
    assert whole.equals(rows)


def test_a_damaged_part_is_named_and_costs_only_what_nothing_else_holds(in_parts: tuple[pl.DataFrame, Path]):
    rows, parts = in_parts
    (parts / "part-00003.parquet").write_bytes(b"PAR1 no more")
    named = ["n/part-00003.parquet cannot be read and is left out"]
    whole, damage = with_parts(rows, parts)
    assert (whole.equals(rows), damage) == (True, named)
    whole, damage = with_parts(rows[:25], parts)
    assert (whole.equals(pl.concat([rows[:25], rows[30:]])), damage) == (True, named)
