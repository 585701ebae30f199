"""The whole job by keyboard alone, from the job sheet to the claim sheet, each state of each screen held to axe."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from tests.conftest import Replaying
from tests.page.browser import DESK, PHONE, Watched, chromium
from tests.page.conftest import serve

pytestmark = [
    pytest.mark.debian("chromium"),
    pytest.mark.skipif(sys.platform != "linux", reason="drives Debian's Chromium"),
]
MOST_TABS = 200


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as one:
        yield one


def tab_to(page: Page, selector: str) -> None:
    """Press Tab until that element has the focus; it must show that it has."""
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if page.evaluate("wanted => document.activeElement.matches(wanted)", selector):
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none", f"{selector} does not show the focus"
            return
    raise AssertionError(f"{selector} is not reached by Tab")


def passes_axe(page: Page, state: str) -> None:
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in found] == [], state


@pytest.mark.parametrize(("size", "scheme"), [(DESK, "light"), (PHONE, "dark")], ids=["desk", "phone"])
def test_from_job_sheet_to_claim_sheet_without_a_pointer(
    browser: Browser, replaying: Replaying, drive: Path, tmp_path: Path, size: tuple[int, int], scheme: str
):
    address = replaying.start(drive, 60.0, "--tcp")
    served = serve(tmp_path / "out")
    watched = Watched(browser, size, scheme)
    page = watched.page
    try:
        page.goto(served.base)
        tab_to(page, "a[href='/fit-up'].button")
        page.keyboard.press("Enter")
        page.wait_for_url("**/fit-up")
        fit_up(page, address)
        page.wait_for_url("**/test/**")
        on_test(page)
        page.wait_for_url("**/write-up/**")
        write_up(page)
        assert watched.fits()
    finally:
        served.end()
        page.context.close()
    assert [c for c in watched.complaints if "422" not in c] == [], "only the form that was refused"


def fit_up(page: Page, address: str) -> None:
    """Typed wrongly first: the fault takes the focus and goes with the next keystroke."""
    tab_to(page, "#f-vehicle")
    page.keyboard.type("Van 4")
    tab_to(page, "#f-rated_charge_kg")
    page.keyboard.type("much")
    tab_to(page, "#start")
    page.keyboard.press("Enter")
    expect(page.locator("#wrong-rated_charge_kg")).to_be_visible()
    expect(page.locator("#f-rated_charge_kg")).to_be_focused()
    passes_axe(page, "fit-up with faults")
    page.keyboard.press("Control+A")
    page.keyboard.type("0.95")
    expect(page.locator("#wrong-rated_charge_kg")).to_be_hidden()
    page.locator("#f-refrigerant").focus()
    page.keyboard.type("R-134a")
    tab_to(page, "#address")
    page.keyboard.type(address)
    page.keyboard.press("Enter")
    expect(page.locator("[data-place=vent] .clip")).to_contain_text("vent")
    passes_axe(page, "fit-up with a node")
    tab_to(page, "#start")
    page.keyboard.press("Enter")


def on_test(page: Page) -> None:
    """Marks by key, a note that can be given up, a guided test, the passenger's view and back."""
    expect(page.locator("#ladder svg")).to_be_visible()
    expect(page.locator("#link")).to_have_text("recording")
    page.keyboard.press("c")
    expect(page.locator("#marked")).to_contain_text("complaint")
    page.keyboard.press("n")
    expect(page.locator("#note-text")).to_be_focused()
    page.keyboard.type("cx")
    passes_axe(page, "a note being typed")
    page.keyboard.press("Escape")
    expect(page.locator("#note")).to_be_hidden()
    expect(page.locator("[data-mark=note]")).to_be_focused()
    page.locator("#guided-test").focus()
    page.keyboard.type("Road")
    tab_to(page, "#guided-start")
    page.keyboard.press("Enter")
    expect(page.locator("#guided .do")).to_be_visible()
    passes_axe(page, "a guided test under way")
    tab_to(page, "#passenger")
    page.keyboard.press("Enter")
    expect(page.locator("#passenger")).to_have_text("Back to everything")
    passes_axe(page, "the passenger's view")
    page.keyboard.press("Enter")
    expect(page.locator("#strips")).to_be_visible()
    tab_to(page, "#stop")
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")


def write_up(page: Page) -> None:
    """Steps, a mark's form, the sheets and one of them over the page, with the focus back afterwards."""
    page.wait_for_selector("#write")
    page.wait_for_selector("#trace .scatterlayer .trace")
    page.keyboard.press("k")
    expect(page.locator("#step")).to_contain_text("1 of ")
    tab_to(page, "#mark-add")
    page.keyboard.press("Enter")
    expect(page.locator("#m-time")).to_be_focused()
    passes_axe(page, "a mark being added")
    tab_to(page, "#mark-close")
    page.keyboard.press("Enter")
    expect(page.locator("#mark-add")).to_be_focused()
    tab_to(page, "#write")
    page.keyboard.press("Enter")
    expect(page.locator(".papers img").first).to_be_visible()
    expect(page.locator("#written h3")).to_be_focused()
    passes_axe(page, "sheets written")
    tab_to(page, ".papers .paper")
    page.keyboard.press("Enter")
    expect(page.locator("dialog.viewer")).to_be_visible()
    passes_axe(page, "a sheet over the page")
    page.keyboard.press("Escape")
    expect(page.locator("dialog.viewer")).to_have_count(0)
    expect(page.locator(".papers .paper").first).to_be_focused()
