"""The findings that a screening keeps beside the recordings: a table, and a journal of what came since.

Each recording is one line of the journal, appended when it was analysed, so that a screening can be killed at any
moment; a line that was cut is left out and its recording analysed again. The journal is put into the table at the end
of a screening, or by the next one.
"""

import contextlib
import json
import os
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, cast

import polars as pl

from analysis.archive.index import ASIDE
from analysis.archive.rows import NONE, SCHEMA
from recorder.durable import write_all

TABLE_FILE, JOURNAL_FILE, FOLDING_FILE = "findings.parquet", "findings.jsonl", "findings.folding.jsonl"
KEPT = pl.Schema({"stamp": pl.String, **SCHEMA})
"""The screening table with the stamp of the recording that each row speaks of."""

Rows = list[dict[str, Any]]


def keep(archive: Path, stamp: str | None, rows: Iterable[Mapping[str, Any]]) -> None:
    """Append the rows of one recording; raises OSError where that cannot be written."""
    line = json.dumps([{"stamp": stamp, **row} for row in rows], default=datetime.isoformat, ensure_ascii=False)
    path = archive / ASIDE / JOURNAL_FILE
    path.parent.mkdir(exist_ok=True)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        write_all(handle, b"\n" + line.encode() + b"\n")  # the first ends a line that was cut
    finally:
        os.close(handle)


def kept_findings(archive: Path) -> pl.DataFrame:
    """All that is kept, the newest findings of each recording, with the columns of ``KEPT``."""
    folder = archive / ASIDE
    table = _table(folder / TABLE_FILE)
    later = _journal(folder / FOLDING_FILE) + _journal(folder / JOURNAL_FILE)
    if not later:
        return table
    newest = {str(rows[0]["path"]): rows for rows in later}
    fresh = pl.DataFrame(
        [{name: row.get(name) for name in KEPT} for rows in newest.values() for row in rows], schema=KEPT
    )
    return pl.concat([table.filter(~pl.col("path").is_in(list(newest))), fresh])


def fold(archive: Path, paths: pl.Series) -> pl.DataFrame:
    """Put the journal into the table, leave out recordings that are not there any more; returns the table.

    Another screening may append meanwhile: its lines go to a new journal. Raises OSError where nothing can be written.
    """
    folder = archive / ASIDE
    if not (folder / FOLDING_FILE).exists():
        with contextlib.suppress(FileNotFoundError):
            (folder / JOURNAL_FILE).rename(folder / FOLDING_FILE)
    table = kept_findings(archive).filter(pl.col("path").is_in(paths.to_list())).sort("path", maintain_order=True)
    aside = folder / f"{TABLE_FILE}.aside"
    table.write_parquet(aside)
    aside.replace(folder / TABLE_FILE)
    (folder / FOLDING_FILE).unlink(missing_ok=True)
    return table


def _table(path: Path) -> pl.DataFrame:
    """The kept table; empty where there is none of this version."""
    with contextlib.suppress(OSError, pl.exceptions.PolarsError):
        table = pl.read_parquet(path)
        if table.schema == KEPT:
            return table
    return pl.DataFrame(schema=KEPT)


def _journal(path: Path) -> list[Rows]:
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError:
        return []
    return [rows for line in lines if line for rows in [_rows_of(line)] if rows]


def _rows_of(line: bytes) -> Rows | None:
    """The rows of a line; None for one that was cut or that another version wrote."""
    try:
        rows = cast("Rows", json.loads(line))
        for row in rows:
            if not set(row) <= set(KEPT):
                return None
            row["started_at"] = datetime.fromisoformat(row["started_at"]) if row.get("started_at") else None
    except (ValueError, TypeError, AttributeError):
        return None
    return rows if rows and "path" in rows[0] else None


def by_recording(kept: pl.DataFrame) -> pl.DataFrame:
    """One row a recording: ``path``, ``stamp``, ``row``, ``verdict``, ``says``, ``kinds``, ``intact``, ``software``."""
    return kept.unique("path", keep="first", maintain_order=True).select(
        "path",
        "stamp",
        pl.col("row").replace("episode", NONE),
        "verdict",
        "says",
        pl.col("present_kinds").alias("kinds"),
        "intact",
        "software",
        "error",
    )
