"""The calibrations that are known, in one JSON file; which of them belongs to a channel, and what it changes there.

A calibration belongs to a sensor: to a node's id and the channel's serial number; to the channel's name where the node
states no serial number. The newest one counts.
"""

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, cast

from recorder.calibration import Calibration, calibration_from
from recorder.errors import InputError
from recorder.node import Channel, NodeDescription
from recorder.sensors import CLAMP_ON_EXCURSION_K, ClampOn

SCHEMA = 1
LINEARITY_SHARE = 0.5
"""Share of the stated accuracy that is linearity and hysteresis, of which the points of a calibration say nothing
(common practice, no source)."""


@dataclass(frozen=True, slots=True)
class KnownCalibration:
    """A calibration and the sensor it belongs to; ``about`` keeps points and components of its uncertainty."""

    node: str
    channel: str
    serial_number: str | None
    calibration: Calibration
    about: Mapping[str, Any]

    def fits(self, node: str, channel: Channel) -> bool:
        """Whether it belongs to that channel's sensor."""
        if node != self.node or self.serial_number != channel.serial_number:
            return False
        return self.serial_number is not None or (channel.sent_as or channel.id) == self.channel

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "node": self.node,
            "channel": self.channel,
            "serial_number": self.serial_number,
            "calibration": asdict(self.calibration),
            "about": dict(self.about),
        }


def known_from(values: Iterable[Any], where: str) -> tuple[KnownCalibration, ...]:
    """Build calibrations from plain values.

    Raises
    ------
    InputError
        If one of them cannot be understood; the message names its number.
    """
    known: list[KnownCalibration] = []
    for number, entry in enumerate(values, start=1):
        try:
            serial = entry["serial_number"]
            known.append(
                KnownCalibration(
                    str(entry["node"]),
                    str(entry["channel"]),
                    None if serial is None else str(serial),
                    calibration_from(entry["calibration"]),
                    cast("dict[str, Any]", entry.get("about") or {}),
                )
            )
        except (KeyError, TypeError, AttributeError, InputError) as reason:
            raise InputError(f"{where}, calibration {number}: cannot be understood ({reason}).") from None
    return tuple(known)


def read_calibrations(path: Path) -> tuple[KnownCalibration, ...]:
    """Read a calibration file; none where there is no file.

    Raises
    ------
    InputError
        If the file is no calibration file.
    """
    try:
        values: object = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return ()
    except (OSError, ValueError) as reason:
        raise InputError(f"{path}: cannot be read ({reason}).") from None
    entries = cast("dict[str, Any]", values).get("calibrations") if isinstance(values, dict) else None
    if not isinstance(entries, list):
        raise InputError(f"{path}: is no calibration file (an object with a list 'calibrations').")
    return known_from(cast("list[Any]", entries), str(path))


def file_values(known: Iterable[KnownCalibration]) -> dict[str, Any]:
    """What a calibration file holds."""
    return {"schema": SCHEMA, "calibrations": [entry.to_dict() for entry in known]}


def calibrated_channel(channel: Channel, node: str, known: Iterable[KnownCalibration]) -> Channel:
    """The channel with the newest calibration of its sensor, its date, and the accuracy that it then has."""
    own = [channel.calibration] if channel.calibration else []
    own += [entry.calibration for entry in known if entry.fits(node, channel)]
    if not own:
        return channel
    # Of two within one second the one that was added last counts: max takes the first it meets.
    newest = max(reversed(own), key=lambda calibration: calibration.on)
    if newest == channel.calibration:
        return channel
    return replace(channel, calibration=newest, calibrated_on=newest.on[:10], accuracy=_accuracy(channel, newest))


def calibrated(description: NodeDescription, known: Iterable[KnownCalibration]) -> NodeDescription:
    """The description with every channel calibrated as far as is known."""
    held = tuple(known)
    groups = tuple(
        replace(g, channels=tuple(calibrated_channel(c, description.id, held) for c in g.channels))
        for g in description.groups
    )
    return replace(description, groups=groups)


def _accuracy(channel: Channel, calibration: Calibration) -> float | None:
    """Half-width of the accuracy band (rectangular) after a calibration.

    A single point says nothing of the gain: the stated accuracy stays. Two points replace it by their own uncertainty
    and by what lies between them; a clamp adds its drift with temperature.
    """
    if not calibration.spans:
        return channel.accuracy
    variance = (calibration.u95 / 2.0) ** 2
    if isinstance(channel.conversion, ClampOn):
        span = calibration.high - calibration.low
        drift = channel.conversion.drift_per_k * CLAMP_ON_EXCURSION_K * span
        return math.sqrt(3.0 * variance + drift**2)
    if channel.accuracy is None:
        return math.sqrt(3.0 * variance)
    return min(math.sqrt(3.0 * variance + (LINEARITY_SHARE * channel.accuracy) ** 2), channel.accuracy)
