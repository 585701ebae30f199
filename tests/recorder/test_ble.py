"""Frames over BLE through bleak's own Linux backend: a radio that drops, doubles and loses; bus and adapter that go."""

import asyncio
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from recorder.clock import HostClock
from recorder.errors import LinkError
from recorder.frames import Frame, FrameType, encode_body
from recorder.jobsheet import JobSheet
from recorder.links import link_to
from recorder.recording import Recording, open_recording
from recorder.sealing import seal
from recorder.session import Session
from recorder.store import RecordingStore
from tests.recorder.bluez import Bluez
from tests.recorder.nodes import CHANNELS, Node, ble_node, described, reading

pytestmark = pytest.mark.debian("dbus-daemon")
ADDRESS = "00:00:5E:00:53:01"  # documentation range, RFC 7042


@pytest.fixture
def bluez() -> Iterator[Bluez]:
    """A Bluetooth daemon of our own."""
    with Bluez() as daemon:
        yield daemon


def record(out: Path, addresses: list[str], nodes: list[Node], acts: Callable[[Session], None], for_s: float = 30.0):
    """Record while ``acts`` runs beside in a thread; ends the nodes, seals and opens what came of it."""
    store = RecordingStore(out, JobSheet(), HostClock.start())
    session = Session(store, [link_to(address) for address in addresses])

    def run() -> None:
        try:
            acts(session)
        finally:
            for node in nodes:
                node.end()

    thread = threading.Thread(target=run)
    thread.start()
    asyncio.run(session.run(for_s))
    thread.join()
    for node in nodes:
        node.stop()
    seal(store.folder, "test")
    return open_recording(store.folder), session


def until(condition: Callable[[], bool], within_s: float = 15.0) -> None:
    """Wait for something to happen."""
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.01)


def assert_every_row_is_what_the_sensor_sent(recording: Recording, batch: int = 5) -> None:
    """Each stored row is the reading of its own number: nothing is made up, nothing is out of place."""
    for stream in recording.streams:
        data = stream.data
        first_of_frame = data["seq"].to_numpy() * batch
        within = np.arange(data.height) % batch
        for column, _ in enumerate(CHANNELS):
            raw = data[f"raw_{CHANNELS[column].id}"].to_numpy()
            assert np.array_equal(raw, reading(first_of_frame + within, column))


def test_a_ble_node_is_scanned_connected_and_recorded_to_its_end(tmp_path: Path, bluez: Bluez):
    node, peripheral = ble_node(bluez, ADDRESS, described("ble-1"))
    recording, session = record(tmp_path, [f"ble:{ADDRESS}"], [node], lambda s: until(lambda: s.nodes[0].frames > 15))
    assert recording.intact
    (entry,) = recording.nodes
    assert entry["description"]["id"] == "ble-1"
    assert entry["counters"]["lost"] == entry["counters"]["duplicate"] == 0
    assert entry["link"]["rssi_dbm"] == peripheral.rssi
    assert entry["link"]["health"]["supply_mv"] == 3300
    assert session.nodes[0].frames == entry["counters"]["frames"] > 15
    assert_every_row_is_what_the_sensor_sent(recording)
    assert peripheral.connected is False, "the session lets go of the device"


def test_a_node_is_found_by_its_advertised_name(bluez: Bluez):
    node, _ = ble_node(bluez, ADDRESS, described("ble-name"))
    link = link_to("ble:ble-name")

    async def open_and_close() -> None:
        await link.open()
        await link.close()

    asyncio.run(open_and_close())
    node.stop()


def test_lost_and_doubled_notifications_are_found_and_what_the_node_kept_comes_again(tmp_path: Path, bluez: Bluez):
    faults = {"lost": {4, 5, 11}, "doubled": {7, 13}, "broken": {9}}
    node, _ = ble_node(bluez, ADDRESS, described("ble-1"), **faults)
    recording, _ = record(tmp_path, [f"ble:{ADDRESS}"], [node], lambda s: until(lambda: s.nodes[0].frames > 24))
    counters, link = recording.nodes[0]["counters"], recording.nodes[0]["link"]
    assert (counters["lost"], counters["recovered"], counters["duplicate"]) == (0, 4, 2)
    assert link["refused_checksum"] == 1
    assert_every_row_is_what_the_sensor_sent(recording)


def test_what_the_node_no_longer_keeps_stays_lost_and_is_counted(tmp_path: Path, bluez: Bluez):
    node, _ = ble_node(bluez, ADDRESS, described("ble-1"), lost={4, 5, 11}, keeps=0)
    recording, session = record(tmp_path, [f"ble:{ADDRESS}"], [node], lambda s: until(lambda: s.nodes[0].frames > 15))
    counters = recording.nodes[0]["counters"]
    assert (counters["lost"], counters["gaps"], counters["recovered"]) == (3, 2, 0)
    tally = session.nodes[0].tally
    assert tally is not None
    assert tally.counters() == counters, "shown while recording is what the seal counts"
    assert_every_row_is_what_the_sensor_sent(recording)


def test_a_link_dropped_amid_notifications_is_opened_again_and_nothing_is_lost(tmp_path: Path, bluez: Bluez):
    node, peripheral = ble_node(bluez, ADDRESS, described("ble-1"))

    def acts(session: Session) -> None:
        for wanted in (10, 25):
            until(lambda wanted=wanted: session.nodes[0].frames > wanted)
            bluez.drop(peripheral)
            until(lambda: not peripheral.connected)
        until(lambda: session.nodes[0].frames > 50)

    recording, _ = record(tmp_path, [f"ble:{ADDRESS}"], [node], acts)
    entry = recording.nodes[0]
    assert entry["link"]["reconnects"] == 2
    assert [outage["why"] for outage in entry["link"]["outages"]] == [f"ble:{ADDRESS}: the connection was lost"] * 2
    assert all(outage["from"] < outage["to"] for outage in entry["link"]["outages"])
    assert entry["counters"]["lost"] == 0
    assert entry["counters"]["boots"] == 1
    assert peripheral.connections == 3
    assert_every_row_is_what_the_sensor_sent(recording)


def test_the_bus_dies_and_comes_back_and_recording_goes_on(tmp_path: Path, bluez: Bluez):
    node, _ = ble_node(bluez, ADDRESS, described("ble-1"))

    def acts(session: Session) -> None:
        until(lambda: session.nodes[0].frames > 10)
        bluez.kill_bus()
        until(lambda: "no Bluetooth service" in session.nodes[0].state)
        before = session.nodes[0].frames
        bluez.start_bus()
        until(lambda: session.nodes[0].frames > before + 10)

    recording, _ = record(tmp_path, [f"ble:{ADDRESS}"], [node], acts)
    assert recording.nodes[0]["link"]["reconnects"] == 1
    assert recording.nodes[0]["counters"]["lost"] == 0
    assert_every_row_is_what_the_sensor_sent(recording)


def test_the_adapter_is_switched_off_and_on_and_the_state_says_so(tmp_path: Path, bluez: Bluez):
    node, _ = ble_node(bluez, ADDRESS, described("ble-1"))

    def acts(session: Session) -> None:
        until(lambda: session.nodes[0].frames > 10)
        bluez.power(False)
        until(lambda: "No powered Bluetooth adapters" in session.nodes[0].state)
        before = session.nodes[0].frames
        bluez.power(True)
        until(lambda: session.nodes[0].frames > before + 10)

    recording, _ = record(tmp_path, [f"ble:{ADDRESS}"], [node], acts)
    assert recording.nodes[0]["link"]["reconnects"] == 1
    assert recording.nodes[0]["counters"]["lost"] == 0


def test_a_node_that_is_connected_but_silent_counts_as_lost(tmp_path: Path, bluez: Bluez):
    node, peripheral = ble_node(bluez, ADDRESS, described("ble-1"))

    def acts(session: Session) -> None:
        session._links[0].stall_s = 0.6
        until(lambda: session.nodes[0].frames > 10)
        node.silent = True
        until(lambda: "silent for 0.6 s" in session.nodes[0].state)
        node.silent = False
        until(lambda: peripheral.connections > 1 and session.nodes[0].state == "streaming")
        before = session.nodes[0].frames
        until(lambda: session.nodes[0].frames > before + 10)

    recording, _ = record(tmp_path, [f"ble:{ADDRESS}"], [node], acts)
    assert recording.nodes[0]["link"]["reconnects"] == 1
    assert "silent" in recording.nodes[0]["link"]["outages"][0]["why"]
    assert_every_row_is_what_the_sensor_sent(recording)


def test_a_write_that_hangs_in_the_daemon_is_given_up_and_what_was_heard_meanwhile_is_kept(
    tmp_path: Path, bluez: Bluez
):
    node, peripheral = ble_node(bluez, ADDRESS, described("ble-1"))

    def acts(session: Session) -> None:
        until(lambda: session.nodes[0].frames > 10)
        peripheral.deaf = True
        until(lambda: "cannot be written to: took too long" in session.nodes[0].state)
        peripheral.deaf = False
        before = session.nodes[0].frames
        until(lambda: session.nodes[0].frames > before + 10)

    recording, _ = record(tmp_path, [f"ble:{ADDRESS}"], [node], acts)
    assert recording.nodes[0]["link"]["reconnects"] == 1
    assert recording.nodes[0]["counters"]["lost"] == 0
    assert_every_row_is_what_the_sensor_sent(recording)


def test_a_killed_recorder_leaves_the_device_connected_and_the_next_one_finds_it(tmp_path: Path, bluez: Bluez):
    """The system holds the connection of a dead process; such a device does not advertise (BlueZ issue 89)."""
    node, peripheral = ble_node(bluez, ADDRESS, described("ble-1"))
    peripheral.known = True
    bluez.do(bluez._connect(peripheral))
    recording, _ = record(tmp_path, [f"ble:{ADDRESS}"], [node], lambda s: until(lambda: s.nodes[0].frames > 5))
    assert recording.nodes[0]["counters"]["frames"] > 5
    assert peripheral.connections == 1


def test_a_device_out_of_range_and_one_that_does_not_answer_are_told_apart(
    bluez: Bluez, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("recorder.radio.SCAN_S", 0.3)
    monkeypatch.setattr("recorder.radio.CONNECT_S", 0.5)
    node, peripheral = ble_node(bluez, ADDRESS, described("ble-1"))
    peripheral.connectable = False

    async def try_both() -> None:
        with pytest.raises(LinkError, match="cannot connect: took too long"):
            await link_to(f"ble:{ADDRESS}").open()
        peripheral.in_range = False
        with pytest.raises(LinkError, match="not in range, or is switched off"):
            await link_to("ble:00:00:5E:00:53:99").open()

    asyncio.run(try_both())
    node.stop()


def test_host_frames_that_do_not_fit_one_packet_are_written_with_response(bluez: Bluez):
    """At the smallest connection 20 bytes fit a write without response (Core Specification, MTU 23); a frame has 24."""
    node, peripheral = ble_node(bluez, ADDRESS, described("ble-1"))
    peripheral.mtu = 23

    async def say_hello() -> None:
        link = link_to(f"ble:{ADDRESS}")
        await link.open()
        await link.send(encode_body(Frame(FrameType.HELLO)))
        await asyncio.sleep(0.1)
        await link.close()

    asyncio.run(say_hello())
    node.stop()
    assert [frame.type for frame in node.heard] == [FrameType.HELLO]
