"""Recording as a person runs it: attended until stopped, or unattended from one appearance of the nodes to the next."""

import asyncio
import contextlib
import signal
import sys
from collections.abc import Callable, Generator
from dataclasses import dataclass, field

import click

from recorder.clock import HostClock, now_ns
from recorder.conversation import NodeState
from recorder.errors import InputError, StoreError
from recorder.jobsheet import JobSheet
from recorder.keys import MARK_KEYS, keys_heard, legend
from recorder.links import Link
from recorder.recording import open_recording, short_digest
from recorder.sealing import seal
from recorder.session import Session
from recorder.store import RecordingStore, discard_empty, software

QUIET_S = 60.0
"""Unattended: so long after the last sample of all nodes a recording is closed (common practice, no source)."""

Say = Callable[[str], None]


def node_line(node: NodeState) -> str:
    """One node's state and account, short."""
    tally = node.tally
    name = node.name or node.address
    if tally is None:
        return f"{name}: {node.state}"
    counts = [
        f"{tally.frames} frames",
        *(f"{count} {word}" for count, word in ((tally.lost, "lost"), (tally.duplicate, "doubled")) if count),
        *([f"{node.reconnects} reconnected"] if node.reconnects else []),
        *([f"{tally.refused} not fitting"] if tally.refused else []),
    ]
    supply = f", {node.health.supply_mv / 1000:.2f} V" if node.health and node.health.supply_mv else ""
    return f"{name}: {node.state}, {', '.join(counts)}{supply}"


def status_line(nodes: list[NodeState], elapsed_s: float) -> str:
    """One line on all nodes of a recording under way."""
    told = "  |  ".join(node_line(node) for node in nodes)
    return f"{int(elapsed_s) // 60:d}:{int(elapsed_s) % 60:02d}  {told}"


@dataclass(slots=True)
class Screen:
    """Tells on standard error what happens: one line kept current on a terminal, events as lines of their own."""

    say: Say
    _began_ns: int = field(default_factory=now_ns)
    _told: set[str] = field(default_factory=set[str])
    _states: dict[str, str] = field(default_factory=dict[str, str])

    def show(self, nodes: list[NodeState]) -> None:
        """Bring the screen up to date."""
        for node in nodes:
            for sentence in node.told:
                if sentence not in self._told:
                    self._told.add(sentence)
                    self.event(sentence)
            if node.data_ns is not None and node.state != self._states.get(node.address):
                if node.state not in ("connected", "stopped"):
                    self.event(f"{node.name}: {node.state}")
                self._states[node.address] = node.state
        if sys.stderr.isatty():
            line = status_line(nodes, (now_ns() - self._began_ns) / 1e9)
            click.echo(f"\r{line}\x1b[K", nl=False, err=True)

    def event(self, sentence: str) -> None:
        """Say something that stays."""
        clear = "\r\x1b[K" if sys.stderr.isatty() else ""
        seconds = int((now_ns() - self._began_ns) / 1e9)
        self.say(f"{clear}{seconds // 60:d}:{seconds % 60:02d}  {sentence}")


@dataclass(slots=True)
class _Run:
    """What a person does to a recording under way: keys, signals. ``session`` is the one of the moment."""

    screen: Screen
    session: Session
    asked_to_stop: bool = False

    def stop(self) -> None:
        self.asked_to_stop = True
        self.session.stop()

    def mark(self, key: str) -> None:
        kind = MARK_KEYS.get(key)
        if kind is None:
            return
        if not self.session.has_store:
            self.screen.event(f"'{kind}' was not marked: nothing is being recorded yet")
            return
        try:
            self.session.store.mark(kind)
        except StoreError as reason:
            self.session.stop(str(reason))
        else:
            self.screen.event(f"marked {kind.replace('_', ' ')}")


@contextlib.contextmanager
def _heard(run: _Run) -> Generator[None]:
    """Listen to signals and keys."""
    loop = asyncio.get_running_loop()
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and sys.platform != "win32":
            loop.add_signal_handler(number, run.stop)
    with keys_heard(run.mark) as listening:
        if listening:
            run.screen.say(f"Keys mark the moment (a passenger presses them, never the driver):\n{legend()}")
        yield


def account_of(nodes: list[NodeState], links: list[Link]) -> list[str]:
    """What became of each node's frames, a line each."""
    lines: list[str] = []
    for node, link in zip(nodes, links, strict=True):
        if node.tally is not None:
            refused = ", ".join(f"{count} refused ({reason})" for reason, count in sorted(link.refused.items()))
            silent = f", silent for {node.silent_s:.1f} s" if node.reconnects else ""
            recovered = f", {node.tally.recovered} sent again" if node.tally.recovered else ""
            lines.append(f"{node_line(node)}{silent}{recovered}{', ' + refused if refused else ''}")
    return lines


def attended(links: list[Link], store: RecordingStore, for_s: float | None, say: Say) -> str:
    """Record until stopped, the time is up, the nodes' end or a full disk; seal. Returns the digest.

    Raises
    ------
    InputError
        If nothing was received, or the recording could not be sealed.
    """
    screen = Screen(say)
    session = Session(store, links, screen.show)

    async def record() -> None:
        run = _Run(screen, session)
        with _heard(run):
            try:
                await session.run(for_s)
            except asyncio.CancelledError:  # Ctrl-C where the loop cannot take signals
                run.stop()

    asyncio.run(record())
    if not any(node.frames for node in session.nodes):
        states = "; ".join(
            node.state if node.address in node.state else f"{node.address}: {node.state}" for node in session.nodes
        )
        discard_empty(store.folder)
        raise InputError(f"nothing was received, nothing was kept ({states}).")
    return _sealed(session, links, say)


def _sealed(session: Session, links: list[Link], say: Say) -> str:
    say("")
    if session.ended_by:
        say(f"Ended: {session.ended_by}.")
    for line in account_of(session.nodes, links):
        say(line)
    digest = seal(session.store.folder, software())
    for remark in open_recording(session.store.folder).remarks:
        say(remark)
    say(f"Sealed. Digest {short_digest(digest)} - note it on the order, so that it can be shown later.")
    return digest


def unattended(
    links: list[Link],
    make_store: Callable[[], RecordingStore],
    quiet_s: float,
    for_s: float | None,
    say: Say,
    done: Callable[[RecordingStore], None],
) -> None:
    """Record from each appearance of the nodes to their silence, seal, and wait for the next one.

    ``done`` is called with each sealed recording's store. Ends when it is stopped, ``for_s`` has passed, or the disk
    or its cap allows no further recording.

    Raises
    ------
    StoreError
        If the disk ended it.
    """
    asyncio.run(_rounds(links, make_store, quiet_s, for_s, say, done))


async def _rounds(
    links: list[Link],
    make_store: Callable[[], RecordingStore],
    quiet_s: float,
    for_s: float | None,
    say: Say,
    done: Callable[[RecordingStore], None],
) -> None:
    began_ns = now_ns()
    run = _Run(Screen(say), Session(make_store, links))
    with _heard(run):
        while not run.asked_to_stop:
            left_s = None if for_s is None else for_s - (now_ns() - began_ns) / 1e9
            if left_s is not None and left_s <= 0:
                return
            run.screen = Screen(say)
            run.session = Session(make_store, links, run.screen.show)
            await run.session.run(left_s, quiet_s)
            await asyncio.to_thread(_finish_round, run.session, links, say, done)


def _finish_round(session: Session, links: list[Link], say: Say, done: Callable[[RecordingStore], None]) -> None:
    if session.has_store and any(node.frames for node in session.nodes):
        _sealed(session, links, say)
        done(session.store)
    elif session.has_store:
        discard_empty(session.store.folder)
    if session.disk_full:
        raise StoreError(session.ended_by or "the disk takes no more")


def store_maker(make: Callable[[HostClock], RecordingStore], job: JobSheet, say: Say) -> Callable[[], RecordingStore]:
    """A function that begins a recording now and says so."""

    def begin() -> RecordingStore:
        store = make(HostClock.start())
        say(f"Recording {job.name or ''} into {store.folder}.".replace("  ", " "))
        return store

    return begin
