"""The index of an archive: one row a recording, kept beside the recordings, made again whenever it is missing."""

import contextlib
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, cast

import polars as pl

from analysis.archive.walk import Stamps, Walked, content_stamp, stamps_of, walk
from recorder.amendments import AMENDMENTS_FILE, amended_job, read_amendments
from recorder.errors import InputError
from recorder.files import LIFELESS_S, OPENING_FILE, RECORDING_FILE
from recorder.hashes import SEAL_FILE, json_object
from recorder.jobsheet import JobSheet, job_sheet_from

ASIDE = ".archive"
"""Folder beside the recordings for what can be made again from them; safe to delete."""
INDEX_FILE = "index.parquet"
SEALED, UNDER_WAY, CUT_OFF = "sealed", "under_way", "cut_off"
NOT_SEALED = "It was cut off and is not sealed."
STATED = ("name", "customer", "vehicle", "model", "vin", "plate", "order_number", "complaint", "refrigerant")
"""What of the job sheet the list shows or searches."""
SCHEMA = pl.Schema(
    {
        "path": pl.String,
        "folder_ns": pl.Int64,
        "amended_ns": pl.Int64,
        "stamp": pl.String,
        "state": pl.String,
        "recording_id": pl.String,
        "started_at": pl.Datetime("us", "UTC"),
        **dict.fromkeys(STATED, pl.String),
        "wrong": pl.String,
    }
)
AT_ONCE = 8
"""Recordings read at the same time: a network drive answers many as fast as one (our own choice)."""
MANY = 2000
"""From so many recordings on, reading them anew takes seconds and is said (our own choice)."""

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Index:
    """What an archive holds.

    ``table`` has the columns of ``SCHEMA``, sorted by path, and ``copy_of``: the path of the recording that has the
    same id and comes before. ``wrong`` says what hinders reading a recording.
    """

    archive: Path
    table: pl.DataFrame
    walked: Walked

    @property
    def remarks(self) -> list[str]:
        """What lies in the archive beside recordings that can be read, counted and named, a sentence each."""
        copies = self.table.filter(pl.col("copy_of").is_not_null())
        wrong = self.table.filter(pl.col("wrong").is_not_null() & (pl.col("state") != CUT_OFF))
        told = [f"{path} ({why})" for path, why in self.walked.closed]
        return [
            f"{_counted(len(named), one, many)}: {_some(named)}."
            for one, many, named in (
                ("file is no recording and was skipped", "files are no recordings and were skipped",
                 self.walked.foreign),
                ("folder could not be looked into", "folders could not be looked into", told),
                ("recording is a copy of another and was skipped", "recordings are copies of others and were skipped",
                 [f"{path} (of {first})" for path, first in copies.select("path", "copy_of").iter_rows()]),
                ("recording cannot be read", "recordings cannot be read",
                 [f"{path} ({why.rstrip('.')})" for path, why in wrong.select("path", "wrong").iter_rows()]),
            )
            if named
        ]  # fmt: skip


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _some(names: list[str], most: int = 3) -> str:
    rest = len(names) - most
    return ", ".join(sorted(names)[:most]) + (f" and {rest} more" if rest > 0 else "")


def indexed(archive: Path, say: Say, *, by_content: bool = False) -> Index:
    """Read the index, looking afresh at whatever changed since, and keep it.

    Parameters
    ----------
    archive : Path
        Folder of recordings, at any depth below it.
    say : callable
        Is told what takes long, and where the index could not be written.
    by_content : bool
        Also ask each file of each recording for its time and size, as screening does.

    Raises
    ------
    InputError
        If there is no such folder.
    """
    before = _read(archive / ASIDE / INDEX_FILE)
    kept = before.filter((pl.col("state") == SEALED) & pl.col("wrong").is_null())
    known = kept.select("path", "folder_ns", "amended_ns").iter_rows()
    walked = walk(archive, {path: Stamps(folder, amended) for path, folder, amended in known})
    if by_content:
        walked = _by_content(archive, kept, walked)
    same = kept if len(walked.known) == kept.height else kept.filter(pl.col("path").is_in(walked.known))
    if len(walked.fresh) >= MANY:
        say(f"Reading what {len(walked.fresh)} recordings say of themselves, once.")
    with ThreadPoolExecutor(AT_ONCE) as readers:
        rows = list(readers.map(partial(row_of, archive), walked.fresh))
    table = pl.concat([same, pl.DataFrame(rows, schema=SCHEMA, orient="row")]).sort("path")
    if not table.equals(before):
        _keep(archive, table, say)
    return Index(archive, _with_copies(table), walked)


def _by_content(archive: Path, kept: pl.DataFrame, walked: Walked) -> Walked:
    stamps = dict(kept.select("path", "stamp").iter_rows())
    changed = {path for path in walked.known if _stamp(archive / path) != stamps[path]}
    return replace(
        walked, known=[path for path in walked.known if path not in changed], fresh=[*walked.fresh, *sorted(changed)]
    )


def _stamp(folder: Path) -> str | None:
    with contextlib.suppress(OSError):
        return content_stamp(folder)
    return None


def _with_copies(table: pl.DataFrame) -> pl.DataFrame:
    """Which recordings have the id of another; the sealed one comes first, then the order of paths."""
    first = pl.col("path").sort_by(pl.col("state") != SEALED, pl.col("path")).first().over("recording_id")
    is_copy = pl.col("recording_id").is_not_null() & (first != pl.col("path"))
    if table["recording_id"].drop_nulls().is_unique().all():
        return table.with_columns(copy_of=pl.lit(None, pl.String))
    return table.with_columns(copy_of=pl.when(is_copy).then(first))


def _read(path: Path) -> pl.DataFrame:
    """The index as it was kept; empty where there is none of this version."""
    with contextlib.suppress(OSError, pl.exceptions.PolarsError):
        table = pl.read_parquet(path)
        if table.schema == SCHEMA:
            return table
    return pl.DataFrame(schema=SCHEMA)


def _keep(archive: Path, table: pl.DataFrame, say: Say) -> None:
    path = archive / ASIDE / INDEX_FILE
    try:
        path.parent.mkdir(exist_ok=True)
        aside = path.with_suffix(".aside")
        table.write_parquet(aside)
        aside.replace(path)
    except (OSError, pl.exceptions.PolarsError) as reason:
        why = getattr(reason, "strerror", None) or reason
        say(f"{path}: the index cannot be written ({why}); going on without, so that each list reads all anew.")


def row_of(archive: Path, path: str) -> dict[str, Any]:
    """What one recording says of itself, as a row of the index; one that cannot be read says what is wrong."""
    folder = archive / path
    row: dict[str, Any] = dict.fromkeys(SCHEMA) | {"path": path, "state": SEALED}
    try:
        stamps = stamps_of(folder)
        row |= {"folder_ns": stamps.folder_ns, "amended_ns": stamps.amended_ns, "stamp": content_stamp(folder)}
        unsealed = (folder / OPENING_FILE).exists() and not (folder / SEAL_FILE).exists()
        return row | (_of_unsealed(folder) if unsealed else _of_sealed(folder))
    except InputError as reason:
        return row | {"wrong": str(reason).removeprefix(f"{folder}/")}
    except OSError as reason:
        return row | {"wrong": f"{path}: {reason.strerror or reason}."}


def _of_sealed(folder: Path) -> dict[str, Any]:
    if not (folder / RECORDING_FILE).exists():
        raise InputError(f"{RECORDING_FILE} is missing: this is half a recording.")
    try:
        about = json_object(folder / RECORDING_FILE)
        job = _as_corrected(folder, job_sheet_from(about["job_sheet"], RECORDING_FILE))
        stated = about.get("time_of_day_stated", True) and about.get("started_at")
        started = datetime.fromisoformat(about["started_at"]) if stated else None
        return {"recording_id": str(about["id"]), "started_at": started} | _stated(job)
    except (InputError, KeyError, TypeError, ValueError, AttributeError):
        raise InputError(f"{RECORDING_FILE} cannot be read.") from None


def _as_corrected(folder: Path, job: JobSheet) -> JobSheet:
    """The job sheet with the corrections added since sealing; the chain alone is checked here, not every file."""
    if not (folder / AMENDMENTS_FILE).exists():
        return job
    amendments, _, _ = read_amendments(folder, cast("str | None", json_object(folder / SEAL_FILE).get("digest")))
    return amended_job(job, amendments)


def _of_unsealed(folder: Path) -> dict[str, Any]:
    alive = time.time() - (folder / OPENING_FILE).stat().st_mtime < LIFELESS_S
    row = {"state": UNDER_WAY if alive else CUT_OFF, "wrong": None if alive else NOT_SEALED}
    try:
        about = json_object(folder / OPENING_FILE)
        started = datetime.fromtimestamp(int(about["utc_ns"]) / 1e9, UTC)
        job = job_sheet_from(about["job_sheet"], OPENING_FILE)
        return row | {"recording_id": str(about["id"]), "started_at": started} | _stated(job)
    except (InputError, KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return row | {"wrong": f"{OPENING_FILE} cannot be read."}


def _stated(job: JobSheet) -> dict[str, Any]:
    return {key: getattr(job, key) for key in STATED}
