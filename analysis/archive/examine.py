"""One recording to its rows of the screening table, whatever is wrong with it."""

import hashlib
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from analysis import wording
from analysis.archive.rows import EPISODE, ERROR, NONE
from analysis.diagnose import diagnose, diagnose_timeline
from analysis.findings import ABSENT, EXCLUDED, PRESENT, UNDECIDED, Episode, Findings
from analysis.timeline import timeline_of
from recorder.errors import InputError
from recorder.recording import open_recording

if TYPE_CHECKING:
    from analysis.timeline import Timeline

ArchiveRow = dict[str, Any]
FROM_JOB = ("vehicle", "model", "plate", "vin", "refrigerant", "metering", "compressor")


class GoneError(Exception):
    """The archive itself is not there any more; nothing is said of the recording."""


def examine(archive: str, path: str, software: str) -> list[ArchiveRow]:
    """Analyse one recording of an archive.

    Returns
    -------
    list of dict
        Rows of ``SCHEMA`` as plain values; a single one with ``error`` where the recording cannot be analysed.

    Raises
    ------
    GoneError
        If the archive vanished, as a network drive does.
    """
    folder = Path(archive) / path
    try:
        recording = open_recording(folder)
        timeline = timeline_of(recording)
        if timeline is None:
            findings = diagnose(recording, software)
        else:
            findings, _ = diagnose_timeline(recording, timeline, software)
        return rows_of(findings, path, mean_ambient(timeline))
    except InputError as reason:
        why = str(reason).removeprefix(f"{folder}/").removeprefix(f"{folder}: ")
    except OSError as reason:
        why = f"cannot be read ({reason.strerror or reason})"
    except (Exception, pl.exceptions.PanicException) as fault:  # a fault of ours must not stop the rest either
        why = f"the analysis failed: {type(fault).__name__}: {str(fault)[:200]}"
    if vanished(Path(archive), path):
        raise GoneError(archive)
    return [error_row(path, why, software)]


def vanished(archive: Path, path: str) -> bool:
    """Whether not a recording but the whole archive is missing: not there, or empty as where nothing is mounted."""
    try:
        return not (archive / path).exists() and not any(archive.iterdir())
    except OSError:
        return True


def error_row(path: str, why: str, software: str, row: str = ERROR) -> ArchiveRow:
    """The one row of a recording that was not analysed."""
    return {"path": path, "row": row, "software": software, "error": why}


def rows_of(findings: Findings, path: str, ambient_degc: float | None) -> list[ArchiveRow]:
    """A row an episode, or one that says that there is none."""
    common = _of_recording(findings) | {"path": path, "ambient_degc": ambient_degc}
    rows = [common | {"row": EPISODE} | _of_episode(episode) for episode in findings.episodes]
    return rows or [common | {"row": NONE}]


def _of_episode(episode: Episode) -> ArchiveRow:
    return {name: getattr(episode, name) for name in ("kind", "channel", "start_s", "end_s", "permanent", "severity")}


def _of_recording(findings: Findings) -> ArchiveRow:
    about, job = findings.recording, findings.job_sheet
    leading = next((cause for cause in findings.causes if cause.standing != EXCLUDED), None)
    odometer = job.get("odometer_in_km")
    return {
        **{name: job.get(name) for name in FROM_JOB},
        "recording_id": about.id,
        "cause": leading.cause if leading else None,
        "cause_probability": round(leading.probability, 4) if leading else None,
        "standing": leading.standing if leading else None,
        "verdict": findings.verdict,
        "says": wording.headline(findings)[0],
        **{
            f"{state}_kinds": [check.kind for check in findings.checks if check.state == state]
            for state in (PRESENT, ABSENT, UNDECIDED)
        },
        "suspected_kinds": [check.kind for check in findings.checks if check.suspected],
        "odometer_km": job.get("odometer_out_km") if odometer is None else odometer,
        "started_at": datetime.fromisoformat(about.started_at) if about.started_at else None,
        "recorded_h": about.duration_s / 3600.0,
        "pumped_h": sum(run.end_s - run.start_s for run in findings.compressor.runs) / 3600.0,
        "exposure_h": findings.coverage.exposure_s / 3600.0,
        "sealed": about.sealed,
        "intact": about.intact,
        "digest": about.digest,
        "software": findings.software,
        "findings_digest": hashlib.sha256(findings.to_json().encode()).hexdigest(),
        "error": None,
    }


def mean_ambient(timeline: "Timeline | None") -> float | None:
    """Mean of the ambient channel [degC]; None where there is none."""
    ambient = timeline.grid("ambient") if timeline else None
    return None if ambient is None else round(float(np.nanmean(ambient)), 2)
