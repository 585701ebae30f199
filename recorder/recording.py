"""Reading a recording: sealed, or as a crash left it."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import polars as pl

from recorder.amendments import Amendment, amended_job, amended_marks, read_amendments
from recorder.clock import HostClock
from recorder.errors import InputError
from recorder.files import OPENING_FILE, PHOTOS_FOLDER, RECORDING_FILE
from recorder.hashes import SEAL_FILE, check_seal, json_object, sealed_names
from recorder.jobsheet import JobSheet, job_sheet_from
from recorder.journal import read_journal
from recorder.marks import Mark, read_marks, utc_ns_of
from recorder.node import Channel, NodeDescription, channel_from, description_from
from recorder.readings import missing_in_words
from recorder.sensors import CLAMP_ON_CANNOT, ClampOn
from recorder.streams import NodeContent, assemble, recorded_utc_ns, stream_id, with_parts

SCHEMA = 1


@dataclass(frozen=True, slots=True)
class Stream:
    """Rows of one clock. ``data`` has ``t`` (UTC ns), ``tick_us``, ``seq``, ``boot``, channels and raw channels."""

    id: str
    rate_hz: float
    channels: tuple[Channel, ...]
    data: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording as it was read.

    ``damage`` names each part that is missing, altered or unreadable; what is damaged is left out of ``streams``.
    Marks carry the recording's own UTC (a replay's clock runs faster than the host's). ``timed`` says whether anybody
    stated the time of day. ``job`` and ``marks`` are as ``amendments`` corrected them; what was sealed stays in
    ``sealed_job`` and ``sealed_marks``, and ``chain_digest`` is that of the last amendment. ``sealed_files`` are those
    that the seal speaks of.
    """

    path: Path
    id: str
    sealed: bool
    damage: tuple[str, ...]
    job: JobSheet
    streams: tuple[Stream, ...]
    marks: tuple[Mark, ...]
    nodes: tuple[dict[str, Any], ...]
    software: str
    digest: str | None
    origin: str | None = None
    timed: bool = True
    amendments: tuple[Amendment, ...] = ()
    sealed_job: JobSheet | None = None
    sealed_marks: tuple[Mark, ...] | None = None
    chain_digest: str | None = None
    sealed_files: frozenset[str] = frozenset()

    @property
    def intact(self) -> bool:
        """Whether nothing is missing or altered."""
        return not self.damage

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a reader must know: later calibrations, what never arrived or is missing and why, what clamps cannot."""
        clamps = [c.id for stream in self.streams for c in stream.channels if isinstance(c.conversion, ClampOn)]
        missing = (missing_in_words(cast("dict[str, int]", node.get("counters") or {})) for node in self.nodes)
        return (
            *(str(sentence) for node in self.nodes for sentence in node.get("read_anew", ())),
            *(sentence for node in self.nodes for sentence in _lost_in_words(node, self.sealed)),
            *(sentence for sentences in missing for sentence in sentences),
            *(f"{name}: {CLAMP_ON_CANNOT}" for name in clamps),
            *(_unused_in_words(stream, c) for stream in self.streams for c in stream.channels if not c.in_use),
        )

    @property
    def started_utc_ns(self) -> int | None:
        """UTC [ns] of the first sample (the first row, should the clock step back later); None without samples."""
        firsts = [cast("int", s.data["t"].cast(pl.Int64)[0]) for s in self.streams if s.data.height]
        return min(firsts) if firsts else None


def _lost_in_words(node: dict[str, Any], sealed: bool) -> list[str]:
    """What a link lost of a node, and what a cut took before sealing (of an unsealed recording that is ``damage``)."""
    counters = cast("dict[str, int]", node.get("counters") or {})
    lost, gaps = counters.get("lost", 0), counters.get("gaps", 0)
    frames = f"{lost} frame{'s' if lost > 1 else ''} of samples never arrived, in {gaps} gap{'s' if gaps > 1 else ''}"
    cut = cast("list[str]", node.get("damage") or []) if sealed else []
    return [f"{node.get('name', 'node')}: {frames}"] * (lost > 0) + [f"before sealing: {told}" for told in cut]


def _unused_in_words(stream: Stream, channel: Channel) -> str:
    """A sensor that was clipped on nowhere: what became of its readings."""
    readings = stream.data[channel.id].is_not_null().sum()
    sent = (channel.sent_as or channel.id).replace("_", " ")
    return (
        f"{sent} was set to not in use: its {readings} readings are kept as {channel.id}, and nothing is judged by them"
    )


def short_digest(digest: str) -> str:
    """First 80 bits of a digest in groups of four, for print beside a signature."""
    return "-".join(digest[i : i + 4] for i in range(0, 20, 4)).upper()


def photo_files(folder: Path) -> list[tuple[Path, str]]:
    """Photographs in a recording's ``photos`` folder: path, and name in the seal."""
    photos = folder / PHOTOS_FOLDER
    files = sorted(path for path in photos.iterdir() if path.is_file()) if photos.is_dir() else []
    return [(path, f"{PHOTOS_FOLDER}/{path.name}") for path in files if not path.name.startswith(".")]


def open_recording(path: Path) -> Recording:
    """Read a recording folder, verifying the seal where there is one.

    Raises
    ------
    InputError
        If there is no recording at that path.
    """
    if not path.is_dir():
        hint = " Import a CSV first: warmspell import FILE." if path.is_file() else ""
        raise InputError(f"{path}: is not a recording folder.{hint}")
    if (path / OPENING_FILE).exists() and not (path / SEAL_FILE).exists():
        return _open_unsealed(path)  # also where sealing was cut off: journal and parts go only after the seal
    if (path / RECORDING_FILE).exists():
        return _open_sealed(path)
    raise InputError(f"{path}: is not a recording ({RECORDING_FILE} and {OPENING_FILE} are both missing).")


def read_channels(path: Path) -> tuple[JobSheet, tuple[Stream, ...]]:
    """Job sheet and channels alone, for drawing: the seal is not verified, nothing is read that is not drawn.

    ``data`` of the streams has ``t`` and the channels.

    Raises
    ------
    InputError
        If there is no recording at that path, or it does not say what it holds.
    """
    if (path / SEAL_FILE).exists() and (path / RECORDING_FILE).exists():
        about = json_object(path / RECORDING_FILE)
        try:
            job = job_sheet_from(about["job_sheet"], f"{path / RECORDING_FILE}")
            streams = tuple(
                Stream(entry["id"], float(entry["rate_hz"]), channels, data)
                for entry in about["streams"]
                for channels in (tuple(channel_from(values) for values in entry["channels"]),)
                for data in (_drawn(path / entry["file"], channels),)
                if data is not None
            )
            digest = cast("str | None", json_object(path / SEAL_FILE).get("digest"))
        except (KeyError, TypeError, ValueError) as reason:
            raise InputError(f"{path / RECORDING_FILE}: is not what a recording says of itself ({reason}).") from None
        return amended_job(job, read_amendments(path, digest)[0]), streams
    recording = open_recording(path)
    return recording.job, recording.streams


def _drawn(file: Path, channels: tuple[Channel, ...]) -> pl.DataFrame | None:
    try:
        return pl.read_parquet(file, columns=["t", *(channel.id for channel in channels)])
    except (pl.exceptions.PolarsError, OSError):
        return None


def _open_sealed(path: Path) -> Recording:
    digest, damage = check_seal(path)
    about = json_object(path / RECORDING_FILE)
    streams: list[Stream] = []
    try:
        job = job_sheet_from(about["job_sheet"], f"{path / RECORDING_FILE}")
        for entry in about["streams"]:
            channels = tuple(channel_from(values) for values in entry["channels"])
            data = _parquet(path, entry["file"], channels, damage)
            if data is not None:
                streams.append(Stream(entry["id"], float(entry["rate_hz"]), channels, data))
        nodes = tuple(cast("list[dict[str, Any]]", about["nodes"]))
        identity, software = str(about["id"]), str(about["software"])
        origin = cast("str | None", about.get("origin"))
        stated = bool(about.get("time_of_day_stated", True))
    except (KeyError, TypeError, ValueError) as reason:
        raise InputError(f"{path / RECORDING_FILE}: is not what a recording says of itself ({reason}).") from None
    marks, unread = read_marks(path)
    base = cast("dict[str, str]", about.get("mark_times_utc") or {})
    timed = tuple(_retimed(mark, base) for mark in marks)
    amendments, broken, chain_digest = read_amendments(path, digest)
    return Recording(
        path,
        identity,
        True,
        (*damage, *unread, *broken),
        amended_job(job, amendments),
        tuple(streams),
        amended_marks(timed, amendments),
        nodes,
        software,
        digest,
        origin,
        stated,
        amendments,
        job,
        timed,
        chain_digest,
        sealed_names(path),
    )


def _retimed(mark: Mark, times: dict[str, str]) -> Mark:
    known = times.get(str(mark.monotonic_ns))
    return Mark(utc_ns_of(known), mark.kind, mark.text, mark.monotonic_ns) if known else mark


def _parquet(path: Path, name: str, channels: tuple[Channel, ...], damage: list[str]) -> pl.DataFrame | None:
    if not (path / name).is_file():
        return None
    try:
        data = pl.read_parquet(path / name)
        data.select("t", "tick_us", "seq", "boot", *(c.id for c in channels))
    except (pl.exceptions.PolarsError, OSError):
        damage.append(f"{name} cannot be read and is left out")
        return None
    return data


@dataclass(frozen=True, slots=True)
class Opening:
    """What an unsealed recording says of itself; ``damage`` where it cannot be read."""

    id: str
    host: HostClock
    job: JobSheet
    software: str
    damage: tuple[str, ...] = ()


def read_opening(path: Path) -> Opening:
    """Read what was written when a recording began.

    Where it cannot be read the journals still tell both clocks of the host; the job sheet has to be stated anew.

    Raises
    ------
    InputError
        If no journal holds a frame either.
    """
    try:
        return _opening_from(path / OPENING_FILE)
    except InputError:
        held = (read_journal(journal).arrivals for journal in sorted(path.glob("*.journal")))
        first = next((arrivals[0] for arrivals in held if arrivals), None)
        if first is None:
            raise
        damage = (f"{OPENING_FILE} cannot be read: the job sheet is not known",)
        return Opening(path.name, HostClock(first.monotonic_ns, first.utc_ns), JobSheet(), "not known", damage)


def _opening_from(path: Path) -> Opening:
    about = json_object(path)
    try:
        host = HostClock(int(about["monotonic_ns"]), int(about["utc_ns"]))
        return Opening(str(about["id"]), host, job_sheet_from(about["job_sheet"], f"{path}"), str(about["software"]))
    except (KeyError, TypeError, ValueError) as reason:
        raise InputError(f"{path}: cannot be understood ({reason}).") from None


@dataclass(frozen=True, slots=True)
class UnsealedNode:
    """A node's content in an unsealed recording, with what was lost of it."""

    name: str
    content: NodeContent
    streams: tuple[Stream, ...]
    damage: tuple[str, ...]


def read_unsealed_nodes(path: Path, host: HostClock) -> tuple[list[UnsealedNode], list[str]]:
    """Put every node of an unsealed recording together from journal and parts."""
    nodes: list[UnsealedNode] = []
    damage: list[str] = []
    for journal in sorted(path.glob("*.journal")):
        held = read_journal(journal)
        description, own = _told_description(path / f"{journal.stem}.node.json")
        content = assemble(held.arrivals, host, description)
        if held.lost_bytes:
            own.append(f"{journal.name}: {held.lost_bytes} bytes at its end or in it belong to no intact frame")
        if content is None:
            if held.arrivals:
                damage.append(f"{journal.name}: no description of its channels was received")
            continue
        streams: list[Stream] = []
        for group in content.description.groups:
            name = stream_id(journal.stem, content.description, group.number)
            rows, lost = with_parts(content.streams[group.number], path / name)
            own.extend(lost)
            streams.append(Stream(name, group.rate_hz, group.channels, rows))
        nodes.append(UnsealedNode(journal.stem, content, tuple(streams), tuple(own)))
    return nodes, damage


def _told_description(path: Path) -> tuple[NodeDescription | None, list[str]]:
    """What the store noted of a node; where it cannot be read the journal may hold what the node said."""
    if not path.exists():
        return None, []
    try:
        return description_from(json_object(path)), []
    except InputError:
        return None, [f"{path.name} cannot be read and is left out"]


def _open_unsealed(path: Path) -> Recording:
    opening = read_opening(path)
    nodes, damage = read_unsealed_nodes(path, opening.host)
    marks, unread = read_marks(path)
    damage = [*opening.damage, *damage, *unread, *(text for node in nodes for text in node.damage)]
    return Recording(
        path,
        opening.id,
        False,
        tuple(damage),
        opening.job,
        tuple(stream for node in nodes for stream in node.streams),
        tuple(marks_in_recording_time(marks, nodes, opening.host)),
        tuple(node_entry(node) for node in nodes),
        opening.software,
        None,
        origin_of(nodes),
    )


def origin_of(nodes: Iterable[UnsealedNode]) -> str | None:
    """Where samples come from that no vehicle sent just now: a replay, and of what; None where all are fresh."""
    played = [node.content.description.replay_of for node in nodes]
    return next((f"replay of {name}" for name in played if name is not None), None)


def marks_in_recording_time(marks: tuple[Mark, ...], nodes: list[UnsealedNode], host: HostClock) -> list[Mark]:
    """Marks with the UTC that the samples beside them carry."""
    if not nodes:
        return list(marks)
    content = nodes[0].content
    return [
        mark
        if mark.monotonic_ns is None
        else Mark(recorded_utc_ns(content, host, mark.monotonic_ns), mark.kind, mark.text, mark.monotonic_ns)
        for mark in marks
    ]


def node_entry(node: UnsealedNode) -> dict[str, Any]:
    """What ``recording.json`` keeps of a node: description, clock fits, counters, damage if any."""
    return {
        "name": node.name,
        "description": node.content.description.to_dict(),
        "clock": [fit.to_dict() for fit in node.content.fits],
        "counters": node.content.counters,
        "wall_clock_steps": [{"monotonic_ns": at_ns, "step_s": round(s, 3)} for at_ns, s in node.content.steps],
        **({"damage": list(node.damage)} if node.damage else {}),
    }
