"""Sentences of the findings in the reader's units, made from a rule's name and its measures.

The document's own words (``says``) are the SI version and are shown as they are to whoever reads kPa and degC. For
others a sentence is made here: each measure's name ends in its unit, ``{rise_k}`` is a temperature difference,
``{trip_kpa}`` a pressure. A rule that is not listed, whose measures are missing, or that was said in other
words, keeps the document's.
"""

import math
import re

from analysis.findings import Cause, Check, Episode, Evidence, Weighed
from analysis.shown import KPA, Units

SENTENCES: dict[str, tuple[str, ...]] = {
    "condensing_climbs": (
        (
            "condensing climbed {rise_k} over its own baseline, most of it in {climb_s}, to {over_ambient_k} over "
            "ambient ({high_side_kpa} gauge)"
        ),
        (
            "condensing climbed {rise_k} over its own baseline, most of it in {climb_s}, to {condensing_degc} "
            "({high_side_kpa} gauge)"
        ),
    ),
    "pressure_switch": (
        "{trips} at {trip_kpa} gauge, back at {reset_kpa} gauge",
        "{trips} at {trip_kpa} gauge",
    ),
    "stayed_off": (
        (
            "off for {off_s} while cooling was asked for, {late_s} of it after it should have restarted, low side "
            "{past_cut_in_kpa} past its usual cut-in"
        ),
        "off for {off_s} while cooling was asked for, low side {past_cut_in_kpa} past its usual cut-in",
        "off for {off_s} while cooling was asked for",
    ),
    "vent_warmed": ("vent air warmed by {vent_rise_k} meanwhile",),
    "rest_offset": ("at rest the high side reads {high_minus_low_kpa} above the low side, steadily",),
    "left_the_air": (
        (
            "vent air rose by {rise_k} at once and stayed, while evaporator and condenser stood as before: the probe "
            "has left the air, or an air door was moved"
        ),
    ),
    "rest_crossed": ("at rest after a stop high minus low reads {high_minus_low_kpa}: refrigerant cannot do that",),
    "stays_below_freezing": (
        (
            "for {stood_min} the evaporator stood at {evaporating_degc} and the vents at {vent_degc}, and no control "
            "stopped it: ice grows"
        ),
    ),
    "restarts_frozen": (
        (
            "{restarts} times the compressor was started again although the evaporator stood at {evaporating_degc} at "
            "rest: ice never thaws"
        ),
    ),
    "still": (
        "vent air moved by {moved_k} while the evaporator moved by {evaporating_moved_k}: the probe is not in the air",
    ),
    "swing": ("low side swung by {peak_to_peak_kpa} every {period_s}, {swings} times, with the compressor running on",),
    "dipping": (
        (
            "{dips} times, every {period_s}, evaporating dipped by up to {dip_k} and came back while the compressor "
            "pumped on"
        ),
    ),
    "static_above_saturation": (
        "static pressure before the start corresponds to {excess_k} more than the soak (u95 {u95 excess_k})",
    ),
    "condensing_high": ("condensing {over_k} over ambient, steady",),
    "little_lift": ("high side only {lift} times the low side (absolute) while driven, vents at {vent_degc}",),
    "lift_lost": (
        (
            "driven, yet evaporating rose {evaporating_rise_k}, the pressure ratio fell by {lift_lost}, vents warmed "
            "by {vent_rise_k}"
        ),
        (
            "driven, yet evaporating rose {evaporating_rise_k}, the pressure ratio fell by {lift_lost}, vents at "
            "{vent_degc} all along"
        ),
    ),
    "draws_apart": (
        (
            "over {over_min} vent and evaporator drew apart by {widened_k} at {evaporating_degc} evaporating: air no "
            "longer passes"
        ),
    ),
    "dive": ("low side dived to {low_side_kpa} gauge within {fall_s} and stayed down {stayed_s}",),
    "subcooling": (
        "subcooling {subcooling_k}, steady",
        "subcooling {level_k}, steady",
        "subcooling {subcooling_k} at the liquid-line probe, steady",
        "subcooling {subcooling_k} at the liquid-line probe, at the ends of the runs",
    ),
    "held_down": (
        "low side fell to {low_side_kpa} gauge within {fall_s} and stood there for {stayed_s}: something still passed",
    ),
    "still_heat": ("condensing still {over_ambient_k} over ambient",),
    "less_through": (
        (
            "the vents warmed by {vent_rise_k} within a minute while evaporating stood as before and condensing fell "
            "by {condensing_fall_k}: less came through"
        ),
    ),
    "condensing": ("condensing {over_ambient_k} over ambient, steady",),
    "starved": ("evaporating {evaporating_degc} at the end of the runs, vents {gap_k} above it",),
    "little_heat": ("condensing only {over_ambient_k} over ambient",),
    "backed_up": ("subcooling {subcooling_k}: liquid stands before the narrow place",),
    "superheat": (
        "superheat {superheat_k} at the suction probe, steady",
        "superheat {superheat_k} at the suction probe, at the ends of the runs",
        "superheat {level_k}, steady",
    ),
    "vent_gap": (
        "vent air {vent_over_evaporating_k} above the evaporating temperature, steady",
        "vent air {vent_over_evaporating_k} above the evaporating temperature, at the ends of the runs",
    ),
    "short_cycling": ("{per_minute} cycles a minute, mostly short, on for {on_s}, at {ambient_degc} ambient",),
    "condensing over ambient": ("condensing over ambient {level_k}, steady",),
    "condensing over ambient of the runs": ("condensing over ambient {level_k}, at the ends of the runs",),
    "subcooling of the runs": ("subcooling {level_k}, at the ends of the runs",),
    "vent over evaporating": ("vent over evaporating {level_k}, steady",),
    "near_baseline": (
        "condensing stayed within {top_k} of its own baseline (median {over_ambient_k} over ambient)",
        "condensing stayed within {top_k} of its own baseline",
        (
            "condensing rose up to {top_k} over its own baseline, no further than load and engine speed take it "
            "(median {over_ambient_k} over ambient)"
        ),
        "condensing rose up to {top_k} over its own baseline, no further than load and engine speed take it",
    ),
    "high_throughout": ("condensing stood {over_ambient_k} over ambient throughout",),
    "condensing_throughout": ("condensing stood at {condensing_degc} throughout; ambient would tell",),
    "condensing_high_throughout": (
        "condensing stood {over_ambient_k} over ambient throughout, with only {subcooling_share} of it subcooling",
    ),
    "no_trip": ("no stop at high pressure; the high side reached {high_side_kpa} gauge",),
    "no_swing": ("no regular swing above {limit_kpa} while the compressor ran on",),
    "never_freezing": ("the evaporator stayed above {limit_degc} (evened)",),
    "stayed_near": ("below freezing the vents stayed within {widened_k} of their best distance to the evaporator",),
    "never_low": ("the evaporator never fell below {evaporating_degc} evaporating",),
    "condensing_low": ("yet condensing only {over_k} over ambient: a warm engine does that too",),
    "condensing_usual": ("condensing {over_k} over ambient",),
    "air_first": ("air first: at rest the pressure stood {excess_k} over saturation, which feigns subcooling",),
    "evaporating": ("evaporating {level_degc}, steady",),
    "as_it_should_be": (
        (
            "evaporating {level_degc} and condensing {over_ambient_k} over ambient stand as they should, yet the "
            "vents stay {gap_k} above the evaporator"
        ),
    ),
}
SUFFIXES = {
    "kpa": "kPa",
    "degc": "degC",
    "k": "K",
    "s": "s",
    "min": "min",
    "v": "V",
    "kmh": "km/h",
}
"""The unit that a measure's name ends in."""
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_SLOT = re.compile(r"\{(u95 )?([a-z0-9_]+)\}")
_KILOPASCALS = re.compile(r"(-?\d+(?:\.\d+)?) kPa\b")
_KELVINS = re.compile(r"(-?\d+(?:\.\d+)?) K\b")
_DEGREES = re.compile(r"((?:-?\d+(?:\.\d+)? to )?-?\d+(?:\.\d+)?) degC")


def unit_of(measure: str) -> str:
    """The unit that a measure's name ends in; empty where it has none."""
    return SUFFIXES.get(measure.rsplit("_", 1)[-1], "") if "_" in measure else ""


def said(evidence: Evidence, units: Units) -> str:
    """One reason in the reader's units."""
    if units == KPA:
        return evidence.says
    for template in SENTENCES.get(evidence.rule, ()):
        made, as_told = filled(template, evidence, units), filled(template, evidence, KPA)
        if made is not None and as_told is not None and _words(as_told) == _words(evidence.says):
            return made
    return in_units(evidence.says, units)


def _words(text: str) -> str:
    """A sentence without its numbers: a rule may be said in several ways, and a template makes but one of them."""
    return _NUMBER.sub("", shown_degrees(text))


def shown_degrees(text: str, units: Units = KPA) -> str:
    """Words of the document with their temperatures and differences of them in the reader's unit, as print shows it."""

    def converted(found: re.Match[str]) -> str:
        edges = [units.level(float(edge), "degC") if units != KPA else edge for edge in found[1].split(" to ")]
        return f"{' to '.join(edges)} {units.temperature}"

    def difference(found: re.Match[str]) -> str:
        return f"{float(found[1]) * units.per_k:.{len(found[1].partition('.')[2])}f} {units.difference}"

    return _KELVINS.sub(difference, _DEGREES.sub(converted, text))


def in_units(text: str, units: Units) -> str:
    """Words of the document that no sentence makes anew, their pressures and temperatures in the reader's units."""
    if units == KPA:
        return shown_degrees(text)
    told = _KILOPASCALS.sub(lambda found: f"{units.level(float(found[1]), 'kPa')} {units.pressure}", text)
    return shown_degrees(told, units)


def filled(template: str, evidence: Evidence, units: Units) -> str | None:
    """A sentence with its numbers; None where a number that it needs is missing."""
    words: list[str] = []
    at = 0
    for slot in _SLOT.finditer(template):
        words.append(template[at : slot.start()])
        at = slot.end()
        told = _number(slot[2], evidence, units, spread=bool(slot[1]))
        if told is None:
            return None
        words.append(told)
    return "".join(words) + template[at:]


def _number(name: str, evidence: Evidence, units: Units, *, spread: bool) -> str | None:
    value = evidence.measures.get(name)
    if value is None or value.value is None:
        return None
    if name == "trips":
        return f"{value.value:.0f} stop{'' if value.value == 1 else 's'}"
    if name.endswith("_share"):
        return f"{100.0 * value.value:.0f} %"
    if name in ("swings", "dips", "restarts", "per_minute"):
        return f"{value.value:.0f}"
    if name == "lift":
        return f"{math.exp(value.value):.1f}"
    if name == "lift_lost":
        return f"{-100.0 * math.expm1(-value.value):.0f} %"
    unit = unit_of(name)
    if spread:
        scale = units.factor(unit)[0]
        return f"{(value.u95 or 0.0) * scale:.2g} {units.symbol(unit)}"
    return units.briefly(value, unit)


def check_says(check: Check, units: Units) -> str:
    """Why a kind is present, absent or undecided."""
    if units == KPA or not check.evidence:
        return in_units(check.why, units)
    return "; ".join(said(evidence, units) for evidence in check.evidence)


def episode_says(episode: Episode, units: Units) -> str:
    """What was seen in an episode, in one line."""
    return shown_degrees("; ".join(said(evidence, units) for evidence in episode.evidence))


def reasons(cause: Cause, units: Units, *, speaks_for: bool) -> list[str]:
    """The reasons for or against a cause, strongest first."""
    chosen = [w for w in cause.weighed if (w.llr > 0 if speaks_for else w.llr < 0)]
    if units == KPA or not chosen:
        return [shown_degrees(reason) for reason in (cause.reasons_for if speaks_for else cause.reasons_against)]
    return [f"{_fact(weighed, units)} – {weighed.reason}" for weighed in chosen]


def left_open(cause: Cause, units: Units) -> str:
    """Why a cause is not excluded although nothing speaks for it; empty where something does."""
    told = [w for w in cause.weighed if w.llr == 0]
    if units == KPA or not told:
        return shown_degrees(cause.left_open)
    return f"{_fact(told[0], units)} – {told[0].reason}"


def _fact(weighed: Weighed, units: Units) -> str:
    told = [said(evidence, units) for evidence in weighed.evidence]
    several = bool(weighed.evidence) and weighed.evidence[0].rule == "seen_several_times"
    return ("; the longest: " if several else "; ").join(told) if told else in_units(weighed.says, units)
