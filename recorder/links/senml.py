"""Lines of SenML (RFC 8428) over serial: ``senml:/dev/ttyUSB0?reference=vented_gauge&map=temp1:vent,p2:high_side``.

A line is a pack (a JSON array) or one record of a stream that began with ``[``; base fields are resolved as the RFC's
section 4.6 says. The last part of a record's name is its place, unless ``map`` says otherwise. Pascals do not tell
their zero: ``reference`` states it for every pressure but the barometer. Times below 2^28 count from the line's
arrival, larger ones are the sensor's own clock and are fitted like any node's.
"""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, cast

from recorder.clock import now_ns
from recorder.errors import InputError, LinkError
from recorder.interpreter import Interpreter, node_id_from
from recorder.journal import Arrival
from recorder.links import Link
from recorder.node import REFERENCES, Channel, Group, NodeDescription
from recorder.places import STORED_UNIT, place_of
from recorder.serial_port import BAUD, SerialPort, number_in, port_and_options

SCHEMES = ("senml",)
STALL_S = 30.0
LEARN_S = 2.5
"""For so long the names on the line are gathered before the sensor is described (common practice, no source)."""
LONGEST_LINE = 1 << 16
ABSOLUTE_FROM_S = float(2**28)
"""RFC 8428, 4.5.3: smaller times are relative to now."""
VERSION = 10
USUAL_RATE_HZ = 1.0
TIMES_AHEAD_S = 1.0

# RFC 8428, table 12 (units), and RFC 8798 (secondary units; from memory): stored value = value x scale + offset.
UNITS: Mapping[str, tuple[str, float, float]] = {
    "Pa": ("pressure", 1e-3, 0.0),
    "hPa": ("pressure", 0.1, 0.0),
    "Cel": ("temperature", 1.0, 0.0),
    "K": ("temperature", 1.0, -273.15),
    "%RH": ("ratio", 1.0, 0.0),
    "%": ("ratio", 1.0, 0.0),
    "/": ("ratio", 100.0, 0.0),
    "V": ("voltage", 1.0, 0.0),
    "mV": ("voltage", 1e-3, 0.0),
    "A": ("current", 1.0, 0.0),
    "mA": ("current", 1e-3, 0.0),
    "kg": ("mass", 1.0, 0.0),
    "g": ("mass", 1e-3, 0.0),
    "1/min": ("rotation", 1.0, 0.0),
    "1/s": ("rotation", 60.0, 0.0),
    "m/s": ("speed", 3.6, 0.0),
    "km/h": ("speed", 1.0, 0.0),
    "m": ("length", 1.0, 0.0),
}
_LABELS = {"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}


@dataclass(frozen=True, slots=True)
class Record:
    """A resolved record: full name, unit, time [s] (see ``ABSOLUTE_FROM_S``) and value; a state is 0 or 1."""

    name: str
    unit: str
    time_s: float
    value: float


def _number(record: Mapping[str, Any], label: str, default: float = 0.0) -> float:
    value = record.get(label, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"'{label}' is no finite number")
    return float(value)


def resolve(records: list[Any], base: dict[str, Any]) -> list[Record]:
    """Resolve the records of a pack (RFC 8428, 4.6); ``base`` carries the base fields and is changed.

    Raises
    ------
    ValueError
        On anything that is no SenML, an unknown version, or an unknown label that must be understood.
    """
    resolved: list[Record] = []
    for item in records:
        if not isinstance(item, dict):
            raise ValueError("a record is no JSON object")
        record = cast("dict[str, Any]", item)
        unknown = [label for label in record if label.endswith("_") and label not in _LABELS]
        if unknown:
            raise ValueError(f"the label '{unknown[0]}' must be understood and is not")
        base |= {label: record[label] for label in ("bn", "bt", "bu", "bv", "bver") if label in record}
        if _number(base, "bver", VERSION) > VERSION:
            raise ValueError(f"version {base['bver']} is not known")
        name = str(base.get("bn", "")) + str(record.get("n", ""))
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", name):
            raise ValueError(f"'{name}' is no name")
        time_s = _number(base, "bt") + _number(record, "t")
        if "v" in record:
            value = _number(base, "bv") + _number(record, "v")
            resolved.append(Record(name, str(record.get("u", base.get("bu", ""))), time_s, value))
        elif isinstance(record.get("vb"), bool):
            resolved.append(Record(name, str(record.get("u", base.get("bu", ""))), time_s, float(record["vb"])))
    return resolved


def open_link(address: str) -> Link:
    """Return a link for ``senml:`` and a serial port; raises InputError on a reference that pressures do not have."""
    port, options = port_and_options(address, "senml", {"baud": str(BAUD), "reference": "", "map": ""})
    baud = int(number_in(address, "baud", options["baud"], 300, 4_000_000))
    if options["reference"] not in ("", *REFERENCES[:1], REFERENCES[2]):
        raise InputError(f"'{address}': reference is vented_gauge or absolute.")
    places: dict[str, str] = {}
    for pair in filter(None, options["map"].split(",")):
        name, _, place = pair.partition(":")
        places[name] = place
        place_of(place)
    return SenMl(port, baud, options["reference"] or None, places)


@dataclass(slots=True)
class _Sensor:
    """What was learnt of the names on the line, and the readings that wait for the description."""

    groups: dict[str, int] = field(default_factory=dict[str, int])
    channels: list[Channel] = field(default_factory=list[Channel])
    waiting: list[tuple[Record, int, int]] = field(default_factory=list[tuple[Record, int, int]])
    base_name: str = ""
    since_ns: int | None = None
    described: bool = False


class SenMl:
    """Reads lines; the interpreter speaks frames for the sensor."""

    def __init__(self, port: str, baud: int, reference: str | None, places: Mapping[str, str]) -> None:
        self._port = SerialPort(port, baud)
        self.address = f"senml:{self._port.name}"
        self.stall_s = STALL_S
        self.refused: dict[str, int] = {}
        self.rssi_dbm = None
        self._reference, self._places = reference, places
        self._interpreter = Interpreter()
        self._sensor = _Sensor()
        self._rest = b""
        self._base: dict[str, Any] = {}
        self._new_name: str | None = None

    @property
    def absent(self) -> str | None:
        """Why the port cannot be there now."""
        return self._port.absent

    async def open(self) -> None:
        """Open the port."""
        self._rest, self._base = b"", {}
        await self._port.open()

    async def receive(self) -> list[Arrival]:
        """Wait a moment for lines."""
        ready = self._interpreter.take()
        if ready:
            return ready
        if self._new_name is not None:
            name, self._new_name = self._new_name, None
            raise LinkError(f"{self.address}: a new name '{name}' has appeared; the sensor is described afresh")
        for data, monotonic_ns, utc_ns in await self._port.read():
            lines = (self._rest + data).split(b"\n")
            self._rest = lines.pop()[-LONGEST_LINE:]
            for line in lines:
                if line.strip():
                    self._read(line.strip(), monotonic_ns, utc_ns)
        self._describe_when_learnt()
        return self._interpreter.take()

    def _read(self, line: bytes, monotonic_ns: int, utc_ns: int) -> None:
        try:
            records = self._records(line)
        except (ValueError, RecursionError):
            self._refuse("framing")
            return
        for record in records:
            try:
                self._take(record, monotonic_ns, utc_ns)
            except InputError:
                self._refuse("unknown_name")

    def _records(self, line: bytes) -> list[Record]:
        text = line.decode("utf-8")
        try:
            values: object = json.loads(text)
        except ValueError:
            stream = text.strip().removeprefix("[").removeprefix(",").removesuffix("]").removesuffix(",").strip()
            if text.lstrip().startswith("["):
                self._base = {}
            values = json.loads(stream) if stream else []
        if isinstance(values, dict):
            return resolve([values], self._base)
        if not isinstance(values, list):
            raise ValueError("neither a pack nor a record")
        return resolve(cast("list[Any]", values), {})

    def _take(self, record: Record, monotonic_ns: int, utc_ns: int) -> None:
        sensor = self._sensor
        if record.name not in sensor.groups:
            channel = self._channel(record)
            if sensor.described:
                sensor = self._sensor = _Sensor(dict(sensor.groups), list(sensor.channels), [], sensor.base_name)
                self._interpreter = Interpreter()
                self._new_name = record.name
            sensor.groups[record.name] = len(sensor.channels)
            sensor.channels.append(channel)
            sensor.base_name = sensor.base_name or record.name.rpartition("/")[0]
        if sensor.described:
            self._send(record, monotonic_ns, utc_ns)
        else:
            sensor.since_ns = sensor.since_ns or monotonic_ns
            sensor.waiting.append((record, monotonic_ns, utc_ns))

    def _channel(self, record: Record) -> Channel:
        last = re.split(r"[/:]", record.name)[-1]
        place = place_of(self._places.get(record.name, self._places.get(last, last)))
        taken = {channel.id for channel in self._sensor.channels}
        ids = [place.name, *(f"{place.name}_{number}" for number in range(2, 1000))]
        quantity, scale, offset = UNITS.get(record.unit, ("state", 1.0, 0.0))
        if quantity != place.quantity:
            raise InputError(f"{record.name}: '{record.unit}' is no unit of {place.name}")
        reference = None
        if quantity == "pressure":
            reference = "absolute" if place.name in ("barometer", "vacuum") else self._reference
            if reference is None:
                raise LinkError(
                    f"{self.address}: '{record.name}' does not tell its zero; add ?reference=vented_gauge or absolute"
                )
        return Channel(
            next(channel_id for channel_id in ids if channel_id not in taken),
            STORED_UNIT[quantity],
            reference,
            scale=scale,
            offset=offset,
            raw_unit=record.unit,
            sensor=record.name,
        )

    def _describe_when_learnt(self) -> None:
        sensor = self._sensor
        if sensor.described or sensor.since_ns is None or now_ns() - sensor.since_ns < LEARN_S * 1e9:
            return
        groups = tuple(Group(n, USUAL_RATE_HZ, "float32", (c,)) for n, c in enumerate(sensor.channels))
        node = node_id_from(sensor.base_name, "senml")
        self._interpreter.describe(NodeDescription(node, "SenML", 1, groups))
        sensor.described = True
        for record, monotonic_ns, utc_ns in sensor.waiting:
            self._send(record, monotonic_ns, utc_ns)
        sensor.waiting.clear()

    def _send(self, record: Record, monotonic_ns: int, utc_ns: int) -> None:
        group = self._sensor.groups[record.name]
        if record.time_s >= ABSOLUTE_FROM_S:
            self._interpreter.samples(group, [record.value], monotonic_ns, utc_ns, round(record.time_s * 1e6))
        elif record.time_s > TIMES_AHEAD_S:
            self._refuse("time_ahead")
        else:
            # The tick is host time itself: without this a line that always tells of five seconds ago would be taken for
            # a clock that runs late. What the sensor itself was late is not seen.
            self._interpreter.round_trip(monotonic_ns, monotonic_ns)
            tick_us = self._interpreter.tick_us(monotonic_ns + round(record.time_s * 1e9))
            self._interpreter.samples(group, [record.value], monotonic_ns, utc_ns, tick_us)

    def _refuse(self, reason: str) -> None:
        self.refused[reason] = self.refused.get(reason, 0) + 1

    async def send(self, body: bytes) -> None:
        """The interpreter answers."""
        self._interpreter.hear(body)

    async def close(self) -> None:
        """Close the port at once."""
        await self._port.close()
