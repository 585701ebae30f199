"""The parts of the findings as HTML for a notebook: panels like the paper of the strip chart.

Self-contained: nothing is fetched, styles stand in line (a notebook's own reach into tables otherwise), all text is
escaped here and nowhere else.
"""

from base64 import b64encode
from collections.abc import Iterable, Sequence
from dataclasses import fields
from html import escape
from typing import Any, cast

from analysis import findings as doc
from analysis.glimpse import Glimpsed, as_html
from analysis.notebook.as_words import cut
from analysis.notebook.reader import units
from analysis.plots import Figure, texts
from analysis.sentences import SUFFIXES, in_units, left_open, reasons, said
from analysis.shown import percent
from analysis.strip_chart import HEAVY_RULE, INK, PAPER, RULE, svg_of
from analysis.uncertainty import Measured
from analysis.wording import clock, headline, place, span, title

MOMENTS = ("start_s", "end_s", "at_s", "restart_s", "time_s")
COLUMNS: dict[type, tuple[str, ...]] = {
    doc.Run: ("start_s", "end_s"),
    doc.Stop: ("at_s", "restart_s", "why", "cooling_stopped", "says"),
    doc.Cycling: ("start_s", "end_s", "cycles", "period_s", "on_s", "off_s", "cut_out_kpa", "cut_in_kpa"),
    doc.Equalisation: ("start_s", "stopped_by", "difference_kpa", "time_to_50_kpa_s", "time_to_90_s", "settled_kpa"),
    doc.Settling: ("place", "after", "start_s", "settled", "settling_time_s", "final"),
    doc.Episode: ("kind", "channel", "start_s", "end_s", "severity", "evidence"),
    doc.Check: ("kind", "state", "why"),
    doc.Cause: ("cause", "standing", "probability", "reasons_for", "reasons_against", "next_check"),
    doc.Sensor: ("id", "unit", "reference", "rate_hz", "missing", "u95"),
    doc.Expected: ("quantity", "measured", "low", "high", "state"),
    doc.Note: ("time_s", "kind", "text"),
}
"""What a table of several shows; a part by itself shows all it has."""
FONT = "font:14px/1.45 'Noto Sans',sans-serif"
PANEL = f"background:{PAPER};color:{INK};border:1px solid {HEAVY_RULE};padding:10px 14px;max-width:70em;{FONT}"
CELL = f"text-align:left;vertical-align:top;padding:3px 14px 3px 0;border:0;border-bottom:1px solid {RULE};{FONT}"
ROW = f"background:{PAPER};color:{INK}"
SHARES = ("probability", "missing", "fault_share")


def panel(heading: str, *blocks: str) -> str:
    """A sheet of paper with a heading; the blocks are HTML already."""
    head = f'<div style="font-weight:bold;margin-bottom:4px">{escape(heading)}</div>'
    return f'<div class="warmspell" style="{PANEL}">{head}{"".join(blocks)}</div>'


def paragraph(text: str) -> str:
    """A paragraph of plain text."""
    return f'<p style="margin:4px 0;{FONT}">{escape(text)}</p>'


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], caption: str = "") -> str:
    """A table of plain texts."""
    top = "".join(f'<th scope="col" style="{CELL};font-weight:bold">{escape(head)}</th>' for head in heads)
    told = f'<caption style="text-align:left;color:{INK};padding-top:10px;{FONT}">{escape(caption)}</caption>'
    body = "".join(f'<tr style="{ROW}">{"".join(_cell(text) for text in row)}</tr>' for row in rows)
    style = "border-collapse:collapse;margin:4px 0 0 0"
    return f'<table style="{style}">{told if caption else ""}<thead><tr style="{ROW}">{top}</tr></thead>{body}</table>'


def facts(pairs: Iterable[tuple[str, str]]) -> str:
    """What is known of one thing: names and texts, a row each."""
    rows = "".join(
        f'<tr style="{ROW}"><th scope="row" style="{CELL};font-weight:normal">{escape(name)}</th>{_cell(text)}</tr>'
        for name, text in pairs
    )
    return f'<table style="border-collapse:collapse;margin:0">{rows}</table>'


def _cell(text: str) -> str:
    return f'<td style="{CELL}">{escape(text)}</td>'


def table_of(parts: Sequence[Any], caption: str = "") -> str:
    """Parts of one type as a table."""
    if not parts:
        return paragraph(f"{caption}: none" if caption else "none")
    names = COLUMNS.get(cast("type[object]", type(parts[0]))) or tuple(field.name for field in fields(parts[0]))
    names = tuple(name for name in names if any(getattr(part, name) not in (None, ()) for part in parts))
    return table([label(name) for name in names], ([shown(part, name) for name in names] for part in parts), caption)


def label(name: str) -> str:
    """A field's name for people: without the unit at its end, which stands beside each number."""
    bare = name.removesuffix("_s") if name in MOMENTS or "per_" not in name else name
    ends = bare.rsplit("_", 1)[-1]
    bare = bare.removesuffix(f"_{ends}") if ends in (*SUFFIXES, "hz", "pa") and "_" in bare else bare
    return bare.replace("_kpa", " kPa").replace("_", " ")


def unit_of(part: object, name: str) -> str:
    """The document's unit of a number: of its part, else what its name ends in."""
    if isinstance(part, doc.Expected) or (isinstance(part, doc.Sensor) and name in ("u95", "noise")):
        return "K" if part.unit == "degC" and not isinstance(part, doc.Expected) else part.unit
    if isinstance(part, doc.Settling) and name in ("final", "drift_per_minute"):
        side = part.place in ("low_side", "high_side")
        return "kPa" if side else "degC" if name == "final" else "K"
    per = "/min" if name.endswith("_per_minute") else ""
    ends = name.removesuffix("_per_minute").rsplit("_", 1)[-1]
    return {**SUFFIXES, "hz": "Hz", "pa": "Pa"}.get(ends, "") + per if "_" in name else ""


def shown(part: object, name: str) -> str:
    """One field of a part in words, its numbers in the reader's units."""
    value = getattr(part, name)
    if isinstance(part, doc.Cause) and name == "left_open":
        return left_open(part, units())
    if isinstance(part, doc.Cause) and name in ("reasons_for", "reasons_against"):
        return "; ".join(reasons(part, units(), speaks_for=name == "reasons_for"))
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int):
        return _number(part, name, float(value)) if isinstance(value, float) else str(value)
    return _words(part, name, value)


def _number(part: object, name: str, value: float) -> str:
    if name in MOMENTS:
        return clock(value)
    if name in SHARES:
        return percent(value)
    unit = unit_of(part, name)
    return f"{units().level(value, unit)} {units().symbol(unit)}".strip()


def _words(part: object, name: str, value: object) -> str:
    if isinstance(value, Measured):
        return units().shown(value, unit_of(part, name))
    if isinstance(value, str):
        known = {"kind": title, "cause": title, "place": place, "channel": place}.get(name, in_units_of_reader)
        return value if name == "id" else known(value)
    if isinstance(value, tuple):
        several = cast("tuple[Any, ...]", value)
        return "; ".join(said(one, units()) if isinstance(one, doc.Evidence) else str(one) for one in several)
    if isinstance(value, dict):
        items = cast("dict[str, Any]", value).items()
        return "; ".join(f"{label(key)} {_measure(key, one)}" for key, one in items)
    return "" if value is None else str(value)


def _measure(name: str, value: Any) -> str:
    """A number by its name: of a piece of evidence, or (chances, with their limits) by the length of a look [s]."""
    if isinstance(value, Measured):
        return units().shown(value, unit_of(value, name))
    if isinstance(value, tuple):
        return f"s: {' to '.join(percent(edge) for edge in cast('tuple[float, float]', value))}"
    return f"s: {percent(value)}" if isinstance(value, float) else "s: not had"


def in_units_of_reader(text: str) -> str:
    """A sentence of the document, or one of its words, as the reader has it."""
    return in_units(text, units()) if " " in text else text.replace("_", " ")


@as_html.register
def _(part: Glimpsed) -> str:
    names = [field.name for field in fields(cast("Any", part)) if field.name != "weighed"]  # which the reasons tell
    pairs = [(label(name), shown(part, name)) for name in names]
    return panel(type(part).__name__, facts((name, text) for name, text in pairs if text))


@as_html.register
def _(part: doc.Findings) -> str:
    about = part.recording
    verdict, why = headline(part, units())
    begun = f"from {about.started_at}" if about.started_at else "date not stated"
    kept = f"{'sealed' if about.sealed else 'not sealed'}, {'intact' if about.intact else 'NOT INTACT'}"
    measured = [row for row in part.expected if row.measured.value is not None]
    told = [cause for cause in part.causes if cause.standing in ("proven", "likely")]
    return panel(
        verdict,
        paragraph(why),
        paragraph(f"{about.name}, {clock(about.duration_s)} {begun}, {kept}; analysed by {part.software}."),
        table_of(part.episodes, "Episodes"),
        table_of(told, "Causes that are at least likely"),
        table_of(measured, "Measured against expected"),
        table_of(part.checks, "Looked for"),
    )


@as_html.register
def _(part: Figure) -> str:
    # As an image its inner names (clip paths) are its own, however many figures a notebook holds.
    drawn = svg_of(part, 760.0, 70.0 + 90.0 * len(part.strips) + 12.0 * len(part.lanes))
    says = escape(cut(f"Strip chart {span(part.start_s, part.end_s)}: {', '.join(texts(part))}", 400))
    source = b64encode(drawn.encode()).decode()
    return f'<img alt="{says}" style="max-width:100%;width:1000px" src="data:image/svg+xml;base64,{source}">'
