"""Later corrections of a sealed recording: job sheet or marks, one JSON line each, chained by hash; the original stays.

``amendments.jsonl`` stands beside the seal, which does not change. Each line carries the SHA-256 of the line before,
the first one the seal's digest, so that no line can be altered, taken out or put between without showing. Lines taken
off the end show only against a digest that was noted elsewhere: ``chain_digest``.
"""

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from recorder.durable import append_line
from recorder.errors import InputError, StoreError
from recorder.hashes import check_seal
from recorder.jobsheet import LONGEST_TEXT, MARK_KINDS, JobSheet, job_sheet_from
from recorder.marks import Mark, iso_utc, utc_ns_of

AMENDMENTS_FILE = "amendments.jsonl"
_KEYS = {"utc", "by", "reason", "job_sheet", "marks_added", "marks_removed", "previous"}


@dataclass(frozen=True, slots=True)
class Amendment:
    """One correction.

    Attributes
    ----------
    utc : str
        When it was made, ISO 8601.
    by, reason : str
        Who made it, and why.
    job_sheet : mapping
        Fields of the job sheet that change; None takes a value out.
    marks_added : tuple of Mark
        Marks as they should have been set.
    marks_removed : tuple of Mark
        Marks that were set by mistake, by time and kind.
    """

    utc: str
    by: str
    reason: str
    job_sheet: Mapping[str, Any]
    marks_added: tuple[Mark, ...] = ()
    marks_removed: tuple[Mark, ...] = ()


def _mark_values(mark: Mark) -> dict[str, str]:
    return {"utc": iso_utc(mark.utc_ns), "kind": mark.kind, "text": mark.text}


def _mark_from(values: Any) -> Mark:
    entry = cast("dict[str, Any]", values)
    if entry["kind"] not in MARK_KINDS:
        raise ValueError(f"'{entry['kind']}' is no kind of mark")
    text = str(entry.get("text") or "")
    if len(text) > LONGEST_TEXT:
        raise ValueError(f"a mark's text is longer than {LONGEST_TEXT} characters")
    return Mark(utc_ns_of(entry["utc"]), str(entry["kind"]), text)


def _amendment_from(values: dict[str, Any]) -> Amendment:
    unknown = sorted(set(values) - _KEYS)
    if unknown:
        raise ValueError(f"unknown key '{unknown[0]}'")
    changes: object = values.get("job_sheet") or {}
    if not isinstance(changes, dict):
        raise ValueError("job_sheet is no object")
    sheet = cast("dict[str, Any]", changes)
    if "marks" in sheet:
        raise ValueError("marks are amended by marks_added and marks_removed")
    job_sheet_from(sheet, "amendment")
    return Amendment(
        str(values["utc"]),
        str(values["by"]),
        str(values["reason"]),
        sheet,
        tuple(_mark_from(item) for item in values.get("marks_added") or ()),
        tuple(_mark_from(item) for item in values.get("marks_removed") or ()),
    )


def _hash_of(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()


def read_amendments(folder: Path, seal_digest: str | None) -> tuple[tuple[Amendment, ...], tuple[str, ...], str | None]:
    """Read and verify the chain.

    Parameters
    ----------
    folder : Path
        A sealed recording.
    seal_digest : str or None
        Digest of its seal, which the first line must name.

    Returns
    -------
    amendments : tuple of Amendment
        Those up to the first line that does not fit the chain.
    damage : tuple of str
        One sentence on what does not fit.
    chain_digest : str or None
        SHA-256 of the last good line; None without one.
    """
    path = folder / AMENDMENTS_FILE
    amendments: list[Amendment] = []
    previous, last = seal_digest, None
    for number, line in enumerate(_whole_lines(path), start=1):
        try:
            values: object = json.loads(line)
            if not isinstance(values, dict):
                raise ValueError("not an object")
            entry = cast("dict[str, Any]", values)
            if entry.get("previous") != previous:
                before = "the seal" if number == 1 else f"line {number - 1}"
                return tuple(amendments), (f"{AMENDMENTS_FILE} line {number} does not follow {before}",), last
            amendments.append(_amendment_from(entry))
        except (ValueError, KeyError, TypeError, InputError) as reason:
            return tuple(amendments), (f"{AMENDMENTS_FILE} line {number} cannot be read ({reason})",), last
        previous = last = _hash_of(line)
    return tuple(amendments), (), last


def _whole_lines(path: Path) -> list[bytes]:
    """Lines that were written to their end; a torn one was never confirmed to anybody."""
    return path.read_bytes().split(b"\n")[:-1] if path.exists() else []


def append_amendment(
    folder: Path,
    utc_ns: int,
    by: str,
    reason: str,
    job_sheet: Mapping[str, Any] | None = None,
    marks_added: tuple[Mark, ...] = (),
    marks_removed: tuple[Mark, ...] = (),
) -> str:
    """Add a correction to a sealed recording, forced to the disk; returns the chain's new digest.

    Raises
    ------
    InputError
        If the recording is not sealed, its chain is broken, nobody or no reason is named, nothing changes, or a value
        cannot be taken.
    StoreError
        If the disk takes no more.
    """
    seal_digest, _ = check_seal(folder)
    if seal_digest is None:
        raise InputError(f"{folder}: is not sealed; correct its job sheet before sealing.")
    _, damage, last = read_amendments(folder, seal_digest)
    if damage:
        raise InputError(f"{folder}: {damage[0]}; nothing is added to a broken chain.")
    if not by.strip() or not reason.strip():
        raise InputError("an amendment needs to say who made it and why.")
    if not (job_sheet or marks_added or marks_removed):
        raise InputError("the amendment changes nothing.")
    values = {
        "utc": iso_utc(utc_ns),
        "by": by.strip(),
        "reason": reason.strip(),
        "job_sheet": dict(job_sheet or {}),
        "marks_added": [_mark_values(mark) for mark in marks_added],
        "marks_removed": [_mark_values(mark) for mark in marks_removed],
        "previous": last or seal_digest,
    }
    try:
        _amendment_from(values)
    except ValueError as wrong:
        raise InputError(f"amendment: {wrong}.") from None
    line = json.dumps(values, ensure_ascii=False, separators=(",", ":")).encode()
    try:
        path = folder / AMENDMENTS_FILE
        if path.exists():  # a line that a crash tore while it was written would break the chain
            os.truncate(path, sum(len(whole) + 1 for whole in _whole_lines(path)))
        append_line(path, line)
    except OSError as fault:
        raise StoreError(f"{folder}: the amendment could not be written ({fault.strerror})") from None
    return _hash_of(line)


def amended_job(job: JobSheet, amendments: tuple[Amendment, ...]) -> JobSheet:
    """The job sheet with all corrections, in order."""
    values = job.to_dict()
    for amendment in amendments:
        values |= amendment.job_sheet
    return replace(job_sheet_from(values, AMENDMENTS_FILE), marks=job.marks)


def amended_marks(marks: tuple[Mark, ...], amendments: tuple[Amendment, ...]) -> tuple[Mark, ...]:
    """The marks with all corrections, in order of time."""
    kept = list(marks)
    for amendment in amendments:
        gone = {(iso_utc(mark.utc_ns), mark.kind) for mark in amendment.marks_removed}
        kept = [mark for mark in kept if (iso_utc(mark.utc_ns), mark.kind) not in gone]
        kept += amendment.marks_added
    return tuple(sorted(kept, key=lambda mark: mark.utc_ns))
