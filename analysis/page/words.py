"""What the page says of findings, as plain values: the same words as summary and sheet."""

from typing import Any

from analysis import wording
from analysis.case import Case
from analysis.findings import Cause, Episode, Findings
from analysis.page.corrections import history
from analysis.sentences import check_says, episode_says, left_open, reasons
from analysis.shown import CHOICES, KPA, Units, percent
from recorder.marks import iso_utc
from recorder.places import place_of
from recorder.recording import Recording, short_digest

MOST_RUNS = 400


def told_live(findings: Findings, case: Case) -> dict[str, Any]:
    """The findings so far, for the page on test; what was seen is said in every choice of units."""
    cause = wording.leading(findings)
    runs = findings.compressor.runs
    return {
        "duration_s": case.timeline.duration_s,
        "headline": wording.headline(findings)[0],
        "verdict": findings.verdict,
        "next_check": cause.next_check if cause else "",
        "episodes": [_live_episode(episode) for episode in findings.episodes],
        "basis": findings.compressor.basis,
        "runs": [[run.start_s, run.end_s] for run in runs[-MOST_RUNS:]],
        "swapped": any(flag.kind == "swapped_sides" for flag in findings.flags),
        "gaps": [[start, end] for start, end in case.timeline.unrecorded],
        "coverage": findings.coverage.says,
        "exposure_s": findings.coverage.exposure_s,
        "equalisations": len(findings.equalisations),
        "flags": [flag.text for flag in findings.flags][-5:],
    }


def told(recording: Recording, findings: Findings, units: Units) -> dict[str, Any]:
    """Everything the write-up shows, in the reader's units."""
    short, note = wording.headline(findings, units)
    shown = wording.told(findings)
    about = findings.recording
    return {
        "name": recording.path.name,
        "sealed": recording.sealed,
        "intact": recording.intact,
        "damage": list(recording.damage),
        "digest": short_digest(recording.digest) if recording.digest else None,
        "origin": recording.origin,
        "started_at": about.started_at,
        "duration_s": about.duration_s,
        "length": wording.clock(about.duration_s),
        "job": findings.job_sheet,
        "verdict": findings.verdict,
        "headline": short,
        "note": note,
        "episodes": [_episode(episode, units) for episode in findings.episodes],
        "causes": [_cause(cause, units) for cause in shown],
        "expected": [
            {
                "quantity": row.quantity,
                "measured": units.shown(row.measured, row.unit),
                "had": row.measured.value is not None,
                "lacking": row.measured.why or "not measured",
                "band": units.band(row.low, row.high, row.unit),
                "state": row.state,
                "source": row.source,
            }
            for row in findings.expected
        ],
        "measures": wording.measure_lines(findings, units),
        "coverage": findings.coverage.says,
        "checks": [
            {"kind": wording.title(c.kind), "state": c.state, "why": check_says(c, units)} for c in findings.checks
        ],
        "marks": _marks(recording, findings),
        "amendments": history(recording),
        "chain": short_digest(recording.chain_digest) if recording.chain_digest else None,
        "flags": [{"clock": wording.clock(f.time_s), "text": f.text} for f in findings.flags],
        "runs": [[run.start_s, run.end_s] for run in findings.compressor.runs],
        "swapped": any(flag.kind == "swapped_sides" for flag in findings.flags),
        "sensors": [
            {
                "place": wording.place(s.place),
                "rate": f"{s.rate_hz:g} Hz",
                "u95": f"± {s.u95:.2g} {wording.unit(s.unit)}" + ("" if s.accuracy_stated else " (not stated)"),
                "calibrated": s.calibrated_on or "not stated",
                "serial": s.serial_number or "not stated",
                "missing": percent(s.missing),
            }
            for s in findings.sensors
        ],
    }


NEAR_S = 60.0
"""A complaint this near an episode speaks of it: people press late (our own choice)."""


def _beside(kind: str, time_s: float, findings: Findings) -> str:
    """What was seen where the driver complained."""
    faults = [e for e in findings.episodes if not e.permanent and e.kind != "sensor_fault"]
    if kind != "complaint" or not findings.episodes:
        return ""
    near = [wording.title(e.kind) for e in faults if e.start_s - NEAR_S <= time_s <= e.end_s + NEAR_S]
    return f"seen then: {', '.join(dict.fromkeys(near))}" if near else "no episode within a minute of it"


def _marks(recording: Recording, findings: Findings) -> list[dict[str, Any]]:
    """The marks as they stand, with what it takes to point at one."""
    start_ns = recording.started_utc_ns or 0
    marks: list[dict[str, Any]] = []
    for mark in sorted(recording.marks, key=lambda mark: mark.utc_ns):
        time_s = (mark.utc_ns - start_ns) / 1e9
        told = {"time_s": time_s, "clock": wording.clock(time_s), "kind": mark.kind, "text": mark.text}
        beside = _beside(mark.kind, time_s, findings)
        marks.append({**told, "utc": iso_utc(mark.utc_ns), "beside": beside})
    return marks


def _live_episode(episode: Episode) -> dict[str, Any]:
    says = {name.lower(): episode_says(episode, units) for name, units in CHOICES.items()}
    return {**_episode(episode, KPA), "says": says}


def _episode(episode: Episode, units: Units) -> dict[str, Any]:
    return {
        "kind": episode.kind,
        "title": wording.title(episode.kind),
        "start_s": episode.start_s,
        "end_s": episode.end_s,
        "when": "throughout" if episode.permanent else wording.span(episode.start_s, episode.end_s),
        "permanent": episode.permanent,
        "says": episode_says(episode, units),
    }


def _cause(cause: Cause, units: Units) -> dict[str, Any]:
    strong = cause.standing in ("proven", "likely")
    return {
        "title": wording.title(cause.cause),
        "standing": cause.standing,
        "percent": percent(cause.probability),
        "strong": strong,
        "reasons_for": reasons(cause, units, speaks_for=True),
        "reasons_against": reasons(cause, units, speaks_for=False),
        "left_open": left_open(cause, units),
        "parts": list(cause.parts) if strong else [],
        "telling_test": "; ".join(told for told in (cause.telling_test, cause.apart) if told) if strong else "",
        "next_check": cause.next_check,
    }


def title_of(channel: str) -> str:
    """A channel in words, with its number where there are several."""
    number = channel.rsplit("_", 1)[-1]
    return place_of(channel).title + (f" {number}" if number.isdigit() else "")
