"""What a write-up shows: worked out once, in a process of its own, and kept beside the recordings.

What is kept belongs to a fingerprint: the files of the recording (names, sizes, times) and the software. So a second
opening is a file to read, and neither a correction nor a new version is ever answered with what was found before.
"""

import asyncio
import contextlib
import hashlib
import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from analysis.page import desk
from analysis.page.shelf import Shelf

if TYPE_CHECKING:
    from recorder.recording import Recording

STEPS = (
    "checking the seal and reading the recording",
    "putting {readings} on one time base",
    "looking for runs, episodes and causes",
    "putting it into words",
)
BEGINS = "It begins."
WAITS = "Another recording is being analysed; this one is next."
PATIENCE_S = 0.7
"""What takes longer is told how far it is; the trace is shown meanwhile."""
MOST_JOBS = 20


@dataclass(frozen=True, slots=True)
class Kept:
    """Where the findings of one fingerprint lie: words, lines to draw, and how far the analysis is."""

    folder: Path
    fingerprint: str

    @property
    def words(self) -> Path:
        """What the write-up says, by units."""
        return self.folder / f"{self.fingerprint}.json"

    @property
    def lines(self) -> Path:
        """Derived quantities for the trace."""
        return self.folder / f"{self.fingerprint}.npz"

    def whole(self, buckets: int) -> Path:
        """All of the trace, as it is sent."""
        return self.folder / f"{self.fingerprint}-{buckets}.json"

    @property
    def step(self) -> Path:
        """The step that the analysis is at."""
        return self.folder / f"{self.fingerprint}.step"

    def read(self) -> dict[str, Any] | None:
        """The words; None where there are none."""
        with contextlib.suppress(OSError, ValueError):
            return cast("dict[str, Any]", json.loads(self.words.read_text(encoding="utf-8")))
        return None

    def write(self, told: dict[str, Any]) -> None:
        """Keep the words, whole or not at all, and drop what was kept of earlier fingerprints."""
        aside = self.words.with_suffix(".aside")
        aside.write_text(json.dumps(told, ensure_ascii=False), encoding="utf-8")
        aside.replace(self.words)
        for old in self.folder.iterdir():
            if not old.name.startswith(self.fingerprint):
                old.unlink(missing_ok=True)


@dataclass(slots=True)
class Openings:
    """Write-ups that are open or being worked out; used by the server alone."""

    shelf: Shelf
    work: "desk.Desk"
    _jobs: dict[str, "asyncio.Task[dict[str, Any]]"] = field(default_factory=dict[str, "asyncio.Task[dict[str, Any]]"])

    async def kept(self, name: str) -> Kept:
        """Where the findings of a recording as it stands are, or will be."""
        return await asyncio.to_thread(_kept, self.shelf, name)

    async def told(self, name: str, units: str, patience_s: float | None = None) -> dict[str, Any] | None:
        """What the write-up shows, in the reader's units; None if it takes longer than ``patience_s``.

        Raises
        ------
        InputError
            If the recording cannot be read.
        """
        kept = await self.kept(name)
        held = await asyncio.to_thread(kept.read)
        if held is not None and units in held:
            return cast("dict[str, Any]", held[units])
        job = self._job(name, kept)
        await asyncio.wait({job}, timeout=patience_s)
        return cast("dict[str, Any]", job.result()[units]) if job.done() else None

    def _job(self, name: str, kept: Kept) -> "asyncio.Task[dict[str, Any]]":
        """The analysis of that fingerprint, begun if nobody asked for it yet; one that failed is not tried again."""
        if kept.fingerprint not in self._jobs:
            for old in [key for key, job in self._jobs.items() if job.done()][:-MOST_JOBS]:
                del self._jobs[old]
            path = self.shelf.folder(name).relative_to(self.shelf.out).as_posix()
            asked = (str(self.shelf.out), path, str(kept.folder), kept.fingerprint)
            self._jobs[kept.fingerprint] = job = asyncio.create_task(self.work.run("analysis", desk.work_out, *asked))
            job.add_done_callback(lambda done: done.cancelled() or done.exception())
        return self._jobs[kept.fingerprint]

    async def progress(self, name: str) -> dict[str, Any]:
        """How far the analysis of a recording is: ``done``, or the step and what it does, in words."""
        kept = await self.kept(name)
        job = self._jobs.get(kept.fingerprint)
        if job is None or job.done():
            return {"done": True}
        alone = all(other is job or other.done() for other in self._jobs.values())
        told: dict[str, Any] = {"done": False, "step": 0, "steps": len(STEPS), "says": BEGINS if alone else WAITS}
        with contextlib.suppress(OSError, ValueError):
            told |= json.loads(kept.step.read_text(encoding="utf-8"))
        return told


def _kept(shelf: Shelf, name: str) -> Kept:
    from analysis.archive.walk import content_stamp

    stamp = f"{name} {content_stamp(shelf.folder(name))} {_version()}"
    return Kept(shelf.opened_folder(name), hashlib.sha256(stamp.encode()).hexdigest()[:32])


@cache
def _version() -> str:
    """Changes with the software: its version, and where it is being worked on, its files."""
    from recorder.store import software

    rooms = Path(__file__).parents[1], Path(__file__).parents[2] / "recorder"
    return f"{software()} {max(path.stat().st_mtime_ns for room in rooms for path in room.rglob('*.py'))}"


def work_out(archive: Path, path: str, folder: Path, fingerprint: str, software: str) -> dict[str, Any]:
    """Analyse a recording and keep what its write-up shows; returns it, by units.

    The verdict is kept for the list as well. Where nothing can be written all is returned and nothing kept.
    """
    from analysis.archive.examine import mean_ambient, rows_of
    from analysis.archive.kept import keep
    from analysis.archive.walk import content_stamp
    from analysis.diagnose import diagnose, diagnose_timeline
    from analysis.page.trace import write_derived
    from analysis.page.words import told
    from analysis.shown import CHOICES
    from analysis.timeline import timeline_of
    from recorder.recording import open_recording

    kept, stamp = Kept(folder, fingerprint), content_stamp(archive / path)
    try:
        _tell(kept, 1)
        recording = open_recording(archive / path)
        _tell(kept, 2, recording)
        timeline = timeline_of(recording)
        _tell(kept, 3)
        if timeline is None:
            findings, case = diagnose(recording, software), None
        else:
            findings, case = diagnose_timeline(recording, timeline, software)
        _tell(kept, 4)
        whole = {units.name: told(recording, findings, units) for units in CHOICES.values()}
        with contextlib.suppress(OSError):
            if case is not None:
                write_derived(kept.lines, case.timeline, case.derived)
            kept.write(whole)
        with contextlib.suppress(OSError):
            keep(archive, stamp, rows_of(findings, path, mean_ambient(timeline)))
        return whole
    finally:
        with contextlib.suppress(OSError):
            kept.step.unlink(missing_ok=True)


def _tell(kept: Kept, step: int, recording: "Recording | None" = None) -> None:
    """Say how far the analysis is, for whoever waits."""
    says = STEPS[step - 1]
    if recording is not None:
        count = sum(stream.data.height * len(stream.channels) for stream in recording.streams)
        says = says.format(readings=f"{count / 1e6:.1f} million readings" if count >= 1e6 else f"{count} readings")
    with contextlib.suppress(OSError):
        kept.folder.mkdir(parents=True, exist_ok=True)
        kept.step.write_text(json.dumps({"step": step, "says": f"Step {step} of {len(STEPS)}: {says}."}), "utf-8")
