"""A recording under way on disk: journal first, a part about once a minute."""

import os
import re
import shutil
import sys
import time
import uuid
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

from recorder.calibration_file import KnownCalibration, calibrated
from recorder.clock import HostClock
from recorder.errors import InputError
from recorder.frames import FrameType, decode_body
from recorder.jobsheet import JobSheet
from recorder.journal import Arrival, JournalWriter
from recorder.marks import Mark, append_mark
from recorder.node import NodeDescription
from recorder.recording import OPENING_FILE, RECORDING_FILE, SCHEMA
from recorder.sealing import PART_LEVEL, write_json, write_parquet
from recorder.streams import assemble, stream_id

FORCE_EVERY_S = 1.0
PART_EVERY_S = 60.0


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
    """Make the folder of a new recording: ``<date>T<time>-<slug>``."""
    slug = re.sub(r"[^a-z0-9]+", "-", (name or "recording").lower()).strip("-")[:40] or "recording"
    stamp = datetime.fromtimestamp(utc_ns // 10**9, UTC).strftime("%Y-%m-%dT%H%M%S")
    for attempt in range(1, 1000):
        folder = out / (f"{stamp}-{slug}" if attempt == 1 else f"{stamp}-{slug}-{attempt}")
        try:
            folder.mkdir(parents=True)
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
    under_way = [p.parent for p in out.glob(f"*/{OPENING_FILE}") if not (p.parent / RECORDING_FILE).exists()]
    if not under_way:
        raise InputError(f"{out}: no recording is under way there; name one with --recording.")
    return max(under_way, key=lambda folder: (folder / OPENING_FILE).stat().st_mtime)


def silent_for_s(folder: Path) -> float:
    """Seconds since the recorder of a recording under way gave a sign of life."""
    return time.time() - (folder / OPENING_FILE).stat().st_mtime


def discard_empty(folder: Path) -> None:
    """Remove the folder of a recording in which nothing arrived and nobody marked anything."""
    if {path.name for path in folder.iterdir()} <= {OPENING_FILE}:
        shutil.rmtree(folder)


class _NodeFiles:
    """Journal and parts of one node."""

    def __init__(self, folder: Path, name: str, host: HostClock) -> None:
        self._folder, self._host, self.name = folder, host, name
        self.journal = JournalWriter(folder / f"{name}.journal")
        self.description: NodeDescription | None = None
        self._pending: list[Arrival] = []
        self._parts = 0

    def append(self, arrival: Arrival) -> None:
        self.journal.append(arrival)
        if decode_body(arrival.body).type in (FrameType.SAMPLES, FrameType.ECHO):
            self._pending.append(arrival)

    def write_part(self) -> None:
        """Write the samples since the last part; their times are provisional until sealing fits them again."""
        if self.description is None or not self._pending:
            return
        content = assemble(self._pending, self._host, self.description)
        self._pending = []
        self._parts += 1
        for number, rows in content.streams.items() if content else ():
            parts = self._folder / stream_id(self.description, number)
            parts.mkdir(exist_ok=True)
            write_parquet(parts / f"part-{self._parts:05d}.parquet", rows, PART_LEVEL)


class RecordingStore:
    """Writes one recording under way; what ``force`` returned from survives a power cut."""

    def __init__(self, out: Path, job: JobSheet, host: HostClock, known: tuple[KnownCalibration, ...] = ()) -> None:
        self.host = host
        self._known = known
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
        write_json(self.folder / OPENING_FILE, opening)

    def describe(self, node: str, description: NodeDescription) -> None:
        """Keep what a node says of itself, and what calibrations of its sensors are known."""
        description = calibrated(description, self._known)
        self._files(node).description = description
        write_json(self.folder / f"{node}.node.json", description.to_dict())

    def append(self, node: str, arrival: Arrival) -> None:
        """Journal a frame body of a node."""
        self._files(node).append(arrival)

    def mark(self, kind: str, text: str = "") -> None:
        """Append a mark, forced at once."""
        now_ns = self.host.now_ns()
        append_mark(self.folder, Mark(self.host.to_utc_ns(now_ns), kind, text, now_ns))

    def count(self, node: str, counters: dict[str, int | float | str]) -> None:
        """Keep what the session counted on a node's link, for the seal."""
        write_json(self.folder / f"{node}.link.json", dict(counters))

    def keep(self) -> None:
        """Force the journals at least every second, write parts about every minute; call it often."""
        now_ns = self.host.now_ns()
        if now_ns - self._forced_ns >= FORCE_EVERY_S * 1e9:
            self.force()
        if now_ns - self._parted_ns >= PART_EVERY_S * 1e9:
            self._parted_ns = now_ns
            for files in self._nodes.values():
                files.write_part()

    def force(self) -> None:
        """Put all that arrived on the disk."""
        self._forced_ns = self.host.now_ns()
        os.utime(self.folder / OPENING_FILE)
        for files in self._nodes.values():
            files.journal.force()

    def close(self) -> None:
        """Force and close; the recording can then be sealed."""
        for files in self._nodes.values():
            files.journal.close()

    def _files(self, node: str) -> _NodeFiles:
        if node not in self._nodes:
            self._nodes[node] = _NodeFiles(self.folder, node, self.host)
        return self._nodes[node]
