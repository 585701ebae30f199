"""The claim sheet's words and figures, typeset to PDF and PNG."""

import json
import re
import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import typst

from analysis import wording
from analysis.case import Case
from analysis.findings import FAULT_FOUND, UNDECIDED, Cause, Findings
from analysis.plots import around, figure_of, strongest
from analysis.strip_chart import svg_of
from recorder.recording import short_digest

HERE = Path(__file__).parent
FONTS = HERE / "fonts"
EPISODES_LISTED = 12
WINDOWS = 2
PNG_PPI = 150.0
STAND_IN = "?"
_PRINTABLE = re.compile(
    "[\u0020-\u007e\u00a0-\u0377\u037a-\u037f\u0384-\u038a\u038e-\u03a1\u03a3-\u03e1\u03f0-\u052f\u1e00-\u1eff"
    "\u2010-\u2027\u2030-\u205e\u20a0-\u20bf\u2100-\u214f\u00b1\u2212]"
)
"""Latin, Greek, Cyrillic, punctuation and signs: what both shipped fonts cover (read from their character maps)."""


def pdf_and_pngs(case: Case, findings: Findings) -> tuple[bytes, list[bytes]]:
    """Typeset the sheet; the same findings give the same bytes."""
    with tempfile.TemporaryDirectory(prefix="warmspell-") as name:
        root = Path(name)
        data = sheet_data(case, findings, root)
        data, foreign = printable(data)
        if foreign:
            data["verify"] += (
                f" {foreign} characters of other scripts cannot be printed with this sheet's font and stand as "
                f"{STAND_IN}; the HTML report shows them."
            )
        (root / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        shutil.copyfile(HERE / "sheet.typ", root / "sheet.typ")
        compiler = typst.Compiler(
            str(root / "sheet.typ"), root=str(root), font_paths=[str(FONTS)], ignore_system_fonts=True
        )
        pdf = compiler.compile(format="pdf", pdf_standards=["a-3b"])
        pages = compiler.compile(format="png", ppi=PNG_PPI)
    return b"".join(_files(pdf)), _files(pages)


def _files(made: bytes | list[bytes] | None) -> list[bytes]:
    """The typesetter gives one file or one a page."""
    return made if isinstance(made, list) else [made or b""]


def printable(value: Any) -> tuple[Any, int]:
    """Values whose texts the shipped font can print, and how many characters it cannot: they are told, not lost."""
    if isinstance(value, str):
        kept = "".join(c if _PRINTABLE.match(c) else " " if c.isspace() else STAND_IN for c in value)
        return kept, sum(not _PRINTABLE.match(c) and not c.isspace() for c in value)
    if isinstance(value, dict):
        pairs = {key: printable(item) for key, item in cast("dict[str, Any]", value).items()}
        return {key: item for key, (item, _) in pairs.items()}, sum(n for _, n in pairs.values())
    if isinstance(value, list):
        items = [printable(item) for item in cast("list[Any]", value)]
        return [item for item, _ in items], sum(n for _, n in items)
    return value, 0


def sheet_data(case: Case, findings: Findings, root: Path) -> dict[str, Any]:
    """Everything the template shows; figures are written into ``root``."""
    about = findings.recording
    overview = figure_of(case, findings, "", 0.0, case.timeline.duration_s)
    (root / "overview.svg").write_text(printable(svg_of(overview, 720, 400))[0], encoding="utf-8")
    started = datetime.fromtimestamp(case.timeline.started_utc_ns / 1e9, UTC)
    headline, note = wording.headline(findings)
    digest = short_digest(about.digest) if about.digest else "not sealed"
    return {
        "title": f"Claim sheet, {about.name}",
        "software": findings.software,
        "date": [started.year, started.month, started.day] if about.started_at else [2000, 1, 1],
        "heading": "Air conditioning: claim sheet",
        "subheading": (f"recorded {started:%Y-%m-%d %H:%M} UTC" if about.started_at else "date not stated")
        + f", {wording.clock(about.duration_s)} long"
        + (f" · {about.origin}" if about.origin else ""),
        "id_line": f"recording {about.id}",
        "digest_line": f"digest {digest}",
        "footer": f"{about.name} · digest {digest} · {findings.software}",
        "not_intact": not about.intact,
        "not_intact_word": "NOT INTACT",
        "damage": "; ".join(about.damage),
        "fault": findings.verdict == FAULT_FOUND,
        "verdict": headline,
        "verdict_note": note,
        "vehicle": _vehicle(findings),
        "order": _order(findings),
        "complaint": _complaint(findings),
        "overview_alt": _overview_alt(findings),
        **_episodes(case, findings, root),
        "causes": [_cause(cause) for cause in findings.causes if cause.standing in ("proven", "likely")]
        + _rivals(findings),
        "expected": _expected(findings),
        "measures": _measures(findings),
        "coverage": findings.coverage.says + ".",
        "undecided": [
            f"{wording.title(check.kind)}: {check.why}" for check in findings.checks if check.state == UNDECIDED
        ]
        or ["nothing was left undecided"],
        "sensors": [
            [
                wording.place(s.id),
                f"± {s.u95:.2g} {wording.unit(s.unit)}" + ("" if s.accuracy_stated else " *"),
                s.calibrated_on or "not stated",
                s.serial_number or "not stated",
            ]
            for s in findings.sensors
        ],
        "sensor_note": ""
        if all(s.accuracy_stated for s in findings.sensors)
        else "* the node states no accuracy: an ordinary sensor's is taken (common practice, no source)",
        "cautions": list(wording.CAUTIONS),
        "technician": str(findings.job_sheet.get("technician", "")),
        "certificate": str(findings.job_sheet.get("certificate", "")),
        "verify": (
            f"Recording {about.id}, digest {digest}. Verify with: warmspell check FOLDER. The digest proves that the "
            "files are those that were sealed when it was written down or lodged elsewhere; it does not prove who "
            "recorded them, from which vehicle, or that the sensors were right."
        ),
    }


def _job(findings: Findings, *rows: tuple[str, str, str]) -> list[list[str]]:
    """Rows of the job sheet that are known: label, key, unit."""
    shown: list[list[str]] = []
    for label, key, unit in rows:
        value = findings.job_sheet.get(key)
        if value is None:
            shown.append([label, "not stated"])
        elif isinstance(value, list):
            shown.append([label, ", ".join(str(item) for item in value)])  # pyright: ignore[reportUnknownVariableType,reportUnknownArgumentType]
        else:
            number = f"{value:g}" if isinstance(value, float) else str(value).replace("_", " ")
            shown.append([label, f"{number} {unit}".strip()])
    return shown


def _vehicle(findings: Findings) -> list[list[str]]:
    return _job(
        findings,
        ("customer", "customer", ""),
        ("vehicle", "vehicle", ""),
        ("VIN", "vin", ""),
        ("plate", "plate", ""),
        ("odometer in", "odometer_in_km", "km"),
    )


def _order(findings: Findings) -> list[list[str]]:
    return _job(
        findings,
        ("order", "order_number", ""),
        ("refrigerant", "refrigerant", ""),
        ("identified by", "refrigerant_identified_by", ""),
        ("charge rated", "rated_charge_kg", "kg"),
        ("charge recovered", "recovered_kg", "kg"),
    )


def _complaint(findings: Findings) -> list[list[str]]:
    return _job(
        findings,
        ("complaint", "complaint", ""),
        ("cause", "cause", ""),
        ("correction", "correction", ""),
        ("parts", "parts", ""),
        ("labour", "labour_h", "h"),
    )


def _overview_alt(findings: Findings) -> str:
    return "Traces of the whole drive: " + ("; ".join(_lines(findings)) or "no episode") + "."


def _lines(findings: Findings) -> list[str]:
    return [f"{wording.span(e.start_s, e.end_s)} {wording.title(e.kind)}" for e in findings.episodes]


def _episodes(case: Case, findings: Findings, root: Path) -> dict[str, Any]:
    windows: list[dict[str, str]] = []
    for number, episode in enumerate(strongest(findings, WINDOWS), start=1):
        start, end = around(episode, case.timeline.duration_s)
        heading = f"{wording.title(episode.kind)}, {wording.span(episode.start_s, episode.end_s)}"
        figure = figure_of(case, findings, "", start, end)
        (root / f"window{number}.svg").write_text(printable(svg_of(figure, 720, 380))[0], encoding="utf-8")
        windows.append({"title": heading[0].upper() + heading[1:], "file": f"window{number}.svg"})
    listed = [
        {
            "when": "throughout" if e.permanent else wording.span(e.start_s, e.end_s),
            "what": wording.title(e.kind),
            "says": "; ".join(evidence.says for evidence in e.evidence),
        }
        for e in findings.episodes
    ]
    more = len(listed) - EPISODES_LISTED
    note = f"and {more} more; the HTML report lists all of them" if more > 0 else ""
    return {"episodes": listed[:EPISODES_LISTED], "more": note, "windows": windows}


def _cause(cause: Cause) -> dict[str, Any]:
    reasons = [["for", reason] for reason in cause.reasons_for] + [["against", r] for r in cause.reasons_against]
    return {
        "standing": cause.standing.capitalize(),
        "title": wording.title(cause.cause),
        "probability": f"probability by itself {wording.percent(cause.probability)}",
        "reasons": reasons,
        "parts": ", ".join(cause.parts),
        "telling": cause.telling_test,
        "next": cause.next_check,
    }


def _rivals(findings: Findings) -> list[dict[str, Any]]:
    """What is not excluded, in one line each."""
    return [
        {
            "standing": "Not excluded",
            "title": wording.title(cause.cause),
            "probability": f"probability by itself {wording.percent(cause.probability)}",
            "reasons": [["against", reason] for reason in cause.reasons_against[:2]],
            "parts": "",
            "telling": "",
            "next": cause.next_check,
        }
        for cause in findings.causes
        if wording.worth_telling(cause)
    ]


def _expected(findings: Findings) -> list[list[str]]:
    rows: list[list[str]] = []
    for row in findings.expected:
        if row.measured.value is None:
            continue
        band = " to ".join("…" if edge is None else f"{edge:g}" for edge in (row.low, row.high))
        value = wording.shown(row.measured, row.unit)
        rows.append([row.quantity, value, f"{band} {wording.unit(row.unit)}", row.state, row.source])
    return rows


def _measures(findings: Findings) -> list[str]:
    return wording.measure_lines(findings)
