"""What a sheet says, as rows and sentences in the reader's units; the same for print and screen.

Everything here is plain text: the typesetter and the browser are handed it as data, never as markup.
"""

from dataclasses import dataclass
from typing import Any, cast

from analysis import wording
from analysis.case import CHARGING_U95_KG, RECOVERY_U95_KG
from analysis.findings import CANNOT_TELL, FAULT_FOUND, UNDECIDED, Cause, Findings
from analysis.plots import usual
from analysis.sentences import check_says, episode_says, left_open, reasons, shown_degrees
from analysis.shown import Units, percent
from analysis.uncertainty import Measured
from recorder.recording import short_digest

Rows = list[list[str]]
NOT_STATED = "not stated"
USUAL_PLACES = (
    *("low_side", "high_side", "vent", "return_air", "ambient", "suction_line", "liquid_line", "clutch", "fan"),
    *("engine_speed", "vehicle_speed"),
)
"""What a full set of clips covers; what is missing of it is told."""
CAUSES_NOTE = "Each cause is judged by itself: the percentages need not add up to 100."
NAMES = {"clutch": "clutch supply", "fan": "condenser fan supply"}
JUDGED = {
    "over_ambient_k": ("condensing over ambient", "K"),
    "superheat_k": ("superheat", "K"),
    "subcooling_k": ("subcooling", "K"),
    "evaporating_degc": ("evaporating temperature", "degC"),
    "vent_over_evaporating_k": ("vent over evaporating", "K"),
}
"""Measures of an episode that have an expectation, by the quantity's name and unit."""
WORDS = {
    "cycling_clutch": "cycling clutch",
    "variable_internal": "variable, internal control",
    "variable_external": "variable, external control",
}


@dataclass(frozen=True, slots=True)
class CauseBlock:
    """A cause with its reasons, ready to be set."""

    standing: str
    title: str
    probability: str
    reasons: Rows
    parts: str
    telling: str
    next: str


def place(name: str) -> str:
    """A place in the words of a sheet."""
    return NAMES.get(name) or wording.place(name)


def digest_words(findings: Findings) -> str:
    """The short digest, or that there is none."""
    digest = findings.recording.digest
    return short_digest(digest) if digest else "not sealed"


def job_rows(findings: Findings, *rows: tuple[str, str, str], always: bool = True) -> Rows:
    """Rows of the job sheet by label, key and unit; what is not known is told in one row, or left out."""
    given = [(label, findings.job_sheet.get(key), unit) for label, key, unit in rows]
    missing = [label for label, value, _ in given if value is None]
    shown = [[label, _stated(value, unit)] for label, value, unit in given if value is not None]
    if not always or not missing:
        return shown
    together = len(missing) > 1
    return [*shown, [NOT_STATED, ", ".join(missing)] if together else [missing[0], NOT_STATED]]


def _stated(value: Any, unit: str) -> str:
    if value is None:
        return NOT_STATED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(str(item) for item in cast("list[Any]", value))
    if isinstance(value, int | float):
        return f"{value:.10g} {unit}".strip()
    text = WORDS.get(str(value), str(value))
    return text.replace("_", " ") if text in ("expansion_valve", "fixed_orifice") else text


def vehicle_rows(findings: Findings) -> Rows:
    """Who and what was recorded."""
    model = [("make and model", "model", "")] if findings.job_sheet.get("model") else []
    return job_rows(
        findings,
        ("customer", "customer", ""),
        ("vehicle", "vehicle", ""),
        *model,
        ("VIN", "vin", ""),
        ("plate", "plate", ""),
        ("odometer in", "odometer_in_km", "km"),
        ("odometer out", "odometer_out_km", "km"),
    )


def order_rows(findings: Findings) -> Rows:
    """The order and the circuit; what few job sheets say is told where one does."""
    told = job_rows(
        findings,
        ("receiver", "receiver", ""),
        ("ports", "ports", ""),
        ("rear evaporator", "rear_evaporator", ""),
        ("internal heat exchanger", "internal_heat_exchanger", ""),
        ("altitude", "altitude_m", "m"),
        ("weather", "weather", ""),
        always=False,
    )
    usual_rows = job_rows(
        findings,
        ("order number", "order_number", ""),
        ("refrigerant", "refrigerant", ""),
        ("identified by", "refrigerant_identified_by", ""),
        ("metering device", "metering", ""),
        ("compressor", "compressor", ""),
        ("fault codes", "fault_codes", ""),
    )
    stated = [row for row in usual_rows if NOT_STATED not in row]
    return stated + told + [row for row in usual_rows if NOT_STATED in row]


def complaint_rows(findings: Findings) -> Rows:
    """Complaint, cause and correction, parts and labour."""
    return job_rows(
        findings,
        ("complaint", "complaint", ""),
        ("cause", "cause", ""),
        ("correction", "correction", ""),
        ("parts", "parts", ""),
        ("labour", "labour_h", "h"),
    )


def done_rows(*findings: Findings) -> Rows:
    """Cause, correction, parts and labour, from the first job sheet that says something of them."""
    for one in findings:
        rows = job_rows(
            one,
            ("cause", "cause", ""),
            ("correction", "correction", ""),
            ("parts", "parts", ""),
            ("labour", "labour_h", "h"),
            always=False,
        )
        if rows:
            return rows
    return []


def charge_rows(findings: Findings) -> Rows:
    """What was weighed against what belongs in, with u95; empty only where the job sheet says nothing of it."""
    job = findings.job_sheet
    rated, recovered, charged = (job.get(k) for k in ("rated_charge_kg", "recovered_kg", "charged_kg"))
    rows = [["rated", _stated(rated, "kg"), "job sheet"]]
    if recovered is None:
        rows.append(["recovered", "not weighed", ""])
    else:
        stated = job.get("recovered_u95_kg")
        source = "job sheet" if stated else "u95 for oil and a cold accumulator: common practice, no source"
        rows.append(["recovered", _weighed(float(recovered), float(stated or RECOVERY_U95_KG), rated), source])
    if charged is not None:
        source = "u95 of a charging machine: SAE J2788, from memory"
        rows.append(["charged", _weighed(float(charged), CHARGING_U95_KG, rated), source])
    machine = job_rows(
        findings,
        ("charging machine", "charging_machine", ""),
        ("its calibration", "charging_machine_calibrated_on", ""),
        always=False,
    )
    return rows + [[*row, "job sheet"] for row in machine]


def _weighed(mass: float, u95: float, rated: float | None) -> str:
    from analysis.uncertainty import rounded

    text = f"{rounded(mass, u95)} ± {rounded(u95, u95)} kg"
    if not rated:
        return text
    off, spread = 100.0 * (mass / rated - 1.0), 100.0 * u95 / rated
    return f"{text}, {abs(off):.0f} ± {spread:.0f} % {'below' if off < 0 else 'above'} rated"


def episode_rows(findings: Findings, units: Units, most: int) -> tuple[Rows, str]:
    """Number, time, kind and evidence of the episodes; and how many more there are."""
    rows = [
        [
            str(number),
            wording.when(e),
            wording.title(e.kind),
            wording.in_words(episode_says(e, units), findings),
        ]
        for number, e in enumerate(findings.episodes, start=1)
    ]
    more = len(rows) - most
    note = ""
    if more > 0:
        kinds = [e.kind for e in findings.episodes[most:]]
        counted = ", ".join(f"{kinds.count(k)} × {wording.title(k)}" for k in dict.fromkeys(kinds))
        note = f"and {more} more ({counted}); the HTML report lists every one"
    return rows[:most], note


def causes(findings: Findings, units: Units) -> list[CauseBlock]:
    """Causes that are proven or likely in full, those not excluded in short."""
    return [
        _cause(cause, findings, units, whole=cause.standing in ("proven", "likely")) for cause in wording.told(findings)
    ]


def _cause(cause: Cause, findings: Findings, units: Units, *, whole: bool) -> CauseBlock:
    speaks_for = [["for", wording.in_words(reason, findings)] for reason in reasons(cause, units, speaks_for=True)]
    against = [["against", wording.in_words(reason, findings)] for reason in reasons(cause, units, speaks_for=False)]
    undecided = [["open", wording.in_words(left_open(cause, units), findings)]] if cause.left_open else []
    return CauseBlock(
        cause.standing.capitalize(),
        wording.title(cause.cause),
        percent(cause.probability),
        speaks_for + against if whole else speaks_for + undecided + against[:2],
        wording.parts_of(cause) if whole else "",
        "; ".join(told for told in (cause.telling_test if whole else "", cause.apart) if told),
        cause.next_check,
    )


def expected_rows(findings: Findings, units: Units, *, measured_only: bool) -> Rows:
    """Quantity, measured with u95, expected and result; the worst of the episodes first."""
    rows = _worst_rows(findings, units)
    return rows + [
        [row.quantity, units.shown(row.measured, row.unit), units.band(row.low, row.high, row.unit), row.state]
        for row in findings.expected
        if row.measured.value is not None or not measured_only
    ]


def expected_note(findings: Findings) -> str:
    """Who says what is to be expected."""
    sources = "; ".join(dict.fromkeys(row.source for row in findings.expected))
    return f"Expected: {sources}. Inside or outside is said only where the value stands clear of the limit by its u95."


def _worst_rows(findings: Findings, units: Units) -> Rows:
    """What the episodes themselves showed, where it lies farthest outside of what is usual."""
    worst: dict[str, tuple[float, list[str]]] = {}
    for number, episode in enumerate(findings.episodes, start=1):
        if episode.permanent or episode.kind == "sensor_fault":
            continue
        for evidence in episode.evidence:
            for name, (quantity, unit) in JUDGED.items():
                value, edges = evidence.measures.get(name), usual(findings, quantity)
                if value is None or value.value is None or edges is None:
                    continue
                out = max(edges[0] - value.value, value.value - edges[1])
                if out > max(value.u95 or 0.0, worst.get(name, (0.0, []))[0]):
                    shown, band = units.shown(value, unit), units.band(*edges, unit)
                    worst[name] = out, [f"{quantity}, episode No. {number}", shown, band, "outside"]
    return [row for _, row in worst.values()]


def not_measured(findings: Findings, units: Units, *, briefly: bool = False) -> list[str]:
    """What nobody can say from this recording: clips that were not on, measures not had, kinds left undecided."""
    there = {s.place for s in findings.sensors}
    lines: list[str] = []
    away = [place(name) for name in USUAL_PLACES if name not in there]
    if away:
        lines.append(f"not clipped on: {', '.join(away)}")
    by_reason: dict[str, list[str]] = {}
    for row in findings.expected:
        if row.measured.value is None:
            by_reason.setdefault(row.measured.why or "not measured", []).append(row.quantity)
    for why, quantities in by_reason.items():
        named = f"{len(quantities)} of the usual quantities" if briefly and len(quantities) > 2 else ""
        lines.append(f"{named or ', '.join(quantities)}: {why}")
    if findings.job_sheet.get("recovered_kg") is None:
        lines.append("the refrigerant in the system was not weighed")
    open_kinds: dict[str, list[str]] = {}
    for check in findings.checks:
        if check.state == UNDECIDED:
            open_kinds.setdefault(check_says(check, units), []).append(wording.title(check.kind))
    if briefly and open_kinds:
        lines.append(f"not decided: {', '.join(kind for kinds in open_kinds.values() for kind in kinds)}")
    else:
        lines += [f"not decided: {', '.join(kinds)} ({why})" for why, kinds in open_kinds.items()]
    return lines or ["every kind that this version knows was examined and decided"]


def how_sure(findings: Findings, units: Units) -> list[str]:
    """The standing in words, then what this drive can say."""
    cause = wording.leading(findings)
    lines: list[str] = []
    if findings.verdict == FAULT_FOUND and cause is not None:
        fact = next((w.says for w in cause.weighed if w.proves), "a fact was seen").partition("; the longest")[0]
        fact = wording.in_words(shown_degrees(fact, units), findings)
        words = {
            "proven": f"Proven: {fact}. That leaves no other reading.",
            "likely": f"Likely, {percent(cause.probability)} by the weights of evidence; not proven.",
        }
        lines.append(words[cause.standing])
        if len(cause.parts) > 1:
            lines.append(f"Not shown is which of these is behind it: {wording.one_of(cause.parts)}.")
    elif findings.verdict == FAULT_FOUND:
        lines.append("That something is wrong is shown; why, is not settled.")
    if findings.verdict == CANNOT_TELL:
        lines.append("It cannot be told from this recording.")
    return [*lines, wording.coverage_lines(findings, units)[0]]


def sensor_rows(findings: Findings, units: Units) -> Rows:
    """Place, u95, calibration, serial number, rate and share missing of each channel."""
    return [
        [
            place(s.id),
            _accuracy(s.u95, s.unit, units) + (" *" if s.u95 and not s.accuracy_stated else ""),
            s.calibrated_on or NOT_STATED,
            s.serial_number or NOT_STATED,
            f"{s.rate_hz:.3g} Hz",
            percent(s.missing),
        ]
        for s in findings.sensors
    ]


def _accuracy(u95: float, unit: str, units: Units) -> str:
    symbol = "K" if unit == "degC" else unit
    scale, _, shown = units.factor(symbol)
    return f"± {units.shown(Measured(u95 * scale, u95 * scale)).split(' ')[0]} {shown}" if u95 else NOT_STATED


def sensor_note(findings: Findings) -> str:
    """What u95 means, and where an accuracy was assumed."""
    note = "u95: expanded uncertainty, k = 2; with 95 % the true value lies within it."
    if all(s.accuracy_stated or not s.u95 for s in findings.sensors):
        return note
    return f"{note} * the node states no accuracy: an ordinary sensor's is taken (common practice, no source)."


def record_lines(findings: Findings) -> list[str]:
    """What a reader must know of the record itself: corrections, a job sheet of another source, flags."""
    about = findings.recording
    lines = [f"corrected after sealing: {sentence}" for sentence in about.corrections]
    if about.sealed and not about.job_sheet_sealed:
        lines.append("the job sheet was handed in for this sheet and is not the sealed one")
    return lines + [f"{wording.clock(flag.time_s)} {flag.text}" for flag in findings.flags]


def verify_words(findings: Findings) -> str:
    """How to verify, and what a digest proves and what not."""
    about = findings.recording
    if not about.digest:
        return (
            "This recording is not sealed: nothing shows whether it was changed. Seal it with: warmspell seal FOLDER."
        )
    since = ""
    if about.corrections_digest:
        number = wording.count(len(about.corrections), "correction")
        since = f" Since sealing: {number}, digest {short_digest(about.corrections_digest)}, printed by check as well."
    return (
        f"To verify: warmspell check FOLDER (or BUNDLE.zip) must print the digest {short_digest(about.digest)}. It is "
        "the start of a SHA-256 over every file of the recording. Lodged elsewhere on the day of sealing, it proves "
        "that the files are still those of that day. It does not prove who recorded them, in which vehicle, or that "
        f"the sensors were right; a new seal over changed files has another digest.{since}"
    )
