"""Frames of one node put together as streams: one row a sample instant, one column a channel."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from recorder.assignment import carried_over
from recorder.clock import ClockFit, Echo, HostClock, fit_clock, steps_of_the_wall_clock
from recorder.errors import FrameError
from recorder.frames import FLAG_RESENT, DescriptionBuffer, Frame, FrameType, decode_body
from recorder.journal import Arrival
from recorder.marks import utc_ns_of
from recorder.node import MISSING_INT32, Group, NodeDescription, description_from_json
from recorder.readings import readings_of
from recorder.tally import Tally

ECHO_BYTES = 8
_FRAME_KEY = ["boot", "seq"]
_ROW_KEY = [*_FRAME_KEY, "tick_us"]


@dataclass(frozen=True, slots=True)
class NodeContent:
    """What the frames of one node amount to.

    ``streams`` maps a group's number to its rows: ``t`` (UTC ns), ``tick_us``, ``seq``, ``boot``, one float32 column
    a channel, and ``raw_<id>`` as sent. ``counters`` is the account of its frames (``recorder.tally``) and of readings
    that are missing, by reason and channel (``open_circuit_vent``); ``steps`` are the host's wall clock steps: host
    monotonic time [ns] and step [s].
    """

    description: NodeDescription
    streams: dict[int, pl.DataFrame]
    fits: tuple[ClockFit, ...]
    counters: dict[str, int]
    steps: tuple[tuple[int, float], ...] = ()


def stream_id(node: str, description: NodeDescription, group: int) -> str:
    """Name of a stream: the node's name in the recording, with the group's number where a node has several."""
    return node if len(description.groups) == 1 else f"{node}-{group}"


def describe(frames: Iterable[Frame]) -> NodeDescription | None:
    """The last complete description among the frames, or None."""
    buffer, found = DescriptionBuffer(), None
    for frame in frames:
        if frame.type is FrameType.DESCRIBE:
            try:
                whole = buffer.add(frame)
                found = description_from_json(whole) if whole is not None else found
            except FrameError:
                continue
    return found


def assemble(
    arrivals: list[Arrival],
    host: HostClock,
    description: NodeDescription | None = None,
    tally: Tally | None = None,
) -> NodeContent | None:
    """Put a node's journal together.

    Parameters
    ----------
    arrivals : list of Arrival
        Intact frame bodies in order of arrival.
    host : HostClock
        The recording's anchor of monotonic time to UTC.
    description : NodeDescription, optional
        Used where the journal holds none; its calibrations are used in any case.
    tally : Tally, optional
        The account so far, where these frames continue earlier ones.

    Returns
    -------
    NodeContent or None
        None if nobody says what the samples are.
    """
    frames = [decode_body(arrival.body) for arrival in arrivals]
    found = describe(frames) or description
    if found is None:
        return None
    found = carried_over(found, description)
    tally = Tally.of(found) if tally is None else tally
    kept: dict[int, list[tuple[int, Frame]]] = {group.number: [] for group in found.groups}
    segments: list[int] = []
    for frame in frames:
        segment = tally.take(frame) if frame.type is FrameType.SAMPLES else None
        if segment is not None:
            kept[frame.group].append((segment, frame))
        segments.append(tally.segment_of(frame.boot) if segment is None else segment)
    fits = _fits(frames, arrivals, segments, found)
    missing: dict[str, int] = {}
    streams = {group.number: _rows(kept[group.number], group, fits, found, host, missing) for group in found.groups}
    steps = steps_of_the_wall_clock(
        np.array([arrival.monotonic_ns for arrival in arrivals], np.int64),
        np.array([arrival.utc_ns for arrival in arrivals], np.int64),
        host,
    )
    return NodeContent(found, streams, tuple(fits.values()), tally.counters() | missing, tuple(steps))


def _fits(
    frames: list[Frame], arrivals: list[Arrival], segments: list[int], description: NodeDescription
) -> dict[int, ClockFit]:
    """The clock of each segment; one too short to show its skew takes that of the longest."""
    ticks: dict[int, list[int]] = {}
    times: dict[int, list[int]] = {}
    echoes: dict[int, list[Echo]] = {}
    # When a frame comes that was asked for again says nothing of the clock, unless the segment has no other.
    timely = {s for f, s in zip(frames, segments, strict=True) if _is_timely(f)}
    for frame, arrival, segment in zip(frames, arrivals, segments, strict=True):
        if frame.type is FrameType.SAMPLES and (_is_timely(frame) or segment not in timely):
            ticks.setdefault(segment, []).append(frame.tick_us)
            times.setdefault(segment, []).append(arrival.monotonic_ns)
        elif frame.type is FrameType.ECHO and len(frame.payload) == ECHO_BYTES:
            sent_ns = int.from_bytes(frame.payload, "little")
            if sent_ns <= arrival.monotonic_ns:
                echoes.setdefault(segment, []).append(Echo(sent_ns, arrival.monotonic_ns, frame.tick_us))

    def fit(segment: int, known_skew: float | None) -> ClockFit:
        return fit_clock(
            segment,
            np.asarray(ticks[segment], np.int64),
            np.asarray(times[segment], np.int64),
            description.time_scale,
            tuple(echoes.get(segment, ())),
            known_skew,
        )

    if not ticks:
        return {}
    longest = fit(max(ticks, key=lambda segment: len(ticks[segment])), None)
    known = longest.skew if longest.skew_from == "fit" else None
    return {segment: longest if segment == longest.boot else fit(segment, known) for segment in ticks}


def _is_timely(frame: Frame) -> bool:
    return frame.type is FrameType.SAMPLES and not frame.flags & FLAG_RESENT


def _rows(
    frames: list[tuple[int, Frame]],
    group: Group,
    fits: Mapping[int, ClockFit],
    description: NodeDescription,
    host: HostClock,
    missing: dict[str, int],
) -> pl.DataFrame:
    ranks = {segment: rank for rank, segment in enumerate(dict.fromkeys(segment for segment, _ in frames))}
    frames = sorted(frames, key=lambda item: (ranks[item[0]], item[1].seq))
    kept = [frame for _, frame in frames]
    counts = np.array([frame.count for frame in kept], np.int64)
    boot = np.repeat(np.array([segment for segment, _ in frames], np.int64), counts)
    seq = np.repeat(np.array([frame.seq for frame in kept], np.int64), counts)
    last = np.repeat(np.array([frame.tick_us for frame in kept], np.int64), counts)
    behind = np.repeat(np.cumsum(counts), counts) - 1 - np.arange(len(last))
    tick = last - np.rint(behind * 1e6 / group.rate_hz).astype(np.int64)
    kind = np.dtype("<i4") if group.format == "int32" else np.dtype("<f4")
    raw = np.frombuffer(b"".join(frame.payload for frame in kept), kind).reshape(-1, len(group.channels))
    columns: dict[str, Any] = {
        "t": pl.Series(_utc_ns(tick, boot, fits, description, host), dtype=pl.Datetime("ns", "UTC")),
        "tick_us": tick,
        "seq": seq,
        "boot": boot.astype(np.int32),
    }
    readings = readings_of(group.channels, {c.id: raw[:, i] for i, c in enumerate(group.channels)})
    for reason, count in readings.missing.items():
        missing[reason] = missing.get(reason, 0) + count
    columns |= {name: pl.Series(v.astype(np.float32), nan_to_null=True) for name, v in readings.values.items()}
    columns |= {f"raw_{c.id}": _raw_series(raw[:, i]) for i, c in enumerate(group.channels)}
    return pl.DataFrame(columns)


def stored_values(raw: NDArray[Any], scale: float, offset: float) -> pl.Series:
    """What the sensor sent, in the stored unit: float32, null where missing."""
    values = raw.astype(np.float64) * scale + offset
    if raw.dtype.kind == "i":
        values = np.where(raw == MISSING_INT32, np.nan, values)
    values[~np.isfinite(values)] = np.nan
    return pl.Series(values.astype(np.float32), nan_to_null=True)


def _raw_series(raw: NDArray[Any]) -> pl.Series:
    if raw.dtype.kind == "f":
        return pl.Series(raw.astype(np.float32), nan_to_null=True)
    return pl.Series(raw.astype(np.int32)).replace(MISSING_INT32, None)


def _utc_ns(
    tick: NDArray[np.int64],
    boot: NDArray[np.int64],
    fits: Mapping[int, ClockFit],
    description: NodeDescription,
    host: HostClock,
) -> NDArray[np.int64]:
    """UTC of each sample: by the clock fit, or by the replay's own start where it states one."""
    if description.started_at is not None:
        return utc_ns_of(description.started_at) + tick * 1000
    utc = np.empty(len(tick), np.int64)
    for number, fit in fits.items():
        own = boot == number
        since = fit.monotonic_ns(tick[own]) - host.monotonic_ns
        utc[own] = host.utc_ns + np.rint(since).astype(np.int64)
    return utc


def recorded_utc_ns(content: NodeContent, host: HostClock, monotonic_ns: int) -> int:
    """UTC, on the recording's time base, of a host monotonic time: a replay's clock runs faster than the host's."""
    if content.description.started_at is None or not content.fits:
        return host.to_utc_ns(monotonic_ns)
    tick_us = content.fits[-1].tick_us(monotonic_ns)
    return utc_ns_of(content.description.started_at) + round(tick_us * 1000)


def with_parts(rows: pl.DataFrame, parts: Path) -> tuple[pl.DataFrame, list[str]]:
    """Add what only the parts hold; the second part names parts that cannot be read.

    A whole journal holds it all: then no more of the parts is read than the keys of their rows.
    """
    paths = sorted(parts.glob("part-*.parquet")) if parts.is_dir() else []
    keys, damage = _readable(paths, rows.select(_FRAME_KEY))
    numbered = [key.unique().with_columns(part=pl.lit(number)) for number, key in keys.items()]
    lacking = pl.concat(numbered).join(rows.select(_FRAME_KEY).unique(), _FRAME_KEY, "anti") if numbered else None
    only_there: list[int] = [] if lacking is None else lacking["part"].unique().to_list()
    wanted, unread = _readable([paths[number] for number in sorted(only_there)], rows)
    whole = pl.concat([rows, *wanted.values()]).unique(_ROW_KEY, keep="first", maintain_order=True) if wanted else rows
    return whole if whole["t"].is_sorted() else whole.sort("t"), damage + unread


def _readable(paths: list[Path], like: pl.DataFrame) -> tuple[dict[int, pl.DataFrame], list[str]]:
    """The columns of ``like`` out of each readable part, by its place in the list; a sentence for each other."""
    found: dict[int, pl.DataFrame] = {}
    damage: list[str] = []
    for number, path in enumerate(paths):
        try:
            found[number] = pl.read_parquet(path, columns=like.columns).cast(like.schema)  # pyright: ignore[reportArgumentType]
        except (pl.exceptions.PolarsError, OSError):
            damage.append(f"{path.parent.name}/{path.name} cannot be read and is left out")
    return found, damage
