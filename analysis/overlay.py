"""Before laid over after in one figure: a stretch under like conditions, and both drives since their first start.

A strip holds one quantity twice: before dashed and thin, after solid. The stretch is where the strongest episode before
began and where the vehicle came under the same conditions after; both are laid over each other from its start.
"""

from dataclasses import dataclass, replace

import numpy as np

from analysis import wording
from analysis.case import Case
from analysis.conditions import UNKNOWN, Codes, Matching, matching_of
from analysis.findings import Findings
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.plots import TELLING, Figure, Flag, Lane, Line, Strip, figure_of, strongest
from analysis.shown import Units
from analysis.timeline import Span

LIMITS = limit_table(
    Limit("lead", 60.0, "s", "shown before the stretch; " + PRACTICE),
    Limit("longest", 600.0, "s", PRACTICE),
    Limit("shortest", 20.0, "s", PRACTICE),
    Limit("merge", 5.0, "s", "conditions at a band's edge flicker; " + PRACTICE),
    Limit("state_at_start", 20.0, "s", "an episode's conditions are those of its first part; " + PRACTICE),
)
Analysed = tuple[Findings, Case]
STRIPS = (
    ("pressure, gauge", "high side", "high side, gauge"),
    ("pressure, gauge", "low side", "low side, gauge"),
    ("air and evaporator", "vent", "vent air"),
    ("condensing over ambient", "", "condensing over ambient"),
    ("superheat", "", "superheat"),
    ("subcooling", "", "subcooling"),
    ("supply", "clutch", "clutch supply"),
    ("engine", "", "engine"),
    ("road", "", "road"),
)
"""Strip of the single figure, its line, and what the strip is called here."""
ALWAYS = ("high side, gauge", "vent air", "road")
MOST = 5


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """A figure with the words under it."""

    figure: Figure
    says: str


def drives(before: Analysed, after: Analysed, units: Units, buckets: int) -> Overlay:
    """Both drives, laid over each other from the compressor's first start."""
    starts = [case.running.runs[0].start_s if case.running.runs else 0.0 for _, case in (before, after)]
    lead = min(starts)
    begins = [start - lead for start in starts]
    lasts = max(c.timeline.duration_s - b for (_, c), b in zip((before, after), begins, strict=True))
    figure = _laid(before, after, begins, lasts, units, buckets)
    return Overlay(figure, "Both drives, laid over each other from the compressor's first start; they are two drives.")


def like_stretch(before: Analysed, after: Analysed, units: Units, buckets: int) -> Overlay | None:
    """A stretch under like conditions of each; None where nothing alike was driven again."""
    matching = matching_of(before[1], after[1])
    cell, first = _telling(before, after[1], matching)
    if cell is None or first is None:
        return None
    later = _stretches(matching.after, cell, after[1])
    if not later:
        return None
    second = max(later, key=lambda span: span[1] - span[0])
    lead, longest = LIMITS["lead"].value, LIMITS["longest"].value
    lasts = min(max(first[1] - first[0], second[1] - second[0]) + 2.0 * lead, longest)
    figure = _laid(before, after, [first[0] - lead, second[0] - lead], lasts, units, buckets)
    figure = replace(figure, flags=(Flag(lead, "like conditions from here"),))
    at = f"before at {wording.clock(first[0])}, after at {wording.clock(second[0])}"
    return Overlay(figure, f"Laid over each other from where they begin: {matching.cells[cell].says()} ({at}).")


def _telling(before: Analysed, after: Case, matching: Matching) -> tuple[int | None, Span | None]:
    """The conditions that tell most, and their stretch before: where the strongest episode began, else most time."""
    findings, case = before
    for episode in strongest(findings, len(findings.episodes)):
        first = case.timeline.index(episode.start_s)
        last = case.timeline.index(min(episode.end_s, episode.start_s + LIMITS["state_at_start"].value))
        codes = matching.before[first : last + 1]
        codes = codes[codes != UNKNOWN]
        if len(codes) == 0:
            continue
        cell = int(np.bincount(codes).argmax())
        own = [s for s in _stretches(matching.before, cell, case) if s[0] <= episode.end_s and s[1] >= episode.start_s]
        if own and _stretches(matching.after, cell, after):
            return cell, (own[0][0], max(own[0][1], episode.end_s))
    if any(not episode.permanent for episode in findings.episodes):
        return None, None
    shared = [
        (min(_longest(matching.before, i, case), _longest(matching.after, i, after)), i)
        for i in range(len(matching.cells))
    ]
    length, cell = max(shared, default=(0.0, 0))
    if length < LIMITS["shortest"].value:
        return None, None
    return cell, max(_stretches(matching.before, cell, case), key=lambda span: span[1] - span[0])


def _longest(codes: Codes, cell: int, case: Case) -> float:
    return max((b - a for a, b in _stretches(codes, cell, case)), default=0.0)


def _stretches(codes: Codes, cell: int, case: Case) -> list[Span]:
    """Stretches in a cell, long enough to show something."""
    spans = case.spans(codes == cell, LIMITS["shortest"].value, LIMITS["merge"].value)
    t = case.timeline.t_s
    return [(float(t[a]), float(t[b])) for a, b in spans]


def _laid(before: Analysed, after: Analysed, begins: list[float], lasts: float, units: Units, buckets: int) -> Figure:
    sides = [
        figure_of(case, findings, "", begin, begin + lasts, buckets, units)
        for (findings, case), begin in zip((before, after), begins, strict=True)
    ]
    strips: dict[str, Strip] = {}
    for quantity, name, title in STRIPS:
        lines = [
            _line(side, quantity, name, begin, when)
            for side, begin, when in zip(sides, begins, ("before", "after"), strict=True)
        ]
        model = next((s for side in sides for s in side.strips if s.quantity == quantity), None)
        there = tuple(line for line in lines if line is not None)
        if model is not None and there:
            strips[title] = replace(model, quantity=title, lines=there, bands=(), height=1.0)
    kinds = [e.kind for e in before[0].episodes]
    wanted = [*ALWAYS[:2], *(q for kind in kinds for q in TELLING.get(kind, ())), "condensing over ambient"]
    wanted = [{"supply": "clutch supply"}.get(q, q) for q in wanted]
    kept = [
        q for q in dict.fromkeys([*wanted, "low side, gauge", "superheat", "engine"]) if q in strips and q != "road"
    ]
    kept = kept[: MOST - 1] + ["road"] * ("road" in strips)
    lanes = tuple(
        Lane(f"fault, {when}", spans, "episode")
        for (findings, _), begin, when in zip((before, after), begins, ("before", "after"), strict=True)
        if (spans := _spans(findings, begin, lasts))
    )
    ordered = tuple(strips[title] for _, _, title in STRIPS if title in kept)
    return Figure("", 0.0, lasts, ordered, lanes, ())


def _line(side: Figure, quantity: str, name: str, begin: float, when: str) -> Line | None:
    strip = next((s for s in side.strips if s.quantity == quantity), None)
    line = next((one for one in strip.lines if name in ("", one.name)), None) if strip else None
    if line is None:
        return None
    return replace(line, name=when, dash="dash" if when == "before" else "solid", t_s=line.t_s - begin)


def _spans(findings: Findings, begin: float, lasts: float) -> tuple[Span, ...]:
    moved = [(e.start_s - begin, e.end_s - begin) for e in findings.episodes if e.kind != "sensor_fault"]
    return tuple((a, b) for a, b in moved if b > 0.0 and a < lasts)
