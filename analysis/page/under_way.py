"""Recordings under way: the recorder runs as a process of its own, so that it outlives the page.

It is found again by its folder: ``opening.json``, whose time stamp beats once a second, and the journals. A file named
``stop`` asks it to end and seal.
"""

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.page.shelf import Shelf
from recorder.assignment import Assignment
from recorder.errors import InputError
from recorder.files import LIFELESS_S, OPENING_FILE
from recorder.jobsheet import JobSheet

OPENS_WITHIN_S = 40.0
DEMO_SPEED = 30.0
DEMO = "demo"
"""Stands for the address of the demo node until it has one."""
INTO = "Recording into "


@dataclass(slots=True)
class Recorders:
    """The recorders that this page started; others are found by their folders."""

    out: Path
    logs: dict[str, Path] = field(default_factory=dict[str, Path])
    _children: list["subprocess.Popen[bytes]"] = field(default_factory=list["subprocess.Popen[bytes]"])

    async def start(self, addresses: list[str], job: JobSheet, places: Sequence[Assignment] = ()) -> str:
        """Start recording; returns the new folder's name. The address ``demo`` starts the demo node.

        Raises
        ------
        InputError
            With what the recorder said, if it did not start.
        """
        aside = Path(tempfile.mkdtemp(prefix="warmspell-"))
        sheet, log = aside / "job.json", aside / "recorder.log"
        sheet.write_text(json.dumps(job.to_dict(), ensure_ascii=False), encoding="utf-8")
        wires = [await self._demo_port() if address == DEMO else address for address in addresses]
        placed = [word for p in places for word in ("--place", f"{p.node}/{p.channel}={p.place}")]
        child = self._spawn(log, "record", *wires, *placed, "--job", str(sheet), "--out", str(self.out))
        name = await _said_folder(child, log)
        self.logs[name] = log
        return name

    async def start_demo(self) -> str:
        """Replay the shipped recording as a node on a line and record it."""
        return await self.start([DEMO], demo_job(demo_source()))

    async def _demo_port(self) -> str:
        """A replay of the shipped recording, waiting on a line for whoever records it."""
        source = demo_source()
        log = Path(tempfile.mkdtemp(prefix="warmspell-")) / "node.log"
        node = self._spawn(log, "replay", str(source), "--speed", f"{DEMO_SPEED:g}")
        return (await _until(node, log, lambda text: "\n" in text)).strip().splitlines()[0]

    def _spawn(self, log: Path, *words: str) -> "subprocess.Popen[bytes]":
        # -P: a folder named analysis where the technician happens to stand must not be run instead.
        command = [sys.executable, "-P", "-m", "analysis", *words]
        environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "PYTHONUNBUFFERED": "1"}
        with log.open("wb") as file:
            child = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=file,
                stderr=subprocess.STDOUT,
                env=environment,
                # Its own session, or group: Ctrl-C at the page's terminal must not reach the recorder.
                start_new_session=sys.platform != "win32",
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        self._children.append(child)
        return child

    def reap(self) -> None:
        """Forget children that have ended."""
        self._children[:] = [child for child in self._children if child.poll() is None]

    def last_words(self, name: str) -> str:
        """What the recorder of that folder said last, where this page started it."""
        log = self.logs.get(name)
        return _error_in(log.read_text(encoding="utf-8", errors="replace")) if log else ""


def demo_source() -> Path:
    """The shipped recording that the demo node plays."""
    from analysis.demo import BEFORE, shipped_recordings

    return shipped_recordings() / BEFORE


def demo_node() -> dict[str, Any]:
    """The demo node as it is listed: it need not be asked, what it plays is known."""
    about = json.loads((demo_source() / "recording.json").read_text(encoding="utf-8"))
    groups = [group for node in about["nodes"] for group in node["description"]["groups"]]
    channels = [channel["id"] for group in groups for channel in group["channels"]]
    note = f"invented drive of minibus 7, {DEMO_SPEED:g} times faster"
    return {"address": DEMO, "node": "replay", "channels": channels, "supply_mv": None, "rssi_dbm": None, "note": note}


def demo_job(source: Path) -> JobSheet:
    """The job sheet of the shipped recording, without its marks: whoever watches presses their own."""
    from dataclasses import replace

    from recorder.recording import open_recording

    return replace(open_recording(source).job, marks=(), name="minibus 7 demo")


async def _said_folder(child: "subprocess.Popen[bytes]", log: Path) -> str:
    text = await _until(child, log, lambda said: INTO in said and "Mark moments" in said)
    line = next(line for line in text.splitlines() if line.startswith(INTO))
    return Path(line.removeprefix(INTO).split(". Mark moments", maxsplit=1)[0]).name


async def _until(child: "subprocess.Popen[bytes]", log: Path, done: Callable[[str], bool]) -> str:
    deadline = time.monotonic() + OPENS_WITHIN_S
    while time.monotonic() < deadline:
        text = await asyncio.to_thread(log.read_text, encoding="utf-8", errors="replace")
        if done(text):
            return text
        if child.poll() is not None:
            raise InputError(_error_in(text) or "the recorder ended without a word.")
        await asyncio.sleep(0.03)
    raise InputError("the recorder did not start in time.")


def _error_in(text: str) -> str:
    lines = [line for line in text.strip().splitlines() if line.startswith("warmspell: ")]
    return lines[-1].removeprefix("warmspell: ") if lines else ""


def alive(shelf: Shelf) -> list[str]:
    """Names of the recordings whose recorder gave a sign of life, newest first."""
    found: list[str] = []
    for name in shelf.may_be_under_way():
        with contextlib.suppress(FileNotFoundError):
            if time.time() - (shelf.out / name / OPENING_FILE).stat().st_mtime < LIFELESS_S:
                found.append(name)
    return sorted(found, reverse=True)  # a folder's name begins with its time


def mark(folder: Path, kind: str, text: str, ago_s: float = 0.0) -> None:
    """Mark this moment, or one so many seconds ago, in a recording under way.

    Raises
    ------
    InputError
        If no recording is under way there, or the mark is not one.
    """
    from recorder.clock import HostClock
    from recorder.marks import Mark, append_mark

    try:
        opening = json.loads((folder / "opening.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError("this recording has ended; correct its marks in the write-up.") from None
    at_ns = max(HostClock.now_ns() - round(1e9 * ago_s), int(opening["monotonic_ns"]))
    host = HostClock(int(opening["monotonic_ns"]), int(opening["utc_ns"]))
    append_mark(folder, Mark(host.to_utc_ns(at_ns), kind, text, at_ns))


def stop(folder: Path) -> None:
    """Ask the recorder to end and seal."""
    from recorder.store import ask_to_stop

    ask_to_stop(folder)
