"""What a node says of itself: its channels, sensors, accuracy and calibration."""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, cast

from recorder.calibration import Calibration, calibration_from
from recorder.errors import FrameError, InputError
from recorder.places import STORED_UNIT, UNUSED, place_of
from recorder.sensors import Conversion, conversion_from

MISSING_INT32 = -(2**31)
REFERENCES = ("vented_gauge", "sealed_gauge", "absolute")
FORMATS = ("int32", "float32")


@dataclass(frozen=True, slots=True)
class Channel:
    """One place's samples.

    Attributes
    ----------
    id : str
        Column name: the place, numbered where there are several (``vent_2``).
    unit : str
        Unit of the stored value (``recorder.places.STORED_UNIT``).
    reference : str or None
        Zero of a pressure: ``vented_gauge``, ``sealed_gauge`` or ``absolute``.
    sealed_at_kpa : float or None
        Absolute pressure at which a sealed gauge reads zero.
    range_low, range_high, accuracy : float or None
        Measuring range, and half-width of the accuracy band, in ``unit``.
    scale, offset : float
        Stored value = raw * scale + offset; with a conversion that is the sensor's signal.
    raw_unit : str
        Unit of what the sensor sent.
    time_constant_s : float or None
        First-order lag of the probe.
    conversion : Conversion or None
        Kind of sensor with its parameters, from the signal to the stored unit.
    calibration : Calibration or None
        Correction of the converted value.
    sent_as : str or None
        Name under which the node sends it, where the technician put it at another place.
    """

    id: str
    unit: str
    reference: str | None = None
    sealed_at_kpa: float | None = None
    range_low: float | None = None
    range_high: float | None = None
    accuracy: float | None = None
    scale: float = 1.0
    offset: float = 0.0
    raw_unit: str = ""
    time_constant_s: float | None = None
    sensor: str | None = None
    serial_number: str | None = None
    calibrated_on: str | None = None
    conversion: Conversion | None = None
    calibration: Calibration | None = None
    sent_as: str | None = None

    @property
    def place(self) -> str:
        """The place without its number."""
        return place_of(self.id).name

    @property
    def quantity(self) -> str:
        """The physical quantity of the place."""
        return place_of(self.id).quantity

    @property
    def in_use(self) -> bool:
        """Whether the sensor is clipped on anywhere."""
        return not self.place.startswith(f"{UNUSED}_")

    def to_dict(self) -> dict[str, Any]:
        """Return the channel as plain JSON values."""
        values = asdict(self)
        for name in ("conversion", "calibration", "sent_as"):
            if values[name] is None:
                del values[name]
        return values


@dataclass(frozen=True, slots=True)
class Group:
    """Channels that a node samples at the same instants, in the order in which it sends them."""

    number: int
    rate_hz: float
    format: str
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class NodeDescription:
    """A node's *describe* message.

    ``time_scale`` above 1 says that a replay's ticks run that much faster than the host's clock; ``started_at`` is
    then the original UTC time of tick 0, and ``replay_of`` which recording it plays.
    """

    id: str
    firmware: str
    revision: int
    groups: tuple[Group, ...]
    time_scale: float = 1.0
    started_at: str | None = None
    replay_of: str | None = None

    def group(self, number: int) -> Group | None:
        """Return the group of that number, or None."""
        return next((group for group in self.groups if group.number == number), None)

    def to_dict(self) -> dict[str, Any]:
        """Return the description as plain JSON values."""
        values = asdict(self)
        if self.replay_of is None:  # no node but a replay speaks of it
            del values["replay_of"]
        for group, plain in zip(self.groups, values["groups"], strict=True):
            plain["channels"] = [channel.to_dict() for channel in group.channels]
        return values

    def to_json(self) -> bytes:
        """Return the description as the node sends it."""
        return json.dumps(self.to_dict(), separators=(",", ":"), ensure_ascii=False).encode()


@dataclass(frozen=True, slots=True)
class Health:
    """A node's *health* message; None is what it does not tell. ``dropped`` counts samples it could not send."""

    supply_mv: int | None = None
    temperature_degc: float | None = None
    dropped: int | None = None
    uptime_s: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the message as plain JSON values."""
        return asdict(self)


def health_from_json(data: bytes) -> Health:
    """Read a *health* message; keys that are not known are left out.

    Raises
    ------
    FrameError
        If it is no JSON object of numbers.
    """
    try:
        values: object = json.loads(data)
    except ValueError as reason:
        raise FrameError(f"health: {reason}") from None
    if not isinstance(values, dict):
        raise FrameError("health: not a JSON object")
    told = cast("dict[str, Any]", values)
    numbers = {
        key: told[key]
        for key in ("supply_mv", "temperature_degc", "dropped", "uptime_s")
        if isinstance(told.get(key), int | float) and not isinstance(told[key], bool)
    }
    return Health(**numbers)


def channel_from(values: Mapping[str, Any]) -> Channel:
    """Build a channel from plain values and hold it to its place.

    Raises
    ------
    InputError
        On an unknown key or place, a unit that the place does not store, or a pressure without a reference.
    """
    try:
        channel = Channel(**{**values, **_parts(values)})
    except TypeError as reason:
        raise InputError(f"channel {values.get('id')!r}: {str(reason).split(') ')[-1]}.") from None
    except InputError as reason:
        raise InputError(f"channel {values.get('id')!r}: {reason}") from None
    place = place_of(channel.id)
    expected = STORED_UNIT[place.quantity]
    if channel.unit != expected:
        raise InputError(f"channel '{channel.id}': {place.quantity} is stored in {expected}, not '{channel.unit}'.")
    if place.quantity == "pressure" and channel.reference not in REFERENCES:
        raise InputError(f"channel '{channel.id}': a pressure needs a reference out of {', '.join(REFERENCES)}.")
    if channel.reference == "sealed_gauge" and channel.sealed_at_kpa is None:
        raise InputError(f"channel '{channel.id}': a sealed gauge needs 'sealed_at_kpa'.")
    if not (math.isfinite(channel.scale) and math.isfinite(channel.offset) and channel.scale != 0.0):
        raise InputError(f"channel '{channel.id}': scale and offset must be finite, scale not zero.")
    if channel.accuracy is not None and not (math.isfinite(channel.accuracy) and channel.accuracy > 0.0):
        raise InputError(f"channel '{channel.id}': an accuracy is a half-width above zero; leave it out if not known.")
    return channel


def _parts(values: Mapping[str, Any]) -> dict[str, Any]:
    parts: dict[str, Any] = {}
    if values.get("conversion") is not None:
        parts["conversion"] = conversion_from(_mapping("conversion", values["conversion"]))
    if values.get("calibration") is not None:
        parts["calibration"] = calibration_from(_mapping("calibration", values["calibration"]))
    return parts


def _mapping(name: str, value: Any) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise InputError(f"'{name}' must be an object of names and values.")
    return cast("Mapping[str, Any]", value)


def _hold_needs(number: int, channels: tuple[Channel, ...]) -> None:
    """A conversion needs channels of its own group, sampled at the same instants, none of which needs it back."""
    by_id = {channel.id: channel for channel in channels}

    def follow(channel: Channel, above: tuple[str, ...]) -> None:
        for needed, quantity in channel.conversion.needs.items() if channel.conversion else ():
            other = by_id.get(needed)
            if other is None or other.quantity != quantity:
                raise InputError(f"channel '{channel.id}' needs a {quantity} channel '{needed}' in group {number}.")
            if needed in above or needed == channel.id:
                raise InputError(f"channel '{channel.id}': '{needed}' needs it in turn.")
            follow(other, (*above, channel.id))

    for channel in channels:
        follow(channel, ())


def _group_from(values: Mapping[str, Any]) -> Group:
    channels = tuple(channel_from(item) for item in values["channels"])
    group = Group(int(values["number"]), float(values["rate_hz"]), str(values["format"]), channels)
    ids = [channel.id for channel in channels]
    if not channels or len(set(ids)) != len(ids):
        raise InputError(f"group {group.number} has no channels, or one twice: {', '.join(ids)}.")
    if not (0 <= group.number < 256 and group.rate_hz > 0 and group.format in FORMATS):
        raise InputError(f"group {group.number}: number, rate_hz or format is out of bounds.")
    _hold_needs(group.number, channels)
    return group


def description_from(values: Mapping[str, Any]) -> NodeDescription:
    """Build a node description from plain values.

    Raises
    ------
    InputError
        If a part is missing, unknown or contradicts another.
    """
    try:
        groups = tuple(_group_from(item) for item in values["groups"])
        description = NodeDescription(
            str(values["id"]),
            str(values["firmware"]),
            int(values["revision"]),
            groups,
            float(values.get("time_scale", 1.0)),
            values.get("started_at"),
            None if values.get("replay_of") is None else str(values["replay_of"]),
        )
    except (KeyError, TypeError, ValueError) as reason:
        raise InputError(f"node description: {type(reason).__name__} {reason}.") from None
    ids = [channel.id for group in groups for channel in group.channels]
    numbers = [group.number for group in groups]
    if not groups or len(set(ids)) != len(ids) or len(set(numbers)) != len(numbers):
        raise InputError(f"node '{description.id}': groups or channels are missing or doubled.")
    if not (math.isfinite(description.time_scale) and description.time_scale > 0):
        raise InputError(f"node '{description.id}': the time scale must be above zero.")
    safe = description.id.replace("-", "").replace("_", "")
    if not (safe.isascii() and safe.isalnum() and len(description.id) <= 40):
        raise InputError("node id must be 1-40 letters, digits, '-' or '_': it becomes a file name.")
    return description


def description_from_json(data: bytes) -> NodeDescription:
    """Read a *describe* message.

    Raises
    ------
    FrameError
        If it is no JSON object or contradicts itself.
    """
    try:
        values: object = json.loads(data)
        if not isinstance(values, dict):
            raise FrameError("describe: not a JSON object")
        return description_from(cast("dict[str, Any]", values))
    except (ValueError, InputError) as reason:
        raise FrameError(f"describe: {reason}") from None


def renumbered(channel: Channel, channel_id: str) -> Channel:
    """Return the channel under another column name (two probes may share a place)."""
    return replace(channel, id=channel_id)
