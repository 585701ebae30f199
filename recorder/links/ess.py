"""The Bluetooth Environmental Sensing Service: pressure, temperature and humidity of a sensor that is not ours.

``ess:AA:BB:CC:DD:EE:FF?temperature=vent&pressure=barometer`` names the places; without them a temperature counts as
ambient air, a pressure as the barometer. Formats (Bluetooth SIG, GATT Specification Supplement): pressure uint32 in
0.1 Pa, unsigned and so absolute; temperature sint16 in 0.01 degC, 0x8000 not known; humidity uint16 in 0.01 %, 0xFFFF
not known. What is not notified is read.
"""

import asyncio
import functools
from collections.abc import Mapping
from dataclasses import dataclass

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic

from recorder.clock import now_ns, utc_now_ns
from recorder.errors import InputError, LinkError
from recorder.gatt import ENVIRONMENTAL_SENSING, HUMIDITY, MEASUREMENT_DESCRIPTOR, PRESSURE, TEMPERATURE
from recorder.interpreter import Interpreter, node_id_from
from recorder.journal import Arrival
from recorder.links import Link
from recorder.node import Channel, Group, NodeDescription
from recorder.places import STORED_UNIT, place_of
from recorder.radio import RadioLink, faults_of
from recorder.serial_port import port_and_options

SCHEMES = ("ess",)
STALL_S = 15.0
READ_AFTER_S = 2.0
"""A value that was not notified for so long is read (common practice, no source)."""
USUAL_INTERVAL_S = 1.0


@dataclass(frozen=True, slots=True)
class Format:
    """How a characteristic's bytes are read: stored value = whole number x ``scale``."""

    word: str
    quantity: str
    usual_place: str
    size: int
    signed: bool
    unknown: int | None
    scale: float
    raw_unit: str
    range_low: float
    range_high: float

    def whole_number(self, data: bytes) -> int | None:
        """The number that was sent; None where the sensor does not know.

        Raises
        ------
        ValueError
            If the length is not the format's.
        """
        if len(data) != self.size:
            raise ValueError(f"{self.word} of {len(data)} bytes")
        number = int.from_bytes(data, "little", signed=self.signed)
        return None if number == self.unknown else number


FORMATS: Mapping[str, Format] = {
    PRESSURE: Format("pressure", "pressure", "barometer", 4, False, None, 1e-4, "0.1 Pa", 0.0, 429_496.7),
    TEMPERATURE: Format("temperature", "temperature", "ambient", 2, True, -0x8000, 0.01, "0.01 degC", -273.15, 327.67),
    HUMIDITY: Format("humidity", "ratio", "humidity", 2, False, 0xFFFF, 0.01, "0.01 %", 0.0, 100.0),
}


def open_link(address: str) -> Link:
    """Return a link for ``ess:`` and a device's address or advertised name, with places as options.

    Raises InputError without a device, or where a place does not measure what its option says.
    """
    usual = {form.word: form.usual_place for form in FORMATS.values()}
    device, places = port_and_options(address, "ess", usual)
    for form in FORMATS.values():
        if place_of(places[form.word]).quantity != form.quantity:
            raise InputError(f"'{address}': {places[form.word]} does not measure {form.word}.")
    if not device:
        raise InputError(f"'{address}': write ess: and the address that 'warmspell find' prints.")
    return EnvironmentalSensing(device, places)


@dataclass(slots=True)
class _Value:
    """One characteristic of the connected device; ``group`` is its number in the description."""

    characteristic: BleakGATTCharacteristic
    form: Format
    group: int
    due_ns: int
    reading: bool = False


def update_interval_s(descriptor: bytes) -> float:
    """Update interval [s] of an ES Measurement descriptor; the usual one where it states none."""
    seconds = int.from_bytes(descriptor[6:9], "little") if len(descriptor) >= 9 else 0
    return float(seconds) if seconds else USUAL_INTERVAL_S


class EnvironmentalSensing(RadioLink):
    """Reads and hears the service's characteristics; the interpreter speaks frames for it."""

    def __init__(self, device: str, places: Mapping[str, str]) -> None:
        super().__init__("ess", device, ENVIRONMENTAL_SENSING, STALL_S)
        self._device, self._places = device, places
        self._interpreter = Interpreter()
        self._values: list[_Value] = []

    async def open(self) -> None:
        """Scan, connect, describe what the device has, ask for notifications."""
        client = await self._connect()
        async with faults_of(self.address, "cannot be read"):
            await self._describe(client)
            for value in self._values:
                if "notify" in value.characteristic.properties:
                    await client.start_notify(value.characteristic, functools.partial(self._on_value, value))

    async def _describe(self, client: BleakClient) -> None:
        self._values = []
        groups: list[Group] = []
        counts: dict[str, int] = {}
        found = [c for c in client.services.characteristics.values() if c.uuid in FORMATS]
        for characteristic in sorted(found, key=lambda c: c.handle):
            form = FORMATS[characteristic.uuid]
            place = self._places[form.word]
            counts[place] = counts.get(place, 0) + 1
            channel_id = place if counts[place] == 1 else f"{place}_{counts[place]}"
            interval_s = USUAL_INTERVAL_S
            for descriptor in characteristic.descriptors:
                if descriptor.uuid == MEASUREMENT_DESCRIPTOR:
                    interval_s = update_interval_s(bytes(await client.read_gatt_descriptor(descriptor)))
            channel = Channel(
                channel_id,
                STORED_UNIT[form.quantity],
                "absolute" if form.quantity == "pressure" else None,
                range_low=form.range_low,
                range_high=form.range_high,
                scale=form.scale,
                raw_unit=form.raw_unit,
                sensor="Bluetooth Environmental Sensing Service",
            )
            self._values.append(_Value(characteristic, form, len(groups), now_ns()))
            groups.append(Group(len(groups), 1.0 / interval_s, "int32", (channel,)))
        if not groups:
            raise LinkError(f"{self.address}: has neither pressure, temperature nor humidity to read")
        node = node_id_from(self._device, "ess")
        self._interpreter.describe(NodeDescription(node, "Environmental Sensing Service", 1, tuple(groups)))

    def _on_value(self, value: _Value, _: BleakGATTCharacteristic, data: bytearray) -> None:
        if not value.reading:  # the system notifies of what is read, too
            self._take(value, bytes(data))

    def _take(self, value: _Value, data: bytes) -> None:
        at_ns = now_ns()
        value.due_ns = at_ns + int(READ_AFTER_S * 1e9)
        try:
            number = value.form.whole_number(data)
        except ValueError:
            self.refused["length"] = self.refused.get("length", 0) + 1
            return
        self._interpreter.samples(value.group, [number], at_ns, utc_now_ns())
        self._news.set()

    async def receive(self) -> list[Arrival]:
        """Wait a moment for values; read those that are overdue."""
        client = self._client
        arrivals = self._interpreter.take()
        if arrivals:
            return arrivals
        if client is None or self._lost:
            raise LinkError(f"{self.address}: the connection was lost")
        await self._wait_for_news()
        for value in self._values:
            if "read" in value.characteristic.properties and now_ns() >= value.due_ns and not self._lost:
                await self._read(client, value)
        return self._interpreter.take()

    async def _read(self, client: BleakClient, value: _Value) -> None:
        value.reading = True
        try:
            async with faults_of(self.address, "cannot be read"), asyncio.timeout(STALL_S / 3):
                data = bytes(await client.read_gatt_char(value.characteristic))
        finally:
            value.reading = False
        self._take(value, data)

    async def send(self, body: bytes) -> None:
        """The interpreter answers."""
        self._interpreter.hear(body)
