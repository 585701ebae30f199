"""A recording under way on disk: journal first, a part about once a minute."""

import contextlib
import os
import re
import shutil
import sys
import time
import uuid
from collections.abc import Generator
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

import polars as pl

from recorder.assignment import Assignment, assigned
from recorder.calibration_file import KnownCalibration, calibrated
from recorder.clock import HostClock
from recorder.durable import force_folder, make_folder
from recorder.errors import InputError, StoreError
from recorder.files import OPENING_FILE, STOP_FILE
from recorder.frames import FrameType, type_of
from recorder.hashes import SEAL_FILE
from recorder.jobsheet import JobSheet
from recorder.journal import Arrival, JournalWriter
from recorder.marks import Mark, append_mark
from recorder.node import NodeDescription
from recorder.recording import SCHEMA
from recorder.sealing import PART_LEVEL, write_json, write_parquet
from recorder.streams import assemble, stream_id
from recorder.tally import Tally

FORCE_EVERY_S = 0.3
"""A power cut may cost at most a second: this, the pause of who calls ``keep``, what a reader gathers, the forcing."""
PART_EVERY_S = 60.0
SEALING_FACTOR, SPARE_BYTES = 1.5, 8_000_000
"""Room that sealing may need beside the journal, with something to spare (common practice, no source)."""
_IN_PARTS = (FrameType.SAMPLES, FrameType.ECHO)


def software() -> str:
    """Name and version of the software that writes."""
    try:
        return f"warmspell {metadata.version('warmspell')}"
    except metadata.PackageNotFoundError:
        return "warmspell (not installed)"


def default_folder() -> Path:
    """Where recordings go: ``WARMSPELL_RECORDINGS``, else the user's data folder."""
    chosen = os.environ.get("WARMSPELL_RECORDINGS")
    if chosen:
        return Path(chosen)
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", home / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME", home / ".local" / "share"))
    return base / "warmspell" / "recordings"


def new_folder(out: Path, utc_ns: int, name: str | None) -> Path:
    """Make the folder of a new recording, ``<date>T<time>-<slug>``; raises InputError where none can be made."""
    slug = re.sub(r"[^a-z0-9]+", "-", (name or "recording").lower()).strip("-")[:40] or "recording"
    stamp = datetime.fromtimestamp(utc_ns // 10**9, UTC).strftime("%Y-%m-%dT%H%M%S")
    for attempt in range(1, 1000):
        folder = out / (f"{stamp}-{slug}" if attempt == 1 else f"{stamp}-{slug}-{attempt}")
        try:
            make_folder(folder)
        except FileExistsError:
            continue
        except OSError as reason:
            raise InputError(f"{folder}: the recording's folder cannot be made ({reason.strerror}).") from None
        return folder
    raise InputError(f"{out}: holds a thousand recordings of that name and second.")


def newest_under_way(out: Path) -> Path:
    """The newest recording in a folder that is not sealed.

    Raises
    ------
    InputError
        If there is none.
    """
    under_way = [p.parent for p in out.glob(f"*/{OPENING_FILE}") if not (p.parent / SEAL_FILE).exists()]
    if not under_way:
        raise InputError(f"{out}: no recording is under way there; name one with --recording.")
    return max(under_way, key=lambda folder: (folder / OPENING_FILE).stat().st_mtime)


def silent_for_s(folder: Path) -> float:
    """Seconds since the recorder of a recording under way gave a sign of life."""
    return time.time() - (folder / OPENING_FILE).stat().st_mtime


def ask_to_stop(folder: Path) -> None:
    """Ask the recorder of a recording under way, whoever started it, to end in order and seal.

    Raises
    ------
    InputError
        If no recording is under way there.
    """
    if not (folder / OPENING_FILE).exists():
        raise InputError(f"{folder}: no recording is under way there.")
    (folder / STOP_FILE).touch()


def discard_empty(folder: Path) -> None:
    """Remove the folder of a recording in which nothing arrived and nobody marked anything."""
    if {path.name for path in folder.iterdir()} <= {OPENING_FILE, STOP_FILE}:
        shutil.rmtree(folder)


class _NodeFiles:
    """Journal and parts of one node."""

    def __init__(self, folder: Path, name: str, host: HostClock) -> None:
        self._folder, self._host, self.name = folder, host, name
        self.journal = JournalWriter(folder / f"{name}.journal")
        force_folder(folder)
        self.description: NodeDescription | None = None
        self._tally: Tally | None = None
        self._pending: list[Arrival] = []
        self._parts = self._part_bytes = 0

    @property
    def size(self) -> int:
        """Bytes of journal and parts, counted as they are written: a long recording has thousands of parts."""
        return self.journal.size + self._part_bytes

    def append(self, arrival: Arrival) -> None:
        self.journal.append(arrival)
        if type_of(arrival.body) in _IN_PARTS:
            self._pending.append(arrival)

    def write_part(self) -> None:
        """Write the samples since the last part; their times are provisional until sealing fits them again."""
        if self.description is None or not self._pending:
            return
        if self._tally is None:
            self._tally = Tally.of(self.description)
        pending = list(self._pending)
        del self._pending[: len(pending)]  # what is appended meanwhile stays
        content = assemble(pending, self._host, self.description, self._tally)
        self._parts += 1
        for number, rows in content.streams.items() if content else ():
            parts = self._folder / stream_id(self.name, self.description, number)
            parts.mkdir(exist_ok=True)
            part = parts / f"part-{self._parts:05d}.parquet"
            write_parquet(part, rows, PART_LEVEL)
            self._part_bytes += part.stat().st_size


def _file_names(name: str, description: NodeDescription | None) -> set[str]:
    streams = [stream_id(name, description, group.number) for group in description.groups] if description else []
    return {one.casefold() for one in (name, *streams)}


@dataclass(frozen=True, slots=True)
class Room:
    """How much of the disk recordings may take.

    ``cap_bytes`` bounds all recordings of the folder together; None leaves it to the disk.
    """

    cap_bytes: int | None = None

    def shortage(self, out: Path, before_bytes: int, own_bytes: int) -> str | None:
        """Why recording has to stop now, in a sentence; None while there is room to record and to seal."""
        if self.cap_bytes is not None and before_bytes + own_bytes >= self.cap_bytes:
            return f"{out}: the recordings there have reached the cap of {self.cap_bytes / 1e6:.0f} MB"
        free = shutil.disk_usage(out).free
        needed = int(SEALING_FACTOR * own_bytes) + SPARE_BYTES
        if free < needed:
            return f"{out}: the disk has {free / 1e6:.0f} MB left and sealing may need {needed / 1e6:.0f} MB"
        return None


def size_of(folder: Path) -> int:
    """Bytes of all files under a folder."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


class RecordingStore:
    """Writes one recording under way; what ``force`` returned from survives a power cut.

    Every method that writes raises ``StoreError`` where the disk takes no more; nothing is ever deleted for room.
    ``keep`` and ``write_parts`` may each run in another thread than ``append``.
    """

    def __init__(
        self,
        out: Path,
        job: JobSheet,
        host: HostClock,
        room: Room | None = None,
        known: tuple[KnownCalibration, ...] = (),
        places: tuple[Assignment, ...] = (),
    ) -> None:
        self.host = host
        self._places = places
        self._known = known
        self._room = room or Room()
        self._before_bytes = size_of(out) if self._room.cap_bytes is not None and out.exists() else 0
        self.folder = new_folder(out, host.utc_ns, job.name or job.vehicle)
        self._nodes: dict[str, _NodeFiles] = {}
        self._forced_ns = self._parted_ns = host.now_ns()
        opening = {
            "schema": SCHEMA,
            "id": str(uuid.uuid4()),
            "utc_ns": host.utc_ns,
            "monotonic_ns": host.monotonic_ns,
            "job_sheet": job.to_dict(),
            "software": software(),
        }
        with self._disk():
            write_json(self.folder / OPENING_FILE, opening)

    def free_name(self, description: NodeDescription) -> str:
        """A node's name in the recording: its id, numbered where that, or a file of its streams, is another node's.

        Upper and lower case count as the same, as they do in many file systems.
        """
        taken: set[str] = set()
        for name, files in self._nodes.items():
            taken |= _file_names(name, files.description)
        names = (description.id, *(f"{description.id}-{number}" for number in range(2, 10_000)))
        return next(name for name in names if not taken & _file_names(name, description))

    @contextlib.contextmanager
    def _disk(self) -> Generator[None]:
        try:
            yield
        except (OSError, pl.exceptions.PolarsError) as reason:
            raise self._full(reason) from None

    def _full(self, reason: Exception) -> StoreError:
        words = getattr(reason, "strerror", None) or str(reason)
        return StoreError(f"{self.folder}: the disk takes no more ({words}); what arrived before is kept")

    def describe(self, node: str, description: NodeDescription) -> None:
        """Keep what a node says of itself, what calibrations of its sensors are known, and where they are."""
        description = assigned(calibrated(description, self._known), self._places)
        with self._disk():
            self._files(node).description = description
            write_json(self.folder / f"{node}.node.json", description.to_dict())

    def append(self, node: str, arrival: Arrival) -> None:
        """Journal a frame body of a node."""
        files = self._nodes.get(node)
        try:
            (files or self._files(node)).append(arrival)
        except OSError as reason:
            raise self._full(reason) from None

    def mark(self, kind: str, text: str = "") -> None:
        """Append a mark, forced at once."""
        now_ns = self.host.now_ns()
        with self._disk():
            append_mark(self.folder, Mark(self.host.to_utc_ns(now_ns), kind, text, now_ns))

    def count(self, node: str, counters: dict[str, Any]) -> None:
        """Keep what the session counted on a node's link, for the seal."""
        with self._disk():
            write_json(self.folder / f"{node}.link.json", counters)

    def stop_asked(self) -> bool:
        """Whether somebody asked this recording to end (``ask_to_stop``)."""
        return (self.folder / STOP_FILE).exists()

    def keep(self) -> None:
        """Force the journals to the disk where it is time to; call it at least twice a second.

        Raises
        ------
        StoreError
            Also where the cap is reached, or the room that sealing needs would be used up.
        """
        now_ns = self.host.now_ns()
        if now_ns - self._forced_ns >= FORCE_EVERY_S * 1e9:
            self.force()
            own_bytes = sum(files.size for files in list(self._nodes.values()))
            with self._disk():
                shortage = self._room.shortage(self.folder.parent, self._before_bytes, own_bytes)
            if shortage:
                raise StoreError(f"{shortage}; recording was stopped, nothing was deleted")

    def write_parts(self) -> None:
        """Write parts where it is time to, about every minute; takes longer than ``keep`` may wait."""
        now_ns = self.host.now_ns()
        if now_ns - self._parted_ns >= PART_EVERY_S * 1e9:
            self._parted_ns = now_ns
            with self._disk():
                for files in list(self._nodes.values()):
                    files.write_part()

    def force(self) -> None:
        """Put all that arrived on the disk."""
        self._forced_ns = self.host.now_ns()
        with self._disk():
            os.utime(self.folder / OPENING_FILE)
            for files in list(self._nodes.values()):
                files.journal.force()

    def close(self) -> None:
        """Force and close; the recording can then be sealed."""
        for files in self._nodes.values():
            files.journal.close()

    def _files(self, node: str) -> _NodeFiles:
        if node not in self._nodes:
            self._nodes[node] = _NodeFiles(self.folder, node, self.host)
        return self._nodes[node]
