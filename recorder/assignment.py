"""At which place a node's channel is clipped on, where the technician knows it better than the node."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from recorder.errors import InputError
from recorder.node import Channel, Group, NodeDescription
from recorder.places import UNUSED, place_of

_TEXT = re.compile(r"^(?P<node>[A-Za-z0-9_-]{1,40})/(?P<channel>[a-z_0-9]+)=(?P<place>[a-z_0-9]+)$")


@dataclass(frozen=True, slots=True)
class Assignment:
    """One channel put to a place: ``channel`` is its name as the node sends it, ``place`` where it is."""

    node: str
    channel: str
    place: str


def assignment_from(text: str) -> Assignment:
    """Read ``node/channel=place``; the place ``unused`` is that of a sensor clipped on nowhere.

    Raises
    ------
    InputError
        If it is none, or the place is not one for that channel's quantity.
    """
    match = _TEXT.match(text)
    if match is None:
        raise InputError(f"'{text}': write NODE/CHANNEL=PLACE, for example bay/vent=return_air.")
    sent = place_of(match["channel"])
    named = f"{UNUSED}_{sent.quantity}" if match["place"] == UNUSED else match["place"]
    place = place_of(named)
    if sent.quantity != place.quantity:
        raise InputError(f"'{text}': {sent.title} is a {sent.quantity}, {place.title} a {place.quantity}.")
    return Assignment(match["node"], match["channel"], named)


def assigned(description: NodeDescription, assignments: Iterable[Assignment]) -> NodeDescription:
    """The description with its channels at the places that the technician states.

    A place that is taken already gets the next free number. What a node does not have is passed over: an assignment
    may be of another node.

    Raises
    ------
    InputError
        If another channel of the node is worked out from one that is to move.
    """
    moves = {item.channel: item.place for item in assignments if item.node == description.id}
    moves = {sent: place for sent, place in moves.items() if sent != place}
    channels = [channel for group in description.groups for channel in group.channels]
    for channel in channels:
        for needed in channel.conversion.needs if channel.conversion else ():
            if needed in moves:
                raise InputError(f"'{description.id}': '{channel.id}' is worked out from '{needed}', which must stay.")
    taken = {channel.id for channel in channels if channel.id not in moves}
    names: dict[str, str] = {}
    for channel in channels:
        if channel.id in moves:
            names[channel.id] = _free(moves[channel.id], taken)
            taken.add(names[channel.id])
    groups = tuple(replace(g, channels=tuple(_moved(c, names) for c in g.channels)) for g in description.groups)
    return replace(description, groups=groups) if names else description


def _free(place: str, taken: set[str]) -> str:
    base = place_of(place).name
    return next(name for name in (place, *(f"{base}_{n}" for n in range(2, 1000))) if name not in taken)


def _moved(channel: Channel, names: Mapping[str, str]) -> Channel:
    name = names.get(channel.id)
    return channel if name is None else replace(channel, id=name, sent_as=channel.id)


def noted_in(told: NodeDescription) -> dict[str, Channel]:
    """What the recorder noted beside a node's own words, by the name under which the node sends it."""
    noted = {c.sent_as or c.id: c for group in told.groups for c in group.channels}
    return {sent: c for sent, c in noted.items() if c.calibration is not None or c.sent_as is not None}


def carried_over(description: NodeDescription, told: NodeDescription | None) -> NodeDescription:
    """A node's own description with the places and calibrations that the recorder noted when it began to record."""
    if told is None:
        return description
    noted = noted_in(told)

    def of(channel: Channel) -> Channel:
        other = noted.get(channel.id)
        if other is None or other.serial_number != channel.serial_number:
            return channel
        return replace(
            channel,
            id=other.id,
            sent_as=other.sent_as,
            calibration=other.calibration,
            calibrated_on=other.calibrated_on,
            accuracy=other.accuracy,
        )

    def group_of(group: Group) -> Group:
        return replace(group, channels=tuple(of(channel) for channel in group.channels))

    return replace(description, groups=tuple(group_of(group) for group in description.groups))
