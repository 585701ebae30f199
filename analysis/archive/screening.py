"""Screening: whatever changed, or was analysed by another version, analysed again, and all of it in one table."""

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import polars as pl

from analysis.archive.examine import ArchiveRow, GoneError, error_row, examine, vanished
from analysis.archive.index import ASIDE, UNDER_WAY, Index, Say
from analysis.archive.kept import by_recording, fold, keep, kept_findings
from analysis.archive.progress import Progress
from analysis.archive.rows import EPISODE, ERROR, NONE, SCHEMA, SKIPPED, table_of
from analysis.processes import TRIES, DiedError
from recorder.errors import InputError

Outcomes = Iterator[tuple[str, list[ArchiveRow] | Exception]]
Spread = Callable[[Callable[[str], list[ArchiveRow]], Iterable[str]], Outcomes]
"""How the work is spread: over the cores of this machine, or over a cluster."""
OF_EPISODES = ("kind", "channel", "start_s", "end_s", "permanent", "severity")
DIED = (
    f"its analysis took the process down {TRIES} times or more (out of memory?); "
    "see how it goes by itself with: warmspell analyse"
)


@dataclass(frozen=True, slots=True, eq=False)
class Screened:
    """The table of an archive, how many recordings were analysed just now, and those that failed."""

    table: pl.DataFrame
    analysed: int
    failed: tuple[tuple[str, str], ...]


def screen(index: Index, software: str, spread: Spread, progress: Progress, say: Say) -> Screened:
    """Analyse what is to do and put the archive's table together.

    What is done is kept at once, so that a screening killed at any moment goes on where it was.

    Raises
    ------
    InputError
        If the archive vanished meanwhile, or the cluster; what was done before stays.
    """
    work = partial(examine, str(index.archive), software=software)
    stamps = dict(index.table.select("path", "stamp").iter_rows())
    todo = to_do(index, kept_findings(index.archive), software)
    progress.total = len(todo)
    unkept: list[ArchiveRow] = []
    can_keep = True
    for path, outcome in spread(work, todo):
        if isinstance(outcome, GoneError):
            raise InputError(_gone(index.archive, progress))
        rows = [error_row(path, _why(outcome), software)] if isinstance(outcome, Exception) else outcome
        can_keep = can_keep and _kept(index.archive, stamps[path], rows, progress, say)
        if not can_keep:
            unkept += rows
        progress.step()
    progress.clear()
    table = _whole(index, unkept, software)
    failed = table.filter(pl.col("row") == ERROR).select("path", "error").rows()
    return Screened(table, len(todo), tuple(failed))


def _kept(archive: Path, stamp: str | None, rows: list[ArchiveRow], progress: Progress, say: Say) -> bool:
    """Keep the rows of a recording; False, and told, where nothing can be written."""
    try:
        keep(archive, stamp, rows)
    except OSError as reason:
        if vanished(archive, str(rows[0]["path"])):
            raise InputError(_gone(archive, progress)) from None
        progress.clear()
        say(
            f"{archive / ASIDE}: findings cannot be kept there ({reason.strerror or reason}); going on without, "
            "so that the next screening begins anew."
        )
        return False
    return True


def to_do(index: Index, kept: pl.DataFrame, software: str) -> list[str]:
    """Paths of recordings that changed, failed before, or were analysed by another version."""
    is_same = (
        (pl.col("stamp") == pl.col("stamp_kept")) & (pl.col("software") == software) & (pl.col("row") != ERROR)
    ).fill_null(value=False)
    known = by_recording(kept).select("path", pl.col("stamp").alias("stamp_kept"), "software", "row")
    return (
        index.table.filter(pl.col("copy_of").is_null() & (pl.col("state") != UNDER_WAY))
        .join(known, on="path", how="left", maintain_order="left")
        .filter(~is_same)
        .get_column("path")
        .to_list()
    )


def _whole(index: Index, unkept: list[ArchiveRow], software: str) -> pl.DataFrame:
    """Kept findings and what could not be kept, and a row for each recording that was left out."""
    skipped = index.table.filter(pl.col("copy_of").is_not_null() | (pl.col("state") == UNDER_WAY))
    left_out = table_of(
        error_row(path, f"has the id of {first}" if first else "is being recorded", software, SKIPPED)
        for path, first in skipped.select("path", "copy_of").iter_rows()
    )
    paths = index.table.join(skipped, on="path", how="anti")["path"]
    try:
        kept = fold(index.archive, paths)
    except OSError:
        kept = kept_findings(index.archive).filter(pl.col("path").is_in(paths.to_list()))
    fresh = table_of(unkept)
    kept = kept.filter(~pl.col("path").is_in(fresh["path"].to_list())).select(SCHEMA.names())
    return pl.concat([kept, fresh, left_out]).sort("path", maintain_order=True)


def of_kinds(table: pl.DataFrame, kinds: Collection[str]) -> pl.DataFrame:
    """The table with episodes of these kinds alone; a recording that has none of them keeps a row that says so."""
    mine = table.filter((pl.col("row") != EPISODE) | pl.col("kind").is_in(list(kinds)))
    without = table.join(mine, on="path", how="anti").unique("path", keep="first", maintain_order=True)
    cleared = [pl.lit(None, SCHEMA[name]).alias(name) for name in OF_EPISODES]
    without = without.with_columns(pl.lit(NONE).alias("row"), *cleared)
    return pl.concat([mine, without]).sort("path", maintain_order=True)


def _why(fault: Exception) -> str:
    return DIED if isinstance(fault, DiedError) else f"the analysis failed: {type(fault).__name__}: {str(fault)[:200]}"


def _gone(archive: Path, progress: Progress) -> str:
    progress.clear()
    return (
        f"{archive}: the archive is not there any more; {progress.done} of {progress.total} recordings were analysed. "
        "Screen it again when it is back: what was done is kept in it."
    )


def summary(table: pl.DataFrame, analysed: int) -> str:
    """How many recordings, verdicts and episodes of each kind, for a terminal."""
    each = table.unique("path", keep="first", maintain_order=True)
    verdicts = each.filter(pl.col("row").is_in([EPISODE, NONE]))["verdict"].value_counts().sort("verdict")
    left = each.filter(pl.col("row").is_in([ERROR, SKIPPED]))["row"].value_counts().sort("row")
    kinds = (
        table.filter(pl.col("row") == EPISODE)
        .group_by("kind")
        .agg(pl.len().alias("episodes"), pl.col("path").n_unique().alias("recordings"))
        .sort("recordings", "episodes", "kind", descending=[True, True, False])
    )
    lines = [f"{each.height} recordings, {analysed} analysed just now"]
    lines += [f"  {count:6d}  {word.replace('_', ' ')}" for word, count in [*verdicts.iter_rows(), *left.iter_rows()]]
    if kinds.height:
        lines += ["", f"  {'recordings':>10}  {'episodes':>8}  kind"]
        lines += [f"  {n:10d}  {episodes:8d}  {kind.replace('_', ' ')}" for kind, episodes, n in kinds.iter_rows()]
    return "\n".join(lines)
