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
    from analysis.page.gathered import Gathered
    from analysis.page.trace import Series

T = TypeVar("T")
WORKERS = ("watch", "analysis", "trace", "desk", "list", "line")
"""One process follows the recording under way, one analyses for the write-up, one draws its trace, one writes sheets
and corrections, one finds the verdicts of the list, one asks nodes: none waits for another."""


A_TURN_S = 2.0
"""Seconds of screening between two words of how far it is (our own choice)."""
KEPT_BUCKETS = (256, 512, 1024)
"""How finely a page asks for a whole drive, by the width of its window."""


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


@lru_cache(maxsize=2)
def _analysed(folder: str, stamp: str) -> "tuple[Findings, Case]":  # noqa: ARG001 - the stamp is part of the key
    from analysis.compare import analysed
    from recorder.recording import open_recording

    return analysed(open_recording(Path(folder)), _software())


@lru_cache(maxsize=2)
def _sensed(folder: str, stamp: str) -> "tuple[Series, ...]":  # noqa: ARG001 - the stamp is part of the key
    from analysis.page.trace import sensed_in

    return sensed_in(Path(folder))


@lru_cache(maxsize=2)
def _derived(path: str, kept_ns: int) -> "tuple[Series, ...]":  # noqa: ARG001 - the time is part of the key
    from analysis.page.trace import read_derived

    return read_derived(Path(path))


@lru_cache(maxsize=2)
def _gathered(folder: str) -> "Gathered":
    from analysis.page.gathered import Gathered

    return Gathered(Path(folder))


def live_findings(folder: str) -> tuple[dict[str, Any], float]:
    """What the detectors make of a recording under way so far, and the processor time [s] of another look."""
    import time

    from analysis.diagnose import diagnose_timeline
    from analysis.page.words import told_live
    from analysis.timeline import timeline_of

    recording = _gathered(folder).recording()
    began_s = time.process_time()  # what was read is not read again
    timeline = timeline_of(recording)
    told: dict[str, Any] = {"duration_s": 0.0}
    if timeline is not None:
        told = told_live(*diagnose_timeline(recording, timeline, _software()))
    return told, time.process_time() - began_s


def work_out(archive: str, path: str, kept: str, fingerprint: str) -> dict[str, Any]:
    """Analyse a recording for its write-up and keep what the write-up shows; returns it, by units."""
    from analysis.page.opened import work_out as work

    return work(Path(archive), path, Path(kept), fingerprint, _software())


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


def screen_on(archive: str, after: str) -> dict[str, Any]:
    """Analyse a few of the recordings that are to be screened, those behind the path ``after``; how many are left.

    Raises
    ------
    InputError
        If what is found cannot be kept beside the recordings.
    """
    import time

    from analysis.archive.examine import examine
    from analysis.archive.index import indexed
    from analysis.archive.kept import fold, keep, kept_findings
    from analysis.archive.screening import to_do
    from recorder.errors import InputError

    index = indexed(Path(archive), lambda _: None, by_content=True)
    todo = [path for path in to_do(index, kept_findings(index.archive), _software()) if path > after]
    stamps = dict(index.table.select("path", "stamp").iter_rows())
    done, until_s = 0, time.monotonic() + A_TURN_S
    try:
        while done < len(todo) and (done == 0 or time.monotonic() < until_s):
            keep(index.archive, stamps[todo[done]], examine(archive, todo[done], _software()))
            done += 1
        if done == len(todo):
            fold(index.archive, index.table["path"])
    except OSError as reason:
        raise InputError(f"findings cannot be kept beside the recordings ({reason.strerror or reason}).") from None
    return {"done": done, "left": len(todo) - done, "after": todo[done - 1] if done else after}


def window(folder: str, kept: str, span: tuple[float, float] | None, buckets: int, whole: str) -> bytes:
    """The trace between two moments as JSON, reduced to minima and maxima.

    All of it where no moments are asked for: then it is kept in the file ``whole`` once the derived lines are there.
    """
    import contextlib
    import json

    from analysis.archive.walk import content_stamp
    from analysis.page.trace import length_s, packed

    sensed, derived = _sensed(folder, content_stamp(Path(folder))), Path(kept)
    worked_out = _derived(kept, derived.stat().st_mtime_ns) if derived.exists() else ()
    start_s, end_s = span or (0.0, max(length_s(sensed), 1.0))
    told = json.dumps(packed((*sensed, *worked_out), start_s, end_s, buckets)).encode()
    if span is None and worked_out and buckets in KEPT_BUCKETS:
        aside = Path(f"{whole}.aside")
        with contextlib.suppress(OSError):
            aside.write_bytes(told)
            aside.replace(whole)
    return told


def load(folder: str) -> None:
    """Have the trace of a recording at hand for the first zoom."""
    from analysis.archive.walk import content_stamp

    _sensed(folder, content_stamp(Path(folder)))


def write_sheets(folder: str, out: str, units: str, paper: str, bundled: bool) -> list[str]:
    """Write claim sheet, customer page and report; returns the file names. Photographs lie in ``out/photos``."""
    from analysis.claim import write_report
    from analysis.preferences import preferences
    from recorder.recording import open_recording

    photos = sorted((Path(out) / "photos").glob("*"))
    recording, chosen = open_recording(Path(folder)), preferences(units, paper)
    return [path.name for path in write_report(recording, Path(out), _software(), chosen, photos, bundled=bundled)]


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
    from analysis.archive.walk import content_stamp
    from analysis.compare import compare_analysed
    from analysis.page.before_after import of_two_drives, told
    from analysis.shown import CHOICES

    of_two_drives(Path(before), Path(after))
    first, second = (_analysed(folder, content_stamp(Path(folder))) for folder in (before, after))
    return told(compare_analysed(first, second), second[0], CHOICES[units])


def write_comparison(before: str, after: str, out: str, units: str, paper: str) -> list[str]:
    """Write the comparison with its overlaid traces; returns the file names."""
    from analysis.claim import write_comparison as write
    from analysis.page.before_after import of_two_drives
    from analysis.preferences import preferences
    from recorder.recording import open_recording

    of_two_drives(Path(before), Path(after))
    first, second = (open_recording(Path(folder)) for folder in (before, after))
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
