"""A channel clipped on elsewhere than its node believes: stored at its place, from the first frame to the seal."""

from pathlib import Path

import numpy as np
import pytest

from analysis.diagnose import diagnose
from analysis.timeline import timeline_of
from recorder.assignment import Assignment, assigned, assignment_from
from recorder.clock import HostClock
from recorder.errors import InputError
from recorder.frames import Frame, FrameType, description_frames, encode_body
from recorder.jobsheet import JobSheet
from recorder.journal import Arrival
from recorder.node import Channel, Group, NodeDescription
from recorder.recording import Recording, open_recording
from recorder.sealing import seal
from recorder.sensors import Ratiometric
from recorder.store import RecordingStore

BAY = NodeDescription(
    "bay",
    "1",
    1,
    (
        Group(
            0,
            1.0,
            "float32",
            (
                Channel("low_side", "kPa", "vented_gauge"),
                Channel("high_side", "kPa", "vented_gauge"),
                Channel("vent", "degC"),
                Channel("return_air", "degC"),
            ),
        ),
    ),
)


def ids(description: NodeDescription) -> list[str]:
    return [channel.id for group in description.groups for channel in group.channels]


def moves(*texts: str) -> tuple[Assignment, ...]:
    return tuple(assignment_from(text) for text in texts)


def test_two_channels_can_be_exchanged():
    swapped = assigned(BAY, moves("bay/low_side=high_side", "bay/high_side=low_side"))
    assert ids(swapped) == ["high_side", "low_side", "vent", "return_air"]
    assert [c.sent_as for c in swapped.groups[0].channels] == ["low_side", "high_side", None, None]


def test_a_place_that_is_taken_gets_the_next_number():
    assert ids(assigned(BAY, moves("bay/vent=return_air")))[2:] == ["return_air_2", "return_air"]


def test_another_nodes_assignment_changes_nothing():
    assert assigned(BAY, moves("cabin/vent=ambient")) is BAY
    assert assigned(BAY, moves("bay/vent=vent")) is BAY


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("bay/vent=low_side", "vent air is a temperature, low side a pressure"),
        ("bay/vent=nowhere", "'nowhere' names no place"),
        ("bay vent ambient", "write NODE/CHANNEL=PLACE"),
    ],
)
def test_what_cannot_be_is_refused(text: str, says: str):
    with pytest.raises(InputError, match=says):
        assignment_from(text)


def test_a_channel_that_others_are_worked_out_from_stays():
    needs = Ratiometric(0.0, 3000.0, supply="sensor_supply")
    channels = (Channel("low_side", "kPa", "vented_gauge", conversion=needs), Channel("sensor_supply", "V"))
    node = NodeDescription("bay", "1", 1, (Group(0, 1.0, "float32", channels),))
    with pytest.raises(InputError, match="must stay"):
        assigned(node, moves("bay/sensor_supply=battery"))


def recorded(out: Path, sealed: bool, *texts: str) -> Recording:
    """Twenty rows of the bay's node, its channels assigned."""
    host = HostClock.start()
    store = RecordingStore(out, JobSheet(), host, places=moves(*texts))
    store.describe("bay", BAY)
    bodies = list(description_frames(BAY.to_json(), 1, 7, 0, 200))
    rows = np.array([[200.0, 1400.0, 31.0, 24.0]] * 20, "<f4")
    bodies += [Frame(FrameType.SAMPLES, 7, 0, 0, 1, i, i * 1_000_000, row.tobytes()) for i, row in enumerate(rows)]
    for number, frame in enumerate(bodies):
        at = host.monotonic_ns + number * 10**9
        store.append("bay", Arrival(encode_body(frame), at, host.utc_ns + number * 10**9))
    store.close()
    if sealed:
        seal(store.folder, "test")
    return open_recording(store.folder)


@pytest.mark.parametrize("sealed", [False, True], ids=["cut off", "sealed"])
def test_readings_are_stored_at_their_place_also_after_a_crash(tmp_path: Path, sealed: bool):
    (stream,) = recorded(tmp_path, sealed, "bay/vent=ambient").streams
    assert [c.id for c in stream.channels] == ["low_side", "high_side", "ambient", "return_air"]
    assert stream.channels[2].sent_as == "vent"
    assert stream.data["ambient"].to_list() == [31.0] * 20
    assert stream.data["raw_ambient"].to_list() == [31.0] * 20


@pytest.mark.parametrize("sealed", [False, True], ids=["cut off", "sealed"])
def test_a_sensor_not_in_use_is_kept_told_and_judged_by_nothing(tmp_path: Path, sealed: bool):
    recording = recorded(tmp_path, sealed, "bay/vent=unused", "bay/high_side=unused", "bay/return_air=unused")
    (stream,) = recording.streams
    assert [c.id for c in stream.channels] == [
        "low_side", "unused_pressure", "unused_temperature", "unused_temperature_2"
    ]  # fmt: skip
    assert stream.data["unused_temperature"].to_list() == [31.0] * 20
    told = [remark for remark in recording.remarks if "was set to not in use" in remark]
    assert len(told) == 3
    assert told[1].startswith("vent was set to not in use: its 20 readings are kept as unused_temperature,")
    timeline = timeline_of(recording)
    assert timeline is not None
    assert list(timeline.signals) == ["low_side"]
    assert [flag.says for flag in timeline.flags if "was set to not in use" in flag.says] == told


def test_a_recording_of_nothing_but_sensors_not_in_use_cannot_tell(tmp_path: Path):
    places = [f"bay/{channel}=unused" for channel in ("low_side", "high_side", "vent", "return_air")]
    findings = diagnose(recorded(tmp_path, True, *places), "test")
    assert findings.verdict == "cannot_tell"
