"""The recordings of one folder: found, named, searched, each with its verdict once it is known."""

import json
import re
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from recorder.amendments import AMENDMENTS_FILE, amended_job, read_amendments
from recorder.errors import InputError
from recorder.files import LIFELESS_S
from recorder.hashes import SEAL_FILE
from recorder.jobsheet import job_sheet_from

NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._+-]{0,150}$")
ASIDE = ".page"
"""Folder beside the recordings for what the page itself keeps: verdicts and sheets; safe to delete."""
SEARCHED = ("vehicle", "plate", "vin", "complaint", "customer", "order_number", "name")


@dataclass(frozen=True, slots=True)
class Entry:
    """A recording in the list; ``wrong`` says what hinders reading it, ``state`` is sealed, under_way or cut_off."""

    name: str
    state: str
    started_at: str | None
    job: dict[str, Any]
    verdict: str | None = None
    says: str | None = None
    wrong: str | None = None

    @property
    def vehicle(self) -> str:
        """What people call it."""
        return str(self.job.get("vehicle") or self.job.get("name") or self.name)


class NotHereError(InputError):
    """There is no recording or sheet of that name."""


class Shelf:
    """The folder of recordings; no name leads out of it."""

    def __init__(self, out: Path) -> None:
        self.out = out.resolve()
        self._verdicts = self._read_verdicts()

    def folder(self, name: str) -> Path:
        """The folder of a recording.

        Raises
        ------
        NotHereError
            If there is none of that name here.
        """
        folder = self.out / name
        if not NAME.match(name) or folder.is_symlink() or folder.resolve().parent != self.out or not folder.is_dir():
            raise NotHereError(f"'{name[:80]}': there is no such recording here.")
        return folder

    def entries(self, words: str = "", verdict: str = "") -> list[Entry]:
        """Recordings that hold all the words and the verdict, newest first."""
        found = (
            [self._entry(p) for p in self.out.iterdir() if p.is_dir() and not p.is_symlink() and NAME.match(p.name)]
            if self.out.is_dir()
            else []
        )
        wanted = words.lower().split()
        kept = [
            entry
            for entry in found
            if entry is not None
            and (not verdict or entry.verdict == verdict or (verdict == "wrong" and entry.wrong))
            and all(word in _searched(entry) for word in wanted)
        ]
        return sorted(
            kept, key=lambda entry: (entry.state == "under_way", entry.started_at or "", entry.name), reverse=True
        )

    def _entry(self, folder: Path) -> Entry | None:
        sealed, opening = folder / "recording.json", folder / "opening.json"
        if not sealed.exists() and not opening.exists():
            return None
        path = sealed if sealed.exists() else opening
        try:
            about = cast("dict[str, Any]", json.loads(path.read_text(encoding="utf-8")))
            job = _as_corrected(folder, cast("dict[str, Any]", about["job_sheet"]))
        except (OSError, ValueError, KeyError, TypeError, AttributeError, InputError):
            return Entry(folder.name, "sealed", None, {}, wrong=f"{path.name} cannot be read.")
        if path == opening:
            alive = time.time() - opening.stat().st_mtime < LIFELESS_S
            started = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(int(about.get("utc_ns", 0)) / 1e9))
            wrong = None if alive else "It was cut off and is not sealed."
            return Entry(folder.name, "under_way" if alive else "cut_off", started, job, wrong=wrong)
        known = self._verdicts.get(folder.name, {})
        if known.get("stamp") != self.stamp(folder.name):
            known = {}
        started = cast("str | None", about.get("started_at")) if about.get("time_of_day_stated", True) else None
        return Entry(folder.name, "sealed", started, job, known.get("verdict"), known.get("says"), known.get("wrong"))

    def stamp(self, name: str) -> str:
        """Changes when any file of a recording does."""
        folder = self.out / name
        return "-".join(
            f"{p.name}:{p.stat().st_mtime_ns}:{p.stat().st_size}" for p in sorted(folder.iterdir()) if p.is_file()
        )

    def remember(self, name: str, verdict: dict[str, Any]) -> None:
        """Keep a verdict until the recording changes."""
        self._verdicts[name] = {**verdict, "stamp": self.stamp(name)}
        aside = self.out / ASIDE
        aside.mkdir(exist_ok=True)
        fresh = aside / "verdicts.json.aside"
        fresh.write_text(json.dumps(self._verdicts, ensure_ascii=False), encoding="utf-8")
        fresh.replace(aside / "verdicts.json")

    def _read_verdicts(self) -> dict[str, dict[str, Any]]:
        try:
            return cast(
                "dict[str, dict[str, Any]]", json.loads((self.out / ASIDE / "verdicts.json").read_text("utf-8"))
            )
        except (OSError, ValueError):
            return {}

    def sheets_folder(self, name: str) -> Path:
        """Where the sheets of a recording go."""
        return self.out / ASIDE / "sheets" / self.folder(name).name

    def photos(self, name: str) -> list[str]:
        """Photographs attached for the sheets."""
        folder = self.sheets_folder(name) / "photos"
        return sorted(path.name for path in folder.glob("*")) if folder.is_dir() else []

    def sheets(self, name: str) -> list[str]:
        """Sheets that were written."""
        folder = self.sheets_folder(name)
        return sorted(p.name for p in folder.iterdir() if p.suffix in SHEET_TYPES) if folder.is_dir() else []


def _as_corrected(folder: Path, job: dict[str, Any]) -> dict[str, Any]:
    """The job sheet with the corrections added since sealing; the chain alone is checked here, not every file."""
    if not (folder / AMENDMENTS_FILE).exists():
        return job
    digest = json.loads((folder / SEAL_FILE).read_text(encoding="utf-8")).get("digest")
    amendments, _, _ = read_amendments(folder, digest)
    return amended_job(job_sheet_from(job, folder.name), amendments).to_dict()


SHEET_TYPES = {
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".html": "text/html",
    ".json": "application/json",
    ".zip": "application/zip",
}


def _searched(entry: Entry) -> str:
    held = [str(entry.job.get(key) or "") for key in SEARCHED]
    return " ".join([*held, entry.name, entry.says or "", entry.started_at or "", entry.wrong or ""]).lower()
