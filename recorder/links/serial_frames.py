"""Frames over a serial line, or over a TCP port where there is none (``socket://host:port``).

pyserial flushes the input when it opens a port: a node therefore waits for *hello* before it streams.
"""

from recorder.frames import Deframer, to_line
from recorder.journal import Arrival
from recorder.links import STALL_S, Link
from recorder.serial_port import BAUD, SerialPort, number_in, port_and_options

SCHEMES = ("serial", "socket")


def open_link(address: str) -> Link:
    """Return a link for ``/dev/ttyACM0``, ``serial:/dev/ttyUSB0?baud=921600``, ``COM3`` or ``socket://host:port``."""
    port, options = port_and_options(address, "serial", {"baud": str(BAUD)})
    return SerialFrames(port, int(number_in(address, "baud", options["baud"], 300, 4_000_000)))


class SerialFrames:
    """COBS frames over a serial port."""

    def __init__(self, port: str, baud: int) -> None:
        self._port = SerialPort(port, baud)
        self.address = self._port.name
        self.stall_s = STALL_S
        self._deframer = Deframer()

    @property
    def refused(self) -> dict[str, int]:
        """What arrived and was no frame, by reason."""
        return self._deframer.refused

    @property
    def rssi_dbm(self) -> int | None:
        """A wire has none."""
        return None

    @property
    def absent(self) -> str | None:
        """Why the port cannot be there now."""
        return self._port.absent

    async def open(self) -> None:
        """Open the port."""
        self._deframer = Deframer(self._deframer.refused)
        await self._port.open()

    async def receive(self) -> list[Arrival]:
        """Wait a moment for frame bodies."""
        pieces = await self._port.read()
        return [Arrival(body, at_ns, utc_ns) for data, at_ns, utc_ns in pieces for body in self._deframer.feed(data)]

    async def send(self, body: bytes) -> None:
        """Write a frame body."""
        await self._port.write(to_line(body))

    async def close(self) -> None:
        """Close the port at once."""
        await self._port.close()
