"""Several nodes in one loop: ports that come back under another name, twins, liars, restarts; all of it counted."""

import asyncio
import time
from collections.abc import Callable, Coroutine
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recorder.clock import HostClock
from recorder.conversation import Conversation, NodeState, Outage
from recorder.frames import Frame, FrameType, encode_body
from recorder.jobsheet import JobSheet
from recorder.journal import Arrival
from recorder.links import link_to
from recorder.node import Channel, Group, NodeDescription
from recorder.recording import Recording, open_recording
from recorder.sealing import seal
from recorder.session import LONGEST_BACKOFF_S, SHORTEST_BACKOFF_S, Session
from recorder.store import RecordingStore
from tests.recorder.nodes import CHANNELS, Node, Pty, described, reading, serial_node


def record(
    out: Path, addresses: list[str], script: Callable[[Session], Coroutine[None, None, None]]
) -> tuple[Recording, Session]:
    """Record while a coroutine ``script`` acts; stop when it returns; seal and open."""
    store = RecordingStore(out, JobSheet(), HostClock.start())
    session = Session(store, [link_to(address) for address in addresses])

    async def run() -> None:
        running = asyncio.create_task(session.run(40.0))
        try:
            await script(session)
        finally:
            session.stop()
            await running

    asyncio.run(run())
    seal(store.folder, "test")
    return open_recording(store.folder), session


async def until(condition: Callable[[], bool], within_s: float = 15.0) -> None:
    """Wait for something to happen."""
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, "it did not happen"
        await asyncio.sleep(0.01)


def assert_every_row_is_what_the_sensor_sent(recording: Recording, batch: int = 5) -> None:
    """Each stored row is the reading of its own number."""
    for stream in recording.streams:
        within = np.arange(stream.data.height) % batch
        number = stream.data["seq"].to_numpy() * batch + within
        for column, channel in enumerate(stream.channels):
            assert np.array_equal(stream.data[f"raw_{channel.id}"].to_numpy(), reading(number, column))


def test_a_port_hung_up_comes_back_under_another_name_and_nothing_is_lost(tmp_path: Path):
    """As /dev/serial/by-id keeps it: the recorder holds the stable name, which then points elsewhere."""
    by_id = tmp_path / "usb-climate-node"
    first = Pty()
    node = Node(described("hv-1"), first.send)
    first.hear = node.hear
    by_id.symlink_to(first.name)

    async def script(session: Session) -> None:
        await until(lambda: session.nodes[0].frames > 10)
        by_id.unlink()
        first.hang_up()
        await until(lambda: "was lost" in session.nodes[0].state or "cannot be opened" in session.nodes[0].state)
        spares = [Pty()]  # take the number that became free, so the node returns under a new one
        while spares[-1].name == first.name:
            spares.append(Pty())
        second = spares.pop()
        node.send, second.hear = second.send, node.hear
        assert second.name != first.name
        by_id.symlink_to(second.name)
        before = session.nodes[0].frames
        await until(lambda: session.nodes[0].frames > before + 10)
        ptys.extend([*spares, second])

    ptys: list[Pty] = []
    recording, _ = record(tmp_path / "out", [str(by_id)], script)
    node.stop()
    for pty in ptys:
        pty.hang_up()
    entry = recording.nodes[0]
    assert entry["link"]["reconnects"] == 1
    assert len(entry["link"]["outages"]) == 1
    assert entry["counters"]["lost"] == 0
    assert_every_row_is_what_the_sensor_sent(recording)


def test_two_nodes_with_the_same_id_keep_all_their_samples_apart(tmp_path: Path):
    one, pty_one = serial_node(described("hv-1"), boot=11)
    other, pty_other = serial_node(described("hv-1"), boot=22)

    async def script(session: Session) -> None:
        await until(lambda: all(node.frames > 15 for node in session.nodes))

    recording, session = record(tmp_path, [pty_one.name, pty_other.name], script)
    for node, pty in ((one, pty_one), (other, pty_other)):
        node.stop()
        pty.hang_up()
    assert sorted(stream.id for stream in recording.streams) == ["hv-1", "hv-1-2"]
    assert sorted(entry["name"] for entry in recording.nodes) == ["hv-1", "hv-1-2"]
    assert {stream.data["boot"][0] for stream in recording.streams} == {11, 22}
    assert any(
        "calls itself hv-1 as another node does; it is kept as hv-1-2" in t for n in session.nodes for t in n.told
    )
    assert_every_row_is_what_the_sensor_sent(recording)


def test_one_node_heard_on_two_lines_is_told_and_kept_twice_rather_than_mixed(tmp_path: Path):
    """Its radio and its cable, or two cables: the same id and the same boot."""
    first, second = Pty(), Pty()

    def send(body: bytes) -> None:
        first.send(body)
        second.send(body)

    node = Node(described("hv-1"), send)
    first.hear = second.hear = node.hear

    async def script(session: Session) -> None:
        await until(lambda: all(node.frames > 15 for node in session.nodes))

    recording, session = record(tmp_path, [first.name, second.name], script)
    node.stop()
    first.hang_up()
    second.hang_up()
    told = [sentence for state in session.nodes for sentence in state.told]
    assert len(told) == 1
    assert "is the same node as" in told[0]
    assert sorted(stream.id for stream in recording.streams) == ["hv-1", "hv-1-2"]
    assert all(entry["counters"]["lost"] == 0 for entry in recording.nodes)
    assert_every_row_is_what_the_sensor_sent(recording)


def test_a_description_that_lies_about_its_channels_is_told_and_its_frames_are_refused(tmp_path: Path):
    """The node describes two channels and sends three: no reading is put into a column that it may not belong to."""
    node, pty = serial_node(described("hv-1", channels=CHANNELS[:2]), sends_channels=3)
    store = RecordingStore(tmp_path, JobSheet(), HostClock.start())
    session = Session(store, [link_to(pty.name)])

    async def run() -> None:
        running = asyncio.create_task(session.run(20.0))
        await until(lambda: session.nodes[0].tally is not None and session.nodes[0].tally.refused > 8)
        session.stop()
        await running

    asyncio.run(run())
    node.stop()
    pty.hang_up()
    assert session.nodes[0].frames == 0
    assert "do not fit its own description" in session.nodes[0].told[0]
    opened = open_recording(store.folder)
    assert opened.nodes[0]["counters"]["refused"] > 8
    assert all(stream.data.height == 0 for stream in opened.streams)


def test_a_description_that_is_no_description_is_told_and_asked_for_again(tmp_path: Path):
    node, pty = serial_node(described("hv-1"))
    good = node.description
    bad = Channel("low_side", "psi")  # a place stores one unit
    node.description = NodeDescription("hv-1", "x", 1, (Group(0, 50.0, "int32", (bad, *CHANNELS[1:])),))

    async def script(session: Session) -> None:
        await until(lambda: any("description is refused" in told for told in session.nodes[0].told))
        node.description = replace(good, revision=2)
        await until(lambda: session.nodes[0].frames > 10)

    recording, session = record(tmp_path, [pty.name], script)
    node.stop()
    pty.hang_up()
    assert "pressure is stored in kPa, not 'psi'" in session.nodes[0].told[0]
    assert recording.nodes[0]["counters"]["lost"] == 0, "frames before the good description were held, not dropped"
    assert_every_row_is_what_the_sensor_sent(recording)


def test_a_node_that_returns_with_other_channels_goes_on_under_another_name(tmp_path: Path):
    """A node flashed amid a recording: what it said before holds for the frames before."""
    node, pty = serial_node(described("hv-1"))

    async def script(session: Session) -> None:
        session._links[0].stall_s = 0.5
        await until(lambda: session.nodes[0].frames > 10)
        node.silent = True
        await until(lambda: "silent" in session.nodes[0].state)
        node.restart(77)
        scaled = tuple(replace(channel, scale=channel.scale * 2) for channel in CHANNELS)
        node.description = described("hv-1", channels=scaled)
        node.silent = False
        await until(lambda: session.nodes[0].name == "hv-1-2" and session.nodes[0].frames > 10)

    recording, session = record(tmp_path, [pty.name], script)
    node.stop()
    pty.hang_up()
    by_id = {stream.id: stream for stream in recording.streams}
    assert by_id["hv-1-2"].channels[0].scale == 2 * by_id["hv-1"].channels[0].scale
    for stream in by_id.values():
        raw, value = stream.data["raw_low_side"].to_numpy(), stream.data["low_side"].to_numpy()
        assert value == pytest.approx(raw * stream.channels[0].scale, rel=1e-6)
    assert session.nodes[0].told == ["hv-1: came back with another description; it goes on as hv-1-2"]
    assert_every_row_is_what_the_sensor_sent(recording)


def test_a_node_that_restarts_is_a_new_segment_with_its_own_clock(tmp_path: Path):
    node, pty = serial_node(described("hv-1"))

    async def script(session: Session) -> None:
        await until(lambda: session.nodes[0].frames > 10)
        node.restart(0x4321)
        await until(lambda: session.nodes[0].boot == 0x4321 and session.nodes[0].frames > 25)

    recording, _ = record(tmp_path, [pty.name], script)
    node.stop()
    pty.hang_up()
    entry = recording.nodes[0]
    assert [fit["boot"] for fit in entry["clock"]] == [0x1234, 0x4321]
    assert entry["counters"]["boots"] == 2
    assert entry["counters"]["lost"] == 0
    assert recording.streams[0].data.filter(boot=0x4321)["seq"][0] == 0, "also what it took while it waited for a hello"
    assert entry["link"]["reconnects"] == 0, "its answer to an echo tells the restart; the line stays open"
    assert all(fit["u95_s"] is not None for fit in entry["clock"])
    seconds = recording.streams[0].data["t"].to_physical().to_numpy() / 1e9
    assert np.all(np.diff(seconds) > 0), "the new segment lies behind the old one"


def test_backoff_doubles_up_to_its_bound_and_only_data_resets_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A port that opens but never sends samples is tried ever more rarely."""
    pty = Pty()
    rests: list[float] = []
    session = Session(RecordingStore(tmp_path, JobSheet(), HostClock.start()), [link_to(pty.name)])
    session._links[0].stall_s = 0.05

    async def rest(_link: object, seconds: float) -> None:
        rests.append(seconds)
        if len(rests) == 9:
            session.stop()
        await asyncio.sleep(0)

    monkeypatch.setattr(session, "_rest_before_opening", rest)
    asyncio.run(session.run(20.0))
    pty.hang_up()
    bounds = [min(SHORTEST_BACKOFF_S * 2**n, LONGEST_BACKOFF_S) for n in range(9)]
    assert all(0.5 * bound <= rest <= bound for rest, bound in zip(rests, bounds, strict=True))
    assert len(set(rests)) == len(rests), "jittered"


def test_a_link_that_hangs_on_closing_does_not_hold_up_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("recorder.session.CLOSE_S", 0.2)
    node, pty = serial_node(described("hv-1"))
    session = Session(RecordingStore(tmp_path, JobSheet(), HostClock.start()), [link_to(pty.name)])
    close = session._links[0].close

    async def hang() -> None:
        await close()
        await asyncio.sleep(60.0)

    monkeypatch.setattr(session._links[0], "close", hang)
    began = time.monotonic()
    asyncio.run(session.run(1.0))
    node.stop()
    pty.hang_up()
    assert time.monotonic() - began < 3.0


def test_a_fault_within_one_link_ends_neither_it_nor_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A slip of a wire's library on bytes that nobody thought of."""
    one, pty_one = serial_node(described("hv-1"))
    other, pty_other = serial_node(described("hv-2"))

    async def script(session: Session) -> None:
        await until(lambda: all(node.frames > 10 for node in session.nodes))
        link = session._links[0]
        receive = link.receive

        async def slip() -> list[Arrival]:
            monkeypatch.setattr(link, "receive", receive)
            raise IndexError("list index out of range")

        monkeypatch.setattr(link, "receive", slip)
        await until(lambda: bool(session.nodes[0].outages))
        before = [node.frames for node in session.nodes]
        await until(lambda: all(node.frames > f + 10 for node, f in zip(session.nodes, before, strict=True)))

    recording, _ = record(tmp_path, [pty_one.name, pty_other.name], script)
    for node, pty in ((one, pty_one), (other, pty_other)):
        node.stop()
        pty.hang_up()
    by_name = {entry["name"]: entry for entry in recording.nodes}
    assert by_name["hv-1"]["link"]["told"] == [f"{pty_one.name}: failed within (IndexError: list index out of range)"]
    assert (by_name["hv-1"]["link"]["reconnects"], by_name["hv-2"]["link"]["reconnects"]) == (1, 0)
    assert all(entry["counters"]["lost"] == 0 for entry in recording.nodes)
    assert_every_row_is_what_the_sensor_sent(recording)


def test_a_terminal_that_was_closed_ends_no_recording_and_no_forcing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    node, pty = serial_node(described("hv-1"))
    shown, forced = 0, 0

    def show(_nodes: list[NodeState]) -> None:
        nonlocal shown
        shown += 1
        raise BrokenPipeError(32, "Broken pipe")

    force = RecordingStore.force

    def count(store: RecordingStore) -> None:
        nonlocal forced
        forced += 1
        force(store)

    monkeypatch.setattr(RecordingStore, "force", count)
    session = Session(RecordingStore(tmp_path, JobSheet(), HostClock.start()), [link_to(pty.name)], show)

    async def run() -> None:
        running = asyncio.create_task(session.run(40.0))
        await until(lambda: shown > 2 and forced > 2 and session.nodes[0].frames > 10)
        session.stop()
        await running

    asyncio.run(run())
    node.stop()
    pty.hang_up()


def test_an_outage_is_told_from_the_last_sample_to_the_first_one_after():
    node = NodeState("x")
    node.lose("never opened")
    assert node.outages == [], "before the first sample there is nothing to be missing"
    node.hear_data(10 * 10**9)
    node.lose("unplugged")
    node.lose("cannot be opened")
    assert node.outages == [Outage(10 * 10**9, None, "unplugged")]
    node.hear_data(14 * 10**9)
    assert (node.reconnects, node.silent_s) == (1, 4.0)


def test_frames_held_too_long_without_a_description_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("recorder.conversation.HELD", 5)
    node = NodeState("x")
    store = RecordingStore(tmp_path, JobSheet(), HostClock.start())
    talk = Conversation(lambda: store, link_to("socket://127.0.0.1:1"), node, [])
    frames = [Frame(FrameType.SAMPLES, 9, 0, 0, 1, seq, seq, bytes(12)) for seq in range(12)]

    async def take() -> None:
        for frame in frames:
            await talk._take(frame, Arrival(encode_body(frame), 0, 0))

    asyncio.run(take())
    assert (len(node.held), node.undescribed) == (5, 7)


def test_no_node_writes_into_the_files_of_another(tmp_path: Path):
    """A node of three groups has a stream hv-1-2; a second node hv-1 must not be called so, nor one differ by case."""
    store = RecordingStore(tmp_path, JobSheet(), HostClock.start())
    groups = tuple(Group(number, 1.0, "int32", (channel,)) for number, channel in enumerate(CHANNELS))
    several = NodeDescription("hv-1", "x", 1, groups)
    store.describe(store.free_name(several), several)
    assert store.free_name(described("hv-1")) == "hv-1-3"
    assert store.free_name(described("HV-1")) == "HV-1-3"
    assert store.free_name(described("hv-2")) == "hv-2"
    store.close()
