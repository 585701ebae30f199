"""The list of recordings: what is known of each, filtered, as a table, JSON or CSV."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import polars as pl

from analysis.archive.index import CUT_OFF, UNDER_WAY, Index
from analysis.archive.kept import by_recording

NOT_SCREENED = "not_screened"
SHOWN = ("started_at", "vehicle", "plate", "refrigerant", "verdict", "kinds", "path")
WIDEST = {"vehicle": 28, "plate": 12, "kinds": 48}
"""Characters of a column on a terminal; longer words are cut there (our own choice)."""
COLUMNS = (
    "path", "recording_id", "state", "started_at", "name", "vehicle", "model", "plate", "vin", "customer",
    "order_number", "complaint", "refrigerant", "verdict", "says", "kinds", "wrong", "copy_of",
)  # fmt: skip
"""Columns of the list as data."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked for; an empty field asks for nothing.

    ``vehicle`` may stand anywhere in vehicle, model or name; ``plate`` is compared without spaces; a recording that
    states no date lies between no dates.
    """

    vehicle: str = ""
    plate: str = ""
    refrigerant: str = ""
    verdict: str = ""
    kind: str = ""
    since: date | None = None
    until: date | None = None


def listed(index: Index, kept: pl.DataFrame) -> pl.DataFrame:
    """Recordings with their verdict, newest first; the verdict is null where it is not that of the recording now."""
    known = by_recording(kept).select("path", "stamp", "verdict", "says", "kinds")
    return (
        index.table.join(known, on=["path", "stamp"], how="left")
        .sort("started_at", "path", descending=[True, False], nulls_last=True)
        .select(COLUMNS)
    )


def wanted(table: pl.DataFrame, asked: Wanted) -> pl.DataFrame:
    """The recordings that match all that was asked for."""
    named = pl.concat_str("vehicle", "model", "name", "path", separator=" ", ignore_nulls=True).str.to_lowercase()
    day = pl.col("started_at").dt.date()
    conditions: list[tuple[object, Callable[[], pl.Expr]]] = [
        (asked.vehicle, lambda: named.str.contains(asked.vehicle.lower(), literal=True)),
        (asked.plate, lambda: _plain(pl.col("plate")) == _plain(pl.lit(asked.plate))),
        (asked.refrigerant, lambda: pl.col("refrigerant") == asked.refrigerant),
        (asked.verdict, lambda: pl.col("verdict").fill_null(NOT_SCREENED) == asked.verdict),
        (asked.kind, lambda: pl.col("kinds").list.contains(asked.kind)),
        (asked.since, lambda: day >= asked.since),
        (asked.until, lambda: day <= asked.until),
    ]
    asked_for = [condition() for value, condition in conditions if value]
    return table.filter(*asked_for) if asked_for else table


def _plain(plate: pl.Expr) -> pl.Expr:
    return plate.str.replace_all(r"[\s\-]", "").str.to_uppercase()


def as_table(table: pl.DataFrame) -> str:
    """The list for a terminal, a line a recording."""
    stood = pl.coalesce(
        pl.when(pl.col("copy_of").is_not_null()).then(pl.lit("copy")),
        pl.when(pl.col("state") == UNDER_WAY).then(pl.lit("under way")),
        pl.when(pl.col("wrong").is_not_null() & (pl.col("state") != CUT_OFF)).then(pl.lit("cannot be read")),
        pl.col("verdict").str.replace_all("_", " "),
        pl.when(pl.col("state") == CUT_OFF).then(pl.lit("cut off")),
        pl.lit("not screened"),
    )
    words = table.select(
        pl.col("started_at").dt.strftime("%Y-%m-%d %H:%M").fill_null("not stated"),
        *(pl.col(name).fill_null("").str.replace_all(r"\s", " ") for name in ("vehicle", "plate", "refrigerant")),
        stood.alias("verdict"),
        pl.col("kinds").list.join(", ").str.replace_all("_", " ").fill_null(""),
        "path",
    )
    columns = [_column(words[name], name.replace("_at", "")) for name in SHOWN]
    return "\n".join(pl.select(pl.concat_str(columns, separator="  ").str.strip_chars_end()).to_series())


def _column(values: pl.Series, title: str) -> pl.Series:
    """Title and values, all of one width."""
    cut = values.str.head(WIDEST[title]) if title in WIDEST else values
    cells = pl.concat([pl.Series([title], dtype=pl.String), cut.rename("")])
    return cells.str.pad_end(int(cells.str.len_chars().max() or 0))  # pyright: ignore[reportArgumentType]


def as_json(table: pl.DataFrame) -> str:
    """The list as a JSON array of objects, times in ISO 8601."""
    return table.with_columns(_iso()).write_json()


def as_csv(table: pl.DataFrame) -> str:
    """The list as CSV with a header; kinds are joined by spaces."""
    return table.with_columns(_iso(), pl.col("kinds").list.join(" ")).write_csv().rstrip("\n")


def _iso() -> pl.Expr:
    return pl.col("started_at").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
