"""A serial port as field reports teach it: closed at once when lost, opened again by a name that survives unplugging.

Shared by the links that read a serial line; beside them the only module that knows pyserial. ``socket://host:port``
serves where there is no serial port.
"""

import asyncio
import contextlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import serial
from serial.tools import list_ports

from recorder.clock import now_ns, utc_now_ns
from recorder.errors import InputError, LinkError

BAUD = 115_200
READ_WAIT_S = 0.05
GATHER_NS = 50_000_000
"""Pieces that arrive within so long are handed over together, each with its own time: the hop from the reading thread
to the loop costs several times a read (measured), and many adapters deliver a frame in pieces."""
WRITE_WAIT_S = 2.0
LARGEST_READ = 1 << 16
BY_ID = Path("/dev/serial/by-id")
_LOCKED = "exclusively lock"
Piece = tuple[bytes, int, int]
"""Bytes, with host monotonic time and UTC [ns] at which they were there."""
_LOST = (OSError, TypeError, AttributeError)
"""SerialException on a read, a bare OSError from in_waiting, pyserial's own slips when the port is pulled mid-read."""


def all_ports() -> list[str]:
    """The serial ports that this computer has now."""
    return sorted(str(port.device) for port in list_ports.comports())


def stable_name(port: str, by_id: Path = BY_ID) -> str:
    """The name under which a port returns after it was unplugged, where the system keeps one."""
    with contextlib.suppress(OSError):
        target = Path(port).resolve()
        for link in sorted(by_id.iterdir()):
            if link.resolve() == target:
                return str(link)
    return port


def port_and_options(address: str, scheme: str, defaults: dict[str, str]) -> tuple[str, dict[str, str]]:
    """Split ``scheme:/dev/ttyUSB0?baud=9600`` into the port and its options over their defaults.

    Raises
    ------
    InputError
        On an option that is not among the defaults.
    """
    port, _, rest = address.removeprefix(f"{scheme}:").partition("?")
    options = dict(defaults)
    for item in filter(None, rest.split("&")):
        name, _, value = item.partition("=")
        if name not in defaults or not value:
            wanted = "&".join(f"{key}={default}" for key, default in defaults.items())
            raise InputError(f"'{address}': options are written {scheme}:PORT?{wanted}.")
        options[name] = value
    return port, options


def number_in(address: str, name: str, value: str, low: float, high: float) -> float:
    """Read a number out of an address.

    Raises
    ------
    InputError
        If it is none, or out of bounds.
    """
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if not low <= number <= high:
        raise InputError(f"'{address}': {name} must be a number from {low:g} to {high:g}, not '{value}'.")
    return number


class SerialPort:
    """Bytes of one port, with the host's clocks at which they were there."""

    def __init__(self, port: str, baud: int = BAUD) -> None:
        self.name = port if "://" in port else stable_name(port)
        self._baud = baud
        self._port: serial.Serial | None = None
        self._reader: ThreadPoolExecutor | None = None

    @property
    def absent(self) -> str | None:
        """Why the port cannot be there now; None if it may be."""
        if self.name.startswith("/") and not Path(self.name).exists():
            return f"{self.name}: there is no such port; plug the node in, or look for its name in {BY_ID}."
        return None

    async def open(self) -> None:
        """Open the port; raises LinkError."""
        await self.close()
        try:
            self._port = await asyncio.to_thread(  # pyright: ignore[reportAttributeAccessIssue] - one class a system
                serial.serial_for_url,
                self.name,
                baudrate=self._baud,
                timeout=READ_WAIT_S,
                write_timeout=WRITE_WAIT_S,
                exclusive=None if "://" in self.name else True,  # two readers would share the bytes between them
            )
        except (OSError, ValueError) as reason:
            words = "another program has it open" if _LOCKED in str(reason) else str(reason)
            raise LinkError(f"{self.name}: cannot be opened ({words})") from None

    async def read(self) -> list[Piece]:
        """Wait up to ``READ_WAIT_S`` for bytes; returns what arrives within ``GATHER_NS``, piece by piece.

        Raises LinkError where the port is not open or was lost.
        """
        port = self._port
        if port is None:
            raise LinkError(f"{self.name}: is not open")
        if self._reader is None:
            self._reader = ThreadPoolExecutor(1, "serial")  # its own: a silent port must not hold up another
        try:
            return await asyncio.get_running_loop().run_in_executor(self._reader, self._gather, port)
        except _LOST as reason:
            raise LinkError(f"{self.name}: was lost ({reason})") from None

    def _gather(self, port: serial.Serial) -> list[Piece]:
        pieces: list[Piece] = []
        until_ns = now_ns() + GATHER_NS
        while now_ns() < until_ns:
            try:
                data = self._read(port)
            except _LOST:
                if pieces:
                    break  # a port that is lost says so again at the next read
                raise
            if not data:
                break
            pieces.append((data, now_ns(), utc_now_ns()))
        return pieces

    def _read(self, port: serial.Serial) -> bytes:
        data = bytes(port.read(1))
        if data and "://" in self.name:
            # pyserial tells of a socket only whether anything waits, not how much: read on without waiting.
            port.timeout = 0
            data += bytes(port.read(LARGEST_READ))
            port.timeout = READ_WAIT_S
        elif data:
            data += bytes(port.read(min(port.in_waiting, LARGEST_READ)))
        return data

    async def write(self, data: bytes) -> None:
        """Write all; raises LinkError."""
        port = self._port
        if port is None:
            raise LinkError(f"{self.name}: is not open")
        try:
            await asyncio.to_thread(port.write, data)
        except _LOST as reason:
            raise LinkError(f"{self.name}: was lost ({reason})") from None

    async def close(self) -> None:
        """Close the port at once, so that the device returns under its old name; never raises."""
        port, self._port = self._port, None
        reader, self._reader = self._reader, None
        if reader is not None:
            reader.shutdown(wait=False)
        if port is not None:
            with contextlib.suppress(*_LOST):
                await asyncio.to_thread(port.close)
