"""Made recordings for tests: arrays in, a recording out, through the store as any other."""

import tempfile
from pathlib import Path

import numpy as np

from recorder.importer import import_csv
from recorder.jobsheet import job_sheet_from
from recorder.recording import Recording, open_recording


def recording_of(t_s: np.ndarray, columns: dict[str, np.ndarray], **job: object) -> Recording:
    """Import seconds and columns (header -> values; NaN is a missing sample) as a recording."""
    values = np.column_stack([t_s, *columns.values()])
    lines = [",".join(["time_s", *columns])]
    lines += [
        ",".join("" if not np.isfinite(v) else f"{v:.6g}" if i else f"{v:.3f}" for i, v in enumerate(row))
        for row in values
    ]
    sheet = {
        "refrigerant": "R-134a",
        "metering": "expansion_valve",
        "compressor": "cycling_clutch",
        "altitude_m": 0,
        **job,
    }
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "made.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        folder = import_csv(path, job_sheet_from(sheet, "made"), Path(name), {})
        return open_recording(folder)
