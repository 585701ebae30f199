"""A recording read again with calibrations that were found after it; what was sealed is not touched."""

from collections.abc import Iterable
from dataclasses import replace

from recorder.calibration_file import KnownCalibration, calibrated_channel
from recorder.errors import InputError
from recorder.readings import reread
from recorder.recording import Recording, Stream


def node_of(recording: Recording, stream: Stream) -> str:
    """Id of the node that sent a stream; the stream's own id where no node described itself."""
    for entry in recording.nodes:
        description = entry.get("description")
        name = str(entry.get("name"))
        if description and (stream.id == name or stream.id in {f"{name}-{g['number']}" for g in description["groups"]}):
            return str(description["id"])
    return stream.id


def recalibrated(recording: Recording, known: Iterable[KnownCalibration]) -> Recording:
    """The recording with its stored columns worked out again from the raw ones.

    Raises
    ------
    InputError
        If none of the calibrations belongs to any of its sensors.
    """
    held = tuple(known)
    streams = tuple(_recalibrated(stream, node_of(recording, stream), held) for stream in recording.streams)
    if all(new is old for new, old in zip(streams, recording.streams, strict=True)):
        sensors = ", ".join(sorted({f"{entry.node} {entry.serial_number or entry.channel}" for entry in held}))
        raise InputError(
            f"{recording.path}: none of the calibrations ({sensors or 'none'}) is of a sensor in it, or all are in use."
        )
    return replace(recording, streams=streams)


def _recalibrated(stream: Stream, node: str, known: tuple[KnownCalibration, ...]) -> Stream:
    channels = tuple(calibrated_channel(channel, node, known) for channel in stream.channels)
    if channels == stream.channels:
        return stream
    return replace(stream, channels=channels, data=reread(channels, stream.data)[0])
