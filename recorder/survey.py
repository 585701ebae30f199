"""What is there: nodes on serial ports and BLE, each asked for its description, bounded in time."""

import asyncio
import contextlib
import re
from dataclasses import dataclass

from recorder.clock import now_ns
from recorder.errors import FrameError, LinkError
from recorder.frames import DescriptionBuffer, Frame, FrameType, decode_body, encode_body
from recorder.gatt import ENVIRONMENTAL_SENSING, NODE_SERVICE
from recorder.links import Link, link_to
from recorder.node import Health, NodeDescription, description_from_json, health_from_json
from recorder.radio import Advertiser, scan
from recorder.serial_port import SerialPort, all_ports

SCAN_S, ASK_S = 5.0, 4.0
HELLO_EVERY_S = 0.7
HEALTH_S = 0.8
"""A node of ours sends its health with its description; so long it is waited for (common practice, no source)."""
LISTEN_S = 1.3
BUILT_IN = "/dev/ttyS"
"""Ports of the main board: mostly there without a plug, so silence on them is not told."""
LISTEN_BAUDS = (4800, 9600, 115_200)


@dataclass(frozen=True, slots=True)
class Found:
    """One node: the address to record from, and what it says of itself; None is what it does not say.

    ``answers`` is False where nothing came that could be recorded.
    """

    address: str
    node: str | None
    channels: tuple[str, ...] = ()
    supply_mv: int | None = None
    rssi_dbm: int | None = None
    note: str = ""
    answers: bool = True


@dataclass(frozen=True, slots=True)
class Survey:
    """What was found, and sentences on where nothing was or could be found."""

    found: tuple[Found, ...]
    remarks: tuple[str, ...]


async def survey(addresses: list[str], *, radio: bool) -> Survey:
    """Ask the addresses named, or all serial ports of this computer, and scan for BLE nodes.

    Takes at most ``SCAN_S`` and two connections' time; raises nothing for what is not there.
    """
    named = bool(addresses)
    wanted = addresses or all_ports()
    work = [_at(address) for address in wanted]
    if radio:
        work.append(_on_radio())
    results = await asyncio.gather(*work)
    found = tuple(found for result in results for found in result.found)
    remarks = [remark for result in results for remark in result.remarks if named or not remark.startswith(BUILT_IN)]
    if not wanted:
        remarks.insert(0, "No serial port is there.")
    elif not found and not remarks:
        remarks.append("No node answers on the serial ports that are there.")
    return Survey(found, tuple(remarks))


async def _at(address: str) -> Survey:
    link = link_to(address)
    if link.absent is not None:
        return Survey((), (link.absent,))
    is_port = ":" not in address
    try:
        heard = await _ask(link)
        if heard.description is not None:
            return Survey((heard.told(link.address if is_port else address, link.rssi_dbm),), ())
        kind = await _kind_of_text(address) if is_port else None
    except LinkError as reason:
        return Survey((), (f"{reason}.",))
    if kind is None:
        return Survey((), (f"{address}: nothing there answers as a node.",))
    return Survey((kind,), ())


@dataclass(slots=True)
class _Heard:
    """What a link brought: description, health, whether there was a sample."""

    description: NodeDescription | None = None
    health: Health | None = None
    sampled: bool = False

    def told(self, address: str, rssi_dbm: int | None) -> Found:
        assert self.description is not None
        channels = tuple(channel.id for group in self.description.groups for channel in group.channels)
        supply_mv = self.health.supply_mv if self.health else None
        answers = self.sampled or self.health is not None
        note = "" if answers else "nothing was received from it"
        return Found(address, self.description.id, channels, supply_mv, rssi_dbm, note, answers)


async def _ask(link: Link) -> _Heard:
    """Say hello, listen for the description, the health and a sample; then tell the node to stop.

    A sensor that cannot describe itself is described by its link: there only a sample shows that it is there.
    """
    buffer, heard = DescriptionBuffer(), _Heard()
    try:
        await link.open()
        began_ns = now_ns()
        hello_ns = described_ns = 0
        while now_ns() - began_ns < ASK_S * 1e9:
            long_enough = now_ns() - described_ns > HEALTH_S * 1e9
            if heard.description is not None and (heard.health or (heard.sampled and long_enough)):
                break
            if heard.description is None and now_ns() - hello_ns > HELLO_EVERY_S * 1e9:
                hello_ns = now_ns()
                await link.send(encode_body(Frame(FrameType.HELLO)))
            for arrival in await link.receive():
                frame = decode_body(arrival.body)
                heard.sampled |= frame.type is FrameType.SAMPLES
                with contextlib.suppress(FrameError):
                    if frame.type is FrameType.HEALTH:
                        heard.health = health_from_json(frame.payload)
                    whole = buffer.add(frame) if frame.type is FrameType.DESCRIBE else None
                    if whole is not None:
                        heard.description, described_ns = description_from_json(whole), now_ns()
        await link.send(encode_body(Frame(FrameType.STOP)))
    finally:
        await link.close()
    return heard


async def _kind_of_text(port: str) -> Found | None:
    """What speaks in lines on a port, at the usual speeds."""
    for baud in LISTEN_BAUDS:
        line = SerialPort(port, baud)
        heard = b""
        try:
            await line.open()
            until_ns = now_ns() + int(LISTEN_S * 1e9)
            while now_ns() < until_ns:
                heard += b"".join(data for data, _, _ in await line.read())
        finally:
            await line.close()
        if re.search(rb"\$G[A-Z]{4},[^\r\n]*\*[0-9A-F]{2}", heard):
            note = "satellite receiver: road speed, altitude"
            return Found(f"nmea:{line.name}?baud={baud}", "nmea", ("vehicle_speed", "altitude", "barometer"), note=note)
        if re.search(rb'[\[{]\s*"(bn|n|bt|bver)"\s*:', heard):
            return Found(f"senml:{line.name}?baud={baud}", None, note="SenML lines; state ?reference= for pressures")
    return None


async def _on_radio() -> Survey:
    try:
        heard = await scan([NODE_SERVICE, ENVIRONMENTAL_SENSING], SCAN_S)
    except LinkError as reason:
        return Survey((), (f"{reason}.",))
    if not heard:
        return Survey((), (f"BLE: no node advertised itself within {SCAN_S:g} s.",))
    results = await asyncio.gather(*(_on_device(device) for device in heard))
    return Survey(tuple(results), ())


async def _on_device(device: Advertiser) -> Found:
    scheme = "ble" if NODE_SERVICE in device.services else "ess"
    link = link_to(f"{scheme}:{device.address}")
    try:
        heard = await _ask(link)
    except LinkError as reason:
        return Found(link.address, device.name, rssi_dbm=device.rssi_dbm, note=str(reason), answers=False)
    if heard.description is None:
        note = "does not describe itself"
        return Found(link.address, device.name, rssi_dbm=device.rssi_dbm, note=note, answers=False)
    return heard.told(link.address, device.rssi_dbm)


def as_table(found: tuple[Found, ...]) -> str:
    """The nodes as a table for people."""
    rows = [("address", "node", "supply", "signal", "channels")]
    for one in found:
        supply = "-" if one.supply_mv is None else f"{one.supply_mv / 1000:.2f} V"
        signal = "-" if one.rssi_dbm is None else f"{one.rssi_dbm} dBm"
        channels = ", ".join(one.channels) + (f" ({one.note})" if one.note else "")
        rows.append((one.address, one.node or "-", supply, signal, channels.strip()))
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    lines = ["  ".join([*(f"{row[i]:<{widths[i]}}" for i in range(4)), row[4]]).rstrip() for row in rows]
    return "\n".join(lines)
