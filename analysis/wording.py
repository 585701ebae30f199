"""Words and numbers for people: titles of kinds and causes, rounding by uncertainty, times."""

from collections import Counter
from collections.abc import Sequence
from itertools import groupby, islice

from analysis.causes import BY_EXCLUSION
from analysis.findings import (
    ABSENT,
    CANNOT_TELL,
    FAULT_FOUND,
    LIKELY,
    NO_FAULT_SEEN,
    NOT_EXCLUDED,
    PRESENT,
    PROVEN,
    UNDECIDED,
    Cause,
    Cycling,
    Episode,
    Equalisation,
    Findings,
    Settling,
    Stop,
)
from analysis.sentences import check_says, in_units, shown_degrees
from analysis.shown import KPA, SYMBOLS, Units, clock, count, lasting, times
from analysis.titles import title
from analysis.uncertainty import Measured

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
    "vehicle_speed": "road speed",
}
MOST_SETTLINGS = 4
STOPPED = {
    "engine_off": "as the engine stopped",
    "driver": "by the driver",
    "control": "by its own control",
    "high_pressure_trip": "by the high-pressure switch",
    "full_throttle_cut": "at full throttle",
    "dropout": "by dropping out",
    "not_recorded": "where nothing was recorded",
    "unknown": "for no reason in the recording",
}
"""Why a run ended, after a number of stops."""
NOTHING_EXAMINED = "No kind of fault could be decided, so that nothing follows from none being seen."
FAINT = 0.05
"""Probability under which a cause is not told, whatever speaks for it (common practice, no source)."""
WORTH_A_LINE = 0.25
"""Probability from which a cause is told though nothing clearly speaks for it (common practice, no source)."""
CLEARLY = 0.69
"""Log likelihood ratio that doubles the odds."""
CLEAR = 0.05
"""Adjusted p up to which a circumstance is told (common practice, no source)."""
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


def place(name: str) -> str:
    """A place in words."""
    return PLACES.get(name, name.replace("_", " "))


def when(episode: Episode) -> str:
    """When an episode showed; one that was there throughout is told so, with the time in which the system ran."""
    showed = span(episode.start_s, episode.end_s)
    return f"throughout, {showed}" if episode.permanent else showed


def mark(kind: str) -> str:
    """A kind of mark in words."""
    return {"ac_on": "A/C on", "ac_off": "A/C off"}.get(kind, kind.replace("_", " "))


def unit(symbol: str) -> str:
    """A unit as print shows it."""
    return SYMBOLS.get(symbol, symbol)


def shown(value: Measured, symbol: str = "", units: Units = KPA) -> str:
    """A number rounded by its uncertainty, with it; or why it is missing."""
    return units.shown(value, symbol)


def length(seconds: float) -> str:
    """A length of time to the second, with what its figures are."""
    return f"{clock(seconds)} ({'h:min:s' if round(seconds) >= 3600 else 'min:s'})"


def span(start_s: float, end_s: float) -> str:
    """A stretch of time."""
    return f"{clock(start_s)}–{clock(end_s)}"


def in_words(text: str, findings: Findings) -> str:
    """A sentence with its channels called by their places' words."""
    for name in sorted({s.id for s in findings.sensors if "_" in s.id}, key=len, reverse=True):
        text = text.replace(name, place(name))
    return text


def one_of(parts: Sequence[str]) -> str:
    """Things of which one will be it; set apart so that a comma within one of them does not mislead."""
    if len(parts) < 2:
        return "".join(parts)
    apart = "; " if any("," in part or " or " in part for part in parts) else ", "
    return f"{apart.join(parts[:-1])}{apart if len(parts) > 2 else ' '}or {parts[-1]}"


def told(findings: Findings) -> list[Cause]:
    """The causes that deserve a line: those at least likely, and of the others what something clearly speaks for.

    Where a fault was found, that there might be none follows from the other lines and is not told again.
    """
    open_ones = [cause for cause in findings.causes if not (shown_faulty(findings) and cause.cause == BY_EXCLUSION)]
    return [cause for cause in open_ones if cause.standing in (PROVEN, LIKELY) or _worth_telling(cause)]


def _worth_telling(cause: Cause) -> bool:
    clear = cause.probability >= FAINT and any(reason.llr >= CLEARLY for reason in cause.weighed)
    return cause.standing == NOT_EXCLUDED and (clear or cause.probability >= WORTH_A_LINE)


def shown_faulty(findings: Findings) -> bool:
    """Whether a fault of the vehicle was found."""
    return findings.verdict == FAULT_FOUND


def next_checks(findings: Findings) -> list[str]:
    """The next checks of every cause that is told, the cheapest first, of equal ones the likeliest."""
    by_cost = sorted(told(findings), key=lambda cause: cause.cost)
    return [f"{cause.next_check} ({title(cause.cause)})" for cause in by_cost]


def parts_of(cause: Cause) -> str:
    """The parts of which one will be it; where nothing is wrong in the circuit, should it cool badly all the same."""
    parts = one_of(cause.parts)
    return f"should it cool badly all the same: {parts}" if cause.cause == BY_EXCLUSION else parts


def leading(findings: Findings) -> Cause | None:
    """The likeliest cause that is at least likely, of the vehicle before the sensor; of a fault found never 'none'."""
    likely = [cause for cause in told(findings) if cause.standing in (PROVEN, LIKELY)]
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
    faults = [e for e in findings.episodes if e.kind == "sensor_fault"]
    if any(evidence.rule == "swapped_sides" for e in faults for evidence in e.evidence):
        return " Low and high side are swapped; they were judged turned round."
    misread = sorted({e.channel or "" for e in faults})
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
    return f"{VERDICTS[findings.verdict]}. {why[:1].upper()}{why[1:]}."


def measure_lines(findings: Findings, units: Units = KPA) -> list[str]:
    """Cycling, equalisation, rest and settling, a sentence each."""

    def shown(value: Measured, symbol: str) -> str:
        return units.shown(value, symbol)

    lines = [cycled(c, findings, units) for c in findings.cycling]
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
    timed = [one for one in findings.settlings if says_something(one.settling_time_s)]
    by_start = groupby(timed, key=lambda one: (one.after, one.start_s))
    for (after, start_s), some in islice(by_start, MOST_SETTLINGS):
        told = "; ".join(
            f"{place(one.place)} in {shown(one.settling_time_s, 's')} at {_final(one, units)}" for one in some
        )
        lines.append(f"settling to the 5 % band after {after} at {clock(start_s)}: {told}")
    return lines


def stopped(stops: Sequence[Stop]) -> str:
    """How many stops came by what, the commonest first."""
    counts = Counter(stop.why for stop in stops)
    return ", ".join(f"{number} {STOPPED.get(why, why.replace('_', ' '))}" for why, number in counts.most_common())


def cycled(c: Cycling, findings: Findings, units: Units = KPA) -> str:
    """One stretch of cycling in a sentence; where its own control made none of it, what did."""
    lengths = (("period", c.period_s), ("on", c.on_s), ("off", c.off_s))
    lengths_told = [f", {name} {units.shown(value, 's')}" for name, value in lengths if says_something(value)]
    many = f"{'at least ' if c.lower_bound else ''}{count(c.cycles, 'cycle')}"
    times_s = f"cycling {span(c.start_s, c.end_s)}: {many}{''.join(lengths_told)}"
    if not c.control_cycles:
        within = [stop for stop in findings.compressor.stops if c.start_s <= stop.at_s < c.end_s]
        return f"{times_s}; none by its own control (stops: {stopped(within)})"
    own = "all" if c.control_cycles == c.cycles else f"{c.control_cycles} of them"
    out, back = units.shown(c.cut_out_kpa, "kPa"), units.shown(c.cut_in_kpa, "kPa")
    return f"{times_s}; {own} by its own control, which cut out at {out} and in at {back} gauge on the low side"


def says_something(value: Measured) -> bool:
    """Whether a length of time is known to better than itself."""
    return value.value is not None and (value.u95 or 0.0) < value.value


def _final(one: Settling, units: Units) -> str:
    if one.place in ("low_side", "high_side"):
        return f"{units.shown(one.final, 'kPa')} gauge"
    return units.shown(one.final, "degC")


def examined(findings: Findings) -> bool:
    """Whether any kind of fault of the vehicle could be decided: else a drive without a fault says nothing."""
    return any(c.state != UNDECIDED and c.kind != "sensor_fault" for c in findings.checks)


def coverage_lines(findings: Findings, units: Units = KPA) -> list[str]:
    """What this drive can say: a short look, where the fault lives, how much driving is enough after a repair."""
    coverage = findings.coverage
    if not examined(findings):
        return [NOTHING_EXAMINED]
    lives = [one.says for one in coverage.circumstances if one.p_adjusted <= CLEAR]
    tried = [one.under for one in coverage.circumstances]
    several = any(one.starts_under + one.starts_outside > 1 for one in coverage.circumstances)
    if several and not lives:
        lives = [f"nothing ties it to a condition (exact tests, each may be chance): tried were {', '.join(tried)}"]
    suspected = any(check.suspected for check in findings.checks)
    outside = coverage.rate_bound_per_hour is not None and any(row.state == "outside" for row in findings.expected)
    aside = "What stands outside of what is expected is not counted. " if outside else ""
    aside = "What is only suspected is not counted. " if suspected else aside
    lines = [f"{aside}{coverage.says}", *lives, *([coverage.enough_says] if coverage.enough_says else [])]
    return [f"{line[:1].upper()}{shown_degrees(line[1:], units)}." for line in lines]


EXPONENTIAL = 0.95
"""r² under which one time constant says little (common practice, no source)."""


def equalised(rest: Equalisation, units: Units) -> str:
    """One rest in a sentence, and how well one exponential describes it."""

    def shown(value: Measured, symbol: str) -> str:
        return units.shown(value, symbol)

    why = STOPPED.get(rest.stopped_by, rest.stopped_by.replace("_", " "))
    after = f"equalisation after {clock(rest.start_s)} ({why}), from {shown(rest.difference_kpa, 'kPa')}"
    if rest.time_to_90_s.value is None:
        return f"{after}: {rest.time_to_90_s.why}"
    fit = "" if rest.fit_r2 is None else f" (exponential to r² {rest.fit_r2:.2f})"
    if rest.fit_r2 is not None and rest.fit_r2 < EXPONENTIAL:
        halves = ((rest.early_constant_s, "to the half"), (rest.late_constant_s, "after it"))
        each = ", ".join(f"{shown(value, 's')} {which}" for value, which in halves if says_something(value))
        fit = f" (hardly one exponential, r² {rest.fit_r2:.2f}{': ' if each else ''}{each})"
    settled = rest.settled_kpa
    met = f"met at {shown(settled, 'kPa')} gauge" if settled.value is not None else settled.why or "did not meet"
    quick = f"under {units.level(50.0, 'kPa')} {units.pressure} after {shown(rest.time_to_50_kpa_s, 's')}"
    return (
        f"{after}: {quick}, 90 % after {shown(rest.time_to_90_s, 's')}, "
        f"time constant {shown(rest.time_constant_s, 's')}{fit}, {met}"
    )
