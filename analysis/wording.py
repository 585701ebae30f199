"""Words and numbers for people: titles of kinds and causes, rounding by uncertainty, times."""

from collections.abc import Sequence
from itertools import groupby, islice

from analysis.findings import (
    ABSENT,
    CANNOT_TELL,
    FAULT_FOUND,
    NO_FAULT_SEEN,
    NOT_EXCLUDED,
    PRESENT,
    UNDECIDED,
    Cause,
    Equalisation,
    Findings,
    Settling,
)
from analysis.sentences import check_says, in_units, shown_degrees
from analysis.shown import KPA, SYMBOLS, Units
from analysis.uncertainty import Measured

TITLES = {
    "compressor_dropout": "compressor drops out",
    "high_pressure_trip": "high-pressure switch trips",
    "undercharge": "too little refrigerant",
    "condenser_airflow_loss": "condenser loses its airflow",
    "moisture_freeze": "moisture freezes in the valve",
    "restriction": "restriction in the liquid line or valve",
    "evaporator_icing": "evaporator ices up",
    "valve_hunting": "expansion valve hunts",
    "weak_pumping": "compressor pumps weakly",
    "overcharge": "too much refrigerant",
    "non_condensables": "air in the system",
    "sensor_fault": "a sensor misreads",
    "overfeeding_valve": "expansion valve lets too much through",
    "outside_the_circuit": "nothing wrong in the refrigerant circuit (if it cools badly: air doors, heater, blower)",
}
VERDICTS = {
    FAULT_FOUND: "Fault found",
    NO_FAULT_SEEN: "No fault seen",
    CANNOT_TELL: "Cannot tell from this recording",
}
STATES = {PRESENT: "present", ABSENT: "absent", UNDECIDED: "undecided"}
PLACES = {
    "low_side": "low side",
    "high_side": "high side",
    "vent": "vent air",
    "return_air": "return air",
    "ambient": "ambient air",
    "suction_line": "suction line",
    "discharge_line": "discharge line",
    "liquid_line": "liquid line",
    "evaporator_out": "evaporator outlet",
}
WORTH_A_LINE = 0.05
MOST_SETTLINGS = 4
LANES = {
    "restriction": "restriction",
    "outside_the_circuit": "outside the circuit",
    "overfeeding_valve": "valve lets too much through",
}
"""Kinds by a name that fits beside a figure, where the title does not."""
CAUTIONS = (
    "High pressure, refrigerant burns: eye and hand protection, fresh air; no flame or spark near R-1234yf, R-152a.",
    "Hot, moving and self-starting parts: a condenser fan can start with the engine off. Keep hoses and leads clear.",
    "Recover, never vent. Charging and opening the circuit are work for certified technicians.",
    "On the road a passenger watches, never the driver; no customer drives with hoses fitted.",
    "The vehicle maker's instructions, local codes and licensed practice come before anything printed here.",
)


def title(kind: str) -> str:
    """A kind or cause in words."""
    return TITLES.get(kind, kind.replace("_", " "))


def place(name: str) -> str:
    """A place in words."""
    return PLACES.get(name, name.replace("_", " "))


def mark(kind: str) -> str:
    """A kind of mark in words."""
    return {"ac_on": "A/C on", "ac_off": "A/C off"}.get(kind, kind.replace("_", " "))


def unit(symbol: str) -> str:
    """A unit as print shows it."""
    return SYMBOLS.get(symbol, symbol)


def shown(value: Measured, symbol: str = "", units: Units = KPA) -> str:
    """A number rounded by its uncertainty, with it; or why it is missing."""
    return units.shown(value, symbol)


def clock(seconds: float) -> str:
    """Minutes and seconds since the recording's first sample."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def span(start_s: float, end_s: float) -> str:
    """A stretch of time."""
    return f"{clock(start_s)}–{clock(end_s)}"


def count(number: int, singular: str, plural: str | None = None) -> str:
    """A number of things."""
    return f"{number} {singular if number == 1 else plural or singular + 's'}"


def times(number: int) -> str:
    """How often, in words."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def lasting(seconds: float) -> str:
    """A length of time as one says it: seconds, from two minutes on minutes, from two hours on hours and minutes."""
    if round(seconds) < 120:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")


def one_of(parts: Sequence[str]) -> str:
    """Things of which one will be it; set apart so that a comma within one of them does not mislead."""
    if len(parts) < 2:
        return "".join(parts)
    apart = "; " if any("," in part or " or " in part for part in parts) else ", "
    return f"{apart.join(parts[:-1])}{apart if len(parts) > 2 else ' '}or {parts[-1]}"


def percent(share: float) -> str:
    """A share as a percentage without false digits; small ones are not called nothing."""
    value = 100.0 * share
    if 0 < value < 1:
        return "under 1 %"
    if 99 < value < 100:
        return "over 99 %"
    return f"{value:.0f} %"


def worth_telling(cause: Cause) -> bool:
    """Whether a cause that is only not excluded deserves a line: something speaks for it, or it is not far off."""
    return cause.standing == NOT_EXCLUDED and (bool(cause.reasons_for) or cause.probability >= WORTH_A_LINE)


def leading(findings: Findings) -> Cause | None:
    """The likeliest cause that is at least likely, of the vehicle before the sensor."""
    likely = [cause for cause in findings.causes if cause.standing in ("proven", "likely")]
    vehicle = [cause for cause in likely if cause.cause != "sensor_fault"]
    return (vehicle or likely or [None])[0]


def verdict(findings: Findings, units: Units = KPA) -> str:
    """The verdict in one sentence, its standing first."""
    cause = leading(findings)
    return _verdict(findings, cause, units) + _aside(findings)


def verdict_why(findings: Findings, units: Units = KPA) -> str:
    """The reason for the verdict in the reader's units: the checks and quantities that it quotes are said anew."""
    why = findings.verdict_why
    if units == KPA:
        return shown_degrees(why)
    for check in findings.checks:
        why = why.replace(check.why, check_says(check, units))
    for row in findings.expected:
        quoted = f"{row.quantity} {row.measured.value or 0.0:.0f} {row.unit}"
        why = why.replace(quoted, f"{row.quantity} {units.briefly(row.measured, row.unit)}")
    return in_units(why, units)


def headline(findings: Findings, units: Units = KPA) -> tuple[str, str]:
    """The verdict in a few words, and the sentence that belongs under it."""
    if findings.verdict == FAULT_FOUND:
        return verdict(findings), f"{findings.coverage.says}."
    why = verdict_why(findings, units)
    return f"{VERDICTS[findings.verdict]}.{_aside(findings)}", f"{why[:1].upper()}{why[1:]}."


def _aside(findings: Findings) -> str:
    misread = sorted({e.channel or "" for e in findings.episodes if e.kind == "sensor_fault"})
    if not misread:
        return ""
    who = "A sensor misreads" if len(misread) == 1 else f"{count(len(misread), 'sensor')} misread"
    return f" {who}: {', '.join(place(name) for name in misread)}."


def _verdict(findings: Findings, cause: Cause | None, units: Units) -> str:
    if findings.verdict == FAULT_FOUND and cause is not None and cause.cause != "sensor_fault":
        episodes = [episode for episode in findings.episodes if episode.kind == cause.cause]
        often = f", {times(len(episodes))}"
        if len(episodes) == 1:
            often += f", for {lasting(episodes[0].end_s - episodes[0].start_s)}"
        if any(episode.permanent for episode in episodes):
            often = ", throughout"
        return f"{cause.standing.capitalize()}: {title(cause.cause)}{often}."
    if findings.verdict == FAULT_FOUND:
        kinds = sorted({title(e.kind) for e in findings.episodes if e.kind != "sensor_fault"})
        return f"Fault found, cause not settled: {', '.join(kinds)}."
    why = verdict_why(findings, units)
    return f"{VERDICTS[findings.verdict]}: {why[:1].lower()}{why[1:]}."


def measure_lines(findings: Findings, units: Units = KPA) -> list[str]:
    """Cycling, equalisation, rest and settling, a sentence each."""

    def shown(value: Measured, symbol: str) -> str:
        return units.shown(value, symbol)

    lines = [
        f"cycling {span(c.start_s, c.end_s)}: {'at least ' if c.lower_bound else ''}{c.cycles} cycles "
        f"({c.control_cycles} by its own control), period "
        f"{shown(c.period_s, 's')}, on {shown(c.on_s, 's')}, off {shown(c.off_s, 's')}, low side out "
        f"{shown(c.cut_out_kpa, 'kPa')}, in {shown(c.cut_in_kpa, 'kPa')} gauge"
        for c in findings.cycling
    ]
    lines += [equalised(rest, units) for rest in findings.equalisations]
    for static in findings.static:
        gap = static.saturation_gap_kpa
        against = (
            f", {shown(gap, 'kPa')} against saturation at soak"
            if gap.value is not None
            else f" ({shown_degrees(gap.why or 'not had', units)})"
        )
        lines.append(f"at rest {span(static.start_s, static.end_s)}: {shown(static.static_kpa, 'kPa')} gauge{against}")
    lines += [
        f"vacuum hold {span(hold.start_s, hold.end_s)} ({place(hold.channel)}): {hold.says}" for hold in findings.vacuum
    ]
    timed = [one for one in findings.settlings if one.settling_time_s.value is not None]
    by_start = groupby(timed, key=lambda one: (one.after, one.start_s))
    for (after, start_s), some in islice(by_start, MOST_SETTLINGS):
        told = "; ".join(
            f"{place(one.place)} in {shown(one.settling_time_s, 's')} at {_final(one, units)}" for one in some
        )
        lines.append(f"settling to the 5 % band after {after} at {clock(start_s)}: {told}")
    return lines


def _final(one: Settling, units: Units) -> str:
    if one.place in ("low_side", "high_side"):
        return f"{units.shown(one.final, 'kPa')} gauge"
    return units.shown(one.final, "degC")


EXPONENTIAL = 0.95
"""r² under which one time constant says little (common practice, no source)."""


def equalised(rest: Equalisation, units: Units) -> str:
    """One rest in a sentence, and how well one exponential describes it."""

    def shown(value: Measured, symbol: str) -> str:
        return units.shown(value, symbol)

    why = rest.stopped_by.replace("_", " ")
    after = f"equalisation after {clock(rest.start_s)} ({why}), from {shown(rest.difference_kpa, 'kPa')}"
    if rest.time_to_90_s.value is None:
        return f"{after}: {rest.time_to_90_s.why}"
    fit = "" if rest.fit_r2 is None else f" (exponential to r² {rest.fit_r2:.2f})"
    if rest.fit_r2 is not None and rest.fit_r2 < EXPONENTIAL and rest.late_constant_s.value is not None:
        early, late = shown(rest.early_constant_s, "s"), shown(rest.late_constant_s, "s")
        fit = f" (hardly one exponential, r² {rest.fit_r2:.2f}: {early} to the half, {late} after it)"
    quick = f"under {units.level(50.0, 'kPa')} {units.pressure} after {shown(rest.time_to_50_kpa_s, 's')}"
    return (
        f"{after}: {quick}, 90 % after {shown(rest.time_to_90_s, 's')}, "
        f"time constant {shown(rest.time_constant_s, 's')}{fit}, met at {shown(rest.settled_kpa, 'kPa')} gauge"
    )
