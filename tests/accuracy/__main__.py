"""The accuracy table: ``python -m tests.accuracy [N]`` over N recordings of our own plant, and over the samples.

``python -m tests.accuracy 300 --keep FOLDER`` makes the recordings once in FOLDER and uses them again;
``--misses`` lists every miss and stray; ``--samples`` scores the samples alone.
"""

import argparse
import shutil
import tempfile
from pathlib import Path

from tests.accuracy.fleet import FIRST_SEED, fleet_score, kept, samples_score
from tests.accuracy.scoring import Score, lines_of


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
        for name, kinds, lead, rank, _ in (*score.leading, *score.sound):
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
