"""Before the test: what to check, what to clip on, and what a missing sensor costs."""

import sys
from collections.abc import Iterable
from pathlib import Path

from analysis.episodes import detectors
from analysis.wording import place as place_in_words
from analysis.wording import title

PRE_CHECKS = (
    ("cooling", "Cooling asked for: A/C on, coldest, recirculation"),
    ("compressor", "Compressor engages"),
    ("fan", "Condenser fan turns, air path clear"),
    ("blower", "Blower blows on every step"),
    ("ambient", "Ambient air known, probe in the shade"),
    ("refrigerant", "Refrigerant identified, no sealant found"),
    ("ports", "Ports sound, couplers leak-checked, hoses clear of belt and fan"),
    ("safety", "Eyes and hands protected, brake on, exhaust led away"),
)
"""Common practice, no source."""
LOSSES = (
    ({"low_side"}, "no evaporating temperature, no superheat, no cycling by pressure"),
    ({"high_side"}, "no condensing temperature, no subcooling, no equalisation"),
    ({"liquid_line"}, "no subcooling"),
    ({"suction_line", "evaporator_out"}, "no superheat"),
    ({"ambient"}, "no condensing over ambient, no normal band for the high side"),
    ({"vent"}, "nothing about what the passengers feel"),
    ({"clutch", "clutch_current"}, "a dropout cannot be told apart: commanded, electrical or mechanical"),
    ({"vehicle_speed"}, "standing and moving cannot be told apart"),
)
SERIAL_PATTERNS = ("serial/by-id/*", "ttyACM*", "ttyUSB*", "cu.usb*")


def what_is_missing(places: Iterable[str]) -> list[str]:
    """What cannot be found without the places that are not there, a sentence each."""
    held = set(places)
    told: list[str] = []
    for needed, cost in LOSSES:
        if not needed & held:
            names = " or ".join(sorted(place_in_words(name) for name in needed))
            told.append(f"Without {names}: {cost}.")
    blind: dict[str, list[str]] = {}
    for detector in detectors():
        lacking = [need for need in detector.NEEDS if need not in held and need not in ("refrigerant", "runs")]
        if lacking:
            blind.setdefault(" and ".join(place_in_words(need) for need in lacking), []).append(title(detector.KIND))
    told += [f"Without {names} nobody can look for: {'; '.join(kinds)}." for names, kinds in blind.items()]
    return told


def serial_ports(dev: Path = Path("/dev")) -> list[str]:
    """Serial ports that a node may speak on; by their lasting names where the system keeps them."""
    if sys.platform == "win32":
        return []
    found: list[str] = []
    taken: set[Path] = set()
    for pattern in SERIAL_PATTERNS:
        for path in sorted(dev.glob(pattern)):
            if path.resolve() not in taken:
                taken.add(path.resolve())
                found.append(str(path))
    return found
