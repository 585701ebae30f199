"""Everything from a recording to a claim sheet; knows no wire."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.notebook.opened import OpenedRecording

__all__ = ["open_recording"]


def open_recording(
    path: "Path | str", *, job: "Path | str | None" = None, calibration: "Path | str | None" = None
) -> "OpenedRecording":
    """Open a recording for a Python program or a notebook.

    Parameters
    ----------
    path : Path or str
        Folder of a recording; ``demo`` is the shipped drive where no folder has that name.
    job : Path or str, optional
        A job sheet (JSON or TOML) to read it with instead of its own.
    calibration : Path or str, optional
        A file of later calibrations to read it with. What was sealed is not touched by either.

    Returns
    -------
    OpenedRecording
        Job sheet, marks, frames in polars, findings and figures; what takes long is worked out when first asked for.

    Raises
    ------
    InputError
        If there is no recording at that path, or it cannot be read.

    Examples
    --------
    >>> import analysis
    >>> drive = analysis.open_recording("demo")
    >>> drive
    OpenedRecording(minibus-7-before, 36:00 from 2026-07-14T14:12:00Z, 10 channels, 5 marks, sealed, intact)
    >>> drive.findings.verdict
    'fault_found'
    >>> drive.episodes[0]
    Episode(condenser loses its airflow, 9:4...–10:..., severity 0...)
    """
    from analysis.notebook.opened import opened_recording

    return opened_recording(path, job, calibration)
