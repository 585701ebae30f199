"""Following a recording under way: nothing is lost, nothing is invented, losses are told."""

import asyncio
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.page import feed
from analysis.page.desk import Desk
from analysis.page.feed import Follower
from analysis.page.live import LiveRecording
from analysis.page.shelf import Shelf
from analysis.page.tail import JournalTail
from recorder.frames import Frame, FrameType
from recorder.journal import Arrival, encode_record
from tests.page.made import Making

PLACES = ("low_side", "high_side", "suction_line", "liquid_line", "vent", "ambient", "clutch")


@given(st.lists(st.binary(max_size=60), min_size=1, max_size=12), st.data())
@settings(max_examples=60, deadline=None)
def test_a_journal_read_while_it_grows_at_any_byte_yields_every_record_once(bodies: list[bytes], data: st.DataObject):
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "node.journal"
        whole = b"".join(encode_record(Arrival(body, i, i)) for i, body in enumerate(bodies))
        path.write_bytes(b"")
        tail, found, at = JournalTail(path), [], 0
        while at < len(whole):
            step = data.draw(st.integers(1, len(whole) - at))
            with path.open("ab") as file:
                file.write(whole[at : at + step])
            at += step
            found += tail.news()
        assert [arrival.body for arrival in found] == bodies


def test_the_latest_values_are_the_last_row_and_the_strips_hold_minimum_and_maximum(under_way: Making):
    made = under_way(PLACES, rate_hz=10.0)
    live = LiveRecording(made.folder)
    assert not live.look()
    rows = np.tile([200.0, 1400.0, 10.0, 45.0, 8.0, 30.0, 13.5], (30, 1))
    rows[13, 1] = 2750.0
    rows[17, 4] = np.nan
    made.send(rows)
    assert live.look()
    assert live.latest["high_side"][1] == 1400.0
    assert live.now_s == pytest.approx(2.9)
    assert [0, 1400.0, 1400.0] in live.lines["high_side"].whole()
    assert [1, 1400.0, 2750.0] in live.lines["high_side"].whole(), "a one-sample spike stays on the strip"
    assert {"evaporating", "condensing", "superheat", "subcooling"} <= set(live.lines)
    assert not live.look(), "nothing new"


def test_a_page_that_opens_late_sees_what_one_that_was_there_sees(under_way: Making):
    made = under_way(PLACES)
    early = LiveRecording(made.folder)
    rng = np.random.default_rng(3)
    for _ in range(40):
        made.send(rng.uniform(5.0, 60.0, (30, len(PLACES))))
        early.look()
    late = LiveRecording(made.folder)
    while late.look():
        pass
    assert late.now_s == early.now_s == 1199.0
    for place in (*PLACES, "evaporating", "condensing", "superheat", "subcooling"):
        assert late.strips()[place] == early.strips()[place], place
        assert min(late.lines[place].buckets) >= 1199 - 601, "ten minutes, not the whole drive"


def test_lost_frames_restarts_and_silence_are_counted(under_way: Making):
    made = under_way(PLACES)
    live = LiveRecording(made.folder)
    rows = np.ones((5, len(PLACES)))
    made.send(rows)
    made.seq += 3
    made.tick_us += 9_000_000
    made.send(rows)
    live.look()
    (node,) = live.state()["nodes"]
    assert node["lost"] == 3
    assert node["silences"] == 1
    made.seq, made.tick_us = 0, made.tick_us + 1_000_000
    made.send(rows, boot=8)
    live.look()
    (node,) = live.state()["nodes"]
    assert node["restarts"] == 1
    assert live.now_s == pytest.approx(made.tick_us / 1e6 - 1.0), "the drive's seconds go on over a restart"


def test_a_resent_frame_fills_its_hole(under_way: Making):
    made = under_way(PLACES)
    live = LiveRecording(made.folder)
    made.send(np.ones((3, len(PLACES))))
    made.seq += 1
    made.send(np.ones((3, len(PLACES))))
    live.look()
    assert live.state()["nodes"][0]["lost"] == 1
    late = Frame(FrameType.SAMPLES, 7, 0, 1, 1, 3, 3_000_000, np.ones(len(PLACES), "<f4").tobytes())
    made.keep(late, made.tick_us * 1000)
    live.look()
    assert live.state()["nodes"][0]["lost"] == 0


def test_a_reading_that_went_missing_is_stale_not_repeated(under_way: Making):
    made = under_way(PLACES)
    live = LiveRecording(made.folder)
    made.send(np.tile([200.0, 1400.0, 10.0, 45.0, 8.0, 30.0, 13.5], (3, 1)))
    gone = np.tile([200.0, 1400.0, np.nan, 45.0, 8.0, 30.0, 13.5], (8, 1))
    made.send(gone)
    live.look()
    ladder = live.ladder()
    assert ladder.superheat_k is None
    assert "No suction-line probe: no superheat." in ladder.why
    assert "suction_line" not in {rung.name for rung in ladder.rungs}


def ended_of(folder: Path, break_it: Callable[[], object]) -> str:
    """What the page is told when a recording under way breaks off."""

    async def follow() -> str:
        follower = Follower(folder, Shelf(folder.parent), Desk())
        with follower.listening() as queue:
            assert json.loads(await queue.get() or "")["whole"]
            break_it()
            async with asyncio.timeout(60.0):
                while True:
                    told = json.loads(await queue.get() or "{}")
                    if told.get("ended"):
                        follower.close()
                        return str(told["ended"])

    return asyncio.run(follow())


def test_a_recorder_without_a_sign_of_life_is_told_as_cut_off(under_way: Making, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(feed, "STAYS_LIFELESS_S", 0.3)
    made = under_way(PLACES)
    made.send(np.ones((5, len(PLACES))))
    assert ended_of(made.folder, lambda: os.utime(made.folder / "opening.json", (0, 0))) == "cut_off"


def test_a_recording_that_was_given_up_empty_is_told_as_gone(under_way: Making):
    made = under_way(PLACES)
    assert ended_of(made.folder, lambda: shutil.rmtree(made.folder)) == "gone"
