"""The comparison sheet: before beside after with overlaid traces, read by other programs than the one that wrote it."""

import json
import re
import shutil
import zipfile
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.claim import write_comparison
from analysis.compare import analysed
from analysis.overlay import drives, like_stretch
from analysis.preferences import Preferences
from analysis.sentences import shown_degrees
from analysis.shown import KPA, PSI
from analysis.strip_chart import NAME, apart, shared_out
from recorder.bundle import check_bundle
from recorder.recording import open_recording, short_digest
from tests.analysis.made import recording_of
from tests.analysis.pdf import colliding, page_words, words_of
from tests.conftest import ROOT, warmspell
from tests.plant import make_pictures

BROWSER = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
LOCAL = ("file:", "data:", "blob:")
BEFORE, AFTER = (ROOT / "recordings" / f"minibus-7-{when}" for when in ("before", "after"))


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's comparison, written by the command in psi on Letter."""
    out = tmp_path_factory.mktemp("comparison")
    done = warmspell("compare", str(BEFORE), str(AFTER), "--units", "psi", "--paper", "letter", "--out", str(out))
    assert done.returncode == 0, done.stderr
    assert [Path(line).name for line in done.stderr.split()][:2] == ["comparison.pdf", "comparison-1.png"]
    assert "psi gauge" in done.stdout
    assert "kPa" not in done.stdout
    assert "89.6 to 96.8 °F outside" in " ".join(done.stdout.split())  # 32 to 36 degC
    return out


@pytest.mark.debian("pdftotext")
def test_it_says_what_changed_how_sure_that_is_and_what_was_not_compared(written: Path):
    text = words_of(written / "comparison.pdf")
    for words in (
        "REPAIRED Repaired, as far as driving can show.",
        "% by the exact conditional test",
        "humidity, sun and load are not recorded and not matched",
        "Relay socket and terminals renewed",
        "Laid over each other from where they begin: standing, idling",
        "Spells at fault under like conditions",
        "condensing over ambient",
        "fault, before",
        "no difference shown",
        "To verify each",
    ):
        assert words in text, words
    (chance,) = re.findall(r"unchanged rate: ([\d.]+) % by the exact", text)
    assert f"so few by chance at an unchanged rate: {chance} %." in text
    assert 0.1 < float(chance) < 1.0
    assert " kPa" not in text
    assert " °C" not in text


@pytest.mark.debian("pdftotext")
def test_no_two_words_of_the_sheet_lie_over_each_other(written: Path):
    for page in page_words(written / "comparison.pdf"):
        assert colliding(page) == []


def test_the_html_holds_both_overlays_as_still_pictures(written: Path):
    html = (written / "comparison.html").read_text(encoding="utf-8")
    assert html.count('<div class="still"') == 2
    assert html.count("<svg xmlns") >= 2
    assert "Repaired, as far as driving can show." in html


@pytest.mark.debian("chromium")
@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1300, "light")])
def test_a_real_browser_lays_before_under_after_and_jumps_to_a_spell(written: Path, width: int, scheme: str):
    """Chromium from disk: no error, no request; both overlays zoom each by itself, print shows the still pictures."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path="/usr/bin/chromium", args=BROWSER)
        page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
        wrong: list[str] = []
        page.on("console", lambda message: wrong.append(message.text))
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("request", lambda asked: wrong.extend([] if asked.url.startswith(LOCAL) else [asked.url]))
        page.goto((written / "comparison.html").as_uri())
        page.wait_for_selector("body[data-ready=yes]")
        for name in ("alike", "drives"):
            shown = page.evaluate(f"document.getElementById('{name}').data.map((d) => d.name)")
            assert shown[:2] == ["before [psi]", "after [psi]"]
            assert page.locator(f"#{name} path.js-line").count() == len(shown) == 10
        before = page.evaluate("document.getElementById('alike').layout.xaxis.range.map(Number)")
        spell = page.locator("button[data-trace=drives][data-start]").nth(1)
        start = float(spell.get_attribute("data-start") or "nan")
        spell.click()
        page.wait_for_function(f"Number(document.getElementById('drives').layout.xaxis.range[0]) === {start}")
        assert page.evaluate("document.getElementById('alike').layout.xaxis.range.map(Number)") == before
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.emulate_media(media="print")
        assert page.locator("#drives-still svg").is_visible()
        assert not page.locator("#drives").is_visible()
        assert wrong == []
        browser.close()


def test_job_sheets_may_be_handed_in_and_a_bundle_holds_both_recordings(tmp_path: Path):
    job = tmp_path / "after.json"
    job.write_text(json.dumps({"correction": "fan relay renewed", "refrigerant": "R-134a"}), encoding="utf-8")
    done = warmspell("compare", str(BEFORE), str(AFTER), "--job-after", str(job), "--bundle", "--out", str(tmp_path))
    assert done.returncode == 0, done.stderr
    note = "the job sheet of minibus-7-after was handed in for this and is not the sealed one"
    assert note in " ".join(done.stdout.split())
    assert "fan relay renewed" in (tmp_path / "comparison.html").read_text(encoding="utf-8")
    bundle = tmp_path / "comparison-bundle.zip"
    checked = warmspell("check", str(bundle))
    assert checked.returncode == 0, checked.stderr
    for when, folder in (("before", BEFORE), ("after", AFTER)):
        assert f"intact, {when} digest {short_digest(open_recording(folder).digest or '')}" in checked.stdout
    with zipfile.ZipFile(bundle) as held:
        files = {name: held.read(name) for name in held.namelist()}
    assert {"comparison.pdf", "comparison.html", "before/seal.json", "after/marks.jsonl"} <= set(files)
    files["after/marks.jsonl"] += b"\n"
    with zipfile.ZipFile(tmp_path / "broken.zip", "w") as held:
        for name, data in files.items():
            held.writestr(name, data)
    assert "after/marks.jsonl was altered after bundling" in check_bundle(tmp_path / "broken.zip").damage
    assert warmspell("compare", str(BEFORE), str(AFTER), "--bundle").returncode == 2


@pytest.mark.debian("pdftotext")
def test_markup_stays_literal_damage_stands_on_every_page_and_the_bytes_are_the_same_again(tmp_path: Path):
    evil = '<b>x</b> #panic("x") $a$'
    copy = Path(shutil.copytree(AFTER, tmp_path / "copy"))
    (copy / "marks.jsonl").write_text("", encoding="utf-8")
    after = open_recording(copy)
    after = replace(after, job=replace(after.job, correction=evil, vehicle=evil))
    before = open_recording(BEFORE)
    _, first = write_comparison(before, after, tmp_path / "one", "test")
    write_comparison(before, after, tmp_path / "two", "test")
    assert all(path.read_bytes() == (tmp_path / "two" / path.name).read_bytes() for path in first)
    text = words_of(tmp_path / "one" / "comparison.pdf")
    assert evil in text
    assert "after: marks.jsonl was altered after sealing" in text
    for page in page_words(tmp_path / "one" / "comparison.pdf"):
        assert {"NOT", "INTACT"} <= {word for *_, word in page}
    html = (tmp_path / "one" / "comparison.html").read_text(encoding="utf-8")
    assert "<b>x</b>" not in html
    assert "NOT INTACT" in html


@pytest.mark.debian("pdftotext")
def test_recordings_that_share_nothing_get_an_honest_sheet(tmp_path: Path):
    t = np.arange(0.0, 200.0, 0.5)
    vent = recording_of(t, {"vent [degC]": 12.0 + t * 0})
    write_comparison(open_recording(BEFORE), vent, tmp_path, "test")
    text = words_of(tmp_path / "comparison.pdf")
    assert "CANNOT TELL Cannot tell whether it is repaired." in text
    assert "was driven both times, so no two stretches can be laid over each other" in text


def test_like_stretches_begin_at_the_same_place_and_only_before_climbs():
    one, other = analysed(open_recording(BEFORE), "test"), analysed(open_recording(AFTER), "test")
    alike = like_stretch(one, other, KPA, 440)
    assert alike is not None
    road = next(strip for strip in alike.figure.strips if strip.quantity == "road")
    for line in road.lines:  # both come to a stand at the flag
        assert np.nanmax(line.values[(line.t_s > 62.0) & (line.t_s < 90.0)]) < 3.0
        assert np.nanmax(line.values[line.t_s < 50.0]) > 20.0
    high = {line.name: np.nanmax(line.values) for line in alike.figure.strips[0].lines}
    assert high["before"] > 2700.0
    assert high["after"] < 1700.0
    assert {line.dash for line in road.lines} == {"dash", "solid"}


def test_a_permanent_fault_is_laid_over_where_both_drove_longest_alike(samples: dict):
    before, after = analysed(samples["sample09"], "test"), analysed(samples["sample09"], "test")
    alike = like_stretch(before, after, KPA, 440)
    assert alike is not None
    for strip in alike.figure.strips:  # one recording against itself: both lines are the same
        first, second = strip.lines
        assert np.array_equal(first.values, second.values, equal_nan=True)
    assert drives(before, after, KPA, 440).figure.strips


def test_outside_air_in_conditions_is_said_in_the_readers_unit():
    """-40 degC = -40 degF, 100 degC = 212 degF by definition."""
    assert shown_degrees("standing, -40 to 100 degC outside", PSI) == "standing, -40 to 212 °F outside"
    assert Preferences().units == KPA


@given(st.lists(st.floats(-50.0, 150.0), max_size=6), st.floats(60.0, 200.0))
def test_names_stand_a_line_apart_and_inside(wanted: list[float], last: float):
    placed = apart(sorted(wanted), 0.0, last)
    assert all(b - a >= NAME - 1e-9 for a, b in pairwise(placed))
    assert all(y <= last + 1e-9 for y in placed)
    assert all(y >= -1e-9 for y in placed)


@given(st.lists(st.tuples(st.floats(0.5, 2.0), st.floats(10.0, 40.0)), min_size=1, max_size=6), st.floats(250.0, 500.0))
def test_strips_share_the_height_and_none_is_too_low_for_its_names(strips: list[tuple[float, float]], room: float):
    heights = shared_out(room, [share for share, _ in strips], [need for _, need in strips])
    assert sum(heights) == pytest.approx(room)
    assert all(height >= need - 1e-6 for height, (_, need) in zip(heights, strips, strict=True))


@pytest.mark.debian("pdftoppm")
def test_a_command_makes_the_pictures_of_the_readme(tmp_path: Path):
    for name in ("minibus-7-before", "minibus-7-after"):
        shutil.copytree(ROOT / "recordings" / name, tmp_path / name)
    made = {path.name: path.read_bytes() for path in make_pictures.main(tmp_path)}
    assert set(made) == {"trace.svg", "comparison.svg", "claim-sheet.png", "customer-page.png"}
    assert all((ROOT / "recordings" / name).exists() for name in made)
    assert b"like conditions from here" in made["comparison.svg"]
    assert b"condensing over ambient" in made["trace.svg"]
    assert made["claim-sheet.png"].startswith(b"\x89PNG")
