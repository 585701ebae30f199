"""The findings in plain words for a terminal."""

import textwrap

from analysis import wording
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Findings

WIDTH = 100


def summary_of(findings: Findings) -> str:
    """Say what was found, how sure it is, and what was not measured."""
    lines: list[str] = [wording.verdict(findings), ""]
    about = findings.recording
    sealed = "sealed" if about.sealed else "not sealed"
    intact = "" if about.intact else ", NOT INTACT: " + "; ".join(about.damage)
    lines.append(f"Recording  {about.name}, {wording.clock(about.duration_s)} from {about.started_at}, {sealed}{intact}")
    lines.append(f"Compressor {_compressor(findings)}")
    lines += _episodes(findings)
    lines += _causes(findings)
    lines += _expected(findings)
    lines += _measures(findings)
    lines += _checks(findings)
    lines += ["", f"Coverage   {findings.coverage.says}."]
    lines += [f"Record     {wording.clock(flag.time_s)} {flag.text}" for flag in findings.flags]
    return "\n".join(_wrapped(line) for line in lines)


def _wrapped(line: str) -> str:
    indent = " " * (len(line) - len(line.lstrip()) + 4)
    return textwrap.fill(line, WIDTH, subsequent_indent=indent, drop_whitespace=True) if line.strip() else ""


def _compressor(findings: Findings) -> str:
    compressor = findings.compressor
    if compressor.basis == "none":
        return "its runs cannot be told: neither a clutch signal nor both pressures"
    seconds = sum(run.end_s - run.start_s for run in compressor.runs)
    runs = f"{len(compressor.runs)} runs, {wording.clock(seconds)} in all, told by the {compressor.basis}"
    why = {stop.why for stop in compressor.stops}
    counts = (f"{sum(stop.why == w for stop in compressor.stops)} {w.replace('_', ' ')}" for w in sorted(why))
    return f"{runs}; stops: {', '.join(counts)}" if why else runs


def _episodes(findings: Findings) -> list[str]:
    if not findings.episodes:
        return ["", "Episodes   none"]
    lines = ["", "Episodes"]
    for episode in findings.episodes:
        where = "throughout" if episode.permanent else wording.span(episode.start_s, episode.end_s)
        says = "; ".join(evidence.says for evidence in episode.evidence)
        lines.append(f"  {where:<13} {wording.title(episode.kind)}: {says}")
    return lines


def _causes(findings: Findings) -> list[str]:
    lines = ["", "Causes"]
    leading = [cause for cause in findings.causes if cause.standing in ("proven", "likely")]
    for cause in leading:
        lines.append(f"  {cause.standing}: {wording.title(cause.cause)} ({wording.percent(cause.probability)})")
        lines += [f"    for      {reason}" for reason in cause.reasons_for]
        lines += [f"    against  {reason}" for reason in cause.reasons_against]
        lines.append(f"    parts    {', '.join(cause.parts)}")
        lines.append(f"    tell     {cause.telling_test}")
        lines.append(f"    next     {cause.next_check}")
    rest = [c for c in findings.causes if c.standing == "not excluded"]
    lines += [f"  not excluded: {wording.title(c.cause)} ({wording.percent(c.probability)})" for c in rest]
    return lines if len(lines) > 2 else ["", "Causes     none stands out"]


def _expected(findings: Findings) -> list[str]:
    rows = [row for row in findings.expected if row.measured.value is not None]
    if not rows:
        return []
    lines = ["", "Measured against expected"]
    for row in rows:
        band = " to ".join("…" if v is None else f"{v:g}" for v in (row.low, row.high))
        value = wording.shown(row.measured, row.unit)
        lines.append(f"  {row.quantity:<34} {value:<20} expected {band} {wording.unit(row.unit)} ({row.source}): {row.state}")
    return lines


def _measures(findings: Findings) -> list[str]:
    lines: list[str] = []
    for cycle in findings.cycling:
        lines.append(
            f"  cycling {wording.span(cycle.start_s, cycle.end_s)}: {cycle.cycles} cycles ({cycle.control_cycles} by its own "
            f"control), period {wording.shown(cycle.period_s, 's')}, on {wording.shown(cycle.on_s, 's')}, "
            f"off {wording.shown(cycle.off_s, 's')}, low side out {wording.shown(cycle.cut_out_kpa, 'kPa')}, "
            f"in {wording.shown(cycle.cut_in_kpa, 'kPa')} gauge"
        )
    for rest in findings.equalisations:
        fit = "" if rest.fit_r2 is None else f" (exponential to r² {rest.fit_r2:.2f})"
        lines.append(
            f"  equalisation after {wording.clock(rest.start_s)} ({rest.stopped_by.replace('_', ' ')}): under 50 kPa after "
            f"{wording.shown(rest.time_to_50_kpa_s, 's')}, 90 % after {wording.shown(rest.time_to_90_s, 's')}, "
            f"time constant {wording.shown(rest.time_constant_s, 's')}{fit}, met at {wording.shown(rest.settled_kpa, 'kPa')} gauge"
        )
    for static in findings.static:
        lines.append(
            f"  at rest {wording.span(static.start_s, static.end_s)}: {wording.shown(static.static_kpa, 'kPa')} gauge, "
            f"against saturation at soak {wording.shown(static.saturation_gap_kpa, 'kPa')}"
        )
    timed = [s for s in findings.settlings if s.settling_time_s.value is not None]
    for one in timed[:12]:
        lines.append(
            f"  settling after {one.after} at {wording.clock(one.start_s)}, {wording.place(one.place)}: "
            f"{wording.shown(one.settling_time_s, 's')} to the 5 % band, final {wording.shown(one.final)}"
        )
    return ["", "Measures", *lines] if lines else []


def _checks(findings: Findings) -> list[str]:
    lines = ["", "Looked for"]
    for state in (PRESENT, ABSENT, UNDECIDED):
        for check in findings.checks:
            if check.state == state:
                lines.append(f"  {state:<10} {wording.title(check.kind)}: {check.why}")
    return lines
