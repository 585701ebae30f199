"""What is said with one node, from the opening of its link to its loss, and what is known of the node."""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from recorder.clock import now_ns
from recorder.errors import FrameError, LinkError
from recorder.frames import DescriptionBuffer, Frame, FrameType, decode_body, encode_body
from recorder.journal import Arrival
from recorder.links import Link
from recorder.node import Health, NodeDescription, description_from_json, health_from_json
from recorder.store import RecordingStore
from recorder.tally import Tally

HELLO_EVERY_S = 1.0
ECHO_EVERY_S = 2.0
SAMPLE_STALL_S = 30.0
"""A node that answers but samples nothing for so long is connected to afresh (common practice, no source)."""
DRAIN_S = 0.3
ASK_AGAIN_S, ASK_TIMES = 1.0, 3
HELD = 10_000
"""Frames kept while nobody has said yet what they are."""
OUTAGES_KEPT, TOLD_KEPT = 1000, 50


@dataclass(slots=True)
class Outage:
    """A stretch without data: host monotonic times [ns] of the last sample before and the first after."""

    from_ns: int
    to_ns: int | None
    why: str


@dataclass(slots=True)
class NodeState:
    """What is known of one node while the session runs.

    ``told`` are sentences that a person should read; ``undescribed`` counts frames given up because their node never
    said what they are.
    """

    address: str
    name: str | None = None
    names: list[str] = field(default_factory=list[str])
    description: NodeDescription | None = None
    state: str = "opening"
    reconnects: int = 0
    ended: bool = False
    boot: int | None = None
    tally: Tally | None = None
    health: Health | None = None
    rssi_dbm: int | None = None
    undescribed: int = 0
    data_ns: int | None = None
    outages: list[Outage] = field(default_factory=list[Outage])
    told: list[str] = field(default_factory=list[str])
    held: list[tuple[Frame, Arrival]] = field(default_factory=list[tuple[Frame, Arrival]])

    @property
    def frames(self) -> int:
        """Sample frames that were kept."""
        return self.tally.frames if self.tally else 0

    @property
    def silent_s(self) -> float:
        """Seconds of all outages that are over."""
        return sum((o.to_ns - o.from_ns) / 1e9 for o in self.outages if o.to_ns is not None)

    def tell(self, sentence: str) -> None:
        """Say something once."""
        if sentence not in self.told and len(self.told) < TOLD_KEPT:
            self.told.append(sentence)

    def lose(self, why: str) -> None:
        """The link was lost, or could not be opened: an outage begins unless one is under way."""
        self.state = why
        under_way = self.outages and self.outages[-1].to_ns is None
        if self.data_ns is not None and not under_way and len(self.outages) < OUTAGES_KEPT:
            self.outages.append(Outage(self.data_ns, None, why))

    def hear_data(self, at_ns: int) -> None:
        """Samples arrived: an outage that was under way is over."""
        self.data_ns = at_ns
        if self.outages and self.outages[-1].to_ns is None:
            self.outages[-1].to_ns = at_ns
            self.reconnects += 1

    def counters(self, refused: dict[str, int], to_utc: Callable[[int], str]) -> dict[str, Any]:
        """What ``recording.json`` keeps of the link; ``to_utc`` writes a host monotonic time as UTC."""
        return {
            "address": self.address,
            "reconnects": self.reconnects,
            "silent_s": round(self.silent_s, 3),
            "outages": [
                {"from": to_utc(o.from_ns), "to": None if o.to_ns is None else to_utc(o.to_ns), "why": o.why}
                for o in self.outages
            ],
            "undescribed": self.undescribed,
            "told": self.told,
            "rssi_dbm": self.rssi_dbm,
            "health": None if self.health is None else self.health.to_dict(),
            **{f"refused_{reason}": count for reason, count in sorted(refused.items())},
        }


def _as_before(one: NodeDescription, other: NodeDescription) -> bool:
    """Whether two descriptions give the same frames the same meaning."""
    return (one.id, one.groups, one.time_scale, one.started_at) == (
        other.id,
        other.groups,
        other.time_scale,
        other.started_at,
    )


class Conversation:
    """One connection with one node: asks, keeps what arrives, asks again for what did not."""

    def __init__(
        self, store: Callable[[], RecordingStore], link: Link, node: NodeState, others: list[NodeState]
    ) -> None:
        self._store, self._link, self._node, self._others = store, link, node, others
        self._buffer = DescriptionBuffer()
        self._described = False
        self._hello_ns = self._echo_ns = 0
        self._heard_ns = self._sampled_ns = now_ns()
        self._asked: dict[tuple[int, int, int], tuple[int, int]] = {}

    async def ask(self) -> None:
        """Ask for the description until it is there, then for an echo now and then and for what is missing."""
        now = now_ns()
        if not self._described and now - self._hello_ns >= HELLO_EVERY_S * 1e9:
            self._hello_ns = now
            await self._link.send(encode_body(Frame(FrameType.HELLO)))
        if self._described and now - self._echo_ns >= ECHO_EVERY_S * 1e9:
            self._echo_ns = now
            question = now_ns().to_bytes(8, "little")
            await self._link.send(encode_body(Frame(FrameType.ECHO_REQUEST, payload=question)))
        if self._described:
            await self._ask_again(now)

    async def _ask_again(self, now: int) -> None:
        node = self._node
        if node.tally is None or node.boot is None:
            return
        for group, low, high in node.tally.missing(node.boot):
            times, last_ns = self._asked.get((node.boot, group, low), (0, 0))
            if times < ASK_TIMES and now - last_ns >= ASK_AGAIN_S * 1e9:
                self._asked[node.boot, group, low] = (times + 1, now)
                count = min(high - low + 1, 0xFFFF)
                await self._link.send(encode_body(Frame(FrameType.RESEND, node.boot, group, count=count, seq=low)))

    async def hear(self) -> None:
        """Keep what arrives; raises LinkError on a node that has gone silent."""
        arrivals = await self._link.receive()
        now = now_ns()
        for arrival in arrivals:
            self._heard_ns = now
            await self._take(decode_body(arrival.body), arrival)
        if now - self._heard_ns > self._link.stall_s * 1e9:
            raise LinkError(f"{self._link.address}: silent for {self._link.stall_s:g} s")
        if self._described and now - self._sampled_ns > max(SAMPLE_STALL_S, self._link.stall_s) * 1e9:
            raise LinkError(f"{self._link.address}: answers, but sent no sample for {SAMPLE_STALL_S:g} s")

    async def leave(self) -> None:
        """Tell the node to stop and keep what was still on its way."""
        with contextlib.suppress(LinkError):
            await self._link.send(encode_body(Frame(FrameType.STOP)))
            deadline_ns = now_ns() + int(DRAIN_S * 1e9)
            while now_ns() < deadline_ns:
                await self.hear()

    async def _take(self, frame: Frame, arrival: Arrival) -> None:
        node = self._node
        node.ended = node.ended or frame.type is FrameType.END
        if frame.type is FrameType.HEALTH:
            with contextlib.suppress(FrameError):
                node.health = health_from_json(frame.payload)
        if self._described and node.boot not in (None, frame.boot):
            self._described = False  # it restarted: it waits for a hello, and may be another firmware now
            node.state = "restarted"
        known = frame.type is FrameType.SAMPLES and frame.boot == node.boot
        if self._described or known:
            self._keep(frame, arrival)
            return
        node.held.append((frame, arrival))
        if len(node.held) > HELD:
            del node.held[0]
            node.undescribed += 1
        if frame.type is FrameType.DESCRIBE:
            await self._read_description(frame)

    def _keep(self, frame: Frame, arrival: Arrival) -> None:
        node = self._node
        if node.name is None or node.tally is None:
            return
        self._store().append(node.name, arrival)
        if frame.type is FrameType.SAMPLES:
            if frame.boot != node.boot:
                node.boot = frame.boot
            if node.tally.take(frame) is None and node.tally.refused:
                node.tell(f"{node.name}: sends frames that do not fit its own description; they are refused")
            self._sampled_ns = arrival.monotonic_ns
            node.hear_data(arrival.monotonic_ns)

    async def _read_description(self, frame: Frame) -> None:
        node = self._node
        try:
            whole = self._buffer.add(frame)
            if whole is None:
                return
            description = description_from_json(whole)
        except FrameError as reason:
            node.state = str(reason)
            node.tell(f"{node.address}: its description is refused ({reason})")
            return
        same = node.description is not None and _as_before(node.description, description)
        last_boot = node.boot
        if not same:
            self._name(description, frame.boot)
        node.description, node.boot = description, frame.boot
        self._store().describe(node.name or description.id, description)
        self._described = True
        node.state = "streaming"
        held, node.held = node.held, []
        for earlier, arrival in held:
            if same or earlier.boot == frame.boot:
                self._keep(earlier, arrival)
            else:
                node.undescribed += 1
        if last_boot == frame.boot and node.tally is not None:
            await self._ask_for_the_rest(frame.boot, node.tally)
        elif last_boot is not None:
            for group in description.groups:  # what a restarted node sampled while it waited for the hello
                await self._link.send(encode_body(Frame(FrameType.RESEND, frame.boot, group.number)))

    def _name(self, description: NodeDescription, boot: int) -> None:
        """Give the node its name in the recording: its id, numbered where that is taken.

        A node that comes back with other channels gets another name: what it said before still holds for the frames
        before.
        """
        node = self._node
        wished = description.id
        name = self._store().free_name(description)
        if node.name is not None and node.description is not None:
            node.tell(f"{node.name}: came back with another description; it goes on as {name}")
        elif name != wished:
            twin = next((other for other in self._others if other.name == wished and other.boot == boot), None)
            node.tell(
                f"{node.address}: calls itself {wished} as another node does; it is kept as {name}"
                if twin is None
                else f"{node.address}: is the same node as {twin.address}, heard twice; it is kept as {name}"
            )
        node.name, node.tally = name, Tally.of(description)
        node.names.append(name)

    async def _ask_for_the_rest(self, boot: int, tally: Tally) -> None:
        """After a reconnection: everything since the last frame, also where nothing new is to come."""
        for group, seq in tally.last_seq(boot).items():
            first = (seq + 1) & 0xFFFFFFFF
            self._asked[boot, group, first] = (1, now_ns())
            await self._link.send(encode_body(Frame(FrameType.RESEND, boot, group=group, seq=first)))
