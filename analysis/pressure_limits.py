"""When a pressure nears what the circuit or the sensor is made for: the engine must be stopped."""

from collections.abc import Mapping
from dataclasses import dataclass

from analysis.limits import Limit, limit_table
from recorder.node import Channel

MEMORY = "from memory; common practice, no source"
LIMITS = limit_table(
    Limit("R-134a high_side", 3050.0, "kPa", "cut-out 2.6-3.2 MPa, relief 3.5-4.1 MPa; " + MEMORY),
    Limit("R-1234yf high_side", 3050.0, "kPa", "as R-134a; " + MEMORY),
    Limit("R-152a high_side", 2900.0, "kPa", "as R-134a, its curve being lower; " + MEMORY),
    Limit("R-744 high_side", 13000.0, "kPa", "relief at about 16-17 MPa, running 7-13 MPa; " + MEMORY),
    Limit("unknown high_side", 2800.0, "kPa", "the least of the subcritical ones, less 0.1 MPa; " + MEMORY),
    Limit("R-134a low_side", 1700.0, "kPa", "saturation at a soak of 62 degC (CoolProp 8)"),
    Limit("R-1234yf low_side", 1650.0, "kPa", "saturation at a soak of 62 degC (CoolProp 8)"),
    Limit("R-152a low_side", 1550.0, "kPa", "saturation at a soak of 62 degC (CoolProp 8)"),
    Limit("R-744 low_side", 9000.0, "kPa", "static pressure of a hot vehicle; " + MEMORY),
    Limit("unknown low_side", 1550.0, "kPa", "the least of the subcritical ones; " + MEMORY),
    Limit("share_of_range", 0.97, "1", "a reading this near the end of its sensor's range may be more; " + MEMORY),
)  # fmt: skip
"""Gauge pressures at which the page warns, by refrigerant and side."""


def limit_of(refrigerant: str | None, side: str) -> float:
    """Gauge pressure [kPa] at which a side (``low_side``, ``high_side``) comes too near its limit."""
    return LIMITS[f"{refrigerant or 'unknown'} {side}"].value


@dataclass(frozen=True, slots=True)
class Warned:
    """One pressure that is too near its limit; both are gauge."""

    side: str
    kpa: float
    limit_kpa: float
    why: str


def warned_by(
    channels: Mapping[str, Channel], gauge: Mapping[str, float | None], refrigerant: str | None
) -> list[Warned]:
    """Pressures near their limit now."""
    found: list[Warned] = []
    for side, kpa in gauge.items():
        if kpa is None:
            continue
        limit_kpa = limit_of(refrigerant, side)
        end = channels[side].range_high
        if kpa >= limit_kpa:
            found.append(Warned(side, kpa, limit_kpa, f"limit for {refrigerant or 'an unknown refrigerant'}"))
        elif end is not None and kpa >= LIMITS["share_of_range"].value * end:
            found.append(Warned(side, kpa, end, "end of the sensor's range"))
    return found
