"""Nodes in a real browser: sensors that are not in use, and nodes on the radio."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Position, expect

from analysis.timeline import timeline_of
from recorder.recording import Recording, open_recording
from tests.conftest import Replaying
from tests.page.browser import DESK, PHONE, Watched, chromium
from tests.page.conftest import serve, until
from tests.recorder.bluez import Bluez
from tests.recorder.nodes import ble_node, described

pytestmark = [
    pytest.mark.debian("chromium"),
    pytest.mark.skipif(sys.platform != "linux", reason="drives Debian's Chromium"),
]
ADDRESS = "00:00:5E:00:53:01"  # documentation range, RFC 7042


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as one:
        yield one


def stopped(page: Page, out: Path) -> Recording:
    """Stop from the page; the recording that it wrote, once its write-up stands."""
    page.dblclick("#stop")
    page.wait_for_url("**/write-up/**")
    (folder,) = (path for path in out.iterdir() if (path / "seal.json").exists())
    until(lambda: not (folder / "opening.json").exists())
    return open_recording(folder)


def test_a_sensor_that_is_not_in_use_is_left_out_and_told(
    browser: Browser, replaying: Replaying, drive: Path, tmp_path: Path
):
    served = serve(tmp_path / "out")
    watched = Watched(browser, DESK)
    page = watched.page
    page.set_viewport_size({"width": 1440, "height": 2400})  # a drag starts and ends in view, and beside the list
    grip: Position = {"x": 12, "y": 12}
    left_out = page.locator("[data-place=unused] .clip")
    try:
        page.goto(f"{served.base}/fit-up")
        page.fill("#address", replaying.start(drive, 60.0, "--tcp"))
        page.click("#ask")
        expect(page.locator("[data-place=vent] .clip")).to_contain_text("vent")
        expect(left_out).to_have_count(0)
        page.get_by_label("Place of vent of node replay").select_option(label="not in use")
        expect(left_out).to_have_count(1)
        expect(page.locator("[data-place=vent]")).to_contain_text("nothing about what the passengers feel")
        page.drag_and_drop("[data-chip='replay/suction_line']", "[data-place=unused]", source_position=grip)
        expect(left_out).to_have_count(2)
        page.reload()
        expect(left_out).to_have_count(2)
        page.drag_and_drop("[data-chip='replay/suction_line']", "[data-place=suction_line]", source_position=grip)
        expect(left_out).to_have_count(1)
        page.click("#start")
        page.wait_for_url("**/test/**")
        expect(page.locator("#nodes")).to_contain_text("1 not in use")
        expect(page.locator("#ladder svg")).to_contain_text("suction line")
        expect(page.locator("#ladder svg")).not_to_contain_text("vent air")
        recording = stopped(page, tmp_path / "out")
        page.get_by_text("About the record itself").click()
        expect(page.get_by_text("vent was set to not in use")).to_be_visible()
        assert watched.complaints == []
    finally:
        served.end()
        page.context.close()
    rows, source = recording.streams[0].data, open_recording(drive).streams[0].data
    assert rows["unused_temperature"].to_list()[:50] == source["vent"].to_list()[:50]
    timeline = timeline_of(recording)
    assert timeline is not None
    assert {"vent", "unused_temperature"}.isdisjoint(timeline.signals)


@pytest.mark.debian("dbus-daemon")
def test_a_node_on_the_radio_is_found_chosen_recorded_marked_and_reviewed(browser: Browser, tmp_path: Path):
    watched = Watched(browser, PHONE)
    page = watched.page
    with Bluez() as bluez:
        node, peripheral = ble_node(bluez, ADDRESS, described("bay"))
        served = serve(tmp_path / "out")
        try:
            page.goto(f"{served.base}/fit-up")
            page.select_option("#f-refrigerant", "R-134a")
            page.click("#look")
            found = page.locator("#nodes li")
            expect(found).to_contain_text(f"bay ble:{ADDRESS}")
            expect(found).to_contain_text("signal good (-60 dBm)")
            expect(found.locator("input")).to_be_checked()
            expect(page.locator("[data-place=low_side] .clip")).to_have_count(1)
            page.click("#start")
            page.wait_for_url("**/test/**")
            expect(page.locator("#ladder svg")).to_be_visible()
            expect(page.locator("#nodes")).to_contain_text("bay, -60 dBm, 3.30 V")
            page.click("[data-mark=complaint]")
            expect(page.locator("#marked")).to_contain_text("complaint")
            recording = stopped(page, tmp_path / "out")
            expect(page.locator("#trace .scatterlayer .trace").first).to_be_attached()
            assert watched.complaints == []
            assert watched.fits()
        finally:
            served.end()
            node.stop()
            page.context.close()
    assert peripheral.connected is False, "the recorder lets go of the device"
    assert [mark.kind for mark in recording.marks] == ["note", "complaint"]
    assert recording.intact
    (entry,) = recording.nodes
    assert entry["link"]["rssi_dbm"] == peripheral.rssi
    assert entry["counters"]["lost"] == 0
    assert recording.streams[0].data.height > 0
