"""A BLE connection as field reports teach it: a fresh scan and a fresh client on every try, one try at a time.

Shared by the links that speak BLE; the only module beside them that knows the radio's library.
"""

import asyncio
import contextlib
import logging
from collections.abc import AsyncGenerator, Callable
from dataclasses import dataclass
from weakref import WeakKeyDictionary

from bleak import BleakAdapter, BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakBluetoothNotAvailableError, BleakError

from recorder.errors import LinkError

WAIT_S = 0.1
SCAN_S = 8.0
CONNECT_S = 15.0
CLOSE_S = 5.0
"""A scan, a connection and a farewell may take this long (common practice, no source)."""
FAULTS = (BleakError, OSError, EOFError, TimeoutError, AssertionError)
"""What the library raises when a radio, a bus or a device goes away (a bus that is not there: FileNotFoundError)."""

logging.getLogger("bleak").setLevel(logging.ERROR)  # its warnings are told by the link, in plain words

_LOCKS: "WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Lock]" = WeakKeyDictionary()


@dataclass(frozen=True, slots=True)
class Advertiser:
    """A device that a scan heard. ``rssi_dbm`` is its signal strength [dBm]."""

    address: str
    name: str | None
    rssi_dbm: int
    services: frozenset[str]


@contextlib.asynccontextmanager
async def faults_of(address: str, doing: str) -> AsyncGenerator[None]:
    """Turn what the library raises into ``LinkError``, in plain words."""
    try:
        yield
    except FAULTS as reason:
        raise LinkError(f"{address}: {doing}: {in_words(reason)}") from None


def in_words(reason: BaseException) -> str:
    """What went wrong with the radio, for a person."""
    if isinstance(reason, BleakBluetoothNotAvailableError):
        return str(reason.args[0]).rstrip(".")
    if isinstance(reason, FileNotFoundError | ConnectionRefusedError):
        return "this system runs no Bluetooth service (its message bus does not answer)"
    if isinstance(reason, TimeoutError):
        return "took too long"
    return str(reason) or type(reason).__name__


def _lock() -> asyncio.Lock:
    return _LOCKS.setdefault(asyncio.get_running_loop(), asyncio.Lock())


async def scan(services: list[str], for_s: float) -> list[Advertiser]:
    """Everything that advertises one of the services within ``for_s``.

    Raises
    ------
    LinkError
        If there is no radio, it is off, or the bus to it is gone.
    """
    async with faults_of("BLE", "cannot scan"), _lock(), asyncio.timeout(for_s + CLOSE_S):
        heard = await BleakScanner.discover(timeout=for_s, return_adv=True, service_uuids=services)
    return [
        Advertiser(device.address, told.local_name, told.rssi, frozenset(told.service_uuids))
        for device, told in heard.values()
    ]


class Radio:
    """One BLE device: connects afresh each time it is told to."""

    def __init__(self, address: str, service: str) -> None:
        self.address = address
        self.rssi_dbm: int | None = None
        self.name: str | None = None
        self._service = service
        self._client: BleakClient | None = None

    async def connect(self, on_loss: Callable[[], None]) -> BleakClient:
        """Scan for the device and connect to it; ``on_loss`` is called once the connection is gone.

        Raises
        ------
        LinkError
            If it is not there, does not answer in time, or the radio is off.
        """
        await self.disconnect()
        async with faults_of(self.address, "cannot connect"), _lock(), asyncio.timeout(SCAN_S + CONNECT_S):
            device = await self._still_connected() or await BleakScanner.find_device_by_filter(
                self._is_it, timeout=SCAN_S
            )
            if device is None:
                raise LinkError(f"{self.address}: is not in range, or is switched off")
            self.name = device.name
            client = BleakClient(device, disconnected_callback=lambda _: on_loss(), services=[self._service])
            self._client = client
            await client.connect()
        return client

    async def _still_connected(self) -> BLEDevice | None:
        """The device, where the system still holds it after a recorder was killed: it does not advertise then."""
        adapter = await BleakAdapter.get()
        devices = await adapter.get_connected_devices([self._service])
        return next((device for device in devices if self._names(device.address, device.name)), None)

    def _is_it(self, device: BLEDevice, told: AdvertisementData) -> bool:
        if not self._names(device.address, told.local_name):
            return False
        self.rssi_dbm = told.rssi
        return True

    def _names(self, address: str, name: str | None) -> bool:
        return address.upper() == self.address.upper() or (name is not None and name == self.address)

    async def disconnect(self) -> None:
        """Let go of the device, also after it dropped the connection itself; never raises."""
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(*FAULTS):
                async with asyncio.timeout(CLOSE_S):
                    await client.disconnect()


class RadioLink:
    """What links over BLE share: one device, its connection, its loss, and waiting for news of it."""

    def __init__(self, scheme: str, device: str, service: str, stall_s: float) -> None:
        self.address = f"{scheme}:{device}"
        self.stall_s = stall_s
        self.refused: dict[str, int] = {}
        self._radio = Radio(device, service)
        self._client: BleakClient | None = None
        self._news = asyncio.Event()
        self._lost = True
        self._connection = 0

    @property
    def rssi_dbm(self) -> int | None:
        """Signal strength at the last scan [dBm]."""
        return self._radio.rssi_dbm

    @property
    def absent(self) -> str | None:
        """Only a scan can tell."""
        return None

    async def _connect(self) -> BleakClient:
        """Scan and connect afresh."""
        self._lost, self._news = False, asyncio.Event()
        self._connection += 1
        connection = self._connection
        self._client = await self._radio.connect(lambda: self._on_loss(connection))
        return self._client

    def _on_loss(self, connection: int) -> None:
        if connection == self._connection:  # the farewell of an earlier connection may come late
            self._lost = True
            self._news.set()

    async def _wait_for_news(self) -> None:
        """Wait up to ``WAIT_S``."""
        self._news.clear()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(WAIT_S):
                await self._news.wait()

    async def close(self) -> None:
        """Disconnect, also after an unexpected loss."""
        self._client = None
        await self._radio.disconnect()
