"""Before the test: what to check, what to clip on where, and what a missing sensor costs."""

from collections.abc import Iterable

from analysis.episodes import detectors
from analysis.wording import place as place_in_words
from analysis.wording import title
from recorder.errors import InputError
from recorder.places import place_of

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
BOARD = (
    ("Low side", ("low_side", "suction_line")),
    ("Air", ("vent", "return_air", "ambient")),
    ("High side", ("high_side", "liquid_line")),
    ("Vehicle", ("clutch", "fan", "engine_speed", "vehicle_speed")),
)
"""Where sensors are usually clipped on; other places appear where a channel is at one."""
LOSSES = {
    "low_side": "no evaporating temperature, no superheat, no cycling by pressure",
    "high_side": "no condensing temperature, no subcooling, no equalisation",
    "suction_line": "no superheat",
    "liquid_line": "no subcooling",
    "vent": "nothing about what the passengers feel",
    "return_air": "no temperature split",
    "ambient": "no condensing over ambient, no usual band for the high side",
    "clutch": "a dropout cannot be told apart: commanded, electrical or mechanical",
    "fan": "a dead fan motor, its relay and its wiring cannot be told apart",
    "engine_speed": "no telling engine stops from compressor stops",
    "vehicle_speed": "standing and moving cannot be told apart",
}
INSTEAD = {"suction_line": "evaporator_out", "clutch": "clutch_current", "fan": "fan_current"}


def pre_checks_in_words(ticked: set[str]) -> str:
    """Which pre-checks were ticked, and which were not, as the note that goes into the recording."""
    done = [words.partition(":")[0] for check, words in PRE_CHECKS if check in ticked]
    left = [words.partition(":")[0] for check, words in PRE_CHECKS if check not in ticked]
    if not done:
        return "Pre-checks: none ticked."
    return f"Pre-checks: {'; '.join(done)}." + (f" Not ticked: {'; '.join(left)}." if left else "")


def places_of(channels: Iterable[str]) -> set[str]:
    """The places of channel ids; names that are none are passed over."""
    held: set[str] = set()
    for channel in channels:
        try:
            held.add(place_of(channel).name)
        except InputError:
            continue
    return held


def lost_without(held: set[str]) -> dict[str, str]:
    """What each place of the board that nothing is clipped to costs."""
    return {place: cost for place, cost in LOSSES.items() if not {place, INSTEAD.get(place, place)} & held}


def cannot_be_looked_for(held: set[str]) -> list[str]:
    """Which kinds of fault nobody can look for, a sentence for each set of places that is lacking."""
    blind: dict[str, list[str]] = {}
    for detector in detectors():
        lacking = [need for need in detector.NEEDS if need not in held and need not in ("refrigerant", "runs")]
        if lacking:
            blind.setdefault(" and ".join(place_in_words(need) for need in lacking), []).append(title(detector.KIND))
    return [f"Without {names} nobody can look for: {'; '.join(kinds)}." for names, kinds in blind.items()]
