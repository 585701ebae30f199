"""What the analysis makes of the fleet and of the samples, scored; recordings are made once and kept."""

import gzip
import itertools
import json
import tempfile
import traceback
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from analysis.diagnose import diagnose
from analysis.findings import Findings
from recorder.importer import import_csv
from recorder.jobsheet import read_job_sheet
from recorder.recording import open_recording
from tests.accuracy.scoring import Score, add
from tests.conftest import SAMPLE_NAMES, SAMPLES
from tests.plant.fleet import WEIGHTS, draft, make_all

FIRST_SEED = 1


def judged(folder: Path) -> tuple[str, Findings | str, dict[str, Any]]:
    """Findings and truth of one kept recording; where the analysis failed, how."""
    truth = json.loads((folder / "truth.json").read_text())
    try:
        recording = open_recording(next(folder.glob("*/recording.json")).parent)
        return folder.name, diagnose(recording, "test"), truth
    except Exception:  # a failure is a result of the table, whatever it is
        return folder.name, traceback.format_exc(limit=-2), truth


def fleet_score(folders: list[Path]) -> Score:
    """Score kept recordings on both cores."""
    score = Score()
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        for name, findings, truth in pool.map(judged, folders, chunksize=4):
            if isinstance(findings, str):
                score.failures.append((name, findings))
            else:
                add(score, name, findings, truth)
    return score


def samples_score() -> Score:
    """Score the eighteen samples."""
    score = Score()
    with tempfile.TemporaryDirectory() as name:
        for sample in SAMPLE_NAMES:
            csv = Path(name) / f"{sample}.csv"
            csv.write_bytes(gzip.decompress((SAMPLES / f"{sample}.csv.gz").read_bytes()))
            job = read_job_sheet(SAMPLES / f"{sample}.job.json")
            findings = diagnose(open_recording(import_csv(csv, job, Path(name), {})), "test")
            add(score, sample, findings, json.loads((SAMPLES / f"{sample}.truth.json").read_text()))
    return score


def short_drives(each: int, healthy: int, longest_s: float) -> list[int]:
    """The first seeds of each planted kind, and of health, whose drive is no longer than that."""
    wanted = Counter(dict.fromkeys(WEIGHTS, each) | {"healthy": healthy})
    seeds: list[int] = []
    for seed in itertools.count(FIRST_SEED):
        if not wanted.total():
            return seeds
        one = draft(seed)
        if wanted[one.kind] and one.healthy.drive.duration_s <= longest_s:
            wanted[one.kind] -= 1
            seeds.append(seed)
    raise AssertionError("seeds never end")


def kept(seeds: Sequence[int], folder: Path) -> list[Path]:
    """Folders of the seeds, made where they are not there yet."""
    make_all([s for s in seeds if not (folder / f"{s}" / "made").exists()], folder)
    return [folder / f"{s}" for s in seeds if (folder / f"{s}" / "truth.json").exists()]
