"""What the live detectors look at: the same as what is read anew from the journal, however it came in."""

from collections.abc import Iterator

import numpy as np
import pytest

from analysis.diagnose import diagnose_timeline
from analysis.page.desk import live_findings
from analysis.page.gathered import Gathered
from analysis.page.under_way import mark
from analysis.timeline import timeline_of
from recorder.frames import Frame, FrameType
from recorder.recording import Recording, open_recording
from tests.conftest import ROOT
from tests.page.made import Making, UnderWay

PLACES = ("low_side", "high_side", "suction_line", "liquid_line", "vent", "return_air", "ambient", "clutch")
DEMO = ROOT / "recordings" / "minibus-7-before"


def drive() -> tuple[np.ndarray, float]:
    """The demo's drive, rows of ``PLACES``, and its rate."""
    (stream,) = open_recording(DEMO).streams
    return np.column_stack([stream.data[place].to_numpy() for place in PLACES]), stream.rate_hz


def in_pieces(rows: np.ndarray, sizes: Iterator[int]) -> Iterator[np.ndarray]:
    at = 0
    while at < len(rows):
        size = next(sizes)
        yield rows[at : at + size]
        at += size


@pytest.fixture
def half_driven(under_way: Making) -> UnderWay:
    rows, rate_hz = drive()
    made = under_way(PLACES, rate_hz, metering="expansion_valve", compressor="cycling_clutch", altitude_m=110)
    made.send(rows[: len(rows) // 2])
    return made


def same(one: Recording, other: Recording) -> None:
    for mine, theirs in zip(one.streams, other.streams, strict=True):
        assert [c.id for c in mine.channels] == [c.id for c in theirs.channels]
        assert mine.data.height == theirs.data.height
        for channel in mine.channels:
            assert np.array_equal(mine.data[channel.id].to_numpy(), theirs.data[channel.id].to_numpy(), equal_nan=True)
        mine_s, theirs_s = (
            (s.data["t"].to_physical().to_numpy() - s.data["t"].to_physical()[0]) for s in (mine, theirs)
        )
        assert np.abs(mine_s - theirs_s).max() < 1e6, "a millisecond: the clock is fitted at sealing"


def test_read_on_piece_by_piece_it_is_what_one_reading_gives_and_the_detectors_say_the_same(under_way: Making):
    rows, rate_hz = drive()
    made = under_way(PLACES, rate_hz, metering="expansion_valve", compressor="cycling_clutch", altitude_m=110)
    sizes = np.random.default_rng(4).integers(1, 900, 1000)
    gathered = Gathered(made.folder)
    for piece in in_pieces(rows, iter(sizes.tolist())):
        made.send(piece)
        gathered.recording()
    live, whole = gathered.recording(), open_recording(made.folder)
    same(live, whole)
    found: list[set[tuple[str, int]]] = []
    for recording in (live, whole):
        timeline = timeline_of(recording)
        assert timeline is not None
        findings, _ = diagnose_timeline(recording, timeline, "test")
        found.append({(episode.kind, round(episode.start_s)) for episode in findings.episodes})
    assert found[0] == found[1]
    assert "condenser_airflow_loss" in {kind for kind, _ in found[0]}


def test_what_a_node_sent_again_stands_where_it_belongs(half_driven: UnderWay):
    gathered = Gathered(half_driven.folder)
    gathered.recording()
    lost_seq, lost_tick_us = half_driven.seq, half_driven.tick_us
    half_driven.seq += 1
    half_driven.tick_us += 250_000
    half_driven.send(np.full((4, len(PLACES)), 20.0))
    gathered.recording()
    payload = np.full(len(PLACES), 30.0, "<f4").tobytes()
    half_driven.keep(Frame(FrameType.SAMPLES, 7, 0, 1, 1, lost_seq, lost_tick_us, payload), half_driven.tick_us * 1000)
    (stream,) = gathered.recording().streams
    assert stream.data["t"].is_sorted()
    assert stream.data["vent"].to_list()[-5:] == [30.0, 20.0, 20.0, 20.0, 20.0]


def test_a_second_look_reads_only_what_came_since(half_driven: UnderWay):
    gathered = Gathered(half_driven.folder)
    before = gathered.recording().streams[0].data.height
    journal = half_driven.folder / "made.journal"
    with journal.open("r+b") as file:
        file.seek(20_000)  # behind the description
        file.write(bytes(10_000))
    half_driven.send(np.full((40, len(PLACES)), 25.0))
    assert gathered.recording().streams[0].data.height == before + 40
    told, took_s = live_findings(str(half_driven.folder))
    assert took_s > 0.0
    assert told["duration_s"] > 0.0


def test_a_mark_stands_at_its_moment_of_the_drive(half_driven: UnderWay):
    mark(half_driven.folder, "complaint", "warm")
    (told,) = Gathered(half_driven.folder).recording().marks
    assert told.kind == "complaint"
    assert 0 <= told.utc_ns - half_driven.host.utc_ns < 120_000_000_000
