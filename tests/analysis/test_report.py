"""The HTML report: one file, offline, in a real browser; its packed readings against the recording."""

import base64
import gzip
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.claim import write_report
from analysis.claim.chart import chart_of, packed
from analysis.claim.html import html_of
from analysis.diagnose import diagnose_timeline
from analysis.plots import Line, figure_of
from analysis.timeline import timeline_of
from recorder.recording import open_recording
from tests.analysis.pdf import colliding, page_words
from tests.analysis.test_claim import BEFORE, EVIL, diagnosed, evil_recording
from tests.bench.long import long_recording

BROWSER = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
LARGEST_BYTES = 1_500_000


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo recording's report."""
    out = tmp_path_factory.mktemp("report")
    write_report(open_recording(BEFORE), out, "test")
    return out / "report.html"


def held(html: str, name: str) -> str:
    """What a script element of the report holds."""
    found = re.search(rf'<script type="[a-z/]+" id="{name}">(.*?)</script>', html, re.DOTALL)
    assert found is not None
    return found[1]


def unpacked(text: str, traces: list[dict[str, float]]) -> list[np.ndarray]:
    """The readings as the page unpacks them."""
    planes = np.frombuffer(gzip.decompress(base64.b64decode(text)), np.uint8).astype(np.int64)
    half = len(planes) // 2
    steps = planes[:half] + 256 * planes[half:]
    values: list[np.ndarray] = []
    for place in traces:
        part = np.cumsum(steps[int(place["at"]) : int(place["at"] + place["n"])]) & 0xFFFF
        values.append(np.where(part == 0, np.nan, place["low"] + (part - 1) * place["step"]))
    return values


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(st.one_of(st.floats(-1e4, 1e4), st.just(float("nan"))), max_size=40).map(np.array),
        min_size=1,
        max_size=4,
    )
)
def test_packed_readings_come_back_within_a_step_and_gaps_as_gaps(arrays: list[np.ndarray]):
    lines = [Line("x", "solid", np.arange(len(a)) * 0.1, a.astype(float), (0.0, 1.0)) for a in arrays]
    found = packed(lines)
    for line, place, back in zip(lines, found.traces, unpacked(found.text, found.traces), strict=True):
        assert np.array_equal(np.isnan(back), np.isnan(line.values))
        good = np.isfinite(line.values)
        assert np.allclose(back[good], line.values[good], atol=0.51 * place["step"] + 1e-9)


def test_the_chart_is_what_plotly_takes():
    recording = open_recording(BEFORE)
    timeline = timeline_of(recording)
    assert timeline is not None
    findings, case = diagnose_timeline(recording, timeline, "test")
    whole = figure_of(case, findings, "", 0.0, timeline.duration_s)
    figure = go.Figure(chart_of(whole))  # refuses what plotly's schema does not know
    lines = [line for strip in whole.strips for line in strip.lines]
    shown = {line.name for line in lines}
    assert {"high side", "low side", "vent", "ambient", "suction line", "clutch", "road speed"} <= shown
    assert len(figure.data) == len(lines) + sum(len(strip.bands) for strip in whole.strips)
    assert len(figure.layout.shapes) > 60


def test_a_working_day_stays_small_and_keeps_every_sample_around_the_episodes(tmp_path: Path):
    """8 h of 12 channels at 10 Hz (invented)."""
    case, findings = diagnosed(open_recording(long_recording(tmp_path, 8.0, 10.0)))
    html = html_of(case, findings)
    assert len(html.encode()) < LARGEST_BYTES
    chart = json.loads(held(html, "trace-chart"))
    overview, *windows = chart["views"]
    assert windows
    name = next(i for i, trace in enumerate(chart["data"]) if trace["name"].startswith("high side"))
    first = windows[0]["traces"]
    values = unpacked(held(html, "trace-readings"), first)[name]
    start = (first[name]["x0"] - 946_684_800_000.0) / 1000.0
    at = case.timeline.index(start)
    true = case.timeline.grid("high_side")
    assert true is not None
    expected = true[at : at + len(values)] - case.timeline.barometric_kpa
    assert len(values) > 600
    good = np.isfinite(expected)
    assert np.allclose(values[good], expected[good], atol=first[name]["step"])
    assert overview["traces"][name]["n"] <= 4002


def test_a_one_sample_spike_stays_in_the_overview_of_a_long_drive(tmp_path: Path):
    recording = open_recording(long_recording(tmp_path, 3.0, 10.0))
    (stream,) = recording.streams
    data = stream.data
    values = data["liquid_line"].to_numpy().copy()
    values[50_000] = 199.0
    stream = replace(stream, data=data.with_columns(liquid_line=values))
    case, findings = diagnosed(replace(recording, streams=(stream,)))
    html = html_of(case, findings)
    chart = json.loads(held(html, "trace-chart"))
    name = next(i for i, trace in enumerate(chart["data"]) if trace["name"].startswith("liquid line"))
    shown = unpacked(held(html, "trace-readings"), chart["views"][0]["traces"])[name]
    assert np.nanmax(shown) == pytest.approx(199.0, abs=0.1)


def test_markup_in_any_text_field_stays_literal_text(tmp_path: Path):
    write_report(evil_recording(), tmp_path, "test")
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<script>alert(1)" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert html.count("<script") == 4
    assert html.count("</script") == 4


@settings(max_examples=20, deadline=None)
@given(st.text(max_size=30))
def test_any_text_leaves_the_page_in_one_piece(words: str):
    from html.parser import HTMLParser

    if "made" not in DIAGNOSED:
        DIAGNOSED["made"] = diagnosed(evil_recording())
    case, findings = DIAGNOSED["made"]
    html = html_of(case, replace(findings, job_sheet={"vehicle": words, "complaint": words, "vin": words + EVIL}))

    tags: list[str] = []
    reader = HTMLParser()
    reader.handle_starttag = lambda tag, _: tags.append(tag)
    reader.feed(html)
    assert tags.count("script") == 4
    assert not {"img", "iframe", "link", "object", "form"} & set(tags)


DIAGNOSED: dict[str, tuple] = {}


@pytest.mark.debian("chromium")
@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1440, "dark")])
def test_a_real_browser_draws_the_trace_and_jumps_to_an_episode(report: Path, width: int, scheme: str):
    """Chromium from disk, offline: no error, no request, the button moves the window, print shows the still picture."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path="/usr/bin/chromium", args=BROWSER)
        page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
        errors: list[str] = []
        requests: list[str] = []
        page.on("console", lambda message: errors.append(message.text))
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("request", lambda request: requests.append(request.url))
        page.goto(report.as_uri())
        page.wait_for_selector("body[data-ready=yes]")
        assert page.locator("#trace path.js-line").count() >= 15
        before = page.evaluate("document.getElementById('trace').layout.xaxis.range.map(Number)")
        page.locator("button[data-start]").nth(1).click()
        page.wait_for_function(f"Number(document.getElementById('trace').layout.xaxis.range[0]) !== {before[0]}")
        start = float(page.locator("button[data-start]").nth(1).get_attribute("data-start") or 0)
        after = page.evaluate("document.getElementById('trace').layout.xaxis.range.map(Number)")
        assert after[0] == pytest.approx(start, abs=1.0)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        paper = page.evaluate("document.getElementById('trace').layout.paper_bgcolor")
        assert paper == {"light": "#fcfaf3", "dark": "#14191f"}[scheme]
        page.emulate_media(media="print")
        assert page.locator("#trace-still").is_visible()
        assert not page.locator("#trace").is_visible()
        assert errors == []
        assert [url for url in requests if not url.startswith(("file:", "data:", "blob:"))] == []
        browser.close()


@pytest.mark.debian("chromium")
def test_without_script_the_trace_is_still_there(report: Path):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path="/usr/bin/chromium", args=BROWSER)
        page = browser.new_context(java_script_enabled=False).new_page()
        page.goto(report.as_uri())
        assert page.locator("#trace-still svg").is_visible()
        browser.close()


def test_a_date_that_was_not_stated_is_said_in_whole_words(samples: dict):
    case, findings = diagnosed(samples["sample10"])
    html = html_of(case, findings)
    assert "<h1>sample10, date not stated</h1>" in html
    assert "<p>date not stated, 46 min long<strong> · imported from sample10.csv</strong></p>" in html


@pytest.mark.debian("chromium", "pdftotext")
def test_a_damaged_recording_prints_not_intact_on_every_page_of_the_html(tmp_path: Path):
    from playwright.sync_api import sync_playwright

    copy = Path(shutil.copytree(BEFORE, tmp_path / "copy"))
    (copy / "marks.jsonl").write_text("", encoding="utf-8")
    write_report(open_recording(copy), tmp_path, "test")
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path="/usr/bin/chromium", args=BROWSER)
        page = browser.new_page()
        page.goto((tmp_path / "report.html").as_uri())
        page.wait_for_selector("body[data-ready=yes]")
        page.pdf(path=tmp_path / "printed.pdf", format="A4")
        browser.close()
    pages = page_words(tmp_path / "printed.pdf")
    assert len(pages) > 2
    for words in pages:
        assert {"NOT", "INTACT"} <= {word for *_, word in words}
        assert colliding(words) == []
