"""A serial port as field reports teach it: closed at once when lost, opened again by a name that survives unplugging.

Shared by the links that read a serial line; beside them the only module that knows pyserial. ``socket://host:port``
serves where there is no serial port.
"""

import asyncio
import contextlib
from pathlib import Path

import serial
from serial.tools import list_ports

from recorder.clock import now_ns, utc_now_ns
from recorder.errors import InputError, LinkError

BAUD = 115_200
READ_WAIT_S = 0.1
WRITE_WAIT_S = 2.0
LARGEST_READ = 1 << 16
BY_ID = Path("/dev/serial/by-id")
_LOCKED = "exclusively lock"
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

    async def read(self) -> tuple[bytes, int, int]:
        """Wait up to ``READ_WAIT_S`` for bytes; returns them with host monotonic time and UTC [ns]."""
        port = self._port
        if port is None:
            raise LinkError(f"{self.name}: is not open")
        try:
            return await asyncio.to_thread(self._read, port)
        except _LOST as reason:
            raise LinkError(f"{self.name}: was lost ({reason})") from None

    def _read(self, port: serial.Serial) -> tuple[bytes, int, int]:
        data = bytes(port.read(1))
        if data and "://" in self.name:
            # pyserial tells of a socket only whether anything waits, not how much: read on without waiting.
            port.timeout = 0
            data += bytes(port.read(LARGEST_READ))
            port.timeout = READ_WAIT_S
        elif data:
            data += bytes(port.read(min(port.in_waiting, LARGEST_READ)))
        return data, now_ns(), utc_now_ns()

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
        if port is not None:
            with contextlib.suppress(*_LOST):
                await asyncio.to_thread(port.close)
