"""Frames over BLE: one frame body a notification, host frames written to the node (``ble:AA:BB:CC:DD:EE:FF``).

The same body is refused, counted and sent again as on a serial line; the notifications that a radio loses or doubles
are found by their sequence numbers.
"""

import asyncio
from collections import deque

from bleak.backends.characteristic import BleakGATTCharacteristic

from recorder.clock import now_ns, utc_now_ns
from recorder.errors import FrameError, InputError, LinkError
from recorder.frames import decode_body
from recorder.gatt import FROM_NODE, NODE_SERVICE, TO_NODE
from recorder.journal import Arrival
from recorder.links import STALL_S, Link
from recorder.radio import RadioLink, faults_of

SCHEMES = ("ble",)
WRITE_S = 2.0
"""A write that the system has not taken by then hangs (common practice, no source); what is heard waits meanwhile."""


def open_link(address: str) -> Link:
    """Return a link for ``ble:`` and a device's address or advertised name; raises InputError without one."""
    device = address.removeprefix("ble:").strip()
    if not device:
        raise InputError(f"'{address}': write ble: and the address that 'warmspell find' prints.")
    return BleFrames(device)


class BleFrames(RadioLink):
    """Frame bodies over notifications."""

    def __init__(self, device: str) -> None:
        super().__init__("ble", device, NODE_SERVICE, STALL_S)
        self._heard: deque[Arrival] = deque()

    async def open(self) -> None:
        """Scan, connect and ask for notifications."""
        self._heard.clear()
        client = await self._connect()
        async with faults_of(self.address, "cannot be listened to"):
            await client.start_notify(FROM_NODE, self._on_value)

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
        """Wait a moment for notifications."""
        if not self._heard and not self._lost:
            await self._wait_for_news()
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
