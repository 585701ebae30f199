"""The parts of the findings in a few words each, for ``repr``: what, when, how much, in the reader's units."""

from collections.abc import Iterable
from typing import Any

from analysis import findings as doc
from analysis.glimpse import as_text
from analysis.notebook.reader import units
from analysis.plots import Figure
from analysis.sentences import check_says, in_units, said
from analysis.shown import percent
from analysis.wording import clock, count, place, span, title, verdict

MOST = 100
"""Letters of a sentence that a line still shows; the whole stands in the part itself."""


def line(part: object, *told: str) -> str:
    """A part by its type's name and what there is to say of it."""
    return f"{type(part).__name__}({', '.join(words for words in told if words)})"


def cut(text: str, most: int = MOST) -> str:
    """A sentence cut at a word."""
    return text if len(text) <= most else f"{text[:most].rsplit(' ', 1)[0]} …"


@as_text.register
def _(part: doc.Run) -> str:
    return line(part, span(part.start_s, part.end_s), f"{part.end_s - part.start_s:.0f} s")


@as_text.register
def _(part: doc.Stop) -> str:
    again = "not started again" if part.restart_s is None else f"again at {clock(part.restart_s)}"
    return line(part, clock(part.at_s), part.why.replace("_", " "), part.cooling_stopped, again)


@as_text.register
def _(part: doc.Compressor) -> str:
    pumped_s = sum(run.end_s - run.start_s for run in part.runs)
    runs = f"{count(len(part.runs), 'run')}, {clock(pumped_s)} in all"
    return line(part, runs, count(len(part.stops), "stop"), f"told by {part.basis}")


@as_text.register
def _(part: doc.Cycling) -> str:
    period = f"period {units().shown(part.period_s, 's')}"
    many = f"{'at least ' if part.lower_bound else ''}{part.cycles} cycles"
    return line(part, span(part.start_s, part.end_s), many, period, f"on for {units().shown(part.on_s, 's')}")


@as_text.register
def _(part: doc.Equalisation) -> str:
    met = units().shown(part.time_to_50_kpa_s, "s")
    when = f"under {units().level(50.0, 'kPa')} {units().pressure} after {met}"
    told = f"did not: {part.time_to_50_kpa_s.why}" if part.time_to_50_kpa_s.value is None else when
    return line(part, f"from {clock(part.start_s)} after {part.stopped_by.replace('_', ' ')}", told)


@as_text.register
def _(part: doc.Static) -> str:
    level = f"{units().shown(part.static_kpa, 'kPa')} gauge"
    gap = part.saturation_gap_kpa
    over = "" if gap.value is None else f"{units().shown(gap, 'kPa')} over saturation at soak"
    return line(part, span(part.start_s, part.end_s), level, over)


@as_text.register
def _(part: doc.VacuumHold) -> str:
    return line(part, span(part.start_s, part.end_s), place(part.channel), part.reading.replace("_", " "))


@as_text.register
def _(part: doc.Settling) -> str:
    settled = f"settled in {units().shown(part.settling_time_s, 's')}" if part.settled else "not settled"
    pressure = part.place in ("low_side", "high_side")
    final = units().shown(part.final, "kPa" if pressure else "degC") + (" gauge" if pressure else "")
    return line(part, f"{place(part.place)} after {part.after} at {clock(part.start_s)}", settled, f"to {final}")


@as_text.register
def _(part: doc.Evidence) -> str:
    return line(part, said(part, units()))


@as_text.register
def _(part: doc.Episode) -> str:
    when = "throughout" if part.permanent else span(part.start_s, part.end_s)
    where = place(part.channel) if part.channel else ""
    return line(part, title(part.kind), where, when, f"severity {part.severity:.2f}")


@as_text.register
def _(part: doc.Check) -> str:
    state = f"{part.state}{', suspected' if part.suspected else ''}"
    return line(part, f"{title(part.kind)}: {state}", cut(check_says(part, units())))


@as_text.register
def _(part: doc.Weighed) -> str:
    return line(part, f"{part.llr:+.1f}", cut(in_units(part.says, units())))


@as_text.register
def _(part: doc.Cause) -> str:
    reasons = f"{len(part.reasons_for)} for, {len(part.reasons_against)} against"
    return line(part, title(part.cause), f"{part.standing} ({percent(part.probability)})", reasons)


@as_text.register
def _(part: doc.Rate) -> str:
    rate = "" if part.per_hour is None else f"{part.per_hour:.3g} an hour ({part.low or 0:.3g} to {part.high or 0:.3g})"
    return line(part, f"{part.count} in {clock(part.exposure_s)} of good time", rate)


@as_text.register
def _(part: doc.Circumstance) -> str:
    return line(part, in_units(part.says, units()))


@as_text.register
def _(part: doc.Coverage) -> str:
    return line(part, in_units(part.says, units()))


@as_text.register
def _(part: doc.Sensor) -> str:
    level = f"{part.unit}{'' if part.reference is None else ' ' + part.reference.replace('_', ' ')}"
    missing = f"{percent(part.missing)} missing" if part.missing else ""
    return line(part, part.id, level, f"{part.rate_hz:g} Hz", f"u95 {part.u95:.2g}", missing)


@as_text.register
def _(part: doc.Expected) -> str:
    value = units().shown(part.measured, part.unit)
    return line(
        part, f"{part.quantity}: {value}", f"expected {units().band(part.low, part.high, part.unit)}", part.state
    )


@as_text.register
def _(part: doc.LimitUsed) -> str:
    return line(part, f"{part.module}.{part.name} = {part.value:g} {part.unit}", part.source)


@as_text.register
def _(part: doc.About) -> str:
    begun = f"from {part.started_at}" if part.started_at else "date not stated"
    kept = ("sealed" if part.sealed else "not sealed", "intact" if part.intact else "NOT INTACT")
    return line(part, part.name, f"{clock(part.duration_s)} {begun}", *kept)


@as_text.register
def _(part: doc.Note) -> str:
    return line(part, f"{clock(part.time_s)} {part.kind.replace('_', ' ')}", cut(part.text))


@as_text.register
def _(part: doc.Findings) -> str:
    told = verdict(part, units()).rstrip(".")
    return line(part, f"{part.recording.name}: {told}", count(len(part.episodes), "episode"))


@as_text.register
def _(part: Figure) -> str:
    return line(part, part.title, span(part.start_s, part.end_s), count(len(part.strips), "strip"))


def lines(parts: Iterable[Any]) -> str:
    """Several parts, a line each."""
    told = [repr(part) for part in parts]
    return "[" + ",\n ".join(told) + "]"
