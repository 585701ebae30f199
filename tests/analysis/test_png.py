"""The sheets' PNG, beside poppler's rendering of their PDF and row by row: no row of a figure is left out."""

import io
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from analysis.case import Case
from analysis.claim.customer import page_data
from analysis.claim.sheet import claim_sheet
from analysis.claim.typeset import PNG_PPI, Layout, typeset
from analysis.diagnose import diagnose_timeline
from analysis.findings import Findings
from analysis.plots import Figure, Flag
from analysis.preferences import PAPERS, Preferences
from analysis.shown import BAR
from analysis.strip_chart import PRINTED, printed
from analysis.timeline import Floats, timeline_of
from recorder.recording import open_recording
from tests.analysis.pdf import Box, page_words
from tests.conftest import ROOT

WIDTH_PX = {"a4": 1020, "letter": 1050}
LEAST_INK = 0.9
"""A row of eight left out costs 15 %; the two rasterisers differ by up to 6 % in a word."""


@pytest.fixture(scope="module")
def demo() -> tuple[Case, Findings]:
    """The demo recording, diagnosed."""
    recording = open_recording(ROOT / "recordings" / "minibus-7-before")
    timeline = timeline_of(recording)
    assert timeline is not None
    findings, case = diagnose_timeline(recording, timeline, "test")
    return case, findings


def grey(png: bytes) -> Floats:
    """A picture's brightness by row and column."""
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"), np.float64)


def ruled(height: float, pixels: int) -> str:
    """A figure of the printed size; in a column at the left and a row at the top every second pixel is black."""
    svg = printed(Figure("", 0.0, 1.0, (), (), (Flag(0.5, ""),)), height)
    one = PRINTED / pixels
    rows = "".join(f"M40 {i * one:.6f}h20v{one:.6f}h-20z" for i in range(1, round(height / one), 2))
    columns = "".join(f"M{i * one:.6f} 0h{one:.6f}v20h-{one:.6f}z" for i in range(201, pixels, 2))
    return f'{svg[: svg.index(">") + 1]}<path d="{rows}{columns}" fill="#000"/></svg>'


def longest_even(values: Floats) -> tuple[int, int]:
    """Where the longest stretch begins in which every pixel differs from the next, and how long it is."""
    same = np.flatnonzero(np.diff(values < 128.0) == 0)
    edges = np.concatenate([[-1], same, [len(values) - 1]])
    lengths = np.diff(edges)
    at = int(lengths.argmax())
    return int(edges[at]) + 1, int(lengths[at])


@pytest.mark.parametrize("paper", WIDTH_PX)
@pytest.mark.parametrize("height", [200.0, 280.0, 380.0, 460.0])
def test_a_figure_is_laid_on_the_page_pixel_by_pixel(paper: str, height: float, demo: tuple[Case, Findings]):
    """At heights where the typesetter's own arithmetic would round one pixel up (seen with 280, 380 and 460)."""
    pixels = WIDTH_PX[paper]
    data = {**page_data(*demo, 200), "paper": PAPERS[paper], "foreign": ""}
    page = grey(typeset("customer.typ", [Layout(data, {"picture.svg": ruled(height, pixels)})], {}).pages[0])
    left = (page.shape[1] - pixels) // 2
    top, rows = longest_even(page[:, left + round(50.0 * pixels / PRINTED)])
    assert rows == round(height * pixels / PRINTED)
    assert longest_even(page[top + 5])[1] == pixels - 199


@pytest.mark.debian("pdftoppm", "pdftotext")
@pytest.mark.parametrize("paper", WIDTH_PX)
def test_every_word_holds_as_much_ink_as_where_poppler_draws_it(
    paper: str, demo: tuple[Case, Findings], tmp_path: Path
):
    case, findings = demo
    sheet = claim_sheet(case, findings, (), Preferences(BAR, PAPERS[paper]))
    pdf = tmp_path / "sheet.pdf"
    pdf.write_bytes(sheet.pdf)
    subprocess.run(["pdftoppm", "-r", f"{PNG_PPI:g}", "-png", str(pdf), str(tmp_path / "page")], check=True)
    drawn = [grey(path.read_bytes()) for path in sorted(tmp_path.glob("page-*.png"))]
    thin: list[tuple[str, float]] = []
    for ours, theirs, words in zip(map(grey, sheet.pages), drawn, page_words(pdf), strict=True):
        assert np.abs(np.subtract(ours.shape, theirs.shape)).max() <= 1
        for box in words:
            share = ink(ours, box) / ink(theirs, box)
            if len(box[4]) > 1 and box[4].strip(",.:[]").isalpha() and share < LEAST_INK:
                thin.append((box[4], share))
    assert thin == []


def ink(page: Floats, box: Box) -> float:
    """What is darker than the paper in a word's box and a pixel around it."""
    left, top, right, bottom = (round(edge * PNG_PPI / 72.0) for edge in box[:4])
    part = page[top - 1 : bottom + 2, left - 1 : right + 2]
    return float((part.max() - part).sum())
