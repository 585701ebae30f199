"""The heavy work, in processes beside the server: opening, analysing, reducing traces, writing sheets.

The server itself never loads a recording, so that a long analysis delays no sample on its way to the screen. Every
function here takes and returns plain values.
"""

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from analysis.processes import end_all, process_beside

if TYPE_CHECKING:
    from analysis.case import Case
    from analysis.findings import Findings
    from analysis.page.trace import Series
    from recorder.recording import Recording

T = TypeVar("T")
WORKERS = ("watch", "desk", "list", "line")
"""One process follows the recording under way, one serves the write-up, one finds the verdicts of the list, one asks
nodes: none waits for another."""


class Desk:
    """The processes, started when they are first needed and again after a crash."""

    def __init__(self) -> None:
        self._pools: dict[str, ProcessPoolExecutor] = {}

    async def run(self, worker: str, work: Callable[..., T], *values: object) -> T:
        """Run one of this module's functions in a worker."""
        import asyncio

        loop = asyncio.get_running_loop()
        try:
            return await loop.run_in_executor(self._pool(worker), work, *values)
        except BrokenProcessPool:
            self._pools.pop(worker, None)
            return await loop.run_in_executor(self._pool(worker), work, *values)

    def _pool(self, worker: str) -> ProcessPoolExecutor:
        if worker not in self._pools:
            self._pools[worker] = process_beside()
        return self._pools[worker]

    def close(self) -> None:
        """End the processes."""
        for pool in self._pools.values():
            pool.shutdown(wait=False, cancel_futures=True)
        end_all()


def warm_up() -> None:
    """Load what the first question will need."""
    import importlib

    for name in ("analysis.diagnose", "analysis.page.trace", "recorder.store"):
        importlib.import_module(name)


def _software() -> str:
    from recorder.store import software

    return software()


def _stamp(folder: Path) -> tuple[float, ...]:
    """Changes when the recording does: sealed, amended, altered."""
    names = ("recording.json", "seal.json", "amendments.jsonl", "marks.jsonl")
    return tuple((folder / name).stat().st_mtime if (folder / name).exists() else 0.0 for name in names)


@lru_cache(maxsize=3)
def _examined(
    folder: str,
    stamp: tuple[float, ...],  # noqa: ARG001 - part of the cache's key
) -> "tuple[Recording, Findings, Case | None, tuple[Series, ...]]":
    from analysis.diagnose import diagnose, diagnose_timeline
    from analysis.page.trace import series_of
    from analysis.timeline import timeline_of
    from recorder.recording import open_recording

    recording = open_recording(Path(folder))
    timeline = timeline_of(recording)
    if timeline is None:
        return recording, diagnose(recording, _software()), None, ()
    findings, case = diagnose_timeline(recording, timeline, _software())
    return recording, findings, case, series_of(recording, case)


def _held(folder: str) -> "tuple[Recording, Findings, Case | None, tuple[Series, ...]]":
    return _examined(folder, _stamp(Path(folder)))


def live_findings(folder: str) -> dict[str, Any]:
    """What the detectors make of a recording under way so far."""
    from analysis.diagnose import diagnose_timeline
    from analysis.page.words import told_live
    from analysis.timeline import timeline_of
    from recorder.recording import open_recording

    recording = open_recording(Path(folder))
    timeline = timeline_of(recording)
    if timeline is None:
        return {"duration_s": 0.0}
    findings, case = diagnose_timeline(recording, timeline, _software())
    return told_live(findings, case)


def review(folder: str, units: str) -> dict[str, Any]:
    """Everything the write-up shows of one recording, in words and numbers."""
    from analysis.page.words import told
    from analysis.shown import CHOICES

    recording, findings, _, _ = _held(folder)
    return told(recording, findings, CHOICES[units])


def verdict(archive: str, path: str) -> dict[str, Any]:
    """Analyse one recording of the list; what is found is kept where a screening keeps it."""
    import contextlib

    from analysis.archive.examine import examine
    from analysis.archive.kept import keep
    from analysis.archive.walk import content_stamp
    from analysis.page.shelf import wrong_with

    stamp = content_stamp(Path(archive) / path)
    rows = examine(archive, path, _software())
    with contextlib.suppress(OSError):  # where nothing can be kept the next list analyses it again
        keep(Path(archive), stamp, rows)
    told = rows[0]
    wrong = wrong_with(told.get("error"), told.get("intact"))
    return {"verdict": told.get("verdict"), "says": told.get("says"), "wrong": wrong}


def window(folder: str, start_s: float, end_s: float, buckets: int) -> dict[str, Any]:
    """The trace between two moments, reduced to minima and maxima."""
    from analysis.page.trace import packed

    _, _, _, series = _held(folder)
    return packed(series, start_s, end_s, buckets)


def write_sheets(folder: str, out: str, units: str, paper: str, bundled: bool) -> list[str]:
    """Write claim sheet, customer page and report; returns the file names. Photographs lie in ``out/photos``."""
    from analysis.claim import write_report
    from analysis.preferences import preferences

    recording, _, _, _ = _held(folder)
    photos = sorted((Path(out) / "photos").glob("*"))
    made = write_report(recording, Path(out), _software(), preferences(units, paper), photos, bundled=bundled)
    return [path.name for path in made]


def import_csv(file: str, out: str) -> str:
    """Bring a CSV in; returns the recording's name."""
    from recorder.importer import import_csv as bring_in
    from recorder.jobsheet import JobSheet

    return bring_in(Path(file), JobSheet(name=Path(file).stem), Path(out), {}).name


def correct_job_sheet(folder: str, typed: dict[str, Any], by: str, reason: str) -> dict[str, str]:
    """Add a revision of the job sheet; returns what is wrong, by field."""
    from analysis.page import corrections

    return corrections.correct_job_sheet(Path(folder), typed, by, reason)


def correct_mark(folder: str, asked: dict[str, Any], by: str, reason: str) -> dict[str, str]:
    """Add a revision of a mark; returns what is wrong, by field."""
    from analysis.page import corrections

    return corrections.correct_mark(Path(folder), asked, by, reason)


def compared(before: str, after: str, units: str) -> dict[str, Any]:
    """Two recordings side by side; raises InputError if one of them holds no sample."""
    from analysis.compare import compare_analysed
    from analysis.page.before_after import told
    from analysis.shown import CHOICES
    from recorder.errors import InputError

    sides: list[tuple[Findings, Case]] = []
    for folder in (before, after):
        _, findings, case, _ = _held(folder)
        if case is None:
            raise InputError(f"{Path(folder).name}: holds no sample that can be read.")
        sides.append((findings, case))
    return told(compare_analysed(*sides), sides[1][0], CHOICES[units])


def write_comparison(before: str, after: str, out: str, units: str, paper: str) -> list[str]:
    """Write the comparison with its overlaid traces; returns the file names."""
    from analysis.claim import write_comparison as write
    from analysis.preferences import preferences

    first, second = _held(before)[0], _held(after)[0]
    _, made = write(first, second, Path(out), _software(), preferences(units, paper))
    return [path.name for path in made]


def patterns(folder: str, units: str) -> dict[str, Any] | None:
    """Patterns over the last screening of a folder; None where there is none."""
    from analysis.page.patterns import told
    from analysis.shown import CHOICES

    return told(Path(folder), _software(), CHOICES[units])


def find(ports: list[str], radio: bool) -> dict[str, Any]:
    """The nodes that are there, each with what it says of itself."""
    import asyncio
    from dataclasses import asdict

    from recorder.survey import survey

    seen = asyncio.run(survey(ports, radio=radio))
    return {"nodes": [asdict(found) for found in seen.found], "remarks": list(seen.remarks)}


def zero_check(address: str, altitude_m: float, keep: list[str]) -> dict[str, Any]:
    """How far a node's sensors are off in open air."""
    from datetime import UTC, datetime

    from analysis.page.zero_check import check

    return check(address, altitude_m, keep, datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"))


def seal(folder: str) -> str:
    """Seal a recording that was cut off; returns the short digest."""
    from recorder.recording import short_digest
    from recorder.sealing import seal as seal_folder

    return short_digest(seal_folder(Path(folder), _software()))
