"""The recordings of one folder as the archive lists them, each under one word of an address."""

import contextlib
import os
import tempfile
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, cast

from recorder.errors import InputError
from recorder.files import OPENING_FILE
from recorder.hashes import SEAL_FILE

if TYPE_CHECKING:
    import polars as pl

ASIDE = ".page"
"""Folder beside the recordings for what the page itself keeps, as sheets; safe to delete."""
LONGEST_NAME = 255
LONGEST_PATH = 1000
SEARCHED = (
    "vehicle", "model", "plate", "vin", "complaint", "customer", "order_number", "name", "refrigerant", "path", "says",
    "wrong",
)  # fmt: skip
NOT_INTACT = "Not intact: files are missing or were altered."
LONGEST_JOURNAL = 1 << 20
"""Bytes of findings that came one by one; more are put into the table, so that a list stays fast (our own choice)."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A recording in the list.

    ``name`` is its path below the folder as one word of an address; ``state`` is sealed, under_way or cut_off;
    ``wrong`` says what hinders reading it, ``copy_of`` which other recording it is a copy of.
    """

    name: str
    path: str
    state: str
    started_at: str | None
    vehicle: str
    plate: str | None
    complaint: str | None
    verdict: str | None
    says: str | None
    wrong: str | None
    copy_of: str | None
    length: str | None


class NotHereError(InputError):
    """There is no recording or sheet of that name."""


def name_of(path: str) -> str:
    """A path below the folder as one word of an address (the escapes of RFC 6901)."""
    return path.replace("~", "~0").replace("/", "~1")


def path_of(name: str) -> str:
    """The path that ``name_of`` made a word of."""
    return name.replace("~1", "/").replace("~0", "~")


class Shelf:
    """The folder of recordings; no name leads out of it."""

    def __init__(self, out: Path) -> None:
        self.out = out.resolve()
        self._at_rest: set[str] = set()

    def folder(self, name: str) -> Path:
        """The folder of a recording.

        Raises
        ------
        NotHereError
            If there is none of that name here.
        """
        folder = self.out
        parts = path_of(name).split("/") if len(name) <= LONGEST_PATH else [""]
        for part in parts:
            folder /= part
            plain = part.isprintable() and not part.startswith(".") and 0 < len(part.encode()) <= LONGEST_NAME
            if not plain or folder.is_symlink() or folder.name != part:
                raise NotHereError(f"'{name[:80]}': there is no such recording here.")
        if folder.resolve() != folder or not folder.is_relative_to(self.out) or not folder.is_dir():
            raise NotHereError(f"'{name[:80]}': there is no such recording here.")
        return folder

    def entries(self, words: str = "", verdict: str = "") -> list[Entry]:
        """Recordings that hold all the words and the verdict, those under way first, then the newest."""
        import polars as pl

        table = self._listed()
        said = pl.concat_str(
            *SEARCHED, pl.col("plate").str.replace_all(r"[\s\-]", ""), separator=" ", ignore_nulls=True
        )
        told = said.str.to_lowercase()
        asked = [told.str.contains(word, literal=True) for word in words.lower().split()]
        if verdict:
            asked.append(pl.col("wrong").is_not_null() if verdict == "wrong" else pl.col("verdict") == verdict)
        under_way = (pl.col("state") == "under_way").fill_null(value=False)
        found = (table.filter(*asked) if asked else table).sort(under_way, descending=True, maintain_order=True)
        return [_entry(row) for row in found.iter_rows(named=True)]

    def _listed(self) -> "pl.DataFrame":
        """The archive's list, with what is wrong with each recording, be it known from reading or from analysing it."""
        import polars as pl

        from analysis.archive.index import indexed
        from analysis.archive.kept import kept_findings
        from analysis.archive.listing import listed

        # Each file is asked for its time: one that was altered in place must not keep its verdict.
        index = indexed(self.out, lambda _: None, by_content=True)
        self._fold(index.table["path"])
        kept = kept_findings(index.archive)
        faults = kept.unique("path", keep="first").select("path", "stamp", "intact", "error", "recorded_h")
        stamps = index.table.select("path", "stamp")
        known = stamps.join(faults, on=["path", "stamp"], how="inner").drop("stamp")
        not_intact = pl.when(~pl.col("intact")).then(pl.lit(NOT_INTACT))
        return (
            listed(index, kept)
            .join(known, on="path", how="left", maintain_order="left")
            .with_columns(wrong=pl.coalesce("wrong", "error", not_intact))
        )

    def _fold(self, paths: "pl.Series") -> None:
        from analysis.archive.index import ASIDE as ARCHIVE_ASIDE
        from analysis.archive.kept import JOURNAL_FILE, fold

        with contextlib.suppress(OSError):
            if (self.out / ARCHIVE_ASIDE / JOURNAL_FILE).stat().st_size > LONGEST_JOURNAL:
                fold(self.out, paths)

    def may_be_under_way(self) -> list[str]:
        """Names of the folders that are not sealed yet; those that were sealed once are not looked at again."""
        found: list[str] = []
        for path in self.out.iterdir() if self.out.is_dir() else ():
            if path.name in self._at_rest or path.name.startswith("."):
                continue
            # The seal comes last but for the opening file, which is taken away behind it.
            if (path / SEAL_FILE).exists():
                self._at_rest.add(path.name)
            elif (path / OPENING_FILE).exists():
                found.append(path.name)
        return found

    @cached_property
    def aside(self) -> Path:
        """Where the page keeps what is its own; for now alone where nothing can be written beside the recordings."""
        beside = self.out / ASIDE
        with contextlib.suppress(OSError):
            beside.mkdir(exist_ok=True)
            if os.access(beside, os.W_OK):
                return beside
        return Path(tempfile.mkdtemp(prefix="warmspell-"))

    def sheets_folder(self, name: str) -> Path:
        """Where the sheets of a recording go."""
        return self.aside / "sheets" / self.folder(name).relative_to(self.out)

    def opened_folder(self, name: str) -> Path:
        """Where what was found for the write-up of a recording is kept."""
        return self.aside / "opened" / self.folder(name).relative_to(self.out)

    def photos(self, name: str) -> list[str]:
        """Photographs attached for the sheets."""
        folder = self.sheets_folder(name) / "photos"
        return sorted(path.name for path in folder.glob("*")) if folder.is_dir() else []

    def sheets(self, name: str) -> list[str]:
        """Sheets that were written."""
        folder = self.sheets_folder(name)
        return sorted(p.name for p in folder.iterdir() if p.suffix in SHEET_TYPES) if folder.is_dir() else []


def wrong_with(error: str | None, intact: bool | None) -> str | None:
    """What an analysis found wrong with a recording, in words; None where nothing is."""
    return error or (NOT_INTACT if intact is False else None)


SHEET_TYPES = {
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".html": "text/html",
    ".json": "application/json",
    ".zip": "application/zip",
}


def _entry(row: dict[str, object]) -> Entry:
    from analysis.wording import clock

    path = str(row["path"])
    told = {key: cast("str | None", row[key]) for key in ("plate", "complaint", "verdict", "says", "wrong", "copy_of")}
    vehicle = str(row["vehicle"] or row["name"] or path)
    started = cast("datetime | None", row["started_at"])
    started_at = started.strftime("%Y-%m-%dT%H:%M:%SZ") if started else None
    hours = cast("float | None", row["recorded_h"])
    length = None if hours is None else clock(3600.0 * hours)
    return Entry(name_of(path), path, str(row["state"]), started_at, vehicle, **told, length=length)
