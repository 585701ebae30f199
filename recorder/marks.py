"""Moments the technician points at: one JSON line each, appended and forced to the disk at once."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

from recorder.durable import append_line
from recorder.errors import InputError
from recorder.jobsheet import LONGEST_TEXT, MARK_KINDS

MARKS_FILE = "marks.jsonl"


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark as it was pressed: host UTC, and host monotonic time where the recording was under way."""

    utc_ns: int
    kind: str
    text: str = ""
    monotonic_ns: int | None = None


def iso_utc(utc_ns: int) -> str:
    """ISO 8601 text of a UTC time [ns], to the microsecond."""
    moment = datetime.fromtimestamp(utc_ns // 10**9, UTC).replace(microsecond=utc_ns % 10**9 // 1000)
    return moment.isoformat().replace("+00:00", "Z")


def utc_ns_of(text: str) -> int:
    """UTC [ns] of an ISO 8601 text."""
    moment = datetime.fromisoformat(text)
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    return int(moment.replace(microsecond=0).timestamp()) * 10**9 + moment.microsecond * 1000


def append_mark(folder: Path, mark: Mark) -> None:
    """Append a mark to a recording under way.

    Raises
    ------
    InputError
        If the kind is not one of ``MARK_KINDS`` or the text is too long.
    """
    if mark.kind not in MARK_KINDS:
        raise InputError(f"'{mark.kind}' is no kind of mark. Kinds: {', '.join(MARK_KINDS)}.")
    if len(mark.text) > LONGEST_TEXT:
        raise InputError(f"the mark's text is longer than {LONGEST_TEXT} characters.")
    line = {
        "utc": iso_utc(mark.utc_ns),
        "monotonic_ns": mark.monotonic_ns,
        "kind": mark.kind,
        "text": mark.text,
    }
    append_line(folder / MARKS_FILE, json.dumps(line, ensure_ascii=False).encode())


def read_marks(folder: Path) -> tuple[tuple[Mark, ...], tuple[str, ...]]:
    """Read the marks of a recording; the second part names the lines that could not be read."""
    path = folder / MARKS_FILE
    marks: list[Mark] = []
    damage: list[str] = []
    text = path.read_text(encoding="utf-8", errors="replace") if path.exists() else ""
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            marks.append(_mark_from(json.loads(line)))
        except (ValueError, KeyError, TypeError):
            damage.append(f"{MARKS_FILE} line {number} cannot be read")
    return tuple(sorted(marks, key=lambda mark: mark.utc_ns)), tuple(damage)


def _mark_from(values: Any) -> Mark:
    line = cast("dict[str, Any]", values)
    if line["kind"] not in MARK_KINDS:
        raise ValueError(line["kind"])
    return Mark(utc_ns_of(line["utc"]), line["kind"], str(line.get("text") or ""), line.get("monotonic_ns"))
