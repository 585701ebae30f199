"""Frames over BLE: one frame body a notification, host frames written to the node (``ble:AA:BB:CC:DD:EE:FF``).

The same body is refused, counted and sent again as on a serial line; the notifications that a radio loses or doubles
are found by their sequence numbers.
"""

import asyncio
import contextlib
from collections import deque

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic

from recorder.clock import now_ns, utc_now_ns
from recorder.errors import FrameError, InputError, LinkError
from recorder.frames import decode_body
from recorder.gatt import FROM_NODE, NODE_SERVICE, TO_NODE
from recorder.journal import Arrival
from recorder.links import STALL_S, Link
from recorder.radio import Radio, faults_of

SCHEMES = ("ble",)
WAIT_S = 0.1
WRITE_S = 2.0
"""A write that the system has not taken by then hangs (common practice, no source); what is heard waits meanwhile."""


def open_link(address: str) -> Link:
    """Return a link for ``ble:`` and a device's address or advertised name."""
    device = address.removeprefix("ble:").strip()
    if not device:
        raise InputError(f"'{address}': write ble: and the address that 'warmspell find' prints.")
    return BleFrames(device)


class BleFrames:
    """Frame bodies over notifications."""

    def __init__(self, device: str) -> None:
        self.address = f"ble:{device}"
        self.stall_s = STALL_S
        self.refused: dict[str, int] = {}
        self._radio = Radio(device, NODE_SERVICE)
        self._client: BleakClient | None = None
        self._heard: deque[Arrival] = deque()
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

    async def open(self) -> None:
        """Scan, connect and ask for notifications."""
        self._lost, self._news = False, asyncio.Event()
        self._heard.clear()
        self._connection += 1
        connection = self._connection
        self._client = await self._radio.connect(lambda: self._on_loss(connection))
        async with faults_of(self.address, "cannot be listened to"):
            await self._client.start_notify(FROM_NODE, self._on_value)

    def _on_loss(self, connection: int) -> None:
        if connection == self._connection:  # the farewell of an earlier connection may come late
            self._lost = True
            self._news.set()

    def _on_value(self, _: BleakGATTCharacteristic, value: bytearray) -> None:
        arrived_ns, utc_ns = now_ns(), utc_now_ns()
        body = bytes(value)
        try:
            decode_body(body)
        except FrameError as reason:
            word = str(reason).split(" ", maxsplit=1)[0]
            self.refused[word] = self.refused.get(word, 0) + 1
            return
        self._heard.append(Arrival(body, arrived_ns, utc_ns))
        self._news.set()

    async def receive(self) -> list[Arrival]:
        """Wait up to ``WAIT_S`` for notifications."""
        if not self._heard and not self._lost:
            self._news.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(WAIT_S):
                    await self._news.wait()
        arrivals = list(self._heard)
        self._heard.clear()
        if not arrivals and self._lost:
            raise LinkError(f"{self.address}: the connection was lost")
        return arrivals

    async def send(self, body: bytes) -> None:
        """Write a frame body: without response where it fits one packet, else with."""
        client = self._client
        if client is None or self._lost:
            raise LinkError(f"{self.address}: is not connected")
        async with faults_of(self.address, "cannot be written to"), asyncio.timeout(WRITE_S):
            target = client.services.get_characteristic(TO_NODE)
            if target is None:
                raise LinkError(f"{self.address}: has no characteristic to write to; is it a node of ours?")
            fits = len(body) <= target.max_write_without_response_size
            await client.write_gatt_char(target, body, response=not fits)

    async def close(self) -> None:
        """Disconnect, also after an unexpected loss."""
        self._client = None
        await self._radio.disconnect()
