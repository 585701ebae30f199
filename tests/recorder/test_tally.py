"""One account of a node's frames: what is new, twice, missing, sent again, and where the node began anew."""

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.clock import HostClock
from recorder.frames import FLAG_RESENT, Frame, FrameType, description_frames, encode_body
from recorder.journal import Arrival
from recorder.streams import assemble
from recorder.tally import NEWEST_MISSING, REMEMBERED, Tally
from tests.recorder.nodes import described, reading

NODE = described("n")


def frame(seq: int, boot: int = 1, flags: int = 0, value: int | None = None) -> Frame:
    """One frame of one row; its content follows from its number unless ``value`` says otherwise."""
    row = [int(reading(seq if value is None else value, c)) for c in range(3)]
    payload = np.array(row, "<i4").tobytes()
    return Frame(FrameType.SAMPLES, boot, 0, flags, 1, seq, (seq + 1) * 20_000, payload)


def account(frames: list[Frame]) -> tuple[Tally, list[int | None]]:
    """The account of frames in order of arrival."""
    tally = Tally.of(NODE)
    return tally, [tally.take(f) for f in frames]


@given(st.sets(st.integers(0, 60)), st.sets(st.integers(0, 60)), st.randoms(use_true_random=False))
def test_losses_duplicates_and_gaps_are_those_that_happened(lost: set[int], twice: set[int], shuffle: random.Random):
    lost -= {0, 60}
    sent = [seq for seq in range(61) if seq not in lost]
    arriving = [frame(seq) for seq in sent for _ in range(2 if seq in twice else 1)]
    tally, _ = account(arriving)
    stretches = sum(1 for seq in lost if seq - 1 not in lost)
    assert (tally.frames, tally.lost, tally.gaps) == (len(sent), len(lost), stretches)
    assert tally.duplicate == len(set(sent) & twice)
    shuffle.shuffle(arriving)
    late, _ = account(arriving)
    assert (late.frames, late.lost, late.gaps) == (len(sent), len(lost), stretches)


def test_a_missing_frame_that_is_sent_again_is_recovered_and_the_rest_of_the_resend_is_no_duplicate():
    tally, _ = account([frame(0), frame(3), *(frame(seq, flags=FLAG_RESENT) for seq in (1, 2, 3))])
    assert tally.counters() == {
        "frames": 4,
        "lost": 0,
        "gaps": 0,
        "duplicate": 0,
        "recovered": 2,
        "refused": 0,
        "boots": 1,
    }


def test_of_many_missing_stretches_the_newest_are_told_and_any_is_recovered():
    tally, _ = account([frame(3 * seq) for seq in range(401)])
    assert (tally.lost, tally.gaps) == (800, 400)
    assert tally.missing(1) == [(0, 3 * k + 1, 3 * k + 2) for k in range(400 - NEWEST_MISSING, 400)]
    for seq in (1, 2, 599, 598, 1199, 1198):
        assert tally.take(frame(seq, flags=FLAG_RESENT)) is not None
    assert (tally.lost, tally.gaps, tally.recovered) == (794, 397, 6)


def test_a_node_that_restarts_under_its_old_boot_number_loses_no_sample():
    """A node with a poor random generator: numbers and ticks begin again, only the readings differ."""
    before = [frame(seq) for seq in range(40)]
    after = [frame(seq, value=1000 + seq) for seq in range(40)]
    tally, segments = account([*before, *after])
    assert segments == [1] * 40 + [1 + 65_536] * 40
    assert (tally.frames, tally.duplicate, tally.segments) == (80, 0, 2)


def test_a_restart_long_after_is_found_although_nothing_is_remembered_of_the_first_frames():
    tally, segments = account([*(frame(seq) for seq in range(REMEMBERED + 50)), frame(0), frame(1)])
    assert segments[-2:] == [65_537, 65_537]
    assert tally.duplicate == 0


def test_what_was_missing_before_a_restart_stays_missing():
    tally, _ = account([frame(0), frame(5), frame(0, value=900), frame(1, value=901)])
    assert (tally.lost, tally.gaps, tally.segments) == (4, 1, 2)


def test_frames_of_an_undescribed_group_or_of_another_size_are_refused():
    wrong = frame(1)
    tally, _ = account(
        [
            frame(0),
            Frame(FrameType.SAMPLES, 1, 7, 0, 1, 1, 1, bytes(12)),
            Frame(FrameType.SAMPLES, 1, 0, 0, 2, 1, 1, wrong.payload),
            Frame(FrameType.SAMPLES, 1, 0, 0, 0, 1, 1, b""),
        ]
    )
    assert (tally.refused, tally.frames) == (3, 1)


def test_a_restarted_node_is_a_segment_of_its_own_in_the_rows():
    """Both starts number from 0; both are kept, each with its own clock."""
    described_frames = description_frames(NODE.to_json(), 1, 1, 0, 200)
    sent = [frame(seq) for seq in range(30)] + [frame(seq, value=500 + seq) for seq in range(30)]
    bodies = [encode_body(f) for f in [*described_frames, *sent]]
    arrivals = [Arrival(body, 10**9 + 20_000_000 * i, 10**18 + 20_000_000 * i) for i, body in enumerate(bodies)]
    content = assemble(arrivals, HostClock(10**9, 10**18))
    assert content is not None
    rows = content.streams[0]
    assert rows.height == 60
    assert rows["boot"].unique(maintain_order=True).to_list() == [1, 65_537]
    assert rows["raw_low_side"].to_list() == [int(reading(n, 0)) for n in [*range(30), *range(500, 530)]]
    seconds = rows["t"].to_physical().to_numpy() / 1e9
    assert np.all(np.diff(seconds) > 0)
    assert seconds[30] - seconds[29] == pytest.approx(0.02, abs=0.001)
