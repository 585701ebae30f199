"""The page in a real browser with a real recorder and an emulated node behind it."""

import contextlib
import random
import re
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from recorder.recording import open_recording
from tests.conftest import ROOT, Replaying
from tests.page.browser import DESK, PHONE, Watched, chromium
from tests.page.conftest import Served, serve, until
from tests.page.made import Making
from tests.recorder.test_line import Relay

pytestmark = [
    pytest.mark.debian("chromium"),
    pytest.mark.skipif(sys.platform != "linux", reason="drives Debian's Chromium"),
]
ON = "document.activeElement.id || document.activeElement.dataset.mark || document.activeElement.textContent"
BEFORE = ROOT / "recordings" / "minibus-7-before"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as one:
        yield one


def clock_of(page: Page) -> float:
    """Seconds of the drive that the page shows."""
    parts = page.inner_text("#clock").split(" ")[0].split(":")
    return float(sum(int(part) * 60**power for power, part in enumerate(reversed(parts))))


def free_port() -> int:
    """A port below those that the system gives out, so that nobody takes it while the page is away."""
    while True:
        with contextlib.suppress(OSError), socket.socket() as probe:
            port = random.randrange(20_000, 32_000)
            probe.bind(("127.0.0.1", port))
            return port


def test_record_unplug_mark_stop_review_and_write_a_sheet(
    browser: Browser, replaying: Replaying, drive: Path, tmp_path: Path
):
    served = serve(tmp_path / "out")
    host, number = replaying.start(drive, 90.0, "--tcp").removeprefix("socket://").split(":")
    relay = Relay(host, int(number), cut_after=160_000)
    desk, phone = Watched(browser, DESK), Watched(browser, PHONE, "dark")
    try:
        record_from_the_form(desk.page, served, f"socket://127.0.0.1:{relay.port}")
        phone.page.goto(desk.page.url)
        watch_mark_and_compare(desk.page, phone.page)
        expect(desk.page.locator("#nodes")).to_contain_text("× reconnected")
        expect(desk.page.locator("#headline")).to_contain_text("condenser loses its airflow")
        assert phone.fits()
        phone.page.dblclick("#stop")
        for page in (desk.page, phone.page):
            page.wait_for_url("**/write-up/**")
        review_and_write(desk.page)
        assert phone.fits()
        assert desk.fits()
    finally:
        relay.end()
        served.end()
    for one in (desk, phone):
        assert [c for c in one.complaints if "422" not in c] == [], "only the form that was refused"
        assert {
            re.sub(r"^ws", "http", url).split("/")[2] for url in one.requests if not url.startswith(("data:", "blob:"))
        } == {f"127.0.0.1:{served.port}"}, "offline: it asks nobody else"
        one.page.context.close()
    (folder,) = (p for p in (tmp_path / "out").iterdir() if (p / "seal.json").exists())
    recording = open_recording(folder)
    assert recording.intact
    assert recording.job.vehicle == "Minibus 7"
    assert recording.job.refrigerant == "R-134a"
    assert sorted(mark.kind for mark in recording.marks) == ["complaint", "note", "note"]
    assert [mark.text for mark in recording.marks if mark.kind == "note"] == [
        "Pre-checks: none ticked.",
        "smells sweet",
    ]
    assert recording.origin is not None
    assert recording.origin.startswith("replay of"), "no sheet of it can be taken for a vehicle's"


def record_from_the_form(page: Page, served: Served, address: str) -> None:
    """Fill the job sheet, wrongly first; what was typed stays."""
    page.goto(f"{served.base}/fit-up")
    page.fill("#f-vehicle", "Minibus 7")
    page.fill("#f-rated_charge_kg", "nine hundred")
    page.click("#start")
    expect(page.locator("#wrong-rated_charge_kg")).to_have_text("Rated charge is not a number in kg.")
    expect(page.locator("#wrong-addresses")).to_be_visible()
    expect(page.locator("#f-rated_charge_kg")).to_have_attribute("aria-invalid", "true")
    page.reload()
    assert page.input_value("#f-vehicle") == "Minibus 7"
    assert page.input_value("#f-rated_charge_kg") == "nine hundred"
    page.fill("#f-rated_charge_kg", "0,95")
    page.select_option("#f-refrigerant", "R-134a")
    page.select_option("#f-metering", "expansion_valve")
    page.select_option("#f-compressor", "cycling_clutch")
    page.fill("#address", address)
    page.click("#start")
    page.wait_for_url("**/test/**")


def watch_mark_and_compare(desk: Page, phone: Page) -> None:
    """Both pages show the same; a key and a button mark."""
    for page in (desk, phone):
        expect(page.locator("#ladder svg")).to_be_visible(timeout=15_000)
        expect(page.locator("#link")).to_have_text("recording")
    desk.keyboard.press("c")
    expect(desk.locator("#marked")).to_contain_text("complaint")
    until(lambda: "Marked: Complaint" in desk.evaluate("window.heard"))
    expect(phone.locator("#marked")).to_contain_text("complaint")
    phone.click("[data-mark=note]")
    phone.fill("#note-text", "smells sweet, xc")
    phone.fill("#note-text", "smells sweet")
    phone.keyboard.press("Enter")
    expect(desk.locator("#marked")).to_contain_text("note: smells sweet")
    until(lambda: abs(clock_of(desk) - clock_of(phone)) < 30.0 and clock_of(desk) > 60.0)
    rungs = desk.locator("#ladder svg").text_content() or ""
    for word in ("evaporating", "condensing", "vent air", "ambient air", "liquid line", "kPa", "°C"):
        assert word in rungs
    desk.select_option("#units", "psi")
    expect(desk.locator("#ladder svg")).to_contain_text("psi")
    expect(desk.locator("#ladder svg")).to_contain_text("°F")
    desk.select_option("#units", "kpa")


def review_and_write(page: Page) -> None:
    """The trace zooms and steps by keyboard; the sheet is written and seen."""
    page.wait_for_selector("#trace .scatterlayer .trace")
    expect(page.locator("#trace")).to_have_attribute("data-window", re.compile("^0.0 "))
    whole = page.get_attribute("#trace", "data-window") or ""
    expect(page.locator("#write")).to_be_visible()
    page.keyboard.press("k")
    expect(page.locator("#trace")).not_to_have_attribute("data-window", whole)
    expect(page.locator("#step")).to_contain_text("1 of ")
    page.click("#write")
    seen = "[...document.querySelectorAll('.papers img')].some(i => i.complete && i.naturalWidth > 500)"
    until(lambda: bool(page.evaluate(seen)))
    for file, start in (("claim-sheet.pdf", b"%PDF"), ("report.html", b"<!doctype html>"), ("findings.json", b"{")):
        answer = page.request.get(str(page.locator(f"a[href$='{file}']").evaluate("a => a.href")))
        assert answer.body().startswith(start)
        assert "attachment" in answer.headers["content-disposition"]


def test_a_page_that_was_lost_comes_back_catches_up_and_the_recording_went_on(
    browser: Browser, replaying: Replaying, drive: Path, tmp_path: Path
):
    port = free_port()
    served = serve(tmp_path, "--port", str(port))
    name = served.post(
        "/api/record", {"job": {"refrigerant": "R-134a"}, "addresses": [replaying.start(drive, 40.0, "--tcp")]}
    )
    watched = Watched(browser, PHONE)
    watched.page.goto(f"{served.base}/test/{name.json()['name']}")
    expect(watched.page.locator("#link")).to_have_text("recording")
    until(lambda: clock_of(watched.page) > 20.0)
    served.end()
    expect(watched.page.locator("#link")).to_contain_text("page lost")
    stood = clock_of(watched.page)
    journal = next((tmp_path / name.json()["name"]).glob("*.journal"))
    size = journal.stat().st_size
    until(lambda: journal.stat().st_size > size + 20_000)
    again = serve(tmp_path, "--port", str(port))
    try:
        expect(watched.page.locator("#link")).to_have_text("recording")
        until(lambda: clock_of(watched.page) > stood + 40.0)
        strip = watched.page.evaluate("fetch('/api/list').then(r => r.json()).then(l => l.entries.map(e => e.state))")
        assert strip == ["under_way"]
        assert again.post(f"/api/stop/{name.json()['name']}").status == 200
        watched.page.wait_for_url("**/write-up/**")
    finally:
        again.end()
        watched.page.context.close()
    recording = open_recording(tmp_path / name.json()["name"])
    assert recording.sealed
    assert recording.nodes[0]["counters"]["lost"] == 0, "nothing was lost while no page was open"


def test_the_demo_is_one_press_and_says_how_fast_it_plays(browser: Browser, tmp_path: Path):
    served = serve(tmp_path, "--demo")
    watched = Watched(browser, PHONE)
    page = watched.page
    try:
        page.goto(served.base)
        expect(page.locator("main")).to_contain_text("30 times faster")
        page.click("#demo")
        page.wait_for_url("**/test/**")
        expect(page.locator("#clock")).to_contain_text("30×")
        expect(page.locator("#pumping")).to_contain_text("running")
        page.click("#passenger")
        expect(page.locator(".passenger-caution")).to_have_text(
            "For the passenger. The driver never looks at this page."
        )
        expect(page.locator("#strips")).to_be_hidden()
        assert watched.fits()
        page.click("#passenger")
        page.click("#stop")
        until(lambda: "Press again to stop and seal." in page.evaluate("window.heard"))
        expect(page.locator("#stop")).to_have_text("Stop and seal")
        page.dblclick("#stop")
        page.wait_for_url("**/write-up/**")
        assert watched.complaints == []
    finally:
        served.end()
        page.context.close()


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (DESK, "dark")], ids=["phone", "desk"])
def test_every_screen_passes_axe(browser: Browser, page: Served, live_name: str, size: tuple[int, int], scheme: str):
    """axe-core's rules for WCAG 2.2 A and AA and its best practices, on each screen."""
    watched = Watched(browser, size, scheme)
    screens = {
        "/": "#list li", "/fit-up": "#board .clip", f"/test/{live_name}": "#ladder svg",
        "/write-up/minibus-7-before": "#trace .scatterlayer", "/write-up/minibus-7-before/job-sheet": "form",
        "/write-up/minibus-7-broken": "main", "/nothing": "main",
        "/compare?before=minibus-7-before&after=minibus-7-after": "table",
    }  # fmt: skip
    for path, ready in screens.items():
        watched.page.goto(page.base + path)
        watched.page.wait_for_selector(ready)
        found = Axe().run(watched.page).response["violations"]
        assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in found] == [], path
        assert watched.fits(), path
    watched.page.context.close()


@pytest.fixture(scope="module")
def live_name(page: Served) -> Iterator[str]:
    """A recording under way on the shared page, at a speed that no test sees the end of."""
    node = Replaying()
    port = node.start(BEFORE, 2.0, "--tcp")
    # Another test's recording may still be under way on this page.
    asked = {"job": {"refrigerant": "R-134a"}, "addresses": [port], "beside": True}
    name = page.post("/api/record", asked).json()["name"]
    yield name
    page.post(f"/api/stop/{name}")
    until((page.out / name / "seal.json").exists)
    node.end()


def test_everything_can_be_reached_and_pressed_by_keyboard(browser: Browser, page: Served, live_name: str):
    watched = Watched(browser, DESK)
    watched.page.goto(f"{page.base}/test/{live_name}")
    watched.page.wait_for_selector("#ladder svg")
    missing = {"stop", "guided-start", "complaint", "note", "repaired", "units", "sound", "passenger"}
    for _ in range(120):
        watched.page.keyboard.press("Tab")
        reached = watched.page.evaluate(ON)
        if reached in missing:
            missing.remove(reached)
            outline = watched.page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none", reached
        if not missing:
            break
    assert not missing
    watched.page.context.close()


def test_a_guided_test_is_begun_confirmed_and_seen_on_both_pages(browser: Browser, page: Served, live_name: str):
    desk, phone = Watched(browser, DESK), Watched(browser, PHONE)
    for one in (desk, phone):
        one.page.goto(f"{page.base}/test/{live_name}")
        one.page.wait_for_selector("#ladder svg")
    desk.page.select_option("#guided-test", "idle_raised_idle")
    desk.page.click("#guided-start")
    for one in (desk, phone):
        expect(one.page.locator("#guided .do")).to_contain_text("Stand, engine idling")
    phone.page.get_by_role("button", name="Confirm").click()
    expect(desk.page.locator("#guided .do")).to_have_text("Idle for three minutes.")
    expect(desk.page.locator("#guided progress")).to_be_visible()
    # A note where the replay, which waits for nobody, had it on before the test began.
    expect(desk.page.locator("#marked")).to_contain_text(re.compile("(ac on|note): idle test"))
    phone.page.get_by_role("button", name="Leave the test").click()
    expect(desk.page.locator("#guided")).to_be_hidden()
    for one in (desk, phone):
        assert one.complaints == []
        one.page.context.close()


def test_each_chart_says_in_words_what_it_shows(browser: Browser, page: Served, live_name: str):
    watched = Watched(browser, DESK)
    watched.page.goto(f"{page.base}/test/{live_name}")
    expect(watched.page.locator("#ladder-words")).to_contain_text("condensing")
    expect(watched.page.locator("#strips-words")).to_contain_text("Up to")
    for chart in ("#ladder svg", "#strips canvas"):
        assert watched.page.get_attribute(chart, "aria-labelledby")
    watched.page.context.close()


def test_channels_are_put_to_their_places_by_dragging_and_by_keyboard(browser: Browser, page: Served):
    watched = Watched(browser, DESK)
    desk = watched.page
    desk.goto(f"{page.base}/fit-up")
    expect(desk.locator("[data-place=vent] .clip")).to_contain_text("vent")
    desk.get_by_label("Place of liquid line of node replay").focus()
    desk.keyboard.type("di")
    expect(desk.locator("[data-place=discharge_line] .clip")).to_contain_text("liquid line")
    expect(desk.locator("[data-place=liquid_line]")).to_contain_text("no subcooling")
    expect(desk.get_by_label("Place of liquid line of node replay")).to_be_focused()
    desk.drag_and_drop("[data-chip='replay/vent']", "[data-place=return_air]")
    expect(desk.locator("[data-place=return_air] .clip")).to_have_text(re.compile("vent"))
    expect(desk.locator("[data-place=vent] .clip")).to_have_text(re.compile("return air"))
    expect(desk.locator(".fits")).to_have_count(0)
    desk.drag_and_drop("[data-chip='replay/ambient']", "[data-place=low_side]")
    expect(desk.locator("[data-place=low_side] .clip")).to_have_text(re.compile("low side"))
    expect(desk.locator("[data-place=ambient] .clip")).to_have_count(1)
    desk.reload()
    expect(desk.locator("[data-place=discharge_line] .clip")).to_contain_text("liquid line")
    assert watched.complaints == []
    desk.context.close()


def test_the_demos_job_sheet_can_be_emptied_for_a_vehicle_and_stays_so(browser: Browser, page: Served):
    watched = Watched(browser, PHONE)
    phone = watched.page
    phone.goto(f"{page.base}/fit-up")
    expect(phone.locator("#nodes input")).to_be_checked()
    assert phone.input_value("#f-plate") == "HV 07 BUS"
    phone.click("#empty")
    expect(phone.locator("#f-vehicle")).to_be_focused()
    phone.fill("#f-vehicle", "Van 9")
    phone.reload()
    expect(phone.locator("#f-vehicle")).to_have_value("Van 9")
    assert {phone.input_value(f"#f-{name}") for name in ("plate", "complaint", "vin", "order_number")} == {""}
    assert phone.locator("#nodes input").count() == 0
    assert watched.complaints == []
    phone.context.close()


def test_a_mark_is_corrected_where_it_is_read(browser: Browser, page: Served):
    watched = Watched(browser, PHONE)
    phone = watched.page
    phone.goto(f"{page.base}/write-up/minibus-7-marked")
    phone.get_by_label("Correct engine on").click()
    phone.fill("#m-text", "cold start")
    phone.get_by_role("button", name="Keep the correction").click()
    expect(phone.locator("#wrong-m-by")).to_have_text("Your name is to be named.")
    assert phone.input_value("#m-text") == "cold start"
    phone.fill("#m-by", "T. Ashdown")
    phone.fill("#m-reason", "not said on the road")
    phone.get_by_role("button", name="Keep the correction").click()
    expect(phone.locator("section[aria-labelledby=marks-title]")).to_contain_text("cold start")
    expect(phone.locator("section[aria-labelledby=amended-title]")).to_contain_text("not said on the road")
    phone.context.close()


def test_a_pressure_near_its_limit_warns_by_screen_and_sound(browser: Browser, tmp_path: Path, under_way: Making):
    made = under_way(("low_side", "high_side", "clutch"), rate_hz=2.0)
    made.send(np.tile([200.0, 1400.0, 13.5], (20, 1)))
    served = serve(tmp_path)
    watched = Watched(browser, PHONE, "dark")
    phone = watched.page
    phone.add_init_script(
        "window.tones = 0; const own = OscillatorNode.prototype.start;"
        "OscillatorNode.prototype.start = function (...a) { window.tones += 1; return own.apply(this, a); };"
    )
    beating = contextlib.ExitStack()
    beating.enter_context(made.beating())
    try:
        phone.goto(f"{served.base}/test/{made.folder.name}")
        expect(phone.locator("#ladder svg")).to_contain_text("1400 kPa")
        expect(phone.locator("#alarm")).to_be_hidden()
        phone.locator("#clock").click()
        made.send(np.tile([200.0, 3100.0, 13.5], (2, 1)))
        expect(phone.locator("#alarm")).to_contain_text(
            "Stop the engine. High side 3100 kPa, near the limit for R-134a"
        )
        until(lambda: phone.evaluate("window.tones") > 0)
        made.send(np.tile([200.0, 1500.0, 13.5], (2, 1)))
        expect(phone.locator("#alarm")).to_be_hidden()
        assert watched.fits()
        assert watched.complaints == []
    finally:
        beating.close()
        served.end()
        phone.context.close()
