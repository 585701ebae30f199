"""What is there: nodes on serial ports and BLE with channels, supply and signal; one sentence where none is."""

import asyncio
import threading
import time
from pathlib import Path

import pytest
import serial

from recorder.gatt import ENVIRONMENTAL_SENSING, TEMPERATURE
from recorder.survey import Survey, as_table, survey
from tests.conftest import warmspell
from tests.recorder.bluez import Attribute, Bluez, Peripheral
from tests.recorder.modbus_box import MAP, ModbusBox
from tests.recorder.nodes import Pty, ble_node, described, serial_node


def test_a_node_on_a_serial_port_is_found_with_its_channels_and_supply():
    node, pty = serial_node(described("hv-3"), supply_mv=3270)
    began = time.monotonic()
    done = warmspell("find", pty.name)
    took_s = time.monotonic() - began
    node.stop()
    pty.hang_up()
    assert done.returncode == 0, done.stderr
    head, row = done.stdout.splitlines()
    assert head.split() == ["address", "node", "supply", "signal", "channels"]
    assert row.split(maxsplit=5) == [pty.name, "hv-3", "3.27", "V", "-", "low_side, high_side, vent"]
    assert f"warmspell record {pty.name}" in done.stderr
    assert node.streaming is False, "the node is told to stop"
    assert took_s < 8.0


def test_what_speaks_in_lines_is_recognised():
    lines = {
        "nmea": b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68\r\n",
        "senml": b'[{"bn":"ac/car1/","n":"vent","u":"Cel","v":7.5}]\n',
    }
    ptys = {scheme: Pty() for scheme in lines}
    over = threading.Event()

    def speak() -> None:
        while not over.wait(0.1):
            for scheme, line in lines.items():
                ptys[scheme].write(line)

    thread = threading.Thread(target=speak)
    thread.start()
    done = warmspell("find", *(pty.name for pty in ptys.values()))
    over.set()
    thread.join()
    for pty in ptys.values():
        pty.hang_up()
    nmea, senml = done.stdout.splitlines()[1:]
    assert nmea.startswith(f"nmea:{ptys['nmea'].name}?baud=")
    assert "satellite receiver" in nmea
    assert senml.startswith(f"senml:{ptys['senml'].name}?baud=")
    assert "SenML lines" in senml


@pytest.fixture
def only_radio(monkeypatch: pytest.MonkeyPatch) -> None:
    """No serial port, and a shorter look."""
    monkeypatch.setattr("recorder.survey.all_ports", list)
    monkeypatch.setattr("recorder.survey.SCAN_S", 0.8)
    monkeypatch.setattr("recorder.survey.ASK_S", 1.5)


@pytest.mark.debian("dbus-daemon")
@pytest.mark.usefixtures("only_radio")
def test_ble_nodes_are_found_with_their_signal_and_a_silent_one_is_told():
    with Bluez() as bluez:
        node, peripheral = ble_node(bluez, "00:00:5E:00:53:01", described("hv-ble"), supply_mv=2990)
        peripheral.rssi = -71
        mute, quiet = ble_node(bluez, "00:00:5E:00:53:02", described("hv-mute"), silent=True)
        quiet.rssi = -80
        thermometer = [Attribute(TEMPERATURE, ("read",), b"\x59\x08")]
        bluez.add(Peripheral("00:00:5E:00:53:03", "thermo", ENVIRONMENTAL_SENSING, thermometer, rssi=-55))
        seen = asyncio.run(survey([], radio=True))
        node.stop()
        mute.stop()
    rows = {line.split()[0]: line for line in as_table(seen.found).splitlines()[1:]}
    assert "hv-ble  " in rows["ble:00:00:5E:00:53:01"]
    assert "2.99 V" in rows["ble:00:00:5E:00:53:01"]
    assert "-71 dBm" in rows["ble:00:00:5E:00:53:01"]
    assert "low_side, high_side, vent" in rows["ble:00:00:5E:00:53:01"]
    assert "does not describe itself" in rows["ble:00:00:5E:00:53:02"]
    assert "-55 dBm" in rows["ess:00:00:5E:00:53:03"]
    assert rows["ess:00:00:5E:00:53:03"].endswith("ambient")
    assert seen.remarks == ("No serial port is there.",)


@pytest.mark.debian("dbus-daemon")
@pytest.mark.usefixtures("only_radio")
def test_no_adapter_no_bus_and_no_port_are_one_sentence_each():
    with Bluez() as bluez:
        bluez.has_adapter = False
        without_adapter = asyncio.run(survey([], radio=True))
        bluez.kill_bus()
        without_bus = asyncio.run(survey([], radio=True))
    said = "BLE: cannot scan: No Bluetooth adapters found."
    assert without_adapter == Survey((), ("No serial port is there.", said))
    assert without_bus.remarks[1].startswith("BLE: cannot scan: this system runs no Bluetooth service")


def test_a_port_that_is_not_there_and_one_in_use_are_told(tmp_path: Path):
    node, pty = serial_node(described("hv-4"))
    with serial.Serial(pty.name, exclusive=True):
        done = warmspell("find", pty.name, str(tmp_path / "nowhere"))
    node.stop()
    pty.hang_up()
    assert f"{pty.name}: cannot be opened (another program has it open)." in done.stderr
    assert "there is no such port" in done.stderr
    assert done.stdout == ""


def test_a_modbus_device_is_asked_through_its_map_and_one_that_is_mute_is_told(tmp_path: Path):
    box, mute = ModbusBox(), ModbusBox(set(range(1000)))
    maps = [tmp_path / "box.toml", tmp_path / "mute.toml"]
    for path, one in zip(maps, (box, mute), strict=True):
        path.write_text(MAP.format(node=path.stem, port=one.port, every_s=0.2))
    done = warmspell("find", *(f"modbus:{path}" for path in maps))
    box.end()
    mute.end()
    first, second = done.stdout.splitlines()[1:]
    assert first.split(maxsplit=4) == [f"modbus:{maps[0]}", "box", "-", "-", "suction_line, coolant"]
    assert second.endswith("suction_line, coolant (nothing was received from it)")
    assert f"Record with: warmspell record modbus:{maps[0]}\n" in done.stderr


def test_any_address_can_be_asked(tmp_path: Path):
    """A receiver at a stated speed, a silent one, and a port behind TCP that is not there."""
    spoken, silent = Pty(), Pty()
    over = threading.Event()

    def speak() -> None:
        while not over.wait(0.1):
            spoken.write(b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68\r\n")

    thread = threading.Thread(target=speak)
    thread.start()
    addresses = [f"nmea:{spoken.name}?baud=9600", f"nmea:{silent.name}", "socket://127.0.0.1:9"]
    done = warmspell("find", *addresses)
    over.set()
    thread.join()
    spoken.hang_up()
    silent.hang_up()
    first, second = done.stdout.splitlines()[1:]
    assert first.startswith(f"{addresses[0]}  nmea")
    assert "nothing was received from it" in second
    assert "socket://127.0.0.1:9: cannot be opened" in done.stderr
    assert f"Record with: warmspell record {addresses[0]}\n" in done.stderr
