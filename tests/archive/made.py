"""Archives of many small recordings, made fast: one drive of the plant model, sealed anew under other ids."""

import hashlib
import json
import os
import uuid
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl

from recorder.files import RECORDING_FILE
from recorder.hashes import SEAL_FILE, digest_over
from recorder.recording import Stream, open_recording
from recorder.sealing import write_sealed
from tests.conftest import ROOT

SHIPPED = ROOT / "recordings" / "minibus-7-before"


def small_recording(folder: Path, every: int = 4, rows: int = 100_000) -> Path:
    """The shipped drive with every so many samples alone, sealed; ``rows`` cuts it off."""
    whole = open_recording(SHIPPED)
    (stream,) = whole.streams
    thin = Stream(stream.id, stream.rate_hz / every, stream.channels, stream.data[::every][:rows])
    node = json.loads((SHIPPED / RECORDING_FILE).read_text())["nodes"][0]
    node["description"]["groups"][0]["rate_hz"] /= every
    folder.mkdir(parents=True)
    sheet = replace(whole.job, marks=())
    write_sealed(folder, "small", sheet, (thin,), [node], [], "tests", "invented: made by tests/plant")
    return folder


def copies_of(source: Path, archive: Path, count: int, first: int = 0, **stated: Any) -> list[Path]:
    """So many recordings with a drive's samples (linked, not copied), each with an id, plate and date of its own."""
    about = json.loads((source / RECORDING_FILE).read_text())
    hashes = json.loads((source / SEAL_FILE).read_text())["files"]
    made: list[Path] = []
    for number in range(first, first + count):
        folder = archive / f"bus-{number:05d}"
        folder.mkdir(parents=True)
        about["id"] = str(uuid.uuid5(uuid.NAMESPACE_URL, f"warmspell:archive:{number}"))
        day = f"{2024 + number % 3}-{1 + number % 12:02d}-{1 + number % 28:02d}"
        about["started_at"] = f"{day}T09:00:00Z"
        job = {
            "vehicle": f"Minibus {number % 40}",
            "model": f"Invented {'ABC'[number % 3]}",
            "plate": f"HV {number:05d}",
        }
        about["job_sheet"] |= {**job, "odometer_in_km": 1000.0 * (number % 200), **stated}
        text = json.dumps(about).encode()
        (folder / RECORDING_FILE).write_bytes(text)
        hashes[RECORDING_FILE] = hashlib.sha256(text).hexdigest()
        seal = {"schema": 1, "files": hashes, "digest": digest_over(hashes), "sealed_at": "2026-11-25T00:00:00Z"}
        (folder / SEAL_FILE).write_text(json.dumps(seal))
        for name in hashes:
            if name != RECORDING_FILE:
                os.link(source / name, folder / name)
        made.append(folder)
    return made


def listed(table: pl.DataFrame) -> list[str]:
    """The paths of a table."""
    return table["path"].to_list()
