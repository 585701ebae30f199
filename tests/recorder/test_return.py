"""Sensors that know no frames go and come back: ports under another name, a radio that drops. Recording goes on."""

import asyncio
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from recorder.clock import HostClock
from recorder.gatt import ENVIRONMENTAL_SENSING, TEMPERATURE
from recorder.jobsheet import JobSheet
from recorder.links import link_to
from recorder.recording import Recording, open_recording
from recorder.sealing import seal
from recorder.session import Session
from recorder.store import RecordingStore
from tests.recorder.bluez import Attribute, Bluez, Peripheral
from tests.recorder.modbus_box import MAP, ModbusBox
from tests.recorder.nodes import Pty, reading
from tests.recorder.test_session import until

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo-terminals")


def recorded(out: Path, address: str, go: Callable[[], None], come_back: Callable[[], None]) -> Recording:
    """Record, let the sensor go once something came, let it come back once the loss was noticed, record on; seal."""
    store = RecordingStore(out, JobSheet(), HostClock.start())
    session = Session(store, [link_to(address)])

    async def run() -> None:
        running = asyncio.create_task(session.run(60.0))
        (node,) = session.nodes
        await until(lambda: node.frames > 8)
        go()
        await until(lambda: bool(node.outages))
        come_back()
        before = node.frames
        await until(lambda: node.frames > before + 8)
        session.stop()
        await running

    asyncio.run(run())
    seal(store.folder, "test")
    return open_recording(store.folder)


def assert_one_outage(recording: Recording) -> None:
    """One outage is told with its times; time goes on in order (two lines read at once share theirs)."""
    (entry,) = recording.nodes
    assert entry["link"]["reconnects"] == 1
    (outage,) = entry["link"]["outages"]
    assert outage["from"] < outage["to"]
    assert entry["counters"]["boots"] == 1
    for stream in recording.streams:
        assert np.all(np.diff(stream.data["t"].to_physical().to_numpy()) >= 0)


class Talker:
    """Writes lines to a pseudo-terminal that can be unplugged; ``sent`` are the values in them."""

    def __init__(self, link: Path, line: Callable[[int], bytes]) -> None:
        self.sent: list[int] = []
        self._link, self._line = link, line
        self._over = threading.Event()
        self._lock = threading.Lock()
        self._ptys: list[Pty] = []
        self.plug()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def plug(self) -> None:
        """Come back behind the stable name."""
        with self._lock:
            self._ptys.append(Pty())
            self._link.symlink_to(self._ptys[-1].name)

    def unplug(self) -> None:
        """Go."""
        with self._lock:
            self._link.unlink()
            self._ptys[-1].hang_up()

    def _run(self) -> None:
        while not self._over.wait(0.05):
            with self._lock:
                if self._link.is_symlink():
                    self.sent.append(len(self.sent))
                    self._ptys[-1].write(self._line(self.sent[-1]))

    def end(self) -> None:
        """Switch off."""
        self._over.set()
        self._thread.join()
        self.unplug()


@pytest.fixture
def port(tmp_path: Path) -> Path:
    """A stable name."""
    return tmp_path / "usb-sensor"


def sentence(number: int) -> bytes:
    """An NMEA sentence with a speed."""
    body = f"GPRMC,225446,A,4916.45,N,12311.12,W,{number:05.1f},054.7,191194,020.3,E"
    checksum = 0
    for byte in body.encode():
        checksum ^= byte
    return f"${body}*{checksum:02X}\r\n".encode()


def senml(number: int) -> bytes:
    """A SenML pack with a temperature."""
    return f'[{{"bn":"ac/car1/","n":"vent","u":"Cel","v":{number}}}]\n'.encode()


@pytest.mark.parametrize(
    ("scheme", "line", "raw"), [("nmea", sentence, "raw_vehicle_speed"), ("senml", senml, "raw_vent")]
)
def test_a_sensor_that_speaks_in_lines_is_unplugged_and_comes_back(
    tmp_path: Path, port: Path, scheme: str, line: Callable[[int], bytes], raw: str
):
    talker = Talker(port, line)
    recording = recorded(tmp_path / "out", f"{scheme}:{port}", talker.unplug, talker.plug)
    talker.end()
    assert_one_outage(recording)
    stream = next(stream for stream in recording.streams if raw in stream.data.columns and stream.data.height)
    values = stream.data[raw].to_list()
    assert values == sorted(set(values)), "each once, in order"
    assert set(values) <= {float(value) for value in talker.sent}


def test_a_modbus_adaptor_is_unplugged_and_comes_back(tmp_path: Path, port: Path):
    box = ModbusBox()
    port.symlink_to(box.port)
    path = tmp_path / "box.toml"
    path.write_text(MAP.format(node="box", port=port, every_s=0.05))

    def go() -> None:
        port.unlink()
        box.unplug()

    def come_back() -> None:
        box.plug()
        port.symlink_to(box.port)

    recording = recorded(tmp_path / "out", f"modbus:{path}", go, come_back)
    box.end()
    assert_one_outage(recording)
    data = recording.streams[0].data
    for column, channel in enumerate(("suction_line", "coolant")):
        values = data[f"raw_{channel}"].to_numpy()
        assert set(values.tolist()) <= set((reading(np.arange(box.asked), column) % 0x8000).tolist())
        assert len(set(values.tolist())) == len(values)


@pytest.fixture
def bluez() -> Iterator[Bluez]:
    """A Bluetooth daemon of our own."""
    with Bluez() as daemon:
        yield daemon


@pytest.mark.debian("dbus-daemon")
@pytest.mark.parametrize("way", ["drop", "bus"])
def test_an_environmental_sensor_drops_its_link_or_loses_its_bus_and_comes_back(tmp_path: Path, bluez: Bluez, way: str):
    attribute = Attribute(TEMPERATURE, ("read", "notify"), (2150).to_bytes(2, "little"))
    sensor = Peripheral("00:00:5E:00:53:0E", "thermo", ENVIRONMENTAL_SENSING, [attribute])
    bluez.add(sensor)
    over = threading.Event()

    def speak() -> None:
        while not over.wait(0.05):
            bluez.soon(bluez.notify(sensor, TEMPERATURE, attribute.value))

    thread = threading.Thread(target=speak)
    thread.start()

    def go() -> None:
        if way == "drop":
            bluez.drop(sensor)
        else:
            bluez.kill_bus()

    recording = recorded(tmp_path, f"ess:{sensor.address}", go, bluez.start_bus if way == "bus" else lambda: None)
    over.set()
    thread.join()
    assert_one_outage(recording)
    assert set(recording.streams[0].data["raw_ambient"].to_list()) == {2150}
