"""The claim sheet and the report, opened by other programs than the one that wrote them."""

import json
import subprocess
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest

from analysis.claim import write_report
from analysis.claim.html import chart_of
from analysis.diagnose import diagnose_timeline
from analysis.plots import figure_of, reduced, ticks, time_ticks
from analysis.timeline import timeline_of
from recorder.recording import Recording, open_recording
from tests.analysis.made import recording_of
from tests.conftest import ROOT, warmspell

BEFORE = ROOT / "recordings" / "minibus-7-before"
EVIL = '<script>alert(1)</script> #import "x" $ \\ [*bold*] =SUM(A1) {{7*7}} </script> é Ж Ω'


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo recording's report, written by the command."""
    out = tmp_path_factory.mktemp("report")
    done = warmspell("report", str(BEFORE), "--out", str(out))
    assert done.returncode == 0, done.stderr
    names = [Path(line).name for line in done.stdout.split()]
    assert names[0] == "claim-sheet.pdf"
    assert {"claim-sheet-1.png", "report.html", "findings.json"} <= set(names)
    return out


def poppler(program: str, *words: str) -> str:
    """Run one of poppler's programs."""
    return subprocess.run([program, *words], capture_output=True, text=True, check=True).stdout


@pytest.mark.debian("pdftotext", "pdffonts", "pdfinfo")
def test_an_independent_reader_finds_the_words_and_embedded_fonts(report: Path):
    """Opened with poppler (Debian package poppler-utils)."""
    pdf = str(report / "claim-sheet.pdf")
    text = " ".join(poppler("pdftotext", "-layout", pdf, "-").split())
    for words in (
        "Likely: condenser loses its airflow, 4 times.",
        "HVCT7BUS000000007",
        "Blows warm at some stops",
        "what tells them apart",
        "common practice, no source",
        "HV-P-011",
        "invented",
        "warmspell check",
        "a passenger watches, never the driver",
    ):
        assert words in text
    fonts = poppler("pdffonts", pdf).splitlines()[2:]
    assert fonts
    assert all(line.split()[-5:-2][0] == "yes" for line in fonts), fonts
    info = poppler("pdfinfo", pdf)
    assert "Title:           Claim sheet, minibus-7-before" in info
    assert int(next(line.split()[1] for line in info.splitlines() if line.startswith("Pages:"))) in (2, 3, 4)


@pytest.mark.debian("pdftoppm")
def test_the_printed_page_holds_ink_where_the_trace_is(report: Path, tmp_path: Path):
    """The page as poppler draws it: the trace's middle is neither blank nor black."""
    poppler(
        "pdftoppm", "-r", "60", "-gray", "-f", "1", "-l", "1", str(report / "claim-sheet.pdf"), str(tmp_path / "page")
    )
    (page,) = tmp_path.glob("page*.pgm")
    data = page.read_bytes()
    width, height = (int(v) for v in data.split(b"\n", 3)[1].split())
    grey = np.frombuffer(data[-width * height :], np.uint8).reshape(height, width)
    trace = grey[int(0.38 * height) : int(0.68 * height), int(0.15 * width) : int(0.75 * width)]
    assert 0.02 < float(np.mean(trace < 160)) < 0.35


def test_the_same_findings_give_the_same_bytes(report: Path, tmp_path: Path):
    again = write_report(
        open_recording(BEFORE), tmp_path, json.loads((report / "findings.json").read_text())["software"]
    )
    for path in again:
        assert path.read_bytes() == (report / path.name).read_bytes(), path.name


def test_the_chart_is_what_plotly_takes(report: Path):
    recording = open_recording(BEFORE)
    timeline = timeline_of(recording)
    assert timeline is not None
    findings, case = diagnose_timeline(recording, timeline, "test")
    chart = chart_of(figure_of(case, findings, "", 0.0, timeline.duration_s))
    figure = go.Figure(chart)  # refuses what plotly's schema does not know
    assert len(figure.data) == 10
    assert len(figure.layout.shapes) > 50


BROWSER = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


@pytest.mark.debian("chromium")
@pytest.mark.parametrize("width", [390, 1280])
def test_a_real_browser_draws_the_trace_and_jumps_to_an_episode(report: Path, width: int):
    """Chromium from disk, offline: no error, no request, the button moves the window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path="/usr/bin/chromium", args=BROWSER)
        page = browser.new_page(viewport={"width": width, "height": 900})
        errors: list[str] = []
        requests: list[str] = []
        page.on("console", lambda message: errors.append(message.text))
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("request", lambda request: requests.append(request.url))
        page.goto((report / "report.html").as_uri())
        page.wait_for_selector("#trace .scatterlayer .trace")
        assert page.locator("#trace .scatterlayer .trace").count() == 10
        before = page.evaluate("document.getElementById('trace').layout.xaxis.range")
        page.locator("button[data-start]").first.click()
        page.wait_for_timeout(200)
        after = page.evaluate("document.getElementById('trace').layout.xaxis.range")
        assert before != after
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert errors == []
        assert [url for url in requests if not url.startswith(("file:", "data:", "blob:"))] == []
        browser.close()


def evil_recording() -> Recording:
    """Markup of three kinds in every text field."""
    t = np.arange(0.0, 200.0, 0.5)
    columns = {
        "low_side [kPa]": 250.0 + t * 0,
        "high_side [kPa]": 1200.0 + t * 0,
        "clutch [V]": np.where(t > 20, 13.0, 0.0),
    }
    texts = dict.fromkeys(
        ("customer", "vehicle", "vin", "plate", "order_number", "complaint", "cause", "technician"), EVIL
    )
    return recording_of(t, columns, **texts, parts=[EVIL], marks=[{"time_s": 30, "kind": "note", "text": EVIL}])


def test_markup_in_any_text_field_stays_literal_text(tmp_path: Path):
    write_report(evil_recording(), tmp_path, "test")
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<script>alert(1)" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert html.count("<script") == 3


@pytest.mark.debian("pdftotext")
def test_markup_is_printed_as_it_was_typed(tmp_path: Path):
    write_report(evil_recording(), tmp_path, "test")
    text = " ".join(poppler("pdftotext", "-layout", str(tmp_path / "claim-sheet.pdf"), "-").split())
    for words in ("<script>alert(1)</script>", '#import "x"', "[*bold*]", "=SUM(A1)", "Ж"):
        assert words in text


@pytest.mark.debian("pdftotext")
def test_scripts_that_the_font_lacks_are_told_and_cost_nothing(tmp_path: Path):
    t = np.arange(0.0, 100.0, 0.5)
    recording = recording_of(t, {"vent [degC]": 12.0 + t * 0}, customer="王 Ltd 🚐", complaint="Ощущение тепла\x07")
    write_report(recording, tmp_path, "test")
    text = " ".join(poppler("pdftotext", "-layout", str(tmp_path / "claim-sheet.pdf"), "-").split())
    assert "? Ltd ?" in text
    assert "Ощущение тепла" in text
    assert "characters of other scripts cannot be printed" in text
    assert "王 Ltd" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_a_job_sheet_may_be_given_after_the_drive(tmp_path: Path):
    sheet = tmp_path / "bus.json"
    sheet.write_text(json.dumps({"refrigerant": "R-1234yf", "customer": "Harrow Vale"}), encoding="utf-8")
    done = warmspell("analyse", str(BEFORE), "--job", str(sheet), "--json")
    assert json.loads(done.stdout)["recording"]["refrigerant"] == "R-1234yf"
    assert warmspell("check", str(BEFORE)).returncode == 0


@pytest.mark.parametrize("rows", [1, 2])
def test_a_recording_of_a_row_or_two_still_gets_its_sheet(rows: int, tmp_path: Path):
    t = np.arange(rows) * 1.0
    write_report(recording_of(t, {"low_side [kPa]": 200.0 + t, "high_side [kPa]": 900.0 + t}), tmp_path, "test")
    assert (tmp_path / "claim-sheet.pdf").stat().st_size > 10_000


def test_a_damaged_recording_says_not_intact_on_the_sheet(tmp_path: Path):
    import shutil

    copy = Path(shutil.copytree(BEFORE, tmp_path / "copy"))
    (copy / "marks.jsonl").write_text("", encoding="utf-8")
    write_report(open_recording(copy), tmp_path / "out", "test")
    assert "NOT INTACT" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_thin_recording_gets_an_honest_sheet(tmp_path: Path):
    t = np.arange(0.0, 100.0, 1.0)
    write_report(recording_of(t, {"vent [degC]": 12.0 + t * 0}), tmp_path, "test")
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Cannot tell from this recording." in html
    assert "Not recorded: low side and high side." in html


def test_reduction_keeps_every_one_sample_spike_and_every_gap():
    t = np.arange(0.0, 10_000.0, 0.1)
    values = np.zeros(len(t))
    spikes = np.random.default_rng(4).choice(len(t), 40, replace=False)
    values[spikes] = 1000.0 + np.arange(40)
    values[50_000:60_000] = np.nan
    times, kept = reduced(t, values, 0.0, 10_000.0, 300)
    assert len(kept) <= 2 * 301
    assert np.isnan(kept[(times > 5040.0) & (times < 5960.0)]).all()
    size = -(-len(t) // 300)
    highest = [
        np.nanmax(values[i : i + size]) for i in range(0, len(t), size) if np.isfinite(values[i : i + size]).any()
    ]
    assert set(highest) <= set(kept[np.isfinite(kept)])


def test_ticks_are_round_and_inside():
    assert ticks(-3.0, 41.0, 4) == [0.0, 20.0, 40.0]
    assert time_ticks(0.0, 2160.0)[:3] == [0.0, 300.0, 600.0]
