"""The live feed: one follower a recording under way, any number of pages that show the same."""

import asyncio
import contextlib
import json
import time
from pathlib import Path
from typing import Any

from analysis.page import desk, under_way
from analysis.page.guided import GuidedRun, guided_test
from analysis.page.live import LiveRecording
from analysis.page.rehearsal import cue_at
from analysis.page.shelf import Shelf
from recorder.errors import InputError
from recorder.files import LIFELESS_S, STOP_FILE
from recorder.marks import MARKS_FILE

LOOK_EVERY_S = 0.04
TELL_EVERY_S = 0.5
MOST_WAITING = 400
LEAST_PAUSE_S = 2.0
LONGEST_PAUSE_S = 30.0
JUST_NOW_S = 3.0
STAYS_LIFELESS_S = 20.0
"""On top of the recorder's own patience: a computer that slept wakes before its recorder does."""
SHARE_OF_A_CORE = 0.02
"""What the detectors may take beside a drive that is recorded in real time; a replay that runs faster is looked at as
often as it can be (our own choice)."""


class Follower:
    """Follows one recording until it is sealed or gone, and tells every page that listens."""

    def __init__(self, folder: Path, shelf: Shelf, work: desk.Desk) -> None:
        self.folder, self._shelf, self._work = folder, shelf, work
        self.live = LiveRecording(folder)
        self.guided: GuidedRun | None = None
        self._guided_told: dict[str, Any] = {}
        self._listeners: set[asyncio.Queue[str | None]] = set()
        self._analysis: dict[str, Any] = {}
        self._marks: list[dict[str, Any]] = []
        self._marks_size = -1
        self._ended: str | None = None
        self._beat_s = time.monotonic()
        self._cue: str | None = None
        self._wanted = asyncio.Event()
        self._tasks = [asyncio.create_task(self._follow()), asyncio.create_task(self._examine())]

    @property
    def over(self) -> bool:
        """Whether the recording has ended."""
        return self._ended is not None

    def close(self) -> None:
        """Stop following."""
        for task in self._tasks:
            task.cancel()

    @contextlib.contextmanager
    def listening(self) -> Any:
        """A queue of messages that begins with all there is to know."""
        queue: asyncio.Queue[str | None] = asyncio.Queue(MOST_WAITING)
        queue.put_nowait(json.dumps(self._whole()))
        self._wanted.set()
        self._listeners.add(queue)
        try:
            yield queue
        finally:
            self._listeners.discard(queue)

    def start_guided(self, name: str) -> None:
        """Begin a guided test, in place of one that runs."""
        self.guided = GuidedRun(guided_test(name), self.live.now_s) if name else None
        self._tell({"guided": self.guided.told(self.live) if self.guided else None})

    def confirm_guided(self, step: object) -> None:
        """The technician says that a step is done; one that another page confirmed already is not confirmed twice."""
        if self.guided is not None:
            self.guided.confirm(step)

    def _whole(self) -> dict[str, Any]:
        return {
            "whole": True,
            "name": self.folder.name,
            "job": self.live.job.to_dict(),
            "strips": self.live.strips(),
            "analysis": self._analysis,
            "marks": self._marks,
            "guided": self.guided.told(self.live) if self.guided else None,
            "ended": self._ended,
            "cue": self._cue,
            **self.live.state(),
        }

    def _tell(self, message: dict[str, Any]) -> None:
        text = json.dumps(message)
        for queue in list(self._listeners):
            try:
                queue.put_nowait(text)
            except asyncio.QueueFull:  # a page that does not keep up comes back and is told all
                self._listeners.discard(queue)
                queue.get_nowait()
                queue.put_nowait(None)

    async def _follow(self) -> None:
        told_s = 0.0
        while self._ended is None:
            heard = self.live.look()
            now_s = time.monotonic()
            if heard or now_s - told_s > TELL_EVERY_S:
                told_s = now_s
                self._ended = self._how_it_ended(now_s)
                if self._ended is not None:
                    break
                self._read_marks()
                self._advance_guided()
                cue = cue_at(self.live)
                if cue != self._cue:
                    self._cue = cue
                    self._tell({"cue": cue})
                if self._listeners:
                    self._tell({**self.live.state(), "strips": self.live.news()})
            await asyncio.sleep(LOOK_EVERY_S)
        self._tell({"ended": self._ended})

    def _how_it_ended(self, now_s: float) -> str | None:
        """Sealed, gone (nothing was received) or cut off; None while it is under way."""
        try:
            beat_s = (self.folder / "opening.json").stat().st_mtime
        except FileNotFoundError:
            return "sealed" if (self.folder / "seal.json").exists() else "gone"
        if time.time() - beat_s < LIFELESS_S or (self.folder / STOP_FILE).exists():
            self._beat_s = now_s  # sealing a long recording takes its time, and leaves no other sign
        return "cut_off" if now_s - self._beat_s > STAYS_LIFELESS_S else None

    def _read_marks(self) -> None:
        path = self.folder / MARKS_FILE
        size = path.stat().st_size if path.exists() else 0
        if size == self._marks_size:
            return
        self._marks_size = size
        lines = path.read_text(encoding="utf-8").splitlines() if size else []
        with contextlib.suppress(ValueError, KeyError):
            self._marks = [
                {"kind": m["kind"], "text": m["text"], "t_s": self._seconds(m["monotonic_ns"])}
                for m in map(json.loads, lines)
            ]
        self._tell({"marks": self._marks})

    def _seconds(self, monotonic_ns: int | None) -> float | None:
        return None if monotonic_ns is None else round(self.live.seconds_at(monotonic_ns), 1)

    def _advance_guided(self) -> None:
        if self.guided is None:
            return
        for due in self.guided.look(self.live, [str(mark["kind"]) for mark in self._marks]):
            with contextlib.suppress(InputError):
                under_way.mark(self.folder, *due)
        told = self.guided.told(self.live)
        if told != self._guided_told:
            self._guided_told = told
            self._tell({"guided": told})

    async def _examine(self) -> None:
        while self._ended is None:
            took_s = 0.0
            if self.live.now_s > 0 and (self._listeners or self.guided):
                with contextlib.suppress(InputError, OSError, KeyError, ValueError):
                    self._analysis, took_s = await self._work.run("watch", desk.live_findings, str(self.folder))
                    self._tell({"analysis": self._analysis})
                    self.live.pumping_told = _pumping(self._analysis)
            rest_s = took_s / SHARE_OF_A_CORE if self.live.time_scale <= 1.0 else 0.0
            self._wanted.clear()
            with contextlib.suppress(TimeoutError):  # whoever opens the page is not kept waiting for the next look
                await asyncio.wait_for(self._wanted.wait(), min(max(LEAST_PAUSE_S, rest_s), LONGEST_PAUSE_S))


def _pumping(analysis: dict[str, Any]) -> bool | None:
    """Whether the compressor pumped at the end of what was analysed; None where it cannot be told."""
    if analysis.get("basis") in (None, "none"):
        return None
    runs = analysis["runs"]
    return bool(runs) and runs[-1][1] > analysis["duration_s"] - JUST_NOW_S


class Feed:
    """The followers by recording."""

    def __init__(self, shelf: Shelf, work: desk.Desk) -> None:
        self._shelf, self._work = shelf, work
        self._followers: dict[str, Follower] = {}

    def follower(self, name: str) -> Follower:
        """The follower of a recording under way.

        Raises
        ------
        InputError
            If no recording of that name is under way.
        """
        held = self._followers.get(name)
        if held is not None and not held.over:
            return held
        folder = self._shelf.folder(name)
        if not (folder / "opening.json").exists():
            raise InputError("this recording has ended.")
        self._followers[name] = Follower(folder, self._shelf, self._work)
        return self._followers[name]

    def close(self) -> None:
        """Stop following all."""
        for follower in self._followers.values():
            follower.close()
