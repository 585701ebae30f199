"""The findings in plain words for a terminal."""

import textwrap

from analysis import wording
from analysis.findings import ABSENT, LIKELY, PRESENT, PROVEN, UNDECIDED, Findings
from analysis.sentences import check_says, episode_says, left_open, reasons
from analysis.shown import KPA, Units, percent

WIDTH = 100


def summary_of(findings: Findings, units: Units = KPA) -> str:
    """Say what was found, how sure it is, and what was not measured."""
    lines: list[str] = [wording.verdict(findings, units), ""]
    about = findings.recording
    sealed = "sealed" if about.sealed else "not sealed"
    lines.append(f"Recording  {about.name}, {wording.length(about.duration_s)}, {_from(about.started_at)}, {sealed}")
    lines += [] if about.intact else [f"NOT INTACT {'; '.join(about.damage)}"]
    lines.append(f"Compressor {_compressor(findings)}")
    lines += _episodes(findings, units)
    lines += _causes(findings, units)
    lines += _expected(findings, units)
    lines += _measures(findings, units)
    lines += _checks(findings, units)
    told, *rest = wording.coverage_lines(findings, units)
    lines += ["", f"Coverage   {told}", *(f"  {line}" for line in rest)]
    lines += [f"Record     {wording.clock(flag.time_s)} {flag.text}" for flag in findings.flags]
    return "\n".join(_wrapped(wording.in_words(line, findings)) for line in lines)


def _from(started_at: str | None) -> str:
    return f"from {started_at}" if started_at else "date not stated"


def _wrapped(line: str) -> str:
    indent = " " * (len(line) - len(line.lstrip()) + 4)
    return textwrap.fill(line, WIDTH, subsequent_indent=indent, drop_whitespace=True) if line.strip() else ""


def _compressor(findings: Findings) -> str:
    compressor = findings.compressor
    if compressor.basis == "none":
        return "its runs cannot be told: neither a clutch signal nor both pressures"
    seconds = sum(run.end_s - run.start_s for run in compressor.runs)
    runs = (
        f"{wording.count(len(compressor.runs), 'run')}, {wording.clock(seconds)} in all, told by the {compressor.basis}"
    )
    return f"{runs}; stops: {wording.stopped(compressor.stops)}" if compressor.stops else f"{runs}; never stopped"


def _episodes(findings: Findings, units: Units) -> list[str]:
    if not findings.episodes:
        return ["", "Episodes   none"]
    lines = (f"  {wording.when(e):<13} {wording.title(e.kind)}: {episode_says(e, units)}" for e in findings.episodes)
    return ["", "Episodes", *lines]


def _causes(findings: Findings, units: Units) -> list[str]:
    lines = ["", "Causes"]
    for cause in wording.told(findings):
        lines.append(f"  {cause.standing}: {wording.title(cause.cause)} ({percent(cause.probability)})")
        lines += [f"    for      {reason}" for reason in reasons(cause, units, speaks_for=True)]
        lines += [f"    open     {left_open(cause, units)}"] if cause.left_open else []
        lines += [f"    against  {reason}" for reason in reasons(cause, units, speaks_for=False)]
        if cause.standing in (PROVEN, LIKELY):
            lines.append(f"    parts    {wording.parts_of(cause)}")
            lines.append(f"    tell     {cause.telling_test}")
            lines += [f"    apart    {cause.apart}"] if cause.apart else []
            lines.append(f"    next     {cause.next_check}")
    checks = wording.next_checks(findings)
    if len(checks) > 1:
        lines.append("  next checks, the cheapest first")
        lines += [f"    {number}. {check}" for number, check in enumerate(checks, start=1)]
    return lines if len(lines) > 2 else ["", "Causes     none stands out"]


def _expected(findings: Findings, units: Units) -> list[str]:
    rows = [row for row in findings.expected if row.measured.value is not None]
    if not rows:
        return []
    sources = "; ".join(dict.fromkeys(row.source for row in rows))
    lines = ["", f"Measured against expected ({sources})"]
    for row in rows:
        band = units.band(row.low, row.high, row.unit)
        value = units.shown(row.measured, row.unit)
        lines.append(f"  {row.quantity:<37} {value:<20} expected {band}: {row.state}")
    return lines


def _measures(findings: Findings, units: Units) -> list[str]:
    lines = [f"  {line}" for line in wording.measure_lines(findings, units)]
    return ["", "Measures", *lines] if lines else []


def _checks(findings: Findings, units: Units) -> list[str]:
    lines = ["", "Looked for"]
    ordered = sorted(findings.checks, key=lambda check: (PRESENT, ABSENT, UNDECIDED).index(check.state))
    lines += [f"  {check.state:<10} {wording.title(check.kind)}: {check_says(check, units)}" for check in ordered]
    return lines
