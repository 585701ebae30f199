"""A recording under way: links to clock to store; one supervisor a node; gaps, reconnects and marks."""

import asyncio
import contextlib
import random
from collections.abc import Callable
from dataclasses import dataclass, field

from recorder.errors import FrameError, LinkError
from recorder.frames import DescriptionBuffer, Frame, FrameType, decode_body, encode_body
from recorder.journal import Arrival
from recorder.links import Link
from recorder.node import NodeDescription, description_from_json
from recorder.store import RecordingStore

HELLO_EVERY_S = 1.0
ECHO_EVERY_S = 2.0
STALL_S = 5.0
SHORTEST_BACKOFF_S = 0.5
LONGEST_BACKOFF_S = 30.0
DRAIN_S = 0.3
SHOW_EVERY_S = 0.5
UNDESCRIBED_KEPT = 10_000


@dataclass(slots=True)
class NodeState:
    """What is known of one node while the session runs."""

    address: str
    name: str | None = None
    description: NodeDescription | None = None
    state: str = "opening"
    frames: int = 0
    reconnects: int = 0
    silent_s: float = 0.0
    ended: bool = False
    boot: int | None = None
    last_seq: dict[int, int] = field(default_factory=dict[int, int])


class Session:
    """Runs the links of one recording until they end, the time is up or somebody stops it."""

    def __init__(
        self, store: RecordingStore, links: list[Link], show: Callable[[list[NodeState]], None] | None = None
    ) -> None:
        self.store = store
        self._links = links
        self._show = show
        self._stop = asyncio.Event()
        self.nodes = [NodeState(link.address) for link in links]

    def stop(self) -> None:
        """Ask the session to end in order."""
        self._stop.set()

    async def run(self, for_s: float | None = None) -> None:
        """Record until every node said *end*, ``for_s`` has passed or ``stop`` was called; then close the store."""
        keeper = asyncio.create_task(self._keep())
        supervisors = [
            asyncio.create_task(self._supervise(link, node)) for link, node in zip(self._links, self.nodes, strict=True)
        ]
        try:
            async with asyncio.timeout(for_s):
                await asyncio.gather(*supervisors)
        except TimeoutError:
            self._stop.set()
            await asyncio.gather(*supervisors, return_exceptions=True)
        finally:
            self._stop.set()
            keeper.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await keeper
            self._count()
            self.store.close()

    async def _keep(self) -> None:
        while True:
            self.store.keep()
            if self._show is not None:
                self._show(self.nodes)
            await asyncio.sleep(SHOW_EVERY_S)

    def _count(self) -> None:
        for link, node in zip(self._links, self.nodes, strict=True):
            if node.name is not None:
                refused = {f"refused_{reason}": count for reason, count in link.refused.items()}
                self.store.count(
                    node.name,
                    {"reconnects": node.reconnects, "silent_s": round(node.silent_s, 3), **refused},
                )

    async def _supervise(self, link: Link, node: NodeState) -> None:
        backoff_s = SHORTEST_BACKOFF_S
        lost_ns: int | None = None
        while not (node.ended or self._stop.is_set()):
            frames_before = node.frames
            try:
                await link.open()
                await self._converse(link, node, lost_ns)
            except LinkError as reason:
                node.state = str(reason)
                node.reconnects += node.frames > frames_before
                lost_ns = self.store.host.now_ns()
            finally:
                await link.close()
            if node.frames > frames_before:
                backoff_s = SHORTEST_BACKOFF_S
            if not (node.ended or self._stop.is_set()):
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(backoff_s * random.uniform(0.5, 1.0)):  # noqa: S311 - jitter
                        await self._stop.wait()
                backoff_s = min(2.0 * backoff_s, LONGEST_BACKOFF_S)

    async def _converse(self, link: Link, node: NodeState, lost_ns: int | None) -> None:
        """Say hello, keep what arrives; returns at *end* or when the session stops."""
        talk = _Talk(self.store, link, node, {other.name for other in self.nodes if other is not node}, lost_ns)
        while not (self._stop.is_set() or node.ended):
            await talk.ask()
            await talk.hear()
        if not node.ended:
            await talk.leave()
        node.state = "ended" if node.ended else "stopped"


class _Talk:
    """What is said on one link from its opening to its loss."""

    def __init__(
        self, store: RecordingStore, link: Link, node: NodeState, taken: set[str | None], lost_ns: int | None
    ) -> None:
        self._store, self._link, self._node, self._taken, self._lost_ns = store, link, node, taken, lost_ns
        self._buffer = DescriptionBuffer()
        self._undescribed: list[Arrival] = []
        self._described = False
        self._hello_ns = self._echo_ns = 0
        self._heard_ns = store.host.now_ns()

    async def ask(self) -> None:
        """Ask for the description until it is there, then for an echo now and then."""
        now_ns = self._store.host.now_ns()
        if not self._described and now_ns - self._hello_ns >= HELLO_EVERY_S * 1e9:
            self._hello_ns = now_ns
            await self._link.send(encode_body(Frame(FrameType.HELLO)))
        if self._described and now_ns - self._echo_ns >= ECHO_EVERY_S * 1e9:
            self._echo_ns = now_ns
            question = self._store.host.now_ns().to_bytes(8, "little")
            await self._link.send(encode_body(Frame(FrameType.ECHO_REQUEST, payload=question)))

    async def hear(self) -> None:
        """Keep what arrives; a node silent for ``STALL_S`` counts as lost."""
        now_ns = self._store.host.now_ns()
        for arrival in await self._link.receive():
            self._heard_ns = now_ns
            frame = decode_body(arrival.body)
            if frame.type is FrameType.DESCRIBE and not self._described:
                await self._read_description(frame)
            self._note(frame)
            self._undescribed.append(arrival)
        if self._node.name is not None:
            for arrival in self._undescribed:
                self._store.append(self._node.name, arrival)
            self._undescribed.clear()
        del self._undescribed[:-UNDESCRIBED_KEPT]
        if now_ns - self._heard_ns > STALL_S * 1e9:
            raise LinkError(f"{self._link.address}: silent for {STALL_S:g} s")

    async def leave(self) -> None:
        """Tell the node to stop and keep what was still on its way."""
        with contextlib.suppress(LinkError):
            await self._link.send(encode_body(Frame(FrameType.STOP)))
            deadline_ns = self._store.host.now_ns() + int(DRAIN_S * 1e9)
            while self._store.host.now_ns() < deadline_ns:
                await self.hear()

    async def _read_description(self, frame: Frame) -> None:
        node = self._node
        try:
            whole = self._buffer.add(frame)
            if whole is None:
                return
            node.description = description_from_json(whole)
        except FrameError as reason:
            node.state = str(reason)
            return
        if node.name is None:
            wished = node.description.id
            names = [wished, *(f"{wished}-{number}" for number in range(2, 1000))]
            node.name = next(name for name in names if name not in self._taken)
        self._store.describe(node.name, node.description)
        self._described = True
        node.state = "streaming"
        if node.boot == frame.boot:
            await self._ask_for_what_was_missed(frame.boot)

    async def _ask_for_what_was_missed(self, boot: int) -> None:
        for group, seq in self._node.last_seq.items():
            resend = Frame(FrameType.RESEND, boot, group=group, seq=(seq + 1) & 0xFFFFFFFF)
            await self._link.send(encode_body(resend))

    def _note(self, frame: Frame) -> None:
        node = self._node
        node.ended = node.ended or frame.type is FrameType.END
        if frame.type is not FrameType.SAMPLES:
            return
        if self._lost_ns is not None:
            node.silent_s += (self._store.host.now_ns() - self._lost_ns) / 1e9
            self._lost_ns = None
        if frame.boot != node.boot:
            node.boot, node.last_seq = frame.boot, {}
        node.frames += 1
        node.last_seq[frame.group] = frame.seq
