"""A recording read again with calibrations that were found after it; what was sealed is not touched."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, cast

from recorder.calibration import METHODS
from recorder.calibration_file import KnownCalibration, calibrated_channel
from recorder.errors import InputError
from recorder.node import Channel
from recorder.readings import reread
from recorder.recording import Recording, Stream
from recorder.sensors import Missing


def node_of(recording: Recording, stream: Stream) -> str:
    """Id of the node that sent a stream; the stream's own id where no node described itself."""
    return next((str(e["description"]["id"]) for e in recording.nodes if _sent(e, stream)), stream.id)


def _sent(entry: Mapping[str, Any], stream: Stream) -> bool:
    """Whether the node of that entry sent a stream."""
    description, name = entry.get("description"), str(entry.get("name"))
    if not description:
        return False
    return stream.id == name or stream.id in {f"{name}-{group['number']}" for group in description["groups"]}


def recalibrated(recording: Recording, known: Iterable[KnownCalibration]) -> Recording:
    """The recording with its stored columns worked out again from the raw ones, and what is missing counted anew.

    Raises
    ------
    InputError
        If none of the calibrations belongs to any of its sensors.
    """
    held = tuple(known)
    anew = _read_anew(recording, held)
    if anew is recording:
        raise _none_fits((recording,), held)
    return anew


def recalibrated_together(
    pair: tuple[Recording, Recording], known: Iterable[KnownCalibration]
) -> tuple[Recording, Recording]:
    """Two recordings of a vehicle, each with those calibrations that are of a sensor in it.

    Raises
    ------
    InputError
        If none of the calibrations belongs to any sensor of the two.
    """
    held = tuple(known)
    before, after = (_read_anew(recording, held) for recording in pair)
    if before is pair[0] and after is pair[1]:
        raise _none_fits(pair, held)
    return before, after


def _none_fits(recordings: tuple[Recording, ...], held: tuple[KnownCalibration, ...]) -> InputError:
    paths = ", ".join(str(recording.path) for recording in recordings)
    sensors = ", ".join(sorted({f"{entry.node} {entry.serial_number or entry.channel}" for entry in held}))
    return InputError(
        f"{paths}: none of the calibrations ({sensors or 'none'}) is of a sensor in it, or all are in use."
    )


def _read_anew(recording: Recording, held: tuple[KnownCalibration, ...]) -> Recording:
    """The recording with the calibrations that are of its sensors; itself where there is none."""
    nodes = recording.nodes
    streams: list[Stream] = []
    for old in recording.streams:
        channels = tuple(calibrated_channel(channel, node_of(recording, old), held) for channel in old.channels)
        if channels == old.channels:
            streams.append(old)
            continue
        data, missing = reread(channels, old.data)
        streams.append(replace(old, channels=channels, data=data))
        new = [c for c, before in zip(channels, old.channels, strict=True) if c != before]
        nodes = tuple(_told_anew(entry, old, missing, new) if _sent(entry, old) else entry for entry in nodes)
    if all(new is old for new, old in zip(streams, recording.streams, strict=True)):
        return recording
    return replace(recording, streams=tuple(streams), nodes=nodes)


def _told_anew(
    entry: dict[str, Any], stream: Stream, missing: Mapping[str, int], channels: list[Channel]
) -> dict[str, Any]:
    """What the node's entry says once ``channels`` were read anew: what is missing now, and that they were."""
    stale = {f"{reason.name.lower()}_{channel.id}" for reason in Missing for channel in stream.channels}
    counters = cast("dict[str, int]", entry.get("counters") or {})
    kept = {name: count for name, count in counters.items() if name not in stale}
    told = [
        f"{c.id}: read anew with the calibration of {c.calibration.on[:10]} ({METHODS[c.calibration.method]}); "
        "what is sealed stays as it is"
        for c in channels
        if c.calibration is not None
    ]
    return entry | {"counters": kept | dict(missing), "read_anew": [*entry.get("read_anew", []), *told]}
