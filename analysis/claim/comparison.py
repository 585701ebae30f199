"""The comparison sheet: before beside after, under like conditions only, with overlaid traces."""

from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

from analysis import wording
from analysis.claim import content, zoom
from analysis.claim.chart import ms
from analysis.claim.html import rows_of, table_of
from analysis.claim.typeset import Layout, Sheet, breakable, foreign_note, printable, typeset
from analysis.claim.zoom import FULL_RATE, REDUCED, zoomable
from analysis.compare import chance
from analysis.compare_summary import VERDICTS, not_compared, verdict_why
from analysis.comparison import NOT_COMPARED, Comparison, Difference, Side
from analysis.coverage import union
from analysis.findings import Findings, Rate
from analysis.overlay import Analysed, drives, like_stretch
from analysis.plots import Figure
from analysis.preferences import Preferences
from analysis.sentences import shown_degrees
from analysis.shown import Units
from analysis.strip_chart import printed
from recorder.recording import short_digest

HEADING = "Air conditioning before and after the repair"
BUCKETS, CONDITIONS_LISTED = 440, 12
STILL, ROOM = 300.0, ((300.0, False), (260.0, True), (225.0, True))
"""Height of a still picture on a screen; on the sheet, with whether the text stands close, where that saves a page."""
NOT_MATCHED = "humidity, sun and load are not recorded and not matched"
NOTHING_ALIKE = (
    "No stretch under like conditions was driven both times, so no two stretches can be laid over each other."
)
STAMPS = {"repaired_shown": "repaired", "not_repaired": "not repaired", "cannot_tell": "cannot tell"}


def comparison_sheet(before: Analysed, after: Analysed, comparison: Comparison, chosen: Preferences) -> Sheet:
    """Typeset the comparison; the same findings give the same bytes."""
    figures: dict[str, Figure] = {}
    data, foreign = printable(comparison_data(before, after, comparison, chosen.units, figures))
    data["paper"] = chosen.paper
    data["foreign"] = foreign_note(foreign)
    layouts = (
        Layout(breakable({**data, "close": close}), {file: printed(figure, height) for file, figure in figures.items()})
        for height, close in ROOM
    )
    return typeset("comparison.typ", layouts, {}, least=2)


def comparison_data(
    before: Analysed, after: Analysed, comparison: Comparison, units: Units, figures: dict[str, Figure]
) -> dict[str, Any]:
    """Everything the sheet shows, as plain text; ``figures`` receives the pictures."""
    sides = (("before", comparison.before), ("after", comparison.after))
    damage = "; ".join(
        f"{when}: {'; '.join(found.recording.damage)}"
        for when, (found, _) in (("before", before), ("after", after))
        if not found.recording.intact
    )
    digests = " / ".join(_digest(side) for _, side in sides)
    date = comparison.after.started_at or "2000-01-01"
    why = verdict_why(comparison, after[0], units)
    return {
        "title": f"{HEADING}, {comparison.before.name} and {comparison.after.name}",
        "software": after[0].software,
        "date": [int(part) for part in date[:10].split("-")],
        "heading": HEADING,
        "subheading": _subheading(before[0], after[0]),
        "footer": f"Before and after · digests {digests} · {after[0].software}",
        "not_intact": bool(damage),
        "not_intact_word": "NOT INTACT",
        "damage": damage,
        "damage_short": damage if len(damage) < 110 else damage[:109] + "…",
        "standing": STAMPS[comparison.verdict],
        "fault": comparison.verdict == "not_repaired",
        "verdict": f"{VERDICTS[comparison.verdict]}.",
        "why": f"{why[:1].upper()}{why[1:]}.",
        "sure": _sure(comparison),
        "unmeasured": _unmeasured(comparison, units),
        "sides": [_side(side, found[0]) for (_, side), found in zip(sides, (before, after), strict=True)],
        "done": content.done_rows(after[0], before[0]),
        "notes": [f"{note[:1].upper()}{note[1:]}." for note in comparison.notes],
        **_figures(before, after, units, figures),
        "differences": [_difference(d, units) for d in comparison.differences if d.state != NOT_COMPARED],
        "spells": _spells(comparison),
        "spells_note": _spells_note(comparison),
        "conditions": _conditions(comparison, units),
        "digests": [[when, _digest(side), side.id] for when, side in sides],
        "verify": "To verify each: warmspell check FOLDER must print its digest. A digest proves that the files are "
        "still those of the day on which it was lodged elsewhere, not who recorded them or in which vehicle.",
        "technician": str(after[0].job_sheet.get("technician", "")),
        "certificate": str(after[0].job_sheet.get("certificate", "")),
    }


def _digest(side: Side) -> str:
    return short_digest(side.digest) if side.digest else "not sealed"


def _subheading(before: Findings, after: Findings) -> str:
    """The vehicle that both speak of."""
    job = {**before.job_sheet, **after.job_sheet}
    named = [str(job[key]) for key in ("vehicle", "plate", "vin", "order_number") if job.get(key)]
    return " · ".join(named) or f"{before.recording.name} and {after.recording.name}"


def _side(side: Side, findings: Findings) -> list[list[str]]:
    about = findings.recording
    seen = ", ".join(wording.title(kind) for kind in side.kinds)
    return [
        ["recording", side.name],
        ["recorded", f"{(about.started_at or 'date not stated').replace('T', ' ').replace('Z', ' UTC')}"],
        ["length", wording.length(side.duration_s)],
        *content.job_rows(findings, ("odometer", "odometer_in_km", "km")),
        ["seen", seen or wording.VERDICTS[side.verdict].lower()],
        ["record", ("sealed" if side.sealed else "not sealed") + (", intact" if side.intact else ", NOT INTACT")],
        *([["from", about.origin]] if about.origin else []),
    ]


def _sure(comparison: Comparison) -> list[str]:
    spells = comparison.spells
    told = spells.says in comparison.verdict_why
    lines = [] if told else [f"{spells.says[:1].upper()}{spells.says[1:]}."]
    if spells.p_fell is not None and spells.before.count:
        lines.append(
            f"So few afterwards at an unchanged rate: {chance(spells.p_fell)} "
            "by the exact conditional test, conditions kept apart."
        )
    if spells.needed_s is not None and spells.needed_s > 0.0:
        lines.append(f"{max(spells.needed_s / 60.0, 1.0):.0f} min more without a spell would show it.")
    return lines


def _unmeasured(comparison: Comparison, units: Units) -> list[str]:
    alike = (shown_degrees(reason, units) for reason in comparison.not_matched)
    return [*alike, *not_compared(comparison), NOT_MATCHED]


def _difference(one: Difference, units: Units) -> list[str]:
    change = units.shown(one.difference, "kPa" if one.unit == "kPa" else "K")
    gauge = ", gauge" if one.unit == "kPa" else ""
    return [
        f"{one.says}{gauge}",
        units.shown(one.before, one.unit),
        units.shown(one.after, one.unit),
        f"{'' if change.startswith('-') else '+'}{change}",
        one.state,
        wording.clock(one.matched_s),
    ]


def _spells(comparison: Comparison) -> list[list[str]]:
    spells = comparison.spells
    sides = (("before", spells.before, spells.left_out_before), ("after", spells.after, spells.left_out_after))
    return [
        [when, str(rate.count), wording.clock(rate.exposure_s), *_rate(rate), str(out)] for when, rate, out in sides
    ]


def _rate(rate: Rate) -> tuple[str, str]:
    if rate.per_hour is None or rate.low is None or rate.high is None:
        return "not had", "not had"
    return f"{rate.per_hour:.3g}", f"{rate.low:.3g} to {rate.high:.3g}"


def _spells_note(comparison: Comparison) -> str:
    spells = comparison.spells
    ratio = ""
    if spells.ratio_low is not None and spells.ratio_high is not None:
        limits = f"{spells.ratio_low:.2g} to {spells.ratio_high:.2g} (exact 95 % limits)"
        ratio = f"Rate after over rate before, all like conditions taken together: {limits}. "
    return (
        f"{ratio}A spell is a stretch at fault; spells less than a minute apart are one. Only good running under "
        "conditions that both recordings hold is counted."
    )


def _conditions(comparison: Comparison, units: Units) -> list[list[str]]:
    rows = [
        [shown_degrees(c.says, units), wording.clock(c.before_s), wording.clock(c.after_s), c.why or "matched"]
        for c in comparison.conditions
    ]
    more = len(rows) - CONDITIONS_LISTED
    return rows[:CONDITIONS_LISTED] + ([[f"and {more} more", "", "", ""]] if more > 0 else [])


def _figures(before: Analysed, after: Analysed, units: Units, figures: dict[str, Figure]) -> dict[str, Any]:
    alike, whole = like_stretch(before, after, units, BUCKETS), drives(before, after, units, BUCKETS)
    if alike is not None:
        figures["alike.svg"] = alike.figure
    figures["drives.svg"] = whole.figure
    hatched = (
        " Hatched, on a screen tinted, unless it fills most of the picture: the fault shows."
        if whole.figure.lanes
        else ""
    )
    return {
        "alike": alike is not None,
        "alike_says": shown_degrees(alike.says, units) if alike else NOTHING_ALIKE,
        "drives_says": f"{whole.says} Thin and dashed: before; solid: after.{hatched}",
    }


def comparison_html(before: Analysed, after: Analysed, comparison: Comparison, units: Units) -> str:
    """The same as one HTML file whose traces zoom: opens from disk, asks for nothing."""
    figures: dict[str, Figure] = {}
    data = comparison_data(before, after, comparison, units, figures)
    page = (Path(__file__).parent / "comparison.html").read_text(encoding="utf-8")
    broken = f'<p class="broken"><strong>NOT INTACT</strong> {escape(data["damage"])}</p>'
    broken = (
        f'{broken}<p class="everypage" aria-hidden="true">NOT INTACT · NOT INTACT · NOT INTACT</p>'
        if data["not_intact"]
        else ""
    )
    alike, drives_ = _zoomable(before, after, units, figures)
    parts = {
        "title": escape(data["title"]),
        "heading": escape(HEADING),
        "subheading": escape(data["subheading"]),
        "broken": broken,
        "standing": escape(data["standing"]),
        "verdict": escape(data["verdict"]),
        "why": escape(data["why"]),
        "sure": _items(data["sure"]),
        "unmeasured": _items(data["unmeasured"]),
        "before": rows_of(data["sides"][0]),
        "after": rows_of(data["sides"][1]),
        "done": rows_of(data["done"]),
        "notes": _items(data["notes"]),
        "alike": f"{alike}<p>{escape(data['alike_says'])}</p>",
        "drives": f"{drives_}<p>{escape(data['drives_says'])}</p>",
        "differences": table_of(DIFFERENCE_HEAD, data["differences"]),
        "spells": table_of(SPELL_HEAD, data["spells"]) + f"<p>{escape(data['spells_note'])}</p>",
        "conditions": table_of(CONDITION_HEAD, data["conditions"]),
        "verify": escape(data["verify"]),
        "digests": table_of(("recording", "digest", "id"), data["digests"]),
        **zoom.parts(),
    }
    for name, text in parts.items():
        page = page.replace(f"<!--{name}-->", text, 1)
    return page


def _zoomable(before: Analysed, after: Analysed, units: Units, figures: Mapping[str, Figure]) -> tuple[str, str]:
    """The stretch under like conditions with every sample, if there is one, and both drives with their spells."""
    samples = max(len(case.timeline.t_s) for _, case in (before, after))
    every = samples <= FULL_RATE
    stretch = like_stretch(before, after, units, samples)
    alike = ""
    if stretch is not None:
        label = "Traces before and after over a stretch under like conditions"
        time = "time in the stretch"
        alike = zoomable("alike", [stretch.figure], printed(figures["alike.svg"], STILL), label, time, every=True)
    whole = drives(before, after, units, samples if every else REDUCED).figure
    label = "Traces of both drives, laid over each other from the compressor's first start"
    time = "time, both laid on the compressor's first start"
    both = zoomable("drives", [whole], printed(figures["drives.svg"], STILL), label, time, every=every)
    return alike, both + _spell_buttons(whole)


def _spell_buttons(figure: Figure) -> str:
    """Stretches at fault, each a button that shows it in the trace."""
    items: list[str] = []
    for lane in figure.lanes:
        for start, end in union(lane.spans):
            margin = max(45.0, 0.6 * (end - start))
            first, last = ms(max(start - margin, figure.start_s)), ms(min(end + margin, figure.end_s))
            items.append(
                f'<button type="button" data-trace="drives" data-start="{first:.0f}" data-end="{last:.0f}">'
                f"{escape(lane.name)}, {escape(wording.span(start, end))}</button>"
            )
    return f'<p class="onscreen">{" ".join(items)}</p>' if items else ""


DIFFERENCE_HEAD = ("quantity", "before, u95", "after, u95", "difference, u95", "result", "matched, min:s")
SPELL_HEAD = ("", "spells", "good running, min:s", "an hour", "exact 95 % limits", "began where nothing matches")
CONDITION_HEAD = ("conditions, cooling on", "before, min:s", "after, min:s", "")


def _items(lines: list[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>" if lines else ""
