"""A stand-in for the Bluetooth daemon: ``org.bluez`` on a private message bus, so that bleak's own Linux backend runs.

Only what lies behind the D-Bus interface is emulated: one adapter, devices that advertise, connect, resolve their
services, notify and go away (interface and member names: BlueZ's D-Bus API documents, org.bluez.Adapter1, Device1,
GattService1, GattCharacteristic1). It runs in a thread with an event loop of its own.
"""

import asyncio
import contextlib
import os
import subprocess
import tempfile
import threading
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

ADAPTER = "/org/bluez/hci0"
ADAPTER1, DEVICE1 = "org.bluez.Adapter1", "org.bluez.Device1"
SERVICE1, CHARACTERISTIC1 = "org.bluez.GattService1", "org.bluez.GattCharacteristic1"
DESCRIPTOR1 = "org.bluez.GattDescriptor1"
OBJECTS, PROPERTIES = "org.freedesktop.DBus.ObjectManager", "org.freedesktop.DBus.Properties"
UNPACED = 48  # a round trip after so many signals keeps the bus from dropping us
MTU = 247


@dataclass
class Attribute:
    """One characteristic; ``descriptors`` maps UUID to value."""

    uuid: str
    flags: tuple[str, ...]
    value: bytes = b""
    descriptors: dict[str, bytes] = field(default_factory=dict)
    notifying: bool = False


@dataclass
class Peripheral:
    """A device with one service. ``on_write`` is called in the bus's thread; a write to a deaf one never returns."""

    address: str
    name: str
    service: str
    attributes: list[Attribute]
    rssi: int = -60
    mtu: int = MTU
    on_write: Callable[[str, bytes], None] = lambda _uuid, _data: None
    on_subscribe: Callable[[str], None] = lambda _uuid: None
    on_disconnect: Callable[[], None] = lambda: None
    in_range: bool = True
    connectable: bool = True
    deaf: bool = False
    known: bool = False
    connected: bool = False
    connections: int = 0

    @property
    def path(self) -> str:
        """D-Bus path of the device."""
        return f"{ADAPTER}/dev_{self.address.replace(':', '_')}"

    def attribute_path(self, index: int) -> str:
        """D-Bus path of a characteristic."""
        return f"{self.path}/service0010/char{0x11 + 0x10 * index:04x}"

    def attribute(self, uuid: str) -> tuple[str, Attribute]:
        """Path and characteristic of a UUID."""
        return next((self.attribute_path(i), a) for i, a in enumerate(self.attributes) if a.uuid == uuid)


def _variants(**values: tuple[str, Any]) -> dict[str, Variant]:
    return {name: Variant(kind, value) for name, (kind, value) in values.items()}


class Bluez:
    """The daemon and its bus; use as a context manager."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self.address = f"unix:path={Path(self._folder.name) / 'bus'}"
        self.peripherals: list[Peripheral] = []
        self.powered = True
        self.has_adapter = True
        self.discovering = False
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._daemon: subprocess.Popen[bytes] | None = None
        self._bus: MessageBus | None = None
        self._sent = 0
        self._tasks: set[asyncio.Task[None]] = set()

    def __enter__(self) -> "Bluez":
        self._before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self.address
        self._thread.start()
        self.start_bus()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill_bus()
        self.do(self._cancel_all())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
        self._folder.cleanup()
        if self._before is None:
            del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
        else:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self._before

    def do(self, work: Coroutine[Any, Any, Any]) -> Any:
        """Run something on the bus's loop and wait for it."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(20.0)

    def soon(self, work: Coroutine[Any, Any, Any]) -> None:
        """Start something on the bus's loop."""
        asyncio.run_coroutine_threadsafe(work, self._loop)

    def start_bus(self) -> None:
        """Start the message bus and own the daemon's name on it."""
        command = [
            "dbus-daemon",
            "--session",
            "--nofork",
            "--nopidfile",
            f"--address={self.address}",
            "--print-address",
        ]
        self._daemon = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        assert self._daemon.stdout is not None
        assert self._daemon.stdout.readline()
        for peripheral in self.peripherals:
            peripheral.known = peripheral.connected = False
        self.do(self._own())

    def kill_bus(self) -> None:
        """The bus goes away, and every connection to it."""
        daemon, self._daemon = self._daemon, None
        if daemon is not None:
            for peripheral in self.peripherals:
                if peripheral.connected:
                    self._loop.call_soon_threadsafe(peripheral.on_disconnect)
            daemon.kill()
            daemon.wait()
            assert daemon.stdout is not None
            daemon.stdout.close()
            self.do(self._leave())

    async def _own(self) -> None:
        self._bus = await MessageBus(bus_address=self.address).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.bluez")

    async def _leave(self) -> None:
        if self._bus is not None:
            with contextlib.suppress(Exception):
                self._bus.disconnect()
                await asyncio.wait_for(self._bus.wait_for_disconnect(), 2.0)
            self._bus = None

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = self._loop.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _cancel_all(self) -> None:
        rest = asyncio.all_tasks() - {asyncio.current_task()}
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)

    # What the tests do to the radio

    def add(self, peripheral: Peripheral) -> None:
        """A device comes into range."""
        self.peripherals.append(peripheral)

    def drop(self, peripheral: Peripheral) -> None:
        """A device loses its connection."""
        self.do(self._disconnect(peripheral))

    def power(self, on: bool) -> None:
        """Turn the adapter on or off."""
        self.do(self._power(on))

    async def _power(self, on: bool) -> None:
        self.powered = on
        for peripheral in self.peripherals:
            if not on and peripheral.connected:
                await self._disconnect(peripheral)
        await self._changed(ADAPTER, ADAPTER1, _variants(Powered=("b", on)))

    async def notify(self, peripheral: Peripheral, uuid: str, value: bytes) -> bool:
        """Send a notification; False if nobody listens. To be called on the bus's loop."""
        path, attribute = peripheral.attribute(uuid)
        if not (peripheral.connected and attribute.notifying):
            return False
        await self._changed(path, CHARACTERISTIC1, _variants(Value=("ay", value)))
        return True

    # What the bus asks of the daemon

    def _handle(self, message: Message) -> Message | bool | None:
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if message.interface not in (OBJECTS, ADAPTER1, DEVICE1, CHARACTERISTIC1, DESCRIPTOR1, PROPERTIES):
            return None
        self._spawn(self._answer(message))
        return True

    async def _answer(self, message: Message) -> None:
        try:
            reply = await self._reply_to(message)
        except RefusalError as refusal:
            reply = Message.new_error(message, f"org.bluez.Error.{refusal.name}", refusal.text)
        if self._bus is not None and reply is not None:
            with contextlib.suppress(OSError):  # the bus is gone, and who asked with it
                await self._bus.send(reply)

    async def _reply_to(self, message: Message) -> Message | None:
        member, path = message.member, message.path or ""
        if member == "GetManagedObjects":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects()])
        if path == ADAPTER:
            return await self._adapter(message)
        peripheral = next((p for p in self.peripherals if path.startswith(p.path) and p.known), None)
        if peripheral is None:
            raise RefusalError("DoesNotExist", "no such device")
        if member == "Connect":
            await self._connect(peripheral)
        elif member == "Disconnect":
            await self._disconnect(peripheral)
        else:
            return self._attribute(message, peripheral)
        return Message.new_method_return(message)

    async def _adapter(self, message: Message) -> Message:
        if message.member in ("StartDiscovery", "StopDiscovery"):
            if not self.powered:
                raise RefusalError("NotReady", "Resource Not Ready")
            self.discovering = message.member == "StartDiscovery"
            await self._changed(ADAPTER, ADAPTER1, _variants(Discovering=("b", self.discovering)))
            if self.discovering:
                self._spawn(self._advertise())
        return Message.new_method_return(message)

    def _attribute(self, message: Message, peripheral: Peripheral) -> Message | None:
        path = message.path or ""
        found = [(i, a) for i, a in enumerate(peripheral.attributes) if path.startswith(peripheral.attribute_path(i))]
        if not found or not peripheral.connected:
            raise RefusalError("NotConnected", "Not Connected")
        _, attribute = found[0]
        if message.interface == DESCRIPTOR1:
            value = list(attribute.descriptors.values())[int(path[-1], 16) - 2]
            return Message.new_method_return(message, "ay", [value])
        if message.member == "StartNotify":
            attribute.notifying = True
            self._loop.call_soon(peripheral.on_subscribe, attribute.uuid)
        elif message.member == "StopNotify":
            attribute.notifying = False
        elif message.member == "ReadValue":
            return Message.new_method_return(message, "ay", [attribute.value])
        elif message.member == "WriteValue" and peripheral.deaf:
            return None  # the daemon hangs in it
        elif message.member == "WriteValue":
            data, options = bytes(message.body[0]), message.body[1]
            command = options.get("type", Variant("s", "")).value == "command"
            if command and len(data) > peripheral.mtu - 3:
                raise RefusalError("Failed", "a write without response longer than the connection's size is lost")
            self._loop.call_soon(peripheral.on_write, attribute.uuid, data)
        return Message.new_method_return(message)

    # The objects and what happens to them

    def _objects(self) -> dict[str, dict[str, dict[str, Variant]]]:
        objects: dict[str, dict[str, dict[str, Variant]]] = {"/org/bluez": {}}
        if self.has_adapter:
            objects[ADAPTER] = {ADAPTER1: self._adapter_properties()}
            for peripheral in self.peripherals:
                if peripheral.known:
                    objects[peripheral.path] = {DEVICE1: self._device_properties(peripheral)}
                    if peripheral.connected:
                        objects |= self._gatt(peripheral)
        return objects

    def _adapter_properties(self) -> dict[str, Variant]:
        return _variants(
            Address=("s", "00:00:5E:00:53:00"),
            Powered=("b", self.powered),
            Discovering=("b", self.discovering),
            Roles=("as", ["central"]),
        )

    def _device_properties(self, peripheral: Peripheral) -> dict[str, Variant]:
        return _variants(
            Address=("s", peripheral.address),
            AddressType=("s", "public"),
            Name=("s", peripheral.name),
            Alias=("s", peripheral.name),
            Adapter=("o", ADAPTER),
            Paired=("b", False),
            Trusted=("b", False),
            Blocked=("b", False),
            Connected=("b", peripheral.connected),
            ServicesResolved=("b", peripheral.connected),
            UUIDs=("as", [peripheral.service]),
            RSSI=("n", peripheral.rssi),
        )

    def _gatt(self, peripheral: Peripheral) -> dict[str, dict[str, dict[str, Variant]]]:
        service = f"{peripheral.path}/service0010"
        objects = {
            service: {
                SERVICE1: _variants(UUID=("s", peripheral.service), Device=("o", peripheral.path), Primary=("b", True))
            }
        }
        for index, attribute in enumerate(peripheral.attributes):
            path = peripheral.attribute_path(index)
            objects[path] = {
                CHARACTERISTIC1: _variants(
                    UUID=("s", attribute.uuid),
                    Service=("o", service),
                    Value=("ay", b""),
                    Notifying=("b", False),
                    Flags=("as", list(attribute.flags)),
                    MTU=("q", peripheral.mtu),
                )
            }
            for number, uuid in enumerate(attribute.descriptors):
                objects[f"{path}/desc{int(path[-4:], 16) + 1 + number:04x}"] = {
                    DESCRIPTOR1: _variants(UUID=("s", uuid), Characteristic=("o", path), Value=("ay", b""))
                }
        return objects

    async def _advertise(self) -> None:
        while self.discovering and self.powered and self._bus is not None:
            for peripheral in self.peripherals:
                if not peripheral.in_range or peripheral.connected:
                    continue
                if not peripheral.known:
                    peripheral.known = True
                    await self._added(peripheral.path, {DEVICE1: self._device_properties(peripheral)})
                else:
                    await self._changed(peripheral.path, DEVICE1, _variants(RSSI=("n", peripheral.rssi)))
            await asyncio.sleep(0.05)

    async def _connect(self, peripheral: Peripheral) -> None:
        if not (self.powered and peripheral.in_range):
            raise RefusalError("Failed", "le-connection-abort-by-remote")
        if not peripheral.connectable:
            await asyncio.sleep(60.0)
        peripheral.connected = True
        peripheral.connections += 1
        for path, interfaces in self._gatt(peripheral).items():
            await self._added(path, interfaces)
        await self._changed(peripheral.path, DEVICE1, _variants(Connected=("b", True)))
        await self._changed(peripheral.path, DEVICE1, _variants(ServicesResolved=("b", True)))

    async def _disconnect(self, peripheral: Peripheral) -> None:
        if not peripheral.connected:
            return
        gatt = self._gatt(peripheral)
        peripheral.connected = False
        for attribute in peripheral.attributes:
            attribute.notifying = False
        peripheral.on_disconnect()
        gone = _variants(Connected=("b", False), ServicesResolved=("b", False))
        await self._changed(peripheral.path, DEVICE1, gone)
        for path, interfaces in reversed(gatt.items()):
            await self._signal("/", OBJECTS, "InterfacesRemoved", "oas", [path, list(interfaces)])

    async def _added(self, path: str, interfaces: dict[str, dict[str, Variant]]) -> None:
        await self._signal("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    async def _changed(self, path: str, interface: str, values: dict[str, Variant]) -> None:
        await self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, values, []])

    async def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        if self._bus is None or not self._bus.connected:
            return
        await self._bus.send(Message.new_signal(path, interface, member, signature, body))
        self._sent += 1
        if self._sent % UNPACED == 0:
            await self._bus.call(
                Message(
                    destination="org.freedesktop.DBus",
                    path="/org/freedesktop/DBus",
                    interface="org.freedesktop.DBus.Peer",
                    member="Ping",
                )
            )


class RefusalError(Exception):
    """An error that the daemon answers with."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__(text)
        self.name, self.text = name, text
