"""Modbus RTU: registers read in turn through a map in TOML (``modbus:map.toml``).

The map names port, speed, device and what each register holds::

    node = "climate-box"            # id in the recording
    port = "/dev/ttyUSB0"
    baud = 19200                    # parity = "E" | "O" | "N", stop_bits = 1
    every_s = 0.5

    [[channel]]
    id = "low_side"                 # a place, numbered where there are several
    device = 17                     # Modbus device address, 1-247
    kind = "input"                  # or "holding"
    register = 8                    # as on the wire: counts from 0
    type = "int16"                  # uint16, int16, uint32, int32, float32
    words = "big"                   # of a 32-bit value, the word that comes first: big or little
    unit = "kPa"
    reference = "vented_gauge"      # of a pressure
    scale = 0.1                     # stored value = sent value x scale + offset

A reading lies between question and answer; that interval is the round trip that bounds its time. A poll that fails or
comes too late spends a number and so counts as lost. RTU answers carry no number: after one that did not come the line
is left quiet, so that a late answer is not taken for the next one's.
"""

import asyncio
import contextlib
import logging
import struct
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from pymodbus.client import AsyncModbusSerialClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU
from pymodbus.pdu import ExceptionResponse

from recorder.clock import now_ns, utc_now_ns
from recorder.errors import InputError, LinkError
from recorder.interpreter import Interpreter
from recorder.journal import Arrival
from recorder.links import STALL_S, Link
from recorder.node import Channel, Group, NodeDescription, channel_from, description_from
from recorder.serial_port import stable_name

SCHEMES = ("modbus",)
ANSWER_S, QUIET_S = 0.5, 0.5
"""Wait for an answer, and silence after one that did not come (common practice, no source)."""
LONGEST_READ = 125
"""Registers in one answer (Modbus Application Protocol 1.1b3, 6.3)."""
TYPES = {"uint16": 1, "int16": 1, "uint32": 2, "int32": 2, "float32": 2}
_MAP_KEYS = {"node", "port", "baud", "parity", "stop_bits", "every_s", "channel"}
_REGISTER_KEYS = {"device", "kind", "register", "type", "words"}

logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # what goes wrong is counted and told by the link


@dataclass(frozen=True, slots=True)
class Register:
    """Where one channel stands: device, kind (``input`` or ``holding``), first register, type, order of words."""

    device: int
    kind: str
    register: int
    type: str
    words: str

    def value(self, words: list[int]) -> float:
        """The number in the registers, most significant byte first within each."""
        ordered = words if self.words == "big" else words[::-1]
        data = b"".join(word.to_bytes(2, "big") for word in ordered)
        if self.type == "float32":
            return struct.unpack(">f", data)[0]
        return int.from_bytes(data, "big", signed=self.type.startswith("int"))


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """What a map file says."""

    node: str
    port: str
    baud: int
    parity: str
    stop_bits: int
    every_s: float
    registers: tuple[Register, ...]
    description: NodeDescription

    def reads(self) -> list[tuple[int, str, int, int]]:
        """Device, kind, first register and count of each question: neighbours are read together."""
        wanted = sorted((r.device, r.kind, r.register, r.register + TYPES[r.type]) for r in self.registers)
        reads: list[tuple[int, str, int, int]] = []
        for device, kind, first, end in wanted:
            last = reads[-1] if reads else None
            if last and last[:2] == (device, kind) and first <= last[2] + last[3] and end - last[2] <= LONGEST_READ:
                reads[-1] = (device, kind, last[2], max(last[3], end - last[2]))
            else:
                reads.append((device, kind, first, end - first))
        return reads


def read_map(path: Path) -> RegisterMap:
    """Read a register map.

    Raises
    ------
    InputError
        If the file cannot be read, or a key is unknown, missing or out of bounds; the message names it.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as reason:
        raise InputError(f"{path}: the register map cannot be read ({reason}).") from None
    for key in values:
        if key not in _MAP_KEYS:
            raise InputError(f"{path}: has no key '{key}'. Keys: {', '.join(sorted(_MAP_KEYS))}.")
    try:
        return _map_from(values, path)
    except KeyError as reason:
        raise InputError(f"{path}: the key {reason} is missing.") from None
    except (TypeError, ValueError) as reason:
        raise InputError(f"{path}: {reason}.") from None


def _map_from(values: Mapping[str, Any], path: Path) -> RegisterMap:
    every_s, parity = float(values.get("every_s", 1.0)), str(values.get("parity", "N"))
    baud, stop_bits = int(values.get("baud", 19_200)), int(values.get("stop_bits", 1))
    if not 0.02 <= every_s <= 60.0 or parity not in ("N", "E", "O") or stop_bits not in (1, 2) or baud < 300:
        raise ValueError("every_s lies from 0.02 to 60, parity is N, E or O, stop_bits 1 or 2, baud at least 300")
    registers: list[Register] = []
    channels: list[Channel] = []
    for entry in values["channel"]:
        try:
            registers.append(_register_from(entry))
            channels.append(channel_from({k: v for k, v in entry.items() if k not in _REGISTER_KEYS}))
        except InputError as reason:
            raise InputError(f"{path}: {reason}") from None
    whole = all(register.type in ("uint16", "int16", "int32") for register in registers)
    group = Group(0, 1.0 / every_s, "int32" if whole else "float32", tuple(channels))
    described = NodeDescription(str(values["node"]), "Modbus RTU", 1, (group,))
    description_from(described.to_dict())
    port = str(values["port"])
    return RegisterMap(described.id, port, baud, parity, stop_bits, every_s, tuple(registers), described)


def _register_from(entry: Mapping[str, Any]) -> Register:
    name = entry.get("id")
    register = Register(
        int(entry["device"]),
        str(entry.get("kind", "input")),
        int(entry["register"]),
        str(entry.get("type", "int16")),
        str(entry.get("words", "big")),
    )
    if not 1 <= register.device <= 247:
        raise ValueError(f"channel '{name}': a device address lies from 1 to 247")
    if register.kind not in ("input", "holding") or register.words not in ("big", "little"):
        raise ValueError(f"channel '{name}': kind is input or holding, words is big or little")
    if register.type not in TYPES:
        raise ValueError(f"channel '{name}': type is one of {', '.join(TYPES)}")
    if not 0 <= register.register <= 65_536 - TYPES[register.type]:
        raise ValueError(f"channel '{name}': registers count from 0 to 65535")
    return register


def open_link(address: str) -> Link:
    """Return a link for ``modbus:`` and the path of a register map."""
    path = Path(address.removeprefix("modbus:"))
    return ModbusRtu(read_map(path))


class ModbusRtu:
    """Polls the registers; the interpreter speaks frames for the devices."""

    def __init__(self, registers: RegisterMap) -> None:
        self._map = registers
        self._port = stable_name(registers.port)
        self.address = f"modbus:{self._port}"
        self.stall_s = max(STALL_S, 6.0 * registers.every_s)
        self.refused: dict[str, int] = {}
        self.rssi_dbm = None
        self._interpreter = Interpreter()
        self._interpreter.describe(registers.description)
        self._client: AsyncModbusSerialClient | None = None
        self._due_ns = 0

    @property
    def absent(self) -> str | None:
        """Why the port cannot be there now."""
        if self._port.startswith("/") and not Path(self._port).exists():
            return f"{self._port}: there is no such port; plug the adaptor in, or correct 'port' in the register map."
        return None

    async def open(self) -> None:
        """Open the port afresh."""
        await self.close()
        client = AsyncModbusSerialClient(
            self._port,
            baudrate=self._map.baud,
            parity=self._map.parity,
            stopbits=self._map.stop_bits,
            timeout=ANSWER_S,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._watch,
        )
        self._client = client
        try:
            opened = await client.connect()
        except (OSError, ValueError) as reason:
            raise LinkError(f"{self.address}: cannot be opened ({reason})") from None
        if not opened:
            raise LinkError(f"{self.address}: cannot be opened")
        self._due_ns = now_ns()

    def _watch(self, sending: bool, data: bytes) -> bytes:
        """Count an answer of full length whose CRC is wrong; the library only drops it."""
        if not sending and len(data) >= 5:
            size = 5 + data[2] if data[1] in (3, 4) else 5
            if len(data) == size and FramerRTU.compute_CRC(data[:-2]) != int.from_bytes(data[-2:], "big"):
                self._refuse("checksum")
        return data

    def _refuse(self, reason: str) -> None:
        self.refused[reason] = self.refused.get(reason, 0) + 1

    async def receive(self) -> list[Arrival]:
        """Wait until the next poll is due, then ask every device once."""
        client = self._client
        if client is None or not client.connected:
            raise LinkError(f"{self.address}: was lost")
        arrivals = self._interpreter.take()
        if arrivals:
            return arrivals
        wait_s = (self._due_ns - now_ns()) / 1e9
        if wait_s > 0:
            await asyncio.sleep(min(wait_s, 0.1))
        if now_ns() >= self._due_ns:
            self._due_ns = max(self._due_ns + int(self._map.every_s * 1e9), now_ns())
            await self._poll(client)
        return self._interpreter.take()

    async def _poll(self, client: AsyncModbusSerialClient) -> None:
        asked_ns = now_ns()
        words: dict[tuple[int, str, int], int] = {}
        for device, kind, first, count in self._map.reads():
            answer = await self._ask(client, device, kind, first, count)
            words |= {(device, kind, first + i): word for i, word in enumerate(answer)}
        answered_ns = now_ns()
        values = [self._value(register, words) for register in self._map.registers]
        if all(value is None for value in values):
            self._interpreter.miss(0)
            return
        middle_ns = (asked_ns + answered_ns) // 2
        self._interpreter.round_trip(asked_ns, answered_ns)
        self._interpreter.samples(0, values, middle_ns, utc_now_ns() - (answered_ns - middle_ns))

    def _value(self, register: Register, words: dict[tuple[int, str, int], int]) -> float | None:
        own = range(register.register, register.register + TYPES[register.type])
        held = [words.get((register.device, register.kind, number)) for number in own]
        return None if None in held else register.value(cast("list[int]", held))

    async def _ask(self, client: AsyncModbusSerialClient, device: int, kind: str, first: int, count: int) -> list[int]:
        checksums = self.refused.get("checksum", 0)
        read = client.read_input_registers if kind == "input" else client.read_holding_registers
        try:
            answer = await read(first, count=count, device_id=device)
        except ModbusException as reason:
            if not client.connected:
                raise LinkError(f"{self.address}: was lost ({reason})") from None
            if self.refused.get("checksum", 0) == checksums:
                self._refuse("no_answer")
            await asyncio.sleep(QUIET_S)
            return []
        except OSError as reason:
            raise LinkError(f"{self.address}: was lost ({reason})") from None
        if isinstance(answer, ExceptionResponse):
            self._refuse(f"exception_{answer.exception_code}")
            return []
        if len(answer.registers) != count:
            self._refuse("length")
            return []
        return list(answer.registers)

    async def send(self, body: bytes) -> None:
        """The interpreter answers."""
        self._interpreter.hear(body)

    async def close(self) -> None:
        """Close the port."""
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(OSError, ModbusException):
                client.close()
