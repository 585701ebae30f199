"""An emulated Modbus device: pymodbus's own server on one pseudo-terminal, the recorder on another, a wire between."""

import asyncio
import contextlib
import os
import select
import threading

import numpy as np
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.recorder.nodes import reading

FIRST = 8
MAP = """
node = "{node}"
port = "{port}"
every_s = {every_s}

[[channel]]
id = "suction_line"
device = 17
register = 8
type = "int16"
unit = "degC"
scale = 0.01
raw_unit = "0.01 degC"

[[channel]]
id = "coolant"
device = 17
register = 9
type = "int16"
unit = "degC"
scale = 0.01
raw_unit = "0.01 degC"
"""


class ModbusBox:
    """A device whose two input registers read ``reading(n, 0)`` and ``reading(n, 1)`` at the n-th question.

    Answers numbered in ``mute`` do not come, those in ``broken`` come with a wrong bit; every byte is kept.
    """

    def __init__(self, mute: set[int] | None = None, broken: set[int] | None = None) -> None:
        self.mute, self.broken = mute or set(), broken or set()
        self.asked = 0
        self.questions: list[bytes] = []
        self.answers: list[bytes] = []
        self._lock = threading.Lock()
        self._open_wire()
        self._over = threading.Event()
        self._carrier = threading.Thread(target=self._carry, daemon=True)
        self._loop = asyncio.new_event_loop()
        self._server_thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._server_thread.start()
        asyncio.run_coroutine_threadsafe(self._serve(), self._loop).result(10.0)
        self._carrier.start()

    def _open_wire(self) -> None:
        import tty  # not on every system

        self._device_near, self._device_far = os.openpty()
        tty.setraw(self._device_far)
        self.plug()

    def plug(self) -> None:
        """A port for the recorder, perhaps under a new name."""
        import tty  # not on every system

        near, self._host_far = os.openpty()
        tty.setraw(self._host_far)
        self.port = os.ttyname(self._host_far)
        self._host_near: int | None = near

    def unplug(self) -> None:
        """Whoever holds the port gets a hang-up."""
        with self._lock:
            near, self._host_near = self._host_near, None
            if near is not None:
                os.close(near)
                os.close(self._host_far)

    async def _serve(self) -> None:
        data = SimData(FIRST, values=[0, 0], datatype=DataType.REGISTERS)
        device = SimDevice(17, simdata=[data], action=self._read)
        self._server = ModbusSerialServer(device, port=os.ttyname(self._device_far), baudrate=19_200)
        self._serving = asyncio.ensure_future(self._server.serve_forever())
        await asyncio.sleep(0.05)

    async def _read(
        self, _function: int, _start: int, _address: int, _count: int, registers: list[int], _values: object
    ) -> None:
        for column in range(2):
            registers[column] = int(np.asarray(reading(self.asked, column)) % 0x8000)
        self.asked += 1

    def _carry(self) -> None:
        while not self._over.is_set():
            with self._lock, contextlib.suppress(OSError):
                handles = [handle for handle in (self._host_near, self._device_near) if handle is not None]
                ready, _, _ = select.select(handles, [], [], 0.02)
                if self._host_near in ready:
                    self.questions.append(os.read(self._host_near, 4096))
                    os.write(self._device_near, self.questions[-1])
                if self._device_near in ready:
                    self._pass_on(os.read(self._device_near, 4096))
            self._over.wait(0.001)  # lets who unplugs in

    def _pass_on(self, answer: bytes) -> None:
        number = self.asked - 1
        self.answers.append(answer)
        if number in self.mute:
            return
        if number in self.broken:
            answer = bytes([*answer[:4], answer[4] ^ 0x10, *answer[5:]])
        if self._host_near is not None:
            os.write(self._host_near, answer)

    def end(self) -> None:
        """Switch the device off."""
        asyncio.run_coroutine_threadsafe(self._leave(), self._loop).result(10.0)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._server_thread.join()
        self._loop.close()
        self._over.set()
        self._carrier.join()
        self.unplug()
        for handle in (self._device_near, self._device_far):
            with contextlib.suppress(OSError):
                os.close(handle)

    async def _leave(self) -> None:
        await self._server.shutdown()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await asyncio.wait_for(self._serving, 2.0)
        rest = asyncio.all_tasks() - {asyncio.current_task()}
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)
