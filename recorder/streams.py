"""Frames of one node put together as streams: one row a sample instant, one column a channel."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from recorder.calibration_file import carried_over
from recorder.clock import ClockFit, Echo, HostClock, fit_clock
from recorder.errors import FrameError
from recorder.frames import DescriptionBuffer, Frame, FrameType, decode_body
from recorder.journal import Arrival
from recorder.marks import utc_ns_of
from recorder.node import MISSING_INT32, Group, NodeDescription, description_from_json
from recorder.readings import readings_of

ECHO_BYTES = 8


@dataclass(frozen=True, slots=True)
class NodeContent:
    """What the frames of one node amount to.

    ``streams`` maps a group's number to its rows: ``t`` (UTC ns), ``tick_us``, ``seq``, ``boot``, one float32 column
    a channel, and ``raw_<id>`` as sent. ``counters`` counts frames, lost, duplicate and
    refused ones, boots, and readings that are missing, by reason and channel (``open_circuit_vent``).
    """

    description: NodeDescription
    streams: dict[int, pl.DataFrame]
    fits: tuple[ClockFit, ...]
    counters: dict[str, int]


def stream_id(description: NodeDescription, group: int) -> str:
    """Name of a stream: the node's id, with the group's number where a node has several."""
    return description.id if len(description.groups) == 1 else f"{description.id}-{group}"


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
    arrivals: list[Arrival], host: HostClock, description: NodeDescription | None = None
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
    fits = _fits(frames, arrivals, found)
    streams: dict[int, pl.DataFrame] = {}
    counters = {"frames": 0, "lost": 0, "duplicate": 0, "refused": 0, "boots": len(fits)}
    for group in found.groups:
        own = [f for f in frames if f.type is FrameType.SAMPLES and f.group == group.number]
        streams[group.number] = _rows(own, group, fits, found, host, counters)
    return NodeContent(found, streams, tuple(fits.values()), counters)


def _fits(frames: list[Frame], arrivals: list[Arrival], description: NodeDescription) -> dict[int, ClockFit]:
    ticks: dict[int, list[int]] = {}
    times: dict[int, list[int]] = {}
    echoes: dict[int, list[Echo]] = {}
    for frame, arrival in zip(frames, arrivals, strict=True):
        if frame.type is FrameType.SAMPLES:
            ticks.setdefault(frame.boot, []).append(frame.tick_us)
            times.setdefault(frame.boot, []).append(arrival.monotonic_ns)
        elif frame.type is FrameType.ECHO and len(frame.payload) == ECHO_BYTES:
            sent_ns = int.from_bytes(frame.payload, "little")
            if sent_ns <= arrival.monotonic_ns:
                echoes.setdefault(frame.boot, []).append(Echo(sent_ns, arrival.monotonic_ns, frame.tick_us))
    return {
        boot: fit_clock(
            boot,
            np.asarray(ticks[boot], np.int64),
            np.asarray(times[boot], np.int64),
            description.time_scale,
            tuple(echoes.get(boot, ())),
        )
        for boot in ticks
    }


def _decoded(frames: list[Frame], group: Group, counters: dict[str, int]) -> list[Frame]:
    """Frames whose payload has the size their description promises, once each, by boot and sequence number."""
    width = 4 * len(group.channels)
    boots = {boot: rank for rank, boot in enumerate(dict.fromkeys(frame.boot for frame in frames))}
    kept: dict[tuple[int, int], Frame] = {}
    for frame in frames:
        if frame.count == 0 or len(frame.payload) != frame.count * width:
            counters["refused"] += 1
        elif (boots[frame.boot], frame.seq) in kept:
            counters["duplicate"] += 1
        else:
            kept[boots[frame.boot], frame.seq] = frame
    counters["frames"] += len(kept)
    for boot in boots.values():
        numbers = [seq for rank, seq in kept if rank == boot]
        counters["lost"] += max(numbers) - min(numbers) + 1 - len(numbers) if numbers else 0
    return [kept[key] for key in sorted(kept)]


def _rows(
    frames: list[Frame],
    group: Group,
    fits: Mapping[int, ClockFit],
    description: NodeDescription,
    host: HostClock,
    counters: dict[str, int],
) -> pl.DataFrame:
    kept = _decoded(frames, group, counters)
    counts = np.array([frame.count for frame in kept], np.int64)
    boot = np.repeat(np.array([frame.boot for frame in kept], np.int64), counts)
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
        counters[reason] = counters.get(reason, 0) + count
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
    """Add what only the parts hold; the second part names parts that cannot be read."""
    frames, damage = [rows], list[str]()
    for path in sorted(parts.glob("part-*.parquet")) if parts.is_dir() else ():
        try:
            frames.append(pl.read_parquet(path).select(rows.columns).cast(rows.schema))  # pyright: ignore[reportArgumentType]
        except (pl.exceptions.PolarsError, OSError):
            damage.append(f"{parts.name}/{path.name} cannot be read and is left out")
    whole = pl.concat(frames).unique(["boot", "seq", "tick_us"], keep="first", maintain_order=True)
    return whole.sort("t"), damage
