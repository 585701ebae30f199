"""A recording opened to be judged: with another job sheet or later calibrations where such are given."""

from dataclasses import replace
from pathlib import Path

from recorder.calibrate import calibrations_of
from recorder.jobsheet import read_job_sheet
from recorder.recalibration import recalibrated
from recorder.recording import Recording, open_recording


def opened(recording: Path, job_file: Path | None, calibration_file: Path | None = None) -> Recording:
    """Read a recording; the seal is not touched.

    Raises
    ------
    InputError
        If one of the three cannot be read, or no calibration belongs to a sensor of the recording.
    """
    whole = open_recording(recording)
    if calibration_file is not None:
        whole = recalibrated(whole, calibrations_of(calibration_file))
    return whole if job_file is None else replace(whole, job=read_job_sheet(job_file))
