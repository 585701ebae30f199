"""Three nodes (serial, BLE, Modbus) recorded by ``warmspell record`` while they fail as they were told to.

``python -m tests.recorder.three_nodes 600`` records for ten minutes. What was injected is counted where it happens, at
the nodes; what the sealed recording says is read from its ``recording.json``. Each stretch of ``EVERY`` frames has a
quiet end, in which links are cut, so that no fault falls into a cut and each can be counted exactly.
"""

import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from recorder.frames import FrameType
from recorder.recording import Recording, open_recording
from tests.conftest import ROOT
from tests.recorder.bluez import Bluez
from tests.recorder.modbus_box import MAP, ModbusBox
from tests.recorder.nodes import Node, Pty, ble_node, described, reading

BLE_ADDRESS = "00:00:5E:00:53:01"  # documentation range, RFC 7042
BATCH, EVERY = 5, 60
"""Rows a frame; frames after which the pattern of faults comes again (6 s at 50 rows a second)."""
FAULTY = range(12, 40)
"""Where in it frames may fail."""
CUTS = range(48, 53)
"""Where in it links are cut."""
KEPT = 600
QUESTIONS = 12
"""Modbus questions after which its pattern comes again: one stays unanswered, one is answered with a wrong bit."""
LONGEST = 1000


@dataclass
class Faults:
    """Numbers of the frames that fail, drawn once."""

    lost: set[int]
    gone: set[int]
    doubled: set[int]
    broken: set[int]

    @classmethod
    def draw(cls, rng: random.Random) -> "Faults":
        """Two frames of each kind in each stretch."""
        kinds: list[set[int]] = [set(), set(), set(), set()]
        for stretch in range(LONGEST):
            numbers = rng.sample(FAULTY, 8)
            for kind, chosen in enumerate(kinds):
                chosen.update(stretch * EVERY + n for n in numbers[2 * kind : 2 * kind + 2])
        return cls(*kinds)


def until(condition: Callable[[], bool], what: str, within_s: float = 40.0) -> None:
    """Wait for something to happen."""
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, f"{what} did not happen"
        time.sleep(0.01)


class Bench:
    """The three nodes, each with its faults, and what was done to them."""

    def __init__(self, work: Path, bluez: Bluez, rng: random.Random, rate_hz: float) -> None:
        self._bluez = bluez
        self.port = work / "usb-climate-node"
        self._ptys = [Pty()]
        self.serial = Node(
            described("hv-1", rate_hz), self._ptys[0].send, batch=BATCH, keeps=KEPT, **vars(Faults.draw(rng))
        )
        self._ptys[0].hear = self.serial.hear
        self.port.symlink_to(self._ptys[0].name)
        radio, self.peripheral = ble_node(
            bluez, BLE_ADDRESS, described("hv-ble", rate_hz), batch=BATCH, keeps=KEPT, **vars(Faults.draw(rng))
        )
        self.radio: Node = radio
        first = [rng.randrange(2, QUESTIONS - 4) for _ in range(LONGEST)]
        self.box = ModbusBox(
            {stretch * QUESTIONS + at for stretch, at in enumerate(first)},
            {stretch * QUESTIONS + at + 3 for stretch, at in enumerate(first)},
        )
        self.map = work / "box.toml"
        self.map.write_text(MAP.format(node="box", port=self.box.port, every_s=0.2))
        self.cuts = {"hv-1": 0, "hv-ble": 0}
        self.restarts = 0
        self.frames: Counter[str] = Counter()
        self.lost: Counter[str] = Counter()

    @property
    def addresses(self) -> list[str]:
        """What is recorded."""
        return [str(self.port), f"ble:{BLE_ADDRESS}", f"modbus:{self.map}"]

    def cut_serial(self) -> None:
        """Unplug the serial node; it comes back under another name behind the stable one."""
        self.port.unlink()
        old = self._ptys[-1]
        old.hang_up()
        self.serial.streaming = False
        new = Pty()
        self._ptys.append(new)
        self.serial.send, new.hear = new.send, self.serial.hear
        self.port.symlink_to(new.name)
        self.cuts["hv-1"] += 1
        until(lambda: self.serial.streaming, "the serial node's return")

    def _come_back(self, act: Callable[[], None]) -> None:
        connections = self.peripheral.connections
        act()
        self.cuts["hv-ble"] += 1
        until(lambda: self.peripheral.connections > connections and self.radio.streaming, "the BLE node's return")

    def cut_radio(self) -> None:
        """The radio link drops amid notifications."""
        self._come_back(lambda: self._bluez.drop(self.peripheral))

    def switch_adapter(self) -> None:
        """The adapter goes off and on."""

        def act() -> None:
            self._bluez.power(False)
            self._bluez.power(True)

        self._come_back(act)

    def restart_bus(self) -> None:
        """The message bus goes away and comes back."""

        def act() -> None:
            self._bluez.kill_bus()
            self._bluez.start_bus()

        self._come_back(act)

    def hush_radio(self) -> None:
        """The BLE node stays connected and says nothing, until the recorder has connected afresh."""
        connections = self.peripheral.connections
        self.radio.silent = True
        self.cuts["hv-ble"] += 1
        until(lambda: self.peripheral.connections > connections, "a fresh connection")
        self.radio.silent = False
        until(lambda: self.radio.streaming, "the BLE node's return")

    def restart_serial(self) -> None:
        """The serial node loses its supply for a moment; its line stays open."""
        self._count(self.serial)
        self.restarts += 1
        self.serial.restart(self.serial.boot + 1)
        self.serial.streamed = [0]
        self.serial.resent.clear()
        self.serial.ended = False
        until(lambda: self.serial.streaming, "the serial node's answer to a hello")

    @staticmethod
    def _first(node: Node) -> int:
        """The first frame that came through: of those before it nobody can know."""
        faulty = node.lost | node.gone | node.broken
        return next((seq for seq in node.streamed if seq not in faulty), node.seq)

    def _count(self, node: Node) -> None:
        """Let the node pause, and count what it has sent."""
        with node._lock:  # no frame is under way
            node.ended = True
        first, after = self._first(node), node.seq
        name, gone = node.description.id, sum(first < seq < after for seq in node.gone)
        self.lost[name] += gone
        self.frames[name] += after - first - gone

    @staticmethod
    def calm(node: Node, within: range) -> None:
        """Wait for a quiet moment in which all that can be had again was asked for."""

        def is_calm() -> bool:
            first = Bench._first(node)
            wanted = {seq for seq in node.lost | node.broken if first < seq < node.seq}
            return node.seq % EVERY in within and wanted <= node.resent

        until(is_calm, "a quiet moment")

    def settle(self) -> None:
        """No more faults or samples; wait until what can be had again was, and all that was sent has been read."""
        for node in (self.serial, self.radio):
            self.calm(node, range(FAULTY.stop + 1, EVERY))
            self._count(node)
        asked = self.box.asked
        self.box.mute, self.box.broken = ({n for n in s if n <= asked} for s in (self.box.mute, self.box.broken))
        until(lambda: self.box.asked > asked + 3, "the next Modbus answers")
        for node in (self.serial, self.radio):
            echoes = self._echoes(node)
            until(lambda node=node, echoes=echoes: self._echoes(node) >= echoes + 2, "two more echoes")

    @staticmethod
    def _echoes(node: Node) -> int:
        return sum(frame.type is FrameType.ECHO_REQUEST for frame in list(node.heard))

    def end(self) -> None:
        """Switch all off."""
        for node in (self.serial, self.radio):
            node.stop()
        self._ptys[-1].hang_up()
        self.box.end()


def expected(bench: Bench) -> dict[str, dict[str, int]]:
    """What the sealed counters have to be, from what happened at the nodes."""
    asked = bench.box.asked
    mute, broken = (sum(n < asked for n in numbers) for numbers in (bench.box.mute, bench.box.broken))
    told = {
        name: {
            "frames": bench.frames[name],
            "lost": bench.lost[name],
            "duplicate": node.did["doubled"],
            "refused": 0,
            "refused_checksum": node.did["broken"],
            "reconnects": bench.cuts[name],
        }
        for name, node in (("hv-1", bench.serial), ("hv-ble", bench.radio))
    }
    told["hv-1"]["boots"] = 1 + bench.restarts
    told["hv-ble"]["boots"] = 1
    told["box"] = {
        "frames": asked - mute - broken,
        "lost": mute + broken,
        "duplicate": 0,
        "refused_no_answer": mute,
        "refused_checksum": broken,
        "reconnects": 0,
        "boots": 1,
    }
    return told


def sealed_counters(recording: Recording, names: Iterable[str]) -> dict[str, dict[str, int]]:
    """What ``recording.json`` says of the same."""
    entries: dict[str, dict[str, Any]] = {entry["name"]: entry["counters"] | entry["link"] for entry in recording.nodes}
    return {name: entries[name] for name in names}


def assert_rows_are_what_was_sent(recording: Recording) -> int:
    """Each row is what its sensor sent under its number; returns the number of rows."""
    rows = 0
    for stream in recording.streams:
        seq = stream.data["seq"].to_numpy()
        batch = 1 if stream.id == "box" else BATCH
        number = seq * batch + np.arange(len(seq)) % batch
        for column, channel in enumerate(stream.channels):
            sent = reading(number, column) % (0x8000 if stream.id == "box" else 2**31)
            assert np.array_equal(stream.data[f"raw_{channel.id}"].to_numpy(), sent), f"{stream.id} {channel.id}"
        rows += len(seq)
    return rows


def run(work: Path, for_s: float, seed: int, rate_hz: float) -> tuple[Recording, dict[str, dict[str, int]], str]:
    """Record and fail for so long; returns the sealed recording, what its counters have to be, and what was told."""
    rng = random.Random(seed)
    with Bluez() as bluez:
        bench = Bench(work, bluez, rng, rate_hz)
        recorder = subprocess.Popen(
            [sys.executable, "-m", "analysis", "record", *bench.addresses, "--out", str(work / "out")],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            _fail(bench, for_s)
            bench.settle()
            recorder.send_signal(signal.SIGINT)
            told, said = recorder.communicate(timeout=60)
        finally:
            recorder.kill()
            bench.end()
    assert recorder.returncode == 0, said
    return open_recording(Path(told.strip())), expected(bench), said


def _fail(bench: Bench, for_s: float) -> None:
    """Cut a link in the quiet end of each stretch, each in another way; restart the serial node once."""
    until(lambda: bench.serial.streaming and bench.radio.streaming and bench.box.asked > 1, "a start of all three")
    deadline, turn = time.monotonic() + for_s, 0
    once = (bench.cut_radio, bench.cut_serial, bench.switch_adapter, bench.restart_serial)
    again = (bench.hush_radio, bench.cut_serial, bench.restart_bus, bench.cut_serial, bench.cut_radio)
    while time.monotonic() < deadline:
        act = once[turn] if turn < len(once) else again[turn % len(again)]
        node = bench.serial if act in (bench.cut_serial, bench.restart_serial) else bench.radio
        bench.calm(node, CUTS)
        act()
        until(lambda node=node: node.seq % EVERY not in CUTS, "the end of the stretch")  # one cut in each
        turn += 1


def main() -> None:
    """Run, and print injected beside sealed."""
    for_s = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    work = Path(tempfile.mkdtemp())
    recording, wanted, said = run(work, for_s, random.SystemRandom().randrange(10**6), 50.0)
    print(said)
    sealed = sealed_counters(recording, wanted)
    print(f"{'node':8} {'counter':18} {'injected':>9} {'sealed':>9}")
    for name, counters in wanted.items():
        for counter, value in counters.items():
            found = sealed[name].get(counter, 0)
            print(f"{name:8} {counter:18} {value:9} {found:9}{'' if found == value else '   DIFFERS'}")
        print(f"{name:8} {'recovered':18} {'':9} {sealed[name]['recovered']:9}")
    print(f"{assert_rows_are_what_was_sent(recording)} rows, each what was sent; intact: {recording.intact}; {work}")


if __name__ == "__main__":
    main()
