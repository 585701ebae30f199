"""The report as one HTML file: verdict, trace to zoom, episodes to jump to; opens from disk, offline, asks for nothing.

The overview holds the whole drive at minimum and maximum of even stretches; windows around the strongest episodes hold
every sample, and take the overview's place when the view lies inside one. Without script, and in print, the same trace
stands as a still picture.
"""

from collections.abc import Sequence
from html import escape
from pathlib import Path

from analysis import wording
from analysis.case import Case
from analysis.claim import content, zoom
from analysis.claim.chart import ms
from analysis.claim.photos import Photo
from analysis.claim.sheet import figure_note, heading_data, standing_word, verdict_sentence
from analysis.claim.zoom import FULL_RATE, REDUCED, zoomable
from analysis.findings import ABSENT, FAULT_FOUND, PRESENT, UNDECIDED, Episode, Findings
from analysis.plots import around, chosen, figure_of, strongest
from analysis.sentences import check_says, episode_says
from analysis.shown import KPA, Units
from analysis.strip_chart import printed

WINDOW_READINGS = 120_000
"""Readings that all windows together may hold, so that the file stays small."""


def html_of(case: Case, findings: Findings, photos: Sequence[Photo] = (), units: Units = KPA) -> str:
    """Write the report; the same findings give the same bytes."""
    template = (Path(__file__).parent / "report.html").read_text(encoding="utf-8")
    parts = {
        "title": escape(f"Report, {_name(findings)}"),
        "heading": _heading(case, findings, units),
        "answers": _answers(findings, units),
        "trace": _trace(case, findings, units),
        "note": escape(figure_note(findings)),
        "episodes": _episodes(case, findings, units),
        "causes": _causes(findings, units),
        "expected": _expected(findings, units),
        "measures": _list(wording.measure_lines(findings, units)) or "<p>No cycle, rest or settling to measure.</p>",
        "unmeasured": _list(content.not_measured(findings, units)),
        "charge": table_of(("mass", "kg, u95", "from"), content.charge_rows(findings)),
        "checks": _checks(findings, units),
        "coverage": _list(wording.coverage_lines(findings, units)),
        "job": _job(findings),
        "sensors": _sensors(findings, units),
        "photos": _photographs(photos),
        "cautions": _list(wording.CAUTIONS),
        "record": _record(findings),
        "verify": escape(content.verify_words(findings)),
        "footer": _footer(findings),
        **zoom.parts(),
    }
    for name, text in parts.items():
        template = template.replace(f"<!--{name}-->", text, 1)
    return template


def _trace(case: Case, findings: Findings, units: Units) -> str:
    """The whole drive, and around the strongest episodes every sample where the whole is too long for that."""
    duration = case.timeline.duration_s
    samples = len(case.timeline.t_s)
    every = samples <= FULL_RATE
    whole = figure_of(case, findings, "", 0.0, duration, samples if every else REDUCED, units)
    traces = sum(len(strip.lines) for strip in whole.strips)
    views = [whole]
    room = 0 if every else WINDOW_READINGS
    for episode in strongest(findings, len(findings.episodes)) if room else []:
        start, end = around(episode, duration)
        if (end - start) / case.timeline.step_s * traces > room:
            continue
        part = figure_of(case, findings, "", start, end, samples, units)
        own = [line for strip in part.strips for line in strip.lines]
        size = sum(len(line.values) for line in own)
        if size <= room and len(own) == traces:
            views.append(part)
            room -= size
    label = "Traces over the drive; the episodes below say the same in words"
    return zoomable("trace", views, _still(case, findings, units), label, "time since the first sample", every=every)


def _still(case: Case, findings: Findings, units: Units) -> str:
    """The trace as a still picture, for print and for a browser without script."""
    kinds = [e.kind for e in strongest(findings, 1)] + [e.kind for e in findings.episodes]
    figure = chosen(figure_of(case, findings, "", 0.0, case.timeline.duration_s, 440, units), kinds, 5)
    return printed(figure, 300.0)


def _name(findings: Findings) -> str:
    """What a reader calls the recording: the vehicle and the day, else its folder."""
    job, about = findings.job_sheet, findings.recording
    vehicle = job.get("vehicle") or job.get("name")
    day = about.started_at[:10] if about.started_at else "date not stated"
    return f"{vehicle}, {day}" if vehicle else about.name


def _heading(case: Case, findings: Findings, units: Units) -> str:
    about = findings.recording
    job = findings.job_sheet
    heading = heading_data(case, findings, "")
    who = " · ".join(escape(str(job[key])) for key in ("vehicle", "plate", "customer") if job.get(key))
    broken = ""
    if not about.intact:
        broken = f'<p class="broken"><strong>NOT INTACT</strong> {escape("; ".join(about.damage))}</p>'
        broken += '<p class="everypage" aria-hidden="true">NOT INTACT · NOT INTACT · NOT INTACT</p>'
    complaint = f"<p>Complaint: {escape(str(job['complaint']))}</p>" if job.get("complaint") else ""
    fault = " fault" if findings.verdict == FAULT_FOUND else ""
    return (
        f"<h1>{escape(_name(findings))}</h1><p>{who}</p>"
        f"<p>{escape(heading['subheading'])}<strong>{escape(heading['origin'])}</strong></p>"
        f"{complaint}{broken}"
        f'<p class="verdict{fault}"><span class="stamp">{escape(standing_word(findings))}</span> '
        f"<strong>{escape(verdict_sentence(findings, units))}</strong></p>"
    )


def _answers(findings: Findings, units: Units) -> str:
    _, note = wording.headline(findings, units)
    sure = content.how_sure(findings, units)
    if findings.verdict != FAULT_FOUND:
        sure = [f"{findings.coverage.says}.", note] if note != f"{findings.coverage.says}." else [note]
    blocks = (
        ("How sure that is", sure),
        ("What was not measured", content.not_measured(findings, units, briefly=True)),
    )
    return "".join(f"<section><h3>{escape(head)}</h3>{_list(lines)}</section>" for head, lines in blocks)


def _episodes(case: Case, findings: Findings, units: Units) -> str:
    if not findings.episodes:
        return "<p>None.</p>"
    items = [_episode(case, findings, n, e, units) for n, e in enumerate(findings.episodes, start=1)]
    return f'<ol class="episodes">{"".join(items)}</ol>'


def _episode(case: Case, findings: Findings, number: int, episode: Episode, units: Units) -> str:
    when = wording.when(episode)
    start, end = around(episode, case.timeline.duration_s)
    says = wording.in_words(episode_says(episode, units), findings)
    what = f"<strong>{escape(wording.title(episode.kind))}</strong>: {escape(says)}"
    return (
        f'<li id="episode-{number}"><div><button type="button" data-trace="trace" data-start="{ms(start):.0f}" '
        f'data-end="{ms(end):.0f}" aria-label="show episode {number}, {escape(when)}, in the trace">'
        f"{escape(when)}</button> "
        f"<span>{what}</span></div></li>"
    )


def _causes(findings: Findings, units: Units) -> str:
    told = "".join(_cause(cause) for cause in content.causes(findings, units))
    return f"<p><small>{content.CAUSES_NOTE}</small></p>{told}" if told else "<p>None stands out.</p>"


def _cause(cause: content.CauseBlock) -> str:
    rows = [(name, text) for name, text in cause.reasons]
    told = (
        ("parts in question", cause.parts),
        ("what tells them apart", cause.telling),
        ("next check", cause.next),
    )
    body = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in (*rows, *told) if text)
    return (
        f"<section class=cause><h3>{escape(cause.standing)}: {escape(cause.title)} "
        f"<small>{escape(cause.probability)}</small></h3><dl>{body}</dl></section>"
    )


def table_of(head: tuple[str, ...], rows: Sequence[Sequence[str]]) -> str:
    """A table whose cells know their column, so that a narrow screen can stack them."""
    top = "".join(f"<th scope=col>{escape(cell)}</th>" for cell in head)
    body = "".join(
        "<tr>"
        + "".join(f'<td data-head="{escape(h)}">{escape(c)}</td>' for h, c in zip(head, row, strict=True))
        + "</tr>"
        for row in rows
    )
    return f"<div class=wide><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"


def _expected(findings: Findings, units: Units) -> str:
    rows = content.expected_rows(findings, units, measured_only=False)
    if not rows:
        return "<p>Nothing.</p>"
    table = table_of(("quantity", "measured, u95", "expected", "result"), rows)
    return f"{table}<p><small>{escape(content.expected_note(findings))}</small></p>"


def _checks(findings: Findings, units: Units) -> str:
    ordered = sorted(findings.checks, key=lambda check: (PRESENT, ABSENT, UNDECIDED).index(check.state))
    rows = [(wording.title(check.kind), check.state, check_says(check, units)) for check in ordered]
    return table_of(("looked for", "found", "why"), rows)


def _job(findings: Findings) -> str:
    rows = content.vehicle_rows(findings) + content.order_rows(findings) + content.complaint_rows(findings)[1:]
    return rows_of(rows)


def rows_of(rows: Sequence[Sequence[str]]) -> str:
    """Labels and their texts."""
    return f"<dl>{''.join(f'<dt>{escape(name)}</dt><dd>{escape(text)}</dd>' for name, text in rows)}</dl>"


def _sensors(findings: Findings, units: Units) -> str:
    rows = content.sensor_rows(findings, units)
    note = content.sensor_note(findings)
    table = table_of(("place", "u95", "calibrated on", "serial no.", "rate", "missing"), rows)
    return table + (f"<p><small>{escape(note)}</small></p>" if note else "")


def _photographs(photos: Sequence[Photo]) -> str:
    if not photos:
        return ""
    rows = [(p.caption, p.name, p.sha256, p.covered) for p in photos]
    table = table_of(("photograph", "file", "SHA-256", "covered"), rows)
    return f"<h2>Photographs</h2><p>Printed on the claim sheet; here by their hashes.</p>{table}"


def _record(findings: Findings) -> str:
    lines = content.record_lines(findings)
    return f"<h2>About the record itself</h2>{_list(lines)}" if lines else ""


def _list(lines: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>" if lines else ""


def _footer(findings: Findings) -> str:
    about = findings.recording
    digest = content.digest_words(findings)
    return f"<p>recording {escape(about.id)} · digest {digest} · {escape(findings.software)}</p>"
