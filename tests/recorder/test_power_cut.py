"""A power cut at any moment: journals cut at every byte, renames undone or reordered, unforced ends gone or zeros."""

import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

from recorder.clock import HostClock
from recorder.errors import InputError
from recorder.files import OPENING_FILE
from recorder.frames import Frame, FrameType, description_frames, encode_body
from recorder.jobsheet import JobSheet
from recorder.journal import Arrival, encode_record, read_journal
from recorder.recording import open_recording
from recorder.sealing import seal
from recorder.store import RecordingStore
from tests.recorder.crash_disk import CrashDisk
from tests.recorder.nodes import CHANNELS, described, reading

BATCH, EVERY_S = 5, 0.25
NODE = described("hv-1", BATCH / EVERY_S)


class SetClock(HostClock):
    """A host clock that the test sets."""

    at_ns = 0

    @staticmethod
    def now_ns() -> int:
        """Monotonic time [ns], as set."""
        return SetClock.at_ns


def frame(seq: int) -> Frame:
    """A frame whose readings tell its number."""
    number = seq * BATCH + np.arange(BATCH)
    payload = np.column_stack([reading(number, c) for c in range(len(CHANNELS))]).astype("<i4").tobytes()
    return Frame(FrameType.SAMPLES, 7, 0, 0, BATCH, seq, round((seq + 1) * EVERY_S * 1e6), payload)


def arrival(seq: int) -> Arrival:
    """The frame as it arrived at the clock's time."""
    return Arrival(encode_body(frame(seq)), SetClock.at_ns, 10**18 + SetClock.at_ns)


def rows_of(folder: Path) -> set[int]:
    """Numbers of the frames that are there; each row is what was sent."""
    held: set[int] = set()
    for stream in open_recording(folder).streams:
        seq = stream.data["seq"].to_numpy()
        number = seq * BATCH + np.arange(len(seq)) % BATCH
        for column, channel in enumerate(stream.channels):
            assert np.array_equal(stream.data[f"raw_{channel.id}"].to_numpy(), reading(number, column))
        held |= set(seq.tolist())
    return held


class Watch:
    """Looks at every state in which a cut may leave the disk; ``due`` are frames that must be there by then."""

    def __init__(self, work: Path) -> None:
        self.due: dict[int, int] = {}
        self.marked = self.closed = False
        self.states = 0
        self._work, self._seen = work, set[tuple[object, ...]]()

    def __call__(self, disk: CrashDisk) -> None:
        for state in disk.after_a_cut():
            target = self._work / f"cut-{self.states}"
            disk.write(state, target)
            content = tuple((str(p.relative_to(target)), p.is_file() and p.read_bytes()) for p in target.rglob("*"))
            if (content, self._wanted(), self.marked) not in self._seen:
                self._seen.add((content, self._wanted(), self.marked))
                self.states += 1
                self._look_at(target)
            shutil.rmtree(target)

    def _wanted(self) -> frozenset[int]:
        bound = SetClock.at_ns - (0 if self.closed else 10**9)
        return frozenset(seq for seq, at_ns in self.due.items() if at_ns <= bound)

    def _look_at(self, target: Path) -> None:
        wanted = self._wanted()
        folders = list((target / "out").iterdir()) if (target / "out").is_dir() else []
        if not folders or not any(folders[0].glob("[ro][ep]*ing.json")):
            assert not wanted
            return
        (folder,) = folders
        before = rows_of(folder)
        assert wanted <= before, f"lost {sorted(wanted - before)}"
        if self.marked:
            assert [mark.text for mark in open_recording(folder).marks] == ["warm"]
        if before and (folder / OPENING_FILE).exists():
            seal(folder, "test")
        if before:
            after = open_recording(folder)
            assert after.sealed
            assert after.intact, after.damage
            assert rows_of(folder) == before


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc for what a handle names")
def test_a_power_cut_at_any_moment_costs_at_most_a_second_and_never_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """From the making of the folder to the removal of what the seal replaces; two parts, one mark."""
    monkeypatch.setattr("recorder.store.PART_EVERY_S", 1.0)
    (tmp_path / "disk").mkdir()
    (tmp_path / "cuts").mkdir()
    SetClock.at_ns = 0
    watch = Watch(tmp_path / "cuts")
    with CrashDisk(tmp_path / "disk", watch) as disk:
        store = RecordingStore(disk.root / "out", JobSheet(), SetClock(0, 10**18))
        store.describe("hv-1", NODE)
        for seq in range(10):
            SetClock.at_ns = round((seq + 1) * EVERY_S * 1e9)
            store.append("hv-1", arrival(seq))
            watch.due[seq] = SetClock.at_ns
            if seq % 2:
                store.keep()
                store.write_parts()
            if seq == 5:
                store.mark("complaint", "warm")
                watch.marked = True
        store.count("hv-1", {"address": "x"})
        store.close()
        watch.closed = True
        seal(store.folder, "test")
    assert rows_of(store.folder) == set(range(10))
    assert watch.states > 40


def test_a_journal_cut_at_every_byte_of_its_last_frames_loses_the_cut_ones_alone(tmp_path: Path):
    SetClock.at_ns = 0
    store = RecordingStore(tmp_path, JobSheet(), SetClock(0, 10**18))
    store.describe("hv-1", NODE)
    for seq in range(4):
        SetClock.at_ns = round((seq + 1) * EVERY_S * 1e9)
        store.append("hv-1", arrival(seq))
    store.close()
    (journal,) = store.folder.glob("*.journal")
    whole, size = journal.read_bytes(), len(encode_record(arrival(0)))
    assert len(whole) == 4 * size
    for cut in range(2 * size, 4 * size + 1):
        journal.write_bytes(whole[:cut])
        kept = cut // size
        assert rows_of(store.folder) == set(range(kept))
        damage = open_recording(store.folder).damage
        assert damage == (
            ()
            if cut % size == 0
            else (f"hv-1.journal: {cut % size} bytes at its end or in it belong to no intact frame",)
        )
        assert len(read_journal(journal).arrivals) == kept
    seal(store.folder, "test")
    assert open_recording(store.folder).intact


def test_what_a_cut_took_stands_in_the_sealed_recording(tmp_path: Path):
    store = RecordingStore(tmp_path, JobSheet(), SetClock(0, 10**18))
    store.describe("hv-1", NODE)
    for seq in range(3):
        store.append("hv-1", arrival(seq))
    store.close()
    (journal,) = store.folder.glob("*.journal")
    journal.write_bytes(journal.read_bytes()[:-9])
    seal(store.folder, "test")
    recording = open_recording(store.folder)
    (remark,) = recording.remarks
    assert remark.startswith("before sealing: hv-1.journal: ")
    assert remark.endswith("belong to no intact frame")


def test_a_journal_that_nobody_described_stays_when_the_recording_is_sealed(tmp_path: Path):
    store = RecordingStore(tmp_path, JobSheet(), SetClock(0, 10**18))
    store.describe("hv-1", NODE)
    store.append("hv-1", arrival(0))
    store.append("mute", arrival(0))
    store.close()
    seal(store.folder, "test")
    assert len(read_journal(store.folder / "mute.journal").arrivals) == 1
    assert open_recording(store.folder).intact


def test_a_torn_mark_does_not_take_the_next_one_with_it(tmp_path: Path):
    store = RecordingStore(tmp_path, JobSheet(), SetClock(0, 10**18))
    store.describe("hv-1", NODE)
    store.append("hv-1", arrival(0))
    store.mark("complaint", "one")
    marks = store.folder / "marks.jsonl"
    marks.write_bytes(marks.read_bytes()[:-5])
    store.mark("note", "two")
    store.close()
    recording = open_recording(store.folder)
    assert [mark.text for mark in recording.marks] == ["two"]
    assert recording.damage == ("marks.jsonl line 1 cannot be read",)


def test_nothing_is_sealed_where_nothing_arrived(tmp_path: Path):
    store = RecordingStore(tmp_path, JobSheet(), SetClock(0, 10**18))
    store.close()
    with pytest.raises(InputError, match="holds no sample"):
        seal(store.folder, "test")


def test_what_stands_beside_the_journal_may_be_unreadable(tmp_path: Path):
    """A bad sector under the small files: the journal tells the description again, the samples are no less."""
    store = RecordingStore(tmp_path, JobSheet(), SetClock(0, 10**18))
    store.describe("hv-1", NODE)
    for part in description_frames(NODE.to_json(), 1, 7, 0, 200):
        store.append("hv-1", Arrival(encode_body(part), 0, 10**18))
    store.append("hv-1", arrival(0))
    store.count("hv-1", {"address": "x"})
    store.close()
    for name in ("hv-1.node.json", "hv-1.link.json"):
        (store.folder / name).write_bytes(b"{\x00\xff")
    assert open_recording(store.folder).damage == ("hv-1.node.json cannot be read and is left out",)
    times = open_recording(store.folder).streams[0].data["t"]
    for garbled in (b"{\x00\xff", b"{}", b'{"utc_ns": 1}'):
        (store.folder / "opening.json").write_bytes(garbled)
        damage = open_recording(store.folder).damage
        assert damage[0] == "opening.json cannot be read: the job sheet is not known"
        assert open_recording(store.folder).streams[0].data["t"].equals(times)
    seal(store.folder, "test")
    assert rows_of(store.folder) == {0}
    sealed = open_recording(store.folder)
    assert sealed.intact
    assert sealed.remarks == (
        "before sealing: opening.json cannot be read: the job sheet is not known",
        "before sealing: hv-1.node.json cannot be read and is left out",
    )
