"""Where a sensor is clipped, and in which unit its samples are stored."""

import re
from dataclasses import dataclass
from functools import lru_cache

from recorder.errors import InputError


@dataclass(frozen=True, slots=True)
class Place:
    """One place of a vehicle's air conditioning.

    Attributes
    ----------
    name : str
        The word used everywhere: files, headers, commands.
    quantity : str
        Physical quantity, a key of ``STORED_UNIT``.
    title : str
        The place in words, for people.
    """

    name: str
    quantity: str
    title: str


STORED_UNIT = {
    "pressure": "kPa",
    "temperature": "degC",
    "voltage": "V",
    "current": "A",
    "ratio": "%",
    "state": "1",
    "mass": "kg",
    "rotation": "1/min",
    "speed": "km/h",
    "length": "m",
}

UNUSED = "unused"
"""Begins the places of sensors that are clipped on nowhere: recorded as any other, used by no analysis."""

POSSIBLE = {
    "pressure": (-110.0, 60_000.0),
    "temperature": (-90.0, 600.0),
    "voltage": (-100.0, 1500.0),
    "current": (-2000.0, 2000.0),
    "ratio": (-10.0, 200.0),
    "state": (-1.0, 2.0),
    "mass": (-5.0, 500.0),
    "rotation": (-100.0, 50_000.0),
    "speed": (-20.0, 600.0),
    "length": (-1000.0, 12_000.0),
}
"""What a stored reading can be at all, by quantity, in its unit (common practice, no source)."""

PLACES = {
    place.name: place
    for place in (
        Place("low_side", "pressure", "low side"),
        Place("high_side", "pressure", "high side"),
        Place("vacuum", "pressure", "vacuum gauge"),
        Place("barometer", "pressure", "barometer"),
        Place("vent", "temperature", "vent air"),
        Place("return_air", "temperature", "return air"),
        Place("ambient", "temperature", "ambient air"),
        Place("cabin", "temperature", "cabin air"),
        Place("suction_line", "temperature", "suction line"),
        Place("discharge_line", "temperature", "discharge line"),
        Place("liquid_line", "temperature", "liquid line"),
        Place("evaporator_out", "temperature", "evaporator outlet"),
        Place("coolant", "temperature", "engine coolant"),
        Place("clutch", "voltage", "clutch supply"),
        Place("clutch_current", "current", "clutch current"),
        Place("valve_duty", "ratio", "control valve duty"),
        Place("cooling_request", "state", "cooling asked for"),
        Place("pressure_switch", "voltage", "pressure switch"),
        Place("fan", "voltage", "condenser fan supply"),
        Place("fan_current", "current", "condenser fan current"),
        Place("battery", "voltage", "battery"),
        Place("charge_scale", "mass", "charging scale"),
        Place("engine_speed", "rotation", "engine speed"),
        Place("vehicle_speed", "speed", "road speed"),
        Place("humidity", "ratio", "relative humidity"),
        Place("sensor_supply", "voltage", "supply of the sensors"),
        Place("cold_junction", "temperature", "thermocouple terminals"),
        Place("altitude", "length", "altitude"),
        *(Place(f"{UNUSED}_{quantity}", quantity, "not in use") for quantity in STORED_UNIT),
    )
}

_NUMBERED = re.compile(r"^(?P<place>[a-z_]+?)(?:_(?P<number>[2-9]|[1-9][0-9]{1,2}))?$")


@lru_cache(maxsize=1024)
def place_of(channel_id: str) -> Place:
    """Return the place that a channel id such as ``vent`` or ``vent_2`` names.

    Raises
    ------
    InputError
        If no place has that name; the message lists the nearest ones.
    """
    match = _NUMBERED.match(channel_id)
    place = PLACES.get(match["place"]) if match else None
    if place is None:
        raise InputError(f"'{channel_id}' names no place. Known places: {', '.join(PLACES)}.")
    return place
