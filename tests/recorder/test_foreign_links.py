"""Sensors that are not ours: Environmental Sensing, Modbus RTU, SenML, NMEA 0183; each ends in a sealed recording."""

import asyncio
import csv
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from recorder.clock import HostClock
from recorder.errors import InputError
from recorder.gatt import ENVIRONMENTAL_SENSING, HUMIDITY, MEASUREMENT_DESCRIPTOR, PRESSURE, TEMPERATURE
from recorder.jobsheet import JobSheet
from recorder.links import link_to
from recorder.links.ess import FORMATS, update_interval_s
from recorder.links.modbus import Register, read_map
from recorder.links.nmea import standard_pressure_pa
from recorder.links.senml import Record, resolve
from recorder.recording import Recording, open_recording
from recorder.sealing import seal
from recorder.session import Session
from recorder.store import RecordingStore
from tests.conftest import ROOT
from tests.recorder.bluez import Attribute, Bluez, Peripheral
from tests.recorder.modbus_box import MAP, ModbusBox
from tests.recorder.nodes import Pty, reading

ATMOSPHERE = ROOT / "tests" / "reference" / "standard_atmosphere.csv"


def recorded(
    out: Path, address: str, enough: Callable[[Session], bool], act: Callable[[], None] = lambda: None
) -> Recording:
    """Record from an address until there is enough; once it is open ``act`` is called every 20 ms. Seal and open."""
    store = RecordingStore(out, JobSheet(), HostClock.start())
    session = Session(store, [link_to(address)])

    async def run() -> None:
        running = asyncio.create_task(session.run(20.0))
        deadline = time.monotonic() + 15.0
        while not enough(session) and time.monotonic() < deadline:
            if session.nodes[0].state != "opening":
                act()
            await asyncio.sleep(0.02)
        session.stop()
        await running

    asyncio.run(run())
    assert enough(session), session.nodes[0].state
    seal(store.folder, "test")
    return open_recording(store.folder)


# Environmental Sensing


@pytest.mark.parametrize(
    ("uuid", "data", "number", "value"),
    [
        # Section 5.5 of our reference table: five public implementations agree on type and scale.
        (PRESSURE, "02760F00", 1_013_250, 101.325),
        (TEMPERATURE, "5908", 2137, 21.37),
        (TEMPERATURE, "18FC", -1000, -10.0),
        (TEMPERATURE, "0080", None, None),
        (HUMIDITY, "C611", 4550, 45.5),
        (HUMIDITY, "FFFF", None, None),
    ],
)
def test_environmental_sensing_bytes_are_read_as_the_sig_writes_them(uuid, data, number, value):
    form = FORMATS[uuid]
    assert form.whole_number(bytes.fromhex(data)) == number
    if number is not None:
        assert number * form.scale == pytest.approx(value, rel=1e-9)


def test_the_update_interval_stands_in_the_measurement_descriptor():
    """Flags u16, sampling u8, period u24, interval u24, application u8, uncertainty u8 (ESS 1.0; from memory)."""
    assert update_interval_s(bytes.fromhex("0000010000000500000101")[:11]) == 5.0
    assert update_interval_s(b"") == 1.0


@pytest.mark.debian("dbus-daemon")
def test_an_environmental_sensor_is_recorded_notified_or_read(tmp_path: Path):
    """Temperature and humidity are notified, the pressure can only be read."""
    address = "00:00:5E:00:53:0E"
    with Bluez() as bluez:
        descriptor = {MEASUREMENT_DESCRIPTOR: bytes.fromhex("0000010000000200000101")}
        attributes = [
            Attribute(PRESSURE, ("read",), bytes.fromhex("02760F00")),
            Attribute(TEMPERATURE, ("read", "notify"), bytes.fromhex("5908"), descriptor),
            Attribute(HUMIDITY, ("notify",), b""),
        ]
        sensor = Peripheral(address, "thermo", ENVIRONMENTAL_SENSING, attributes)
        bluez.add(sensor)
        sent: list[int] = []

        def notify() -> None:
            if attributes[1].notifying and len(sent) < 40:
                sent.append(2100 + len(sent))
                bluez.soon(bluez.notify(sensor, TEMPERATURE, sent[-1].to_bytes(2, "little", signed=True)))
                bluez.soon(bluez.notify(sensor, HUMIDITY, b"\x01" if len(sent) == 5 else b"\xc6\x11"))

        recording = recorded(tmp_path, f"ess:{address}?temperature=vent", lambda s: s.nodes[0].frames > 80 + 1, notify)
    by_channel = {stream.channels[0].id: stream for stream in recording.streams}
    assert set(by_channel) == {"barometer", "vent", "humidity"}
    vent = by_channel["vent"].data
    assert vent["raw_vent"].to_list()[: len(sent)] == sent
    assert vent["vent"].to_numpy()[0] == pytest.approx(21.0)
    assert by_channel["vent"].rate_hz == 0.5
    assert by_channel["barometer"].data["barometer"].to_numpy() == pytest.approx(101.325)
    assert by_channel["barometer"].channels[0].reference == "absolute"
    assert recording.nodes[0]["link"]["refused_length"] == 1
    assert recording.nodes[0]["name"] == "ess-00-00-5E-00-53-0E"


# Modbus RTU


@pytest.mark.parametrize(
    ("words", "kind", "order", "value"),
    [
        ([0x000A], "uint16", "big", 10),
        ([0xFFF6], "int16", "big", -10),
        ([0x0001, 0x86A0], "uint32", "big", 100_000),
        ([0x86A0, 0x0001], "uint32", "little", 100_000),
        ([0xFFFE, 0x7960], "int32", "big", -100_000),
        ([0x42F6, 0xE979], "float32", "big", 123.456),  # IEEE 754 binary32 of 123.456 is 42F6E979
        ([0xE979, 0x42F6], "float32", "little", 123.456),
    ],
)
def test_registers_are_read_in_either_order_of_words(words, kind, order, value):
    assert Register(1, "input", 0, kind, order).value(words) == pytest.approx(value, rel=1e-6)


def modbus_map(folder: Path, port: str, every_s: float = 0.1, node: str = "climate-box") -> str:
    """An address with a map for the emulated box."""
    path = folder / "map.toml"
    path.write_text(MAP.format(port=port, every_s=every_s, node=node))
    return f"modbus:{path}"


def test_a_modbus_device_is_polled_and_what_fails_is_counted(tmp_path: Path):
    """The question on the wire is the Modbus guide's form: 11 04 00 08 00 02, CRC as the catalogue's CRC-16/MODBUS."""
    box = ModbusBox(mute={12}, broken={7})
    recording = recorded(tmp_path / "out", modbus_map(tmp_path, box.port), lambda s: s.nodes[0].frames > 25)
    box.end()
    assert box.questions[0].hex(" ") == "11 04 00 08 00 02 f2 99"
    entry = recording.nodes[0]
    assert entry["link"]["refused_checksum"] == 1
    assert entry["link"]["refused_no_answer"] == 1
    assert entry["counters"]["lost"] == 2
    assert entry["clock"][0]["constant_u_s"] < 0.1
    data = recording.streams[0].data
    numbers = data["seq"].to_numpy()
    assert set(range(26)) - set(numbers.tolist()) == {7, 12}
    assert np.array_equal(data["raw_suction_line"].to_numpy(), reading(numbers, 0) % 0x8000)
    assert np.array_equal(data["raw_coolant"].to_numpy(), reading(numbers, 1) % 0x8000)
    assert data["coolant"].to_numpy() == pytest.approx(data["raw_coolant"].to_numpy() * 0.01, abs=1e-4)


def test_modbus_crcs_on_the_wire_are_those_of_published_frames():
    """Section 5.2 of our reference table: three implementations agree."""
    from pymodbus.framer import FramerRTU

    for frame, crc in (
        ("01 03 00 00 00 0A", "C5 CD"),
        ("01 04 00 00 00 02", "71 CB"),
        ("11 03 00 6B 00 03", "76 87"),
        ("11 03 06 AE 41 56 52 43 40", "49 AD"),
        ("11 04 00 08 00 01", "B2 98"),
        ("11 04 02 00 0A", "F8 F4"),
        ("01 83 02", "C0 F1"),
    ):
        assert FramerRTU.compute_CRC(bytes.fromhex(frame)) == int(crc.replace(" ", ""), 16)


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ("device = 17", "device = 300", "a device address lies from 1 to 247"),
        ('unit = "degC"', 'unit = "kPa"', "temperature is stored in degC"),
        ("every_s", "evry_s", "has no key 'evry_s'"),
        ("register = 8\n", "", "the key 'register' is missing"),
        ('type = "int16"', 'type = "int8"', "type is one of"),
        ('id = "coolant"', 'id = "suction_line"', "no channels, or one twice"),
        ("[[channel]]", "[[channel", "the register map cannot be read"),
    ],
)
def test_a_wrong_register_map_is_refused_by_name(tmp_path: Path, before: str, after: str, says: str):
    path = tmp_path / "map.toml"
    path.write_text(MAP.format(port="/dev/ttyX", every_s=1.0, node="box").replace(before, after))
    with pytest.raises(InputError, match=says):
        read_map(path)


# SenML


def test_a_pack_resolves_as_rfc_8428_says():
    """RFC 8428, 5.1.2 (multiple data points; seen in several public implementations' tests), resolved by 4.6."""
    records = [
        {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage"}
        | {"u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "v": 1.7},
    ]
    assert resolve(records, {}) == [
        Record("urn:dev:ow:10e2073a0108006:voltage", "V", 1.276020076001e09, 120.1),
        Record("urn:dev:ow:10e2073a0108006:current", "A", 1.276020071001e09, 1.2),
        Record("urn:dev:ow:10e2073a0108006:current", "A", 1.276020076001e09, 1.7),
    ]


def test_base_value_and_state_resolve_and_what_must_be_understood_is_refused():
    assert resolve([{"bn": "a/", "bv": 20.0, "n": "vent", "u": "Cel", "v": 0.5}], {})[0].value == 20.5
    assert resolve([{"n": "cooling_request", "vb": True}], {})[0].value == 1.0
    for bad, says in (
        ([{"n": "x", "v": 1, "urgent_": 2}], "must be understood"),
        ([{"bver": 11, "n": "x", "v": 1}], "version 11"),
        ([{"n": "x", "v": "1"}], "no finite number"),
        ([{"n": "?", "v": 1}], "no name"),
        ([7], "no JSON object"),
    ):
        with pytest.raises(ValueError, match=says):
            resolve(bad, {})


def test_senml_lines_are_recorded_with_their_own_times(tmp_path: Path):
    pty = Pty()
    sent = 0

    def write() -> None:
        nonlocal sent
        line = (
            f'[{{"bn":"ac/car1/","bt":{1_700_000_000 + 0.02 * sent:.2f},"n":"low_side","u":"Pa","v":{301_325 + sent}}},'
            f'{{"n":"vent","u":"Cel","v":7.5}}]\n'
        )
        pty.write(line[:20].encode())
        pty.write(line[20:].encode() + (b"{not senml\n" if sent == 30 else b""))
        sent += 1

    address = f"senml:{pty.name}?reference=vented_gauge"
    recording = recorded(tmp_path, address, lambda s: s.nodes[0].frames > 300, write)
    pty.hang_up()
    assert recording.nodes[0]["name"] == "senml-ac-car1"
    assert recording.nodes[0]["link"]["refused_framing"] == 1
    low, vent = (stream.data for stream in recording.streams)
    raw = low["raw_low_side"].to_numpy()
    assert np.array_equal(np.diff(raw), np.ones(len(raw) - 1))
    assert low["low_side"].to_numpy() == pytest.approx(raw / 1000.0, rel=1e-6)
    assert np.allclose(np.diff(low["tick_us"].to_numpy()), 20_000)
    assert vent["vent"].to_numpy() == pytest.approx(7.5)
    assert recording.streams[0].channels[0].reference == "vented_gauge"


def test_relative_times_count_from_the_arrival_and_a_stream_keeps_its_base(tmp_path: Path):
    """Lines of a stream (RFC 8428, 4.8): the base name comes once; every line tells of three seconds ago."""
    pty = Pty()
    began = time.time()
    first = True

    def write() -> None:
        nonlocal first
        base = '[{"bn":"ac/car2/","bu":"Cel","n":"vent","t":-3,"v":6.25},\n'
        pty.write(base.encode() if first else b'{"n":"vent","t":-3,"v":6.25},\n')
        first = False

    recording = recorded(tmp_path, f"senml:{pty.name}", lambda s: s.nodes[0].frames > 130, write)
    ended = time.time()
    pty.hang_up()
    (stream,) = recording.streams
    t_s = stream.data["t"].to_physical().to_numpy() / 1e9
    assert recording.nodes[0]["name"] == "senml-ac-car2"
    assert began - 3.1 < t_s[0] < began - 1.5
    assert ended - 4.5 < t_s[-1] < ended - 2.9


def test_a_pressure_whose_zero_nobody_states_is_not_recorded(tmp_path: Path):
    pty = Pty()
    store = RecordingStore(tmp_path, JobSheet(), HostClock.start())
    session = Session(store, [link_to(f"senml:{pty.name}")])

    async def run() -> None:
        running = asyncio.create_task(session.run(2.0))
        await asyncio.sleep(0.3)
        pty.write(b'[{"n":"high_side","u":"Pa","v":1601325}]\n')
        await asyncio.sleep(0.5)
        assert "does not tell its zero; add ?reference=" in session.nodes[0].told[0]
        session.stop()
        await running

    asyncio.run(run())
    pty.hang_up()


# NMEA 0183


def with_checksum(sentence: str) -> bytes:
    """NMEA 0183: exclusive or of all characters between $ and *."""
    total = 0
    for character in sentence.encode():
        total ^= character
    return f"${sentence}*{total:02X}\r\n".encode()


def test_the_checksum_of_a_published_sentence_agrees():
    """A sentence that circulates in many parsers' tests, with its checksum."""
    assert with_checksum("GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E").endswith(b"*68\r\n")


def test_speed_and_altitude_are_recorded_and_a_lost_fix_is_missing(tmp_path: Path):
    pty = Pty()
    sent = 0

    def write() -> None:
        nonlocal sent
        status = "V" if sent == 3 else "A"
        pty.write(
            with_checksum(
                f"GPRMC,2254{sent % 60:02d},{status},4916.45,N,12311.12,W,{10 + sent:.1f},054.7,191194,020.3,E"
            )
        )
        pty.write(with_checksum(f"GPGGA,2254{sent % 60:02d},4916.45,N,12311.12,W,1,08,0.9,1000.0,M,46.9,M,,"))
        if sent == 5:
            pty.write(b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*69\r\n")
        sent += 1

    recording = recorded(tmp_path, f"nmea:{pty.name}?baud=9600", lambda s: s.nodes[0].frames > 60, write)
    pty.hang_up()
    speed, height = (stream.data for stream in recording.streams)
    raw = speed["raw_vehicle_speed"].to_list()
    missing = raw.index(None)
    assert raw[missing - 1] is not None
    assert raw[missing + 1] == raw[missing - 1] + 2.0
    assert speed["vehicle_speed"].to_list()[missing] is None
    assert speed["vehicle_speed"].to_numpy()[0] == pytest.approx(raw[0] * 1.852, rel=1e-6)
    assert height["raw_altitude"].to_numpy() == pytest.approx(1000.0)
    assert height["barometer"].to_numpy() == pytest.approx(89.875, abs=0.005)  # ISO 2533 at 1000 m: 89.875 kPa
    assert recording.nodes[0]["link"]["refused_checksum"] == 1


def test_the_standard_pressure_agrees_with_iso_2533():
    with ATMOSPHERE.open(newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert rows
    for row in rows:
        altitude_m = float(row["altitude_m"])
        if altitude_m <= 11_000:
            assert standard_pressure_pa(altitude_m) / 1000.0 == pytest.approx(float(row["p_pa"]) / 1000.0, abs=1e-4)


@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("nmea:/dev/ttyX?speed=9600", "options are written"),
        ("nmea:/dev/ttyX?baud=fast", "baud must be a number"),
        ("ess:00:00:5E:00:53:01?temperature=high_side", "does not measure temperature"),
        ("senml:/dev/ttyX?map=t:nowhere", "names no place"),
        ("senml:/dev/ttyX?reference=psig", "reference is vented_gauge or absolute"),
        ("modbus:nowhere.toml", "the register map cannot be read"),
        ("ble:", "write ble: and the address"),
    ],
)
def test_a_wrong_address_says_what_to_write(address: str, says: str):
    with pytest.raises(InputError, match=says):
        link_to(address)
