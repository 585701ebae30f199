"""Frames over a serial line, or over a TCP port where there is none (``socket://host:port``).

pyserial flushes the input when it opens a port: a node therefore waits for *hello* before it streams.
"""

import asyncio
import contextlib
import time
from pathlib import Path

import serial

from recorder.errors import InputError, LinkError
from recorder.frames import Deframer, to_line
from recorder.journal import Arrival
from recorder.links import Link

SCHEMES = ("serial", "socket")
BAUD = 115_200
READ_WAIT_S = 0.1
LARGEST_READ = 1 << 16


def open_link(address: str) -> Link:
    """Return a link for ``/dev/ttyACM0``, ``serial:/dev/ttyUSB0?baud=921600``, ``COM3`` or ``socket://host:port``."""
    port, _, option = address.removeprefix("serial:").partition("?")
    if port.startswith("/") and not Path(port).exists():
        raise InputError(f"{port}: there is no such port; plug the node in, or look for its name in /dev/serial/by-id.")
    try:
        baud = int(option.removeprefix("baud=")) if option else BAUD
    except ValueError:
        raise InputError(f"'{address}': write the speed as ?baud=115200.") from None
    return SerialFrames(port, baud)


def stable_name(port: str, by_id: Path = Path("/dev/serial/by-id")) -> str:
    """The name under which a port returns after it was unplugged, where the system keeps one."""
    with contextlib.suppress(OSError):
        target = Path(port).resolve()
        for link in sorted(by_id.iterdir()):
            if link.resolve() == target:
                return str(link)
    return port


class SerialFrames:
    """COBS frames over pyserial."""

    def __init__(self, port: str, baud: int) -> None:
        self.address = port if "://" in port else stable_name(port)
        self._baud = baud
        self._port: serial.Serial | None = None
        self._deframer = Deframer()

    @property
    def refused(self) -> dict[str, int]:
        """What arrived and was no frame, by reason."""
        return self._deframer.refused

    async def open(self) -> None:
        """Open the port."""
        self._deframer = Deframer(self._deframer.refused)
        try:
            self._port = await asyncio.to_thread(  # pyright: ignore[reportAttributeAccessIssue] - one class a system
                serial.serial_for_url,
                self.address,
                baudrate=self._baud,
                timeout=READ_WAIT_S,
                write_timeout=2.0,
            )
        except (OSError, ValueError) as reason:
            raise LinkError(f"{self.address}: cannot be opened ({reason})") from None

    async def receive(self) -> list[Arrival]:
        """Wait up to ``READ_WAIT_S`` for frame bodies."""
        port = self._port
        if port is None:
            raise LinkError(f"{self.address}: is not open")
        try:
            data = await asyncio.to_thread(self._read, port)
        except (
            OSError,
            TypeError,
            AttributeError,
        ) as reason:  # pyserial's own when the port is pulled mid-read
            raise LinkError(f"{self.address}: was lost ({reason})") from None
        monotonic_ns, utc_ns = time.monotonic_ns(), time.time_ns()
        return [Arrival(body, monotonic_ns, utc_ns) for body in self._deframer.feed(data)] if data else []

    def _read(self, port: serial.Serial) -> bytes:
        first = port.read(1)
        if not first:
            return b""
        if "://" in self.address:
            # pyserial tells of a socket only whether anything waits, not how much: read on without waiting.
            port.timeout = 0
            rest = port.read(LARGEST_READ)
            port.timeout = READ_WAIT_S
        else:
            rest = port.read(min(port.in_waiting, LARGEST_READ))
        return bytes(first + rest)

    async def send(self, body: bytes) -> None:
        """Write a frame body."""
        port = self._port
        if port is None:
            raise LinkError(f"{self.address}: is not open")
        try:
            await asyncio.to_thread(port.write, to_line(body))
        except (OSError, TypeError, AttributeError) as reason:
            raise LinkError(f"{self.address}: was lost ({reason})") from None

    async def close(self) -> None:
        """Close the port at once, so that the device returns under its old name."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(OSError, TypeError, AttributeError):
                await asyncio.to_thread(port.close)
