"""The accuracy table: ``python -m tests.accuracy [N]`` over N recordings of our own plant, and over the samples.

``python -m tests.accuracy 300 --keep FOLDER`` makes the recordings once in FOLDER and uses them again;
``--misses`` lists every miss and stray; ``--samples`` scores the samples alone.
"""

import argparse
import gzip
import itertools
import json
import shutil
import tempfile
import traceback
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
from tests.accuracy.scoring import Score, add, lines_of
from tests.conftest import SAMPLE_NAMES, SAMPLES
from tests.plant.fleet import draft, make_all

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


def short_drives(count: int, longest_s: float) -> list[int]:
    """The first ``count`` seeds whose drive is no longer than that."""
    seeds = (s for s in itertools.count(FIRST_SEED) if draft(s).healthy.drive.duration_s <= longest_s)
    return list(itertools.islice(seeds, count))


def kept(seeds: Sequence[int], folder: Path) -> list[Path]:
    """Folders of the seeds, made where they are not there yet."""
    missing = [s for s in seeds if not (folder / f"{s}" / "made").exists()]
    make_all(missing, folder)
    for seed in missing:
        (folder / f"{seed}").mkdir(parents=True, exist_ok=True)
        (folder / f"{seed}" / "made").touch()
    return [folder / f"{s}" for s in seeds if (folder / f"{s}" / "truth.json").exists()]


def show(score: Score, *, misses: bool) -> None:
    """Print a table."""
    print("\n".join(lines_of(score)))
    if misses:
        for kind, name, text in sorted(score.misses):
            print(f"missed {kind:24} {name:>6} {text}")
        for text, name in sorted(score.strays):
            print(f"stray  {text:40} {name}")
        for kind, name, why, absent in sorted(score.undecided):
            print(f"undecided {kind:22} {name:>6} {'need absent' if absent else 'NEED THERE'} {why}")
        for name, kinds, lead, rank in score.leading:
            if rank:
                print(f"leading {name:>6} true {kinds}, said {lead}, rank {rank + 1}")


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=60)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--misses", action="store_true")
    parser.add_argument("--samples", action="store_true", help="the samples alone")
    given = parser.parse_args()
    if not given.samples:
        folder = given.keep or Path(tempfile.mkdtemp(prefix="fleet-"))
        show(fleet_score(kept(range(FIRST_SEED, FIRST_SEED + given.count), folder)), misses=given.misses)
        if given.keep is None:
            shutil.rmtree(folder)
    print("\nthe samples")
    show(samples_score(), misses=given.misses)


if __name__ == "__main__":
    main()
