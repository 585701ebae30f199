"""The report as one HTML file: verdict, interactive trace, episodes to jump to; opens from disk, offline."""

import base64
import json
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from analysis import wording
from analysis.case import Case
from analysis.findings import Cause, Findings
from analysis.plots import Figure, Line, Strip, figure_of
from analysis.strip_chart import BAND, EPISODE, HEAVY_RULE, INK, PAPER, RULE
from recorder.recording import short_digest

HERE = Path(__file__).parent
PLOTLY = HERE / "vendor" / "plotly-basic.min.js"
DASHES = {"solid": "solid", "dash": "dash", "dot": "dot"}
LANE_SHARE = 0.04
EPOCH_MS = 946_684_800_000.0
"""2000-01-01: plotly reads numbers below 10,000 on a date axis as years, so that the axis must not start at 0."""
FULL_RATE, REDUCED = 20_000, 4_000


def html_of(case: Case, findings: Findings) -> str:
    """Write the report; the same findings give the same bytes."""
    samples = len(case.timeline.t_s)
    buckets = samples if samples <= FULL_RATE else REDUCED
    figure = figure_of(case, findings, "", 0.0, case.timeline.duration_s, buckets)
    chart = json.dumps(chart_of(figure), separators=(",", ":"), allow_nan=False).replace("</", "<\\/")
    template = (HERE / "report.html").read_text(encoding="utf-8")
    parts = {
        "title": escape(f"Report, {_name(findings)}"),
        "heading": _heading(findings),
        "episodes": _episodes(findings),
        "causes": _causes(findings),
        "expected": _expected(findings),
        "measures": _list(wording.measure_lines(findings)) or "<p>No cycle, rest or settling to measure.</p>",
        "checks": _checks(findings),
        "coverage": f"<p>{escape(findings.coverage.says)}.</p>",
        "sensors": _sensors(findings),
        "cautions": _list(wording.CAUTIONS),
        "footer": _footer(findings),
        "colours": f":root{{--ink:{INK};--paper:{PAPER};--rule:{HEAVY_RULE};--fine:{RULE};"
        f"--band:{BAND};--rust:{EPISODE}}}",
        "plotly": PLOTLY.read_text(encoding="utf-8"),
        "chart": chart,
    }
    for name, text in parts.items():
        template = template.replace(f"<!--{name}-->", text, 1)
    return template


def chart_of(figure: Figure) -> dict[str, Any]:
    """A figure as plotly's data and layout; its time axis counts milliseconds since the first sample."""
    lanes = LANE_SHARE * len(figure.lanes)
    top, bottom = 1.0, lanes + 0.02
    total = sum(strip.height for strip in figure.strips) or 1.0
    gap = 0.018
    room = top - bottom - gap * max(len(figure.strips) - 1, 0)
    data: list[dict[str, Any]] = []
    layout = _layout(figure)
    y1 = top
    for number, strip in enumerate(figure.strips, start=1):
        y0 = y1 - room * strip.height / total
        axis = "y" if number == 1 else f"y{number}"
        layout[f"yaxis{'' if number == 1 else number}"] = _axis(f"{strip.quantity}<br>[{strip.unit}]", (y0, y1))
        data.extend(_trace(line, axis, strip.unit) for line in strip.lines)
        if len(strip.lines) > 1:
            layout["annotations"] += _line_names(strip, axis)
        if strip.band is not None:
            low, high = strip.band
            layout["shapes"].append(_band(axis, low, high))
        y1 = y0 - gap
    for number, lane in enumerate(figure.lanes):
        base = LANE_SHARE * (len(figure.lanes) - 1 - number)
        for start, end in lane.spans:
            layout["shapes"].append(_block(start, end, base, lane.weight))
        layout["annotations"].append(_lane_name(lane.name, base))
    layout["shapes"] += [_flag(flag.time_s) for flag in figure.flags]
    free_s = figure.start_s
    for flag in figure.flags:
        if flag.time_s >= free_s:
            layout["annotations"].append(_flag_name(flag.time_s, flag.text))
            free_s = flag.time_s + 0.06 * (figure.end_s - figure.start_s)
    return {"data": data, "layout": layout}


def _layout(figure: Figure) -> dict[str, Any]:
    return {
        "height": 190 + 95 * len(figure.strips),
        "margin": {"l": 74, "r": 150, "t": 34, "b": 40},
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "font": {"color": INK, "size": 12},
        "showlegend": False,
        "hovermode": "x",
        "dragmode": "zoom",
        "shapes": [],
        "annotations": [],
        "xaxis": {
            "type": "date",
            "tickformat": "%-H:%M:%S",
            "range": [_ms(figure.start_s), _ms(figure.end_s)],
            "title": {"text": "time since the first sample"},
            "gridcolor": RULE,
            "linecolor": HEAVY_RULE,
            "anchor": "free",
            "position": 0,
            "zeroline": False,
        },
    }


def _axis(title: str, domain: tuple[float, float]) -> dict[str, Any]:
    return {
        "domain": [round(domain[0], 4), round(domain[1], 4)],
        "title": {"text": title, "font": {"size": 11}},
        "gridcolor": RULE,
        "linecolor": HEAVY_RULE,
        "mirror": True,
        "zeroline": False,
        "fixedrange": True,
    }


def _trace(line: Line, axis: str, unit: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": f"{line.name} [{unit}]",
        **_even_times(line.t_s),
        "y": _packed(line.values),
        "yaxis": axis,
        "xaxis": "x",
        "line": {"color": INK, "width": 1.3, "dash": DASHES[line.dash]},
        "connectgaps": False,
        "hovertemplate": f"%{{y:.1f}} {unit}<extra>{escape(line.name)}</extra>",
    }


def _even_times(t_s: np.ndarray[tuple[int], np.dtype[np.float64]]) -> dict[str, float]:
    """The times of a trace, evenly spaced also where it is reduced, as plotly's start and step."""
    if len(t_s) == 0:
        return {"x0": _ms(0.0), "dx": 1000.0}
    step_s = float(t_s[-1] - t_s[0]) / max(len(t_s) - 1, 1)
    return {"x0": _ms(float(t_s[0])), "dx": 1000.0 * step_s}


def _ms(seconds: float) -> float:
    return round(EPOCH_MS + 1000.0 * seconds, 3)


def _packed(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> dict[str, str]:
    """A float32 array as plotly's typed-array text."""
    return {"dtype": "f4", "bdata": base64.b64encode(values.astype("<f4").tobytes()).decode()}


def _band(axis: str, low: float, high: float) -> dict[str, Any]:
    return {
        "type": "rect",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "yref": axis,
        "y0": low,
        "y1": high,
        "fillcolor": BAND,
        "opacity": 0.8,
        "layer": "below",
        "line": {"width": 0},
    }


def _line_names(strip: Strip, axis: str) -> list[dict[str, Any]]:
    """Each line's name and dash at the right, spread evenly so that they never cover each other."""
    drawn = {"solid": "———", "dash": "– – –", "dot": "· · · ·"}
    ordered = sorted(strip.lines, key=lambda line: -float(np.nanmedian(line.values)))
    return [
        {
            "name": "line",
            "xref": "paper",
            "x": 1.005,
            "xanchor": "left",
            "yref": f"{axis} domain",
            "y": round(0.85 - 0.7 * number / max(len(ordered) - 1, 1), 3),
            "text": f"{drawn[line.dash]} {escape(line.name)}",
            "showarrow": False,
            "font": {"size": 10},
        }
        for number, line in enumerate(ordered)
    ]


def _block(start: float, end: float, base: float, weight: str) -> dict[str, Any]:
    height = LANE_SHARE * (0.4 if weight == "episode" else 0.2)
    return {
        "type": "rect",
        "xref": "x",
        "x0": _ms(start),
        "x1": _ms(end),
        "yref": "paper",
        "y0": round(base, 4),
        "y1": round(base + height, 4),
        "fillcolor": EPISODE if weight == "episode" else INK,
        "line": {"width": 0},
    }


def _lane_name(name: str, base: float) -> dict[str, Any]:
    return {
        "name": "lane",
        "xref": "paper",
        "x": 0,
        "xanchor": "left",
        "yref": "paper",
        "y": round(base + LANE_SHARE, 4),
        "yanchor": "top",
        "text": escape(name),
        "showarrow": False,
        "font": {"size": 10},
    }


def _flag(time_s: float) -> dict[str, Any]:
    line = {"color": EPISODE, "width": 1, "dash": "dot"}
    return {
        "type": "line",
        "xref": "x",
        "x0": _ms(time_s),
        "x1": _ms(time_s),
        "yref": "paper",
        "y0": 0,
        "y1": 1.01,
        "line": line,
    }


def _flag_name(time_s: float, text: str) -> dict[str, Any]:
    return {
        "name": "flag",
        "xref": "x",
        "x": _ms(time_s),
        "yref": "paper",
        "y": 1.01,
        "yanchor": "bottom",
        "xanchor": "left",
        "text": escape(text[:28]),
        "showarrow": False,
        "font": {"size": 10, "color": EPISODE},
        "textangle": -12,
    }


def _name(findings: Findings) -> str:
    """What a reader calls the recording: the vehicle and the day, else its folder."""
    job, about = findings.job_sheet, findings.recording
    vehicle = job.get("vehicle") or job.get("name")
    return f"{vehicle}, {(about.started_at or 'date not stated')[:10]}" if vehicle else about.name


def _heading(findings: Findings) -> str:
    about = findings.recording
    job = findings.job_sheet
    who = " · ".join(escape(str(job[key])) for key in ("vehicle", "plate", "customer") if job.get(key))
    broken = ""
    if not about.intact:
        broken = f'<p class="broken"><strong>NOT INTACT</strong> {escape("; ".join(about.damage))}</p>'
    complaint = f"<p>Complaint: {escape(str(job['complaint']))}</p>" if job.get("complaint") else ""
    short, note = wording.headline(findings)
    fault = " fault" if findings.verdict == "fault_found" else ""
    return (
        f"<h1>{escape(_name(findings))}</h1><p>{who}</p><p>recorded {escape(about.started_at or '(date not stated)')}, "
        f"{wording.clock(about.duration_s)} long{' · ' + escape(about.origin) if about.origin else ''}</p>{broken}"
        f'<p class="verdict{fault}"><strong>{escape(short)}</strong><br>{escape(note)}</p>{complaint}'
    )


def _episodes(findings: Findings) -> str:
    if not findings.episodes:
        return "<p>None.</p>"
    items: list[str] = []
    for episode in findings.episodes:
        when = "throughout" if episode.permanent else wording.span(episode.start_s, episode.end_s)
        says = "; ".join(evidence.says for evidence in episode.evidence)
        margin = max(45.0, 0.6 * (episode.end_s - episode.start_s))
        items.append(
            f'<li><button type="button" data-start="{_ms(max(0.0, episode.start_s - margin)):.0f}" '
            f'data-end="{_ms(episode.end_s + margin):.0f}">{escape(when)}</button> '
            f"<strong>{escape(wording.title(episode.kind))}</strong>: {escape(says)}</li>"
        )
    return f'<ul class="episodes">{"".join(items)}</ul>'


def _causes(findings: Findings) -> str:
    shown = [c for c in findings.causes if c.standing in ("proven", "likely") or wording.worth_telling(c)]
    return "".join(_cause(cause) for cause in shown) or "<p>None stands out.</p>"


def _cause(cause: Cause) -> str:
    rows = [("for", reason) for reason in cause.reasons_for] + [("against", reason) for reason in cause.reasons_against]
    if cause.standing in ("proven", "likely"):
        rows += [
            ("parts that could have failed", ", ".join(cause.parts)),
            ("what tells them apart", cause.telling_test),
        ]
    rows.append(("next check", cause.next_check))
    body = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in rows)
    return (
        f"<section class=cause><h3>{escape(cause.standing.capitalize())}: {escape(wording.title(cause.cause))} "
        f"<small>{wording.percent(cause.probability)}</small></h3><dl>{body}</dl></section>"
    )


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    top = "".join(f"<th scope=col>{escape(cell)}</th>" for cell in head)
    body = "".join(
        "<tr>"
        + "".join(f'<td data-head="{escape(h)}">{escape(c)}</td>' for h, c in zip(head, row, strict=True))
        + "</tr>"
        for row in rows
    )
    return f"<div class=wide><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"


def _expected(findings: Findings) -> str:
    rows = [
        (
            row.quantity,
            wording.shown(row.measured, row.unit),
            " to ".join("…" if edge is None else f"{edge:g}" for edge in (row.low, row.high))
            + f" {wording.unit(row.unit)}",
            row.state,
            row.source,
        )
        for row in findings.expected
    ]
    return _table(("quantity", "measured, u95", "expected", "result", "source"), rows)


def _checks(findings: Findings) -> str:
    rows = [(wording.title(check.kind), check.state, check.why) for check in findings.checks]
    return _table(("looked for", "found", "why"), rows)


def _sensors(findings: Findings) -> str:
    rows = [
        (
            wording.place(s.place),
            f"{s.rate_hz:g} Hz",
            f"± {s.u95:.2g} {wording.unit(s.unit)}"
            + ("" if s.accuracy_stated else " (not stated, an ordinary sensor's)"),
            s.calibrated_on or "not stated",
            s.serial_number or "not stated",
            wording.percent(s.missing),
        )
        for s in findings.sensors
    ]
    return _table(("place", "rate", "u95", "calibrated", "serial no.", "missing"), rows)


def _list(lines: tuple[str, ...] | list[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>" if lines else ""


def _footer(findings: Findings) -> str:
    about = findings.recording
    digest = short_digest(about.digest) if about.digest else "not sealed"
    return f"<p>recording {escape(about.id)} · digest {digest} · {escape(findings.software)}</p>"
