"""The README's pictures, made from the demo recordings: python -m tests.plant.make_pictures recordings.

The sheets' first pages are drawn by poppler (Debian package poppler-utils), small enough for a README.
"""

import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from analysis.claim.customer import customer_page
from analysis.claim.sheet import claim_sheet
from analysis.compare import analysed
from analysis.overlay import like_stretch
from analysis.plots import chosen, figure_of
from analysis.preferences import Preferences
from analysis.shown import KPA
from analysis.strip_chart import svg_of
from recorder.recording import open_recording
from recorder.store import software

BEFORE, AFTER = "minibus-7-before", "minibus-7-after"
PPI, WIDTH, HEIGHT, BUCKETS = 88, 720.0, 420.0, 420
SHOWN_S = (480.0, 1740.0)
"""The part of the drive that holds all four stops at fault."""


def main(recordings: Path) -> list[Path]:
    """Write trace.svg, comparison.svg, claim-sheet.png and customer-page.png beside the recordings."""
    before, after = (analysed(open_recording(recordings / name), software()) for name in (BEFORE, AFTER))
    findings, case = before
    figure = figure_of(case, findings, "Minibus 7, a hot afternoon (invented)", *SHOWN_S, BUCKETS)
    alike = like_stretch(before, after, KPA, BUCKETS)
    assert alike is not None
    title = "One stop before and one after the repair (invented)"
    drawn = {
        "trace.svg": svg_of(chosen(figure, ["condenser_airflow_loss"]), WIDTH, HEIGHT),
        "comparison.svg": svg_of(replace(alike.figure, title=title), WIDTH, HEIGHT),
    }
    for name, svg in drawn.items():
        (recordings / name).write_text(svg, encoding="utf-8")
    sheets = {
        "claim-sheet.png": claim_sheet(case, findings, (), Preferences()).pdf,
        "customer-page.png": customer_page(case, findings, Preferences()).pdf,
    }
    for name, pdf in sheets.items():
        _first_page(pdf, recordings / name)
    return [recordings / name for name in (*drawn, *sheets)]


def _first_page(pdf: bytes, out: Path) -> None:
    with tempfile.TemporaryDirectory(prefix="warmspell-") as folder:
        page = Path(folder) / "page.pdf"
        page.write_bytes(pdf)
        command = ["pdftoppm", "-r", str(PPI), "-png", "-singlefile", str(page), str(out.with_suffix(""))]
        subprocess.run(command, check=True)


if __name__ == "__main__":
    for path in main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("recordings")):
        print(path)
