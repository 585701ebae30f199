"""Corrections of a sealed recording: added beside it as amendments, never written over what was sealed."""

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from analysis import wording
from analysis.page.forms import read_form, typed_of
from recorder.amendments import append_amendment
from recorder.errors import InputError
from recorder.jobsheet import MARK_KINDS
from recorder.marks import Mark, iso_utc
from recorder.recording import Recording, open_recording

LONGEST_MARK = 400


def correct_job_sheet(folder: Path, typed: dict[str, Any], by: str, reason: str) -> dict[str, str]:
    """Add what differs from the job sheet as it stands; returns what is wrong, by field.

    Raises
    ------
    InputError
        If nothing was changed, or the recording cannot be amended.
    """
    job, wrong = read_form(typed)
    wrong |= _unnamed(by, reason)
    if job is None or wrong:
        return wrong
    stood = _whole(folder).job
    before, after = typed_of(stood.to_dict()), typed_of(job.to_dict())
    changed = {name for name in before | after if before.get(name, "") != after.get(name, "")}
    if not changed:
        raise InputError("nothing was changed.")
    values = job.to_dict()
    append_amendment(folder, time.time_ns(), by, reason, {name: values.get(name) for name in sorted(changed)})
    return {}


def correct_mark(folder: Path, asked: dict[str, Any], by: str, reason: str) -> dict[str, str]:
    """Take a mark out, put it right, or add one; returns what is wrong, by field.

    Parameters
    ----------
    asked : mapping
        ``gone``: UTC and kind of the mark as it stands; ``time_s``, ``kind``, ``text``: as it should be, in seconds of
        the recording. Either may be missing.

    Raises
    ------
    InputError
        If there is no such mark, or the recording cannot be amended.
    """
    recording = _whole(folder)
    wrong = _unnamed(by, reason)
    gone = _standing(recording, asked["gone"]) if asked.get("gone") else None
    right = _as_it_should_be(recording, asked, gone, wrong) if "kind" in asked else None
    if wrong:
        return wrong
    if gone is None and right is None:
        raise InputError("nothing was changed.")
    append_amendment(
        folder,
        time.time_ns(),
        by,
        reason,
        marks_added=() if right is None else (right,),
        marks_removed=() if gone is None else (gone,),
    )
    return {}


def _whole(folder: Path) -> Recording:
    recording = open_recording(folder)
    if not recording.intact:
        raise InputError("this recording is not intact; nothing is added to it.")
    return recording


def _unnamed(by: str, reason: str) -> dict[str, str]:
    wanted = {"by": (by, "is to be named."), "reason": (reason, "is to be said.")}
    return {name: words for name, (text, words) in wanted.items() if not text.strip()}


def _standing(recording: Recording, told: Any) -> Mark:
    for mark in recording.marks:
        if isinstance(told, dict) and told == {"utc": iso_utc(mark.utc_ns), "kind": mark.kind}:
            return mark
    raise InputError("that mark does not stand there any more; look again.")


def _as_it_should_be(recording: Recording, asked: dict[str, Any], gone: Mark | None, wrong: dict[str, str]) -> Mark:
    """The mark as typed; one whose time was not touched keeps it to the nanosecond."""
    kind, text, start_ns = str(asked["kind"]), str(asked.get("text") or "").strip(), recording.started_utc_ns or 0
    seconds = seconds_of(str(asked.get("time", "")))
    if kind not in MARK_KINDS:
        wrong["kind"] = "is no kind of mark."
    if len(text) > LONGEST_MARK:
        wrong["text"] = f"is longer than {LONGEST_MARK} characters."
    if seconds is None or not 0 <= seconds <= 7 * 86400:
        wrong["time"] = "is not a time of the recording such as 12:30."
        seconds = 0.0
    at = Mark(start_ns + round(seconds * 1e9), kind, text)
    if gone is not None and abs(at.utc_ns - gone.utc_ns) < 1_000_000_000:
        return replace(at, utc_ns=gone.utc_ns)
    return at


def seconds_of(text: str) -> float | None:
    """Read ``12:30`` or ``1:02:30`` or plain seconds; None if it is no time."""
    try:
        parts = [float(part) for part in text.strip().replace(",", ".").split(":")]
    except ValueError:
        return None
    if len(parts) > 3 or any(not 0 <= part < 1e6 for part in parts) or any(part >= 60 for part in parts[1:]):
        return None
    return sum(part * 60**power for power, part in enumerate(reversed(parts)))


def history(recording: Recording) -> list[dict[str, Any]]:
    """The corrections so far, in words."""
    told: list[dict[str, Any]] = []
    for one in recording.amendments:
        what = [f"{name.replace('_', ' ')}: {_shown(value)}" for name, value in one.job_sheet.items()]
        what += [f"mark taken out: {_mark(mark, recording)}" for mark in one.marks_removed]
        what += [f"mark set: {_mark(mark, recording)}" for mark in one.marks_added]
        told.append({"utc": one.utc[:16].replace("T", " "), "by": one.by, "reason": one.reason, "what": what})
    return told


def _mark(mark: Mark, recording: Recording) -> str:
    at = wording.clock((mark.utc_ns - (recording.started_utc_ns or 0)) / 1e9)
    return f"{at} {mark.kind.replace('_', ' ')} {mark.text}".strip()


def _shown(value: Any) -> str:
    if value is None or value == []:
        return "taken out"
    if isinstance(value, list):
        return ", ".join(map(str, value))  # pyright: ignore[reportUnknownArgumentType, reportUnknownVariableType]
    return f"{value:g}" if isinstance(value, float) else str(value)
