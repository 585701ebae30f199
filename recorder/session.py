"""A recording under way: links to clock to store in one loop, one supervisor a node."""

import asyncio
import contextlib
import random
from collections.abc import Awaitable, Callable

from recorder.clock import now_ns
from recorder.conversation import Conversation, NodeState
from recorder.errors import InputError, LinkError, StoreError
from recorder.links import Link
from recorder.marks import iso_utc
from recorder.store import RecordingStore

SHORTEST_BACKOFF_S, LONGEST_BACKOFF_S = 0.5, 30.0
OPEN_S, CLOSE_S = 40.0, 6.0
"""Outer bounds on opening and closing any link (common practice, no source)."""
SHOW_EVERY_S = 0.4
LOOK_EVERY_S = 0.3


class Session:
    """Runs the links of one recording until they end, the time is up, the disk is full or somebody stops it.

    ``store`` may be a function that makes the store: it is called once the first node has said what it is.
    ``ended_by`` tells in words why a session ended that nobody asked to end.
    """

    def __init__(
        self,
        store: RecordingStore | Callable[[], RecordingStore],
        links: list[Link],
        show: Callable[[list[NodeState]], None] | None = None,
    ) -> None:
        self._store = store if isinstance(store, RecordingStore) else None
        self._make_store = None if isinstance(store, RecordingStore) else store
        self._links = links
        self._show = show
        self._stop = asyncio.Event()
        self._said = ""
        self.ended_by: str | None = None
        self.disk_full = False
        self.nodes = [NodeState(link.address) for link in links]

    @property
    def store(self) -> RecordingStore:
        """The store, made now if it was not yet."""
        if self._store is None:
            assert self._make_store is not None
            self._store = self._make_store()
        return self._store

    @property
    def has_store(self) -> bool:
        """Whether anything was recorded into yet."""
        return self._store is not None

    def stop(self, why: str | None = None) -> None:
        """Ask the session to end in order."""
        self.ended_by = self.ended_by or why
        self._stop.set()

    async def run(self, for_s: float | None = None, until_silent_s: float | None = None) -> None:
        """Record, then close the store.

        Ends when every node said *end*, ``for_s`` has passed, all nodes have been silent for ``until_silent_s`` after
        they spoke, the disk takes no more, or ``stop`` was called.
        """
        keeping = [
            asyncio.create_task(self._often(RecordingStore.keep)),
            asyncio.create_task(self._often(RecordingStore.write_parts)),
            asyncio.create_task(self._watch(until_silent_s)),
        ]
        supervisors = [
            asyncio.create_task(self._supervise(link, node)) for link, node in zip(self._links, self.nodes, strict=True)
        ]
        try:
            done, _ = await asyncio.wait(supervisors, timeout=for_s, return_when=asyncio.FIRST_EXCEPTION)
            self._stop.set()
            await asyncio.wait(supervisors)
            for supervisor in done:
                supervisor.result()
        finally:
            self._stop.set()
            await asyncio.gather(*keeping, *supervisors, return_exceptions=True)
            if self._store is not None:
                self._count(self._store)
                self._store.close()

    async def _watch(self, until_silent_s: float | None) -> None:
        """Show the state; end a recording that is asked to end, or an unattended one that has fallen silent."""
        while not self._stop.is_set():
            if self._store is not None:
                if self._store.stop_asked():
                    self.stop()
                self._tell(self._store)
            if self._show is not None:
                with contextlib.suppress(OSError):  # a terminal that was closed ends no recording
                    self._show(self.nodes)
            heard = [node.data_ns for node in self.nodes if node.data_ns is not None]
            if until_silent_s is not None and heard and now_ns() - max(heard) > until_silent_s * 1e9:
                self.stop(f"all nodes have been silent for {until_silent_s:g} s")
            await self._rest(SHOW_EVERY_S)

    async def _often(self, work: Callable[[RecordingStore], None]) -> None:
        """Do something with the store again and again, in a thread: forcing must not wait for parts or a screen."""
        while not self._stop.is_set():
            if self._store is not None:
                try:
                    await asyncio.to_thread(work, self._store)
                except StoreError as reason:
                    self._stop_full(reason)
            await self._rest(SHOW_EVERY_S)

    def _stop_full(self, reason: StoreError) -> None:
        self.disk_full = True
        self.stop(str(reason))

    async def _rest(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._stop.wait()

    async def _rest_before_opening(self, link: Link, seconds: float) -> None:
        """Wait, but no longer than a wire that is not there takes to come back."""
        until_ns = now_ns() + int(seconds * 1e9)
        was_absent = link.absent is not None
        while not self._stop.is_set() and (left_s := (until_ns - now_ns()) / 1e9) > 0:
            await self._rest(min(left_s, LOOK_EVERY_S))
            if was_absent and link.absent is None:
                return

    def _tell(self, store: RecordingStore) -> None:
        """Keep the account of the links whenever it says something new: whoever watches, or a crash, finds it there."""
        said = [
            (node.names, node.reconnects, len(node.outages), len(node.told), node.health, node.rssi_dbm)
            for node in self.nodes
        ]
        if repr(said) != self._said:
            self._said = repr(said)
            self._count(store)

    def _count(self, store: RecordingStore) -> None:
        for link, node in zip(self._links, self.nodes, strict=True):
            counters = node.counters(link.refused, lambda at_ns: iso_utc(store.host.to_utc_ns(at_ns)))
            for name in node.names:
                with contextlib.suppress(StoreError):
                    store.count(name, counters)

    async def _supervise(self, link: Link, node: NodeState) -> None:
        backoff_s = SHORTEST_BACKOFF_S
        while not (node.ended or self._stop.is_set()):
            frames_before = node.frames
            try:
                await self._connect(link, node)
            except InputError:
                raise
            except Exception as fault:  # whatever one link's library does, the other nodes are recorded
                sentence = f"{link.address}: failed within ({type(fault).__name__}: {fault})"
                node.lose(sentence)
                node.tell(sentence)
            if node.frames > frames_before:
                backoff_s = SHORTEST_BACKOFF_S
            if not node.ended:
                await self._rest_before_opening(link, backoff_s * random.uniform(0.5, 1.0))  # noqa: S311 - jitter
                backoff_s = min(2.0 * backoff_s, LONGEST_BACKOFF_S)

    async def _connect(self, link: Link, node: NodeState) -> None:
        """Open the link, converse, close it; what is lost of it is the node's state."""
        frames_before, opened = node.frames, False
        try:
            async with asyncio.timeout(OPEN_S):
                await self._unless_stopped(link.open())
            if not self._stop.is_set():
                node.rssi_dbm, opened = link.rssi_dbm, True
                await self._converse(link, node)
        except LinkError as reason:
            node.lose(str(reason))
            if opened and node.frames == frames_before:
                node.tell(str(reason))  # it answered, and will be tried again at once: not to be overlooked
        except TimeoutError:
            node.lose(f"{link.address}: could not be opened within {OPEN_S:g} s")
        except StoreError as reason:
            self._stop_full(reason)
        finally:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(CLOSE_S):
                    await link.close()

    async def _unless_stopped(self, opening: Awaitable[None]) -> None:
        """Open a link, but do not let a slow one hold up the end."""
        task = asyncio.ensure_future(opening)
        stopped = asyncio.ensure_future(self._stop.wait())
        try:
            await asyncio.wait({task, stopped}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            stopped.cancel()
            if not task.done():
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, LinkError):
                    await task
        if not task.cancelled():
            task.result()

    async def _converse(self, link: Link, node: NodeState) -> None:
        """Say hello, keep what arrives; returns at *end* or when the session stops."""
        node.state = "connected"
        others = [other for other in self.nodes if other is not node]
        talk = Conversation(lambda: self.store, link, node, others)
        while not (self._stop.is_set() or node.ended):
            await talk.ask()
            await talk.hear()
        if not node.ended:
            await talk.leave()
        node.state = "ended" if node.ended else "stopped"
