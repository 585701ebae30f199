"""A recording to its findings: the one place that calls the measures, detectors and causes in order."""

import importlib
from collections.abc import Sequence

from analysis.case import Case, case_of
from analysis.causes import weigh
from analysis.coverage import NOTHING_COVERED, coverage_of
from analysis.episodes import detectors, examine
from analysis.expected import expected_of
from analysis.facts import facts_of
from analysis.findings import (
    CANNOT_TELL,
    FAULT_FOUND,
    KINDS,
    NO_FAULT_SEEN,
    UNDECIDED,
    About,
    Check,
    Compressor,
    Coverage,
    Episode,
    Expected,
    Findings,
    LimitUsed,
    Note,
    Sensor,
)
from analysis.limits import Limit
from analysis.settling import settlings_of
from analysis.telling_apart import told_apart
from analysis.timeline import Timeline, timeline_of
from analysis.titles import title
from analysis.uncertainty import absent, measured
from analysis.vacuum import vacuum_holds_of
from recorder.amendments import Amendment, amended_job
from recorder.marks import iso_utc
from recorder.recording import Recording

MODULES_WITH_LIMITS = (
    "readings",
    "timeline",
    "derived",
    "operating",
    "legs",
    "stepless",
    "edges",
    "runs",
    "stops",
    "cycling",
    "equalisation",
    "settling",
    "vacuum",
    "static",
    "soak",
    "lost_lift",
    "starving",
    "dips",
    "climbs",
    "hot_stretches",
    "electrics",
    "facts",
    "causes",
    "telling_apart",
    "coverage",
)
LEAST_EXPOSURE_S = 120.0
"""Less cooling than this is no look at all (common practice, no source)."""


def diagnose(recording: Recording, software: str) -> Findings:
    """Analyse a recording; one without a readable sample is told to be so."""
    timeline = timeline_of(recording)
    if timeline is None:
        return _nothing_to_read(recording, software)
    return diagnose_timeline(recording, timeline, software)[0]


def _nothing_to_read(recording: Recording, software: str) -> Findings:
    """The document of a recording whose every sample is missing or damaged."""
    why = "; ".join(recording.damage) or "nothing was recorded"
    why = f"no sample can be read: {why}"
    about = About(
        recording.id,
        recording.path.name,
        None,
        0.0,
        recording.sealed,
        recording.intact,
        recording.damage,
        recording.digest,
        recording.origin,
        recording.software,
        recording.job.refrigerant,
        absent("no sample"),
    )
    checks = tuple(Check(kind, UNDECIDED, "no sample can be read") for kind in KINDS)
    return Findings(
        recording=about,
        job_sheet=recording.job.to_dict(),
        sensors=(),
        compressor=Compressor("none", (), ()),
        cycling=(),
        equalisations=(),
        static=(),
        vacuum=(),
        settlings=(),
        expected=(),
        episodes=(),
        checks=checks,
        causes=(),
        verdict=CANNOT_TELL,
        verdict_why=why,
        coverage=NOTHING_COVERED,
        marks=(),
        flags=(),
        limits=limits_used(),
        software=software,
    )


def diagnose_timeline(recording: Recording, timeline: Timeline, software: str) -> tuple[Findings, Case]:
    """Analyse a recording that is on its time base already; the case is returned for drawing."""
    case = case_of(timeline, recording.job)
    episodes, checks = examine(case)
    disturbed = [(e.start_s, e.end_s) for e in episodes if not e.permanent and e.kind != "sensor_fault"]
    coverage = coverage_of(case, episodes)
    expected = expected_of(case, episodes)
    facts = facts_of(case, episodes, checks)
    verdict, why = verdict_of(case, episodes, checks, expected, coverage)
    findings = Findings(
        _about(recording, timeline),
        recording.job.to_dict(),
        _sensors(timeline),
        Compressor(case.running.basis, case.running.runs, case.stops),
        case.cycling,
        case.equalisations,
        case.static,
        vacuum_holds_of(timeline),
        settlings_of(timeline, case.operating, case.running, disturbed),
        expected,
        episodes,
        checks,
        told_apart(weigh(facts), facts),
        verdict,
        why,
        coverage,
        tuple(Note(mark.time_s, mark.kind, mark.text) for mark in timeline.marks),
        tuple(Note(flag.start_s, flag.kind, flag.says) for flag in timeline.flags),
        limits_used(),
        software,
    )
    return findings, case


def verdict_of(
    case: Case,
    episodes: Sequence[Episode],
    checks: Sequence[Check],
    expected: Sequence[Expected],
    coverage: Coverage,
) -> tuple[str, str]:
    """A fault of the vehicle, none seen, or cannot tell and why."""
    faults = [episode for episode in episodes if episode.kind != "sensor_fault"]
    if faults:
        kinds = sorted({title(episode.kind) for episode in faults})
        return FAULT_FOUND, "found: " + ", ".join(kinds)
    missing = [place for place in ("low_side", "high_side") if case.lacks(place)]
    if missing:
        return CANNOT_TELL, "not recorded: " + " and ".join(place.replace("_", " ") for place in missing)
    if case.lacks("refrigerant"):
        return CANNOT_TELL, "the job sheet states no refrigerant"
    if not case.running.runs:
        return CANNOT_TELL, "the compressor never pumped in this recording"
    if coverage.exposure_s < LEAST_EXPOSURE_S:
        return CANNOT_TELL, f"only {coverage.exposure_s:.0f} s were recorded {coverage.counted_under}"
    suspected = [check for check in checks if check.suspected]
    if suspected:
        return CANNOT_TELL, "; ".join(f"suspected: {title(check.kind)} ({check.why})" for check in suspected)
    unseen = {need for detector in detectors() for need in detector.NEEDS if case.lacks(need)}
    if unseen:
        blind = [title(c.kind) for c in checks if c.state == UNDECIDED and unseen & set(c.missing)]
        needs = ", ".join(sorted(need.replace("_", " ") for need in unseen))
        return CANNOT_TELL, f"no fault was recognised, but without {needs} nobody can look for: {', '.join(blind)}"
    outside = [row for row in expected if row.state == "outside"]
    if outside:
        rows = "; ".join(f"{row.quantity} {row.measured.value or 0.0:.0f} {row.unit}" for row in outside)
        return CANNOT_TELL, f"no kind of fault was recognised, yet outside what is expected: {rows}"
    open_kinds = [title(check.kind) for check in checks if check.state == UNDECIDED]
    left = f". Left undecided: {', '.join(open_kinds)}" if open_kinds else ""
    return NO_FAULT_SEEN, f"{coverage.says}{left}"


def _about(recording: Recording, timeline: Timeline) -> About:
    return About(
        recording.id,
        recording.path.name,
        iso_utc(timeline.started_utc_ns) if recording.timed else None,
        timeline.duration_s,
        recording.sealed,
        recording.intact,
        recording.damage,
        recording.digest,
        recording.origin,
        recording.software,
        recording.job.refrigerant,
        measured(timeline.barometric_kpa, timeline.barometric_u_kpa),
        tuple(_correction(amendment) for amendment in recording.amendments),
        recording.chain_digest,
        recording.sealed_job is None or recording.job == amended_job(recording.sealed_job, recording.amendments),
    )


def _correction(amendment: Amendment) -> str:
    """A correction made after sealing, in a sentence."""
    marks = (("added", amendment.marks_added), ("removed", amendment.marks_removed))
    changed = [name.replace("_", " ") for name in amendment.job_sheet]
    changed += [f"marks {way}: {len(of_kind)}" for way, of_kind in marks if of_kind]
    return f"{amendment.utc} by {amendment.by}: {', '.join(changed)} ({amendment.reason})"


def _sensors(timeline: Timeline) -> tuple[Sensor, ...]:
    return tuple(
        Sensor(
            signal.channel.id,
            signal.channel.place,
            signal.channel.unit,
            round(1.0 / signal.step_s, 4),
            signal.missing,
            signal.channel.reference,
            2.0 * signal.u,
            signal.accuracy_stated,
            signal.noise,
            signal.channel.calibrated_on,
            signal.channel.serial_number,
        )
        for signal in timeline.signals.values()
    )


def limits_used() -> tuple[LimitUsed, ...]:
    """Every threshold of the analysis, by module."""
    tables: list[tuple[str, dict[str, Limit]]] = [
        (name, importlib.import_module(f"analysis.{name}").LIMITS) for name in MODULES_WITH_LIMITS
    ]
    tables += [(f"episodes.{detector.KIND}", detector.LIMITS) for detector in detectors()]
    return tuple(
        LimitUsed(module, limit.name, limit.value, limit.unit, limit.source)
        for module, table in tables
        for limit in table.values()
    )
