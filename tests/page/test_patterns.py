"""The patterns screen: what to do before a screening, what stands out after it, and how old it is."""

import shutil
import sys
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from analysis.archive.index import ASIDE
from analysis.archive.kept import KEPT, TABLE_FILE
from tests.archive.invented import invented
from tests.conftest import ROOT, warmspell
from tests.page.browser import DESK, PHONE, Watched, chromium
from tests.page.conftest import Served, serve

PLANTED = {("restriction", "Invented Elm"): 8.0, ("weak_pumping", "Invented Rowan"): 8.0}
EVIL = "<b>Elm</b> & 'so on'"


def keep(out: Path, table: pl.DataFrame) -> None:
    """A screening table where a screening keeps it."""
    (out / ASIDE).mkdir(exist_ok=True)
    table.with_columns(stamp=pl.lit("invented")).select(KEPT.names()).write_parquet(out / ASIDE / TABLE_FILE)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A page over a folder of two recordings."""
    out = tmp_path_factory.mktemp("patterns")
    for name in ("minibus-7-before", "minibus-7-after"):
        shutil.copytree(ROOT / "recordings" / name, out / name)
    one = serve(out)
    yield one
    one.end()


def text_of(served: Served, **headers: str) -> str:
    answer = served.get("/patterns", **headers)
    assert answer.status == 200
    assert str(served.out) not in answer.body.decode(), "no path of this machine"
    return answer.body.decode()


def test_before_during_and_after_a_screening_the_page_says_how_things_stand(served: Served):
    shutil.rmtree(served.out / ASIDE, ignore_errors=True)
    text = text_of(served)
    assert "Not screened yet" in text
    assert "<code>warmspell screen</code>" in text, "the page shows the usual folder, which needs no naming"
    done = warmspell("screen", str(served.out))
    assert done.returncode == 0, done.stderr
    text = text_of(served)
    assert "Cannot tell: too few vehicles." in text
    assert "1 vehicle in 2 recordings." in text
    assert "new or changed since" not in text
    shutil.copytree(served.out / "minibus-7-after", served.out / "a-copy-to-come")
    about = served.out / "a-copy-to-come" / "recording.json"
    about.write_text(about.read_text().replace('"id": "', '"id": "another-'))
    assert "1 recording is new or changed since" in text_of(served)
    shutil.rmtree(served.out / "a-copy-to-come")


def test_the_page_has_all_recordings_analysed_a_few_at_a_time_and_tries_a_broken_one_once(tmp_path: Path):
    for name in ("minibus-7-before", "minibus-7-after"):
        shutil.copytree(ROOT / "recordings" / name, tmp_path / name)
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "recording.json").write_text("{", encoding="utf-8")
    one = serve(tmp_path)
    try:
        done, after, left = 0, "", 1
        while left:
            told = one.post("/api/screen", {"after": after}).json()
            done, after, left = done + told["done"], told["after"], told["left"]
        assert done == 3
        assert "Cannot tell: too few vehicles." in text_of(one)
        verdicts = {
            entry["path"]: (entry["verdict"], entry["wrong"]) for entry in one.get("/api/list").json()["entries"]
        }
        assert verdicts["minibus-7-before"] == ("fault_found", None)
        assert verdicts["broken"][0] is None
        assert verdicts["broken"][1]
    finally:
        one.end()


def test_what_stands_out_is_shown_with_its_shares_in_the_readers_units_and_escaped(served: Served):
    table = invented(3, planted=PLANTED, mileage_odds={"undercharge": 4.0})
    keep(served.out, table.with_columns(pl.col("model").replace("Invented Elm", EVIL)))
    text = text_of(served)
    assert "3 patterns stand out among 165 comparisons." in text
    assert "<b>Elm" not in text
    assert f"commoner with model {EVIL}" in unescape(text)
    assert "commoner with higher odometer" in text
    assert "A pattern is no cause." in text
    assert "25\N{NO-BREAK SPACE}°C" in text
    assert "25\N{NO-BREAK SPACE}°C" not in text_of(served, Cookie="units=psi")
    assert "77\N{NO-BREAK SPACE}°F" in text_of(served, Cookie="units=psi")


def test_a_table_that_cannot_be_read_is_as_good_as_none(served: Served):
    (served.out / ASIDE).mkdir(exist_ok=True)
    (served.out / ASIDE / TABLE_FILE).write_bytes(b"PAR1, or so it says")
    assert "Not screened yet" in text_of(served)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as one:
        yield one


@pytest.mark.debian("chromium")
@pytest.mark.skipif(sys.platform != "linux", reason="drives Debian's Chromium")
@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (DESK, "dark")], ids=["phone", "desk"])
def test_the_screen_is_reached_by_keyboard_fits_and_passes_axe(
    browser: Browser, served: Served, size: tuple[int, int], scheme: str
):
    keep(served.out, invented(3, planted=PLANTED, mileage_odds={"undercharge": 4.0}))
    watched = Watched(browser, size, scheme)
    page = watched.page
    page.goto(served.base)
    page.get_by_role("link", name="Patterns over all recordings").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Patterns")
    expect(page.locator(".patterns li")).to_have_count(3)
    assert page.locator(".patterns .length").first.bounding_box()["height"] > 5  # type: ignore[index]
    compared = page.locator("details", has_text="Compared, and not beyond chance")
    compared.locator("summary").focus()
    page.keyboard.press("Enter")
    expect(compared.locator("tbody tr").first).to_be_visible()
    assert watched.fits()
    assert [v["id"] for v in Axe().run(page).response["violations"]] == []
    shutil.rmtree(served.out / ASIDE)
    page.reload()
    expect(page.locator(".verdict")).to_contain_text("Not screened yet")
    assert watched.fits()
    assert [v["id"] for v in Axe().run(page).response["violations"]] == []
    assert watched.complaints == []
    page.context.close()
