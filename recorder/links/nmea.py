"""NMEA 0183 sentences of a satellite receiver: road speed, altitude and the air pressure that goes with it.

``nmea:/dev/ttyUSB0?baud=4800``. Speed comes from RMC, altitude from GGA; the pressure is ISO 2533's standard atmosphere
at that altitude, so that gauge pressures can be made absolute on a mountain road. Weather moves the true one by
+-3 kPa, which is stated as its accuracy. A sentence without a fix is a missing reading.
"""

from typing import cast

import pynmea2

from recorder.interpreter import Interpreter
from recorder.journal import Arrival
from recorder.links import Link
from recorder.node import Channel, Group, NodeDescription
from recorder.serial_port import SerialPort, number_in, port_and_options

SCHEMES = ("nmea",)
BAUD = 4800
"""NMEA 0183's own speed; receivers on USB take any."""
STALL_S = 15.0
LONGEST_LINE = 1024
"""The standard allows 82 characters; some receivers send more."""
KNOT_KMH = 1.852
WEATHER_KPA = 3.0
SPEED, ALTITUDE = 0, 1
DESCRIPTION = NodeDescription(
    "nmea",
    "NMEA 0183",
    1,
    (
        Group(
            SPEED,
            1.0,
            "float32",
            (Channel("vehicle_speed", "km/h", range_low=0.0, accuracy=1.0, scale=KNOT_KMH, raw_unit="knot"),),
        ),
        Group(
            ALTITUDE,
            1.0,
            "float32",
            (
                Channel("altitude", "m", accuracy=20.0, raw_unit="m"),
                Channel(
                    "barometer",
                    "kPa",
                    "absolute",
                    accuracy=WEATHER_KPA,
                    scale=1e-3,
                    raw_unit="Pa",
                    sensor="ISO 2533 from altitude",
                ),
            ),
        ),
    ),
)


def standard_pressure_pa(altitude_m: float) -> float:
    """Air pressure [Pa] of the standard atmosphere at a geopotential altitude [m] up to 11 km (ISO 2533:1975, eq. 12).

    p = 101 325 Pa (1 - 0.0065 K/m H / 288.15 K) ^ (9.80665 / (0.0065 * 287.05287)).
    """
    return 101_325.0 * (1.0 - 0.0065 * altitude_m / 288.15) ** (9.80665 / (0.0065 * 287.05287))


def open_link(address: str) -> Link:
    """Return a link for ``nmea:`` and a serial port."""
    port, options = port_and_options(address, "nmea", {"baud": str(BAUD)})
    return Nmea(port, int(number_in(address, "baud", options["baud"], 300, 4_000_000)))


class Nmea:
    """Reads sentences; the interpreter speaks frames for the receiver."""

    def __init__(self, port: str, baud: int) -> None:
        self._port = SerialPort(port, baud)
        self.address = f"nmea:{self._port.name}"
        self.stall_s = STALL_S
        self.refused: dict[str, int] = {}
        self.rssi_dbm = None
        self._interpreter = Interpreter()
        self._interpreter.describe(DESCRIPTION)
        self._rest = b""

    @property
    def absent(self) -> str | None:
        """Why the port cannot be there now."""
        return self._port.absent

    async def open(self) -> None:
        """Open the port."""
        self._rest = b""
        await self._port.open()

    async def receive(self) -> list[Arrival]:
        """Wait a moment for sentences."""
        ready = self._interpreter.take()
        if ready:
            return ready
        for data, monotonic_ns, utc_ns in await self._port.read():
            lines = (self._rest + data).split(b"\n")
            self._rest = lines.pop()[-LONGEST_LINE:]
            for line in lines:
                if line.strip():
                    self._read(line.strip(), monotonic_ns, utc_ns)
        return self._interpreter.take()

    def _read(self, line: bytes, monotonic_ns: int, utc_ns: int) -> None:
        try:
            parsed = pynmea2.parse(line.decode("ascii"), check=True)  # pyright: ignore[reportUnknownMemberType, reportUnknownVariableType]
        except pynmea2.ChecksumError:
            self._refuse("checksum")
        except (pynmea2.ParseError, UnicodeDecodeError, ValueError):
            self._refuse("framing")
        else:
            self._take(cast("object", parsed), monotonic_ns, utc_ns)

    def _take(self, sentence: object, monotonic_ns: int, utc_ns: int) -> None:
        kind = getattr(sentence, "sentence_type", "")
        if kind == "RMC":
            valid = getattr(sentence, "status", "") == "A"
            knots = _number(getattr(sentence, "spd_over_grnd", None)) if valid else None
            self._interpreter.samples(SPEED, [knots], monotonic_ns, utc_ns)
        elif kind == "GGA":
            fixed = (_number(getattr(sentence, "gps_qual", None)) or 0.0) > 0.0
            altitude = _number(getattr(sentence, "altitude", None)) if fixed else None
            inside = altitude is not None and -1000.0 <= altitude <= 11_000.0
            pressure = standard_pressure_pa(altitude) if altitude is not None and inside else None
            self._interpreter.samples(ALTITUDE, [altitude, pressure], monotonic_ns, utc_ns)

    def _refuse(self, reason: str) -> None:
        self.refused[reason] = self.refused.get(reason, 0) + 1

    async def send(self, body: bytes) -> None:
        """The interpreter answers."""
        self._interpreter.hear(body)

    async def close(self) -> None:
        """Close the port at once."""
        await self._port.close()


def _number(value: object) -> float | None:
    try:
        return float(value)  # pyright: ignore[reportArgumentType] - text, a number or nothing
    except (TypeError, ValueError):
        return None
