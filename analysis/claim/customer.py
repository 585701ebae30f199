"""The customer page: one page without jargon: what was found, how sure that is, what it means, what comes next."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from analysis import wording
from analysis.case import Case
from analysis.claim.content import USUAL_PLACES
from analysis.claim.sheet import PRINT_BUCKETS, as_complained, heading_data, standing_word
from analysis.claim.typeset import Layout, Sheet, breakable, foreign_note, printable, typeset
from analysis.diagnose import LEAST_EXPOSURE_S
from analysis.findings import CANNOT_TELL, FAULT_FOUND, NO_FAULT_SEEN, UNDECIDED, Cause, Findings
from analysis.plots import Figure, Lane, Strip, figure_of
from analysis.preferences import Preferences
from analysis.pressure_limits import limit_of
from analysis.shown import percent
from analysis.strip_chart import printed


@dataclass(frozen=True, slots=True)
class Plain:
    """A kind of fault for somebody who only wants cold air: by name, as it is found, and what it means."""

    name: str
    found: str
    means: str


PLAIN = {
    "compressor_dropout": Plain(
        "a pump that stops by itself",
        "The compressor, the pump that makes the cold, stopped by itself while cooling was switched on.",
        "While it stands still no cold is made and the air from the vents turns warm. It starts again by itself, "
        "which is why a short look in the workshop can find everything in order.",
    ),
    "high_pressure_trip": Plain(
        "a shut-off for too high a pressure",
        "The air conditioning switched itself off because its pressure became too high.",
        "This protects the system. While it waits for the pressure to fall, the air from the vents turns warm.",
    ),
    "undercharge": Plain(
        "too little refrigerant",
        "There is too little refrigerant in the system.",
        "Cooling is weak. Refrigerant does not wear out: if some is missing, it has leaked, and the leak should be "
        "found before more is filled in.",
    ),
    "condenser_airflow_loss": Plain(
        "too little air at the front",
        "The radiator of the air conditioning at the front of the vehicle gets too little air.",
        "The heat taken out of the cabin cannot leave the vehicle then. Cooling fades, mostly when the vehicle stands, "
        "and comes back once it moves.",
    ),
    "moisture_freeze": Plain(
        "water that freezes inside",
        "A little water in the system freezes at its narrowest place and blocks it for a while.",
        "Cooling stops until the ice thaws by itself, then it works again, until it freezes the next time.",
    ),
    "restriction": Plain(
        "a narrow place",
        "Something narrows the way of the refrigerant.",
        "Too little of it reaches the place where the air is cooled, so that cooling is weak all the time.",
    ),
    "evaporator_icing": Plain(
        "ice behind the dashboard",
        "Ice grows in the air conditioning behind the dashboard.",
        "The ice blocks the air, so that less and less comes out of the vents on a long drive. After a break it is "
        "gone.",
    ),
    "valve_hunting": Plain(
        "an unsteady valve",
        "The valve that doses the refrigerant opens and closes all the time instead of finding its place.",
        "Cooling swings up and down. It still works, but less well than it should.",
    ),
    "weak_pumping": Plain(
        "a weak pump",
        "The compressor, the pump that makes the cold, runs but pumps too little.",
        "Cooling is weak meanwhile, although everything is switched on.",
    ),
    "overcharge": Plain(
        "too much refrigerant",
        "There is too much refrigerant in the system.",
        "The system works against too high a pressure: it cools less, needs more power and wears faster.",
    ),
    "non_condensables": Plain(
        "air in the refrigerant",
        "There is air in the refrigerant system.",
        "Air takes room that the refrigerant needs. The system cools less and works against too high a pressure.",
    ),
    "overfeeding_valve": Plain(
        "a valve that lets too much through",
        "The valve that doses the refrigerant lets too much of it through.",
        "Cooling is weak, and liquid that should have turned into gas can harm the compressor.",
    ),
    "outside_the_circuit": Plain(
        "a cause outside of the refrigerant system",
        "The refrigerant system works; the warm air most likely comes from elsewhere, such as a flap or the heater.",
        "Cold is made but does not reach you in full.",
    ),
}
NO_KIND = ("overfeeding_valve", "outside_the_circuit")
"""Causes that are looked for as causes only."""
SURE = {
    "proven": "We are sure of that. Which part has failed, a check has to show.",
    "likely": "Very probable, but not proven yet. The workshop's check settles it.",
    "leaning": "Probable, but not proven. The workshop's check settles it.",
}
VERY = 0.9
"""From this probability on it is called very probable (our own choice)."""
ROOM = ((400.0, 420), (330.0, 420), (245.0, 420), (200.0, 220), (140.0, 110))
"""Height of the picture [px] and length of what is quoted from the job sheet, from roomy to tight."""
MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July", "August", "September", "October"),
    *("November", "December"),
)
FLAMMABLE = ("R-1234yf", "R-152a")
CAUTION = (
    "The air conditioning is under high pressure, and some of its parts start by themselves or are hot. Please do not "
    "open or refill it yourself."
)


def customer_page(case: Case, findings: Findings, chosen: Preferences) -> Sheet:
    """Typeset the page; the same findings give the same bytes."""
    figure = _picture(case, findings, chosen)
    # Long texts: a lower picture and shorter quotes, but one page.
    layouts = (_layout(case, findings, figure, chosen.paper, picture, words) for picture, words in ROOM)
    return typeset("customer.typ", layouts, {})


def _layout(case: Case, findings: Findings, figure: Figure, paper: str, picture: float, words: int) -> Layout:
    data, foreign = printable(page_data(case, findings, words))
    data["paper"] = paper
    data["foreign"] = foreign_note(foreign).removesuffix("; the HTML report shows them.")
    return Layout(breakable(data), {"picture.svg": printed(figure, picture)})


def page_data(case: Case, findings: Findings, words: int) -> dict[str, Any]:
    """The words of the page; what the job sheet says is quoted up to ``words`` characters."""
    job = findings.job_sheet
    named = [str(job[key]) for key in ("vehicle", "plate", "customer") if job.get(key)]
    return {
        **heading_data(case, findings, "Your air conditioning"),
        "subheading": _when(case, findings),
        "vehicle": _cut(" · ".join(named), min(words, 160)),
        "standing": standing_word(findings),
        "complaint": _cut(str(job.get("complaint") or ""), words),
        "found": _found(findings),
        "sure": _sure(findings),
        "means": _means(findings),
        "unmeasured": _unmeasured(findings),
        "done": _cut(_done(findings), words),
        "next": _next(findings),
        "drive": _drive_on(case, findings),
        "picture_note": _picture_note(case, findings),
        "caution": CAUTION,
        "technician": str(job.get("technician") or ""),
    }


def _when(case: Case, findings: Findings) -> str:
    """Day and length of the drive as one says them."""
    about = findings.recording
    minutes = wording.count(max(round(about.duration_s / 60.0), 1), "minute")
    started = datetime.fromtimestamp(case.timeline.started_utc_ns / 1e9, UTC)
    day = f"Recorded on {started.day} {MONTHS[started.month - 1]} {started.year}, {minutes} long"
    told = day if about.started_at else f"A recording of {minutes}"
    return told + (f" ({about.origin})" if about.origin else "")


def _unmeasured(findings: Findings) -> str:
    """What this recording leaves open; the claim sheet says why."""
    there = {sensor.place for sensor in findings.sensors}
    away = sum(place not in there for place in USUAL_PLACES)
    open_kinds = [PLAIN[c.kind].name for c in findings.checks if c.state == UNDECIDED and c.kind in PLAIN]
    parts: list[str] = []
    if away:
        parts.append(f"{away} of the {len(USUAL_PLACES)} usual sensors {'was' if away == 1 else 'were'} not fitted.")
    if findings.job_sheet.get("recovered_kg") is None:
        parts.append("The refrigerant was not weighed.")
    if len(open_kinds) == len(PLAIN) - len(NO_KIND):
        parts.append("None of the faults that we look for could be decided.")
    elif open_kinds:
        parts.append(f"Not decided: {', '.join(open_kinds)}.")
    return " ".join(parts) or "Everything we look for was measured and decided."


def _leading(findings: Findings) -> Cause | None:
    """The leading cause where a fault of the vehicle was found; a sensor's fault is nothing for a customer."""
    cause = wording.leading(findings)
    if findings.verdict != FAULT_FOUND or cause is None or cause.cause == "sensor_fault":
        return None
    return cause


def _found(findings: Findings) -> str:
    cause = _leading(findings)
    if cause is not None:
        return PLAIN[cause.cause].found + _often(findings, cause.cause)
    if findings.verdict == FAULT_FOUND:
        kinds = [e.kind for e in findings.episodes if e.kind in PLAIN]
        seen = " ".join(PLAIN[k].found for k in dict.fromkeys(kinds))
        return f"Something is wrong, but what causes it is not settled. What we saw: {seen}"
    if findings.verdict == NO_FAULT_SEEN:
        minutes = wording.count(round(findings.coverage.exposure_s / 60.0), "minute")
        under = "under the conditions that you told us of" if as_complained(findings) else "of recorded cooling"
        return f"In {minutes} {under} no fault showed itself."
    return "This recording does not show enough to say whether there is a fault."


def _often(findings: Findings, kind: str) -> str:
    """How often it showed in this drive, or for how long where it stayed."""
    own = [e for e in findings.episodes if e.kind == kind]
    if not own:
        return ""
    if any(e.permanent for e in own):
        return " It showed whenever the cooling ran."
    minutes = wording.count(max(round(findings.recording.duration_s / 60.0), 1), "minute")
    lasted = f", for {wording.lasting(own[0].end_s - own[0].start_s)}," if len(own) == 1 else ""
    return f" We saw it {wording.times(len(own))}{lasted} in {minutes}."


def _sure(findings: Findings) -> str:
    cause = _leading(findings)
    missed = findings.coverage.missed_by_look.get("300")
    glance = ""
    passing = any(not e.permanent for e in findings.episodes if e.kind != "sensor_fault")
    if findings.verdict == FAULT_FOUND and passing and missed is not None and missed >= 0.05:
        glance = f" A five-minute look would have missed it with a chance of {100 * missed:.0f} %."
    if cause is not None:
        odds = "" if cause.standing == "proven" else f" We put it at {percent(cause.probability)}."
        leaning = cause.standing == "likely" and cause.probability < VERY
        return f"{SURE['leaning' if leaning else cause.standing]}{odds}{glance}"
    if findings.verdict == FAULT_FOUND:
        return f"That something is wrong is certain, the reason is not.{glance}"
    if findings.verdict == NO_FAULT_SEEN:
        bound = findings.coverage.rate_bound_per_hour
        rare = f" Only one that comes {bound:.0f} times an hour could hardly have stayed away." if bound else ""
        return f"A fault that comes rarely can hide from one drive.{rare}"
    return f"Not sure at all. {_why_not(findings)}"


def _why_not(findings: Findings) -> str:
    """Why nothing can be told, without the trade's words; the claim sheet has them."""
    there = {sensor.place for sensor in findings.sensors}
    suspected = [PLAIN[c.kind].name for c in findings.checks if c.suspected and c.kind in PLAIN]
    if not {"low_side", "high_side"} <= there or findings.compressor.basis == "none":
        return "Sensors that would show it were not fitted."
    if suspected:
        return f"We suspect {wording.one_of(suspected)}, but what was measured does not settle it."
    if findings.coverage.exposure_s < LEAST_EXPOSURE_S:
        under = " under the conditions that you told us of" if as_complained(findings) else ""
        return f"Too little cooling was recorded{under}."
    if any(row.state == "outside" for row in findings.expected):
        return "Something stood outside of what is usual, and which fault it comes from does not show."
    return "What was measured does not settle it."


def _means(findings: Findings) -> str:
    cause = _leading(findings)
    if cause is not None:
        return PLAIN[cause.cause].means
    if findings.verdict == FAULT_FOUND:
        kinds = [e.kind for e in findings.episodes if e.kind in PLAIN]
        return " ".join(PLAIN[k].means for k in dict.fromkeys(kinds))
    if findings.verdict == NO_FAULT_SEEN:
        return "The air conditioning did its work during this drive."
    return "Neither that it is healthy nor that it is faulty."


def _done(findings: Findings) -> str:
    """Cause, correction and parts, where the work is done already."""
    job = findings.job_sheet
    told = [str(job[key]) for key in ("cause", "correction") if job.get(key)]
    parts = ", ".join(str(part) for part in job.get("parts", []))
    return " ".join(told) + (f" Parts: {parts}." if parts else "")


def _next(findings: Findings) -> str:
    cause = _leading(findings)
    if _done(findings) and findings.verdict == NO_FAULT_SEEN:
        return "Drive as usual. If the air turns warm again, note when: standing or moving, how long after the start."
    if cause is not None:
        which = "which of these it is" if len(cause.parts) > 1 else "this"
        return (
            f"The workshop checks {which}: {wording.one_of(cause.parts)}. Then it can tell you what the repair takes."
        )
    if findings.verdict == FAULT_FOUND:
        return "The workshop looks further for the reason before any part is changed."
    open_question = any(c.suspected for c in findings.checks) or any(r.state == "outside" for r in findings.expected)
    if findings.verdict == CANNOT_TELL and open_question:
        return "The workshop measures what was missing and looks again, before any part is changed."
    return (
        "If the air turns warm, note when: standing or moving, how long after the start, how hot the day. A longer "
        "drive under those conditions can be recorded then."
    )


def _drive_on(case: Case, findings: Findings) -> str:
    """Whether to drive on, by the cautions alone: a pressure near its limit, and refrigerant that burns."""
    kinds = {episode.kind for episode in findings.episodes}
    if _near_limit(case, findings):
        told = (
            "Leave the air conditioning switched off until the workshop has looked at it: its pressure came near the "
            "limit of what it is made for."
        )
    elif findings.verdict == CANNOT_TELL:
        told = "This recording does not tell."
    else:
        told = "This recording is about the air conditioning alone, and nothing in it forbids that."
        if findings.verdict == FAULT_FOUND:
            told += " Have it seen to soon."
    if "undercharge" in kinds and findings.job_sheet.get("refrigerant") in FLAMMABLE:
        told += " Refrigerant may be escaping, and this one burns: no flame or spark near it."
    return f"{told} What your technician says comes before this page."


def _near_limit(case: Case, findings: Findings) -> bool:
    """Whether the high side came near its limit by readings that can be trusted."""
    high = case.derived.high_kpa
    if high is None or any(e.kind == "sensor_fault" and e.channel == "high_side" for e in findings.episodes):
        return False
    gauge = high[np.isfinite(high)] - case.timeline.barometric_kpa
    return bool((gauge >= limit_of(findings.recording.refrigerant, "high_side")).any())


def _picture(case: Case, findings: Findings, chosen: Preferences) -> Figure:
    """One strip: the air from the vents and outside; under it when the fault showed."""
    duration = case.timeline.duration_s
    whole = figure_of(case, findings, "", 0.0, duration, PRINT_BUCKETS, chosen.units)
    names = {"vent": "air from the vents", "ambient": "air outside"}
    air = next((s for s in whole.strips if s.quantity == "air and evaporator"), None)
    lines = tuple(replace(line, name=names[line.name]) for line in (air.lines if air else ()) if line.name in names)
    if air is not None and any(line.name == names["vent"] for line in lines):
        strips: tuple[Strip, ...] = (replace(air, quantity="temperature", lines=lines),)
    else:
        strips = tuple(replace(s, quantity="pressure", bands=()) for s in whole.strips[:1])
    spans = tuple((e.start_s, e.end_s) for e in findings.episodes if e.kind != "sensor_fault")
    lanes = (Lane("the fault shows", spans, "episode"),) if spans else ()
    told = {mark.time_s for mark in case.timeline.marks if mark.kind == "complaint"}
    told |= set([mark.time_s for mark in case.timeline.marks if mark.kind in ("ac_off", "engine_off")][-1:])
    flags = tuple(flag for flag in whole.flags if flag.time_s in told)
    return replace(whole, strips=strips, lanes=lanes, flags=flags)


def _picture_note(case: Case, findings: Findings) -> str:
    own = [e for e in findings.episodes if e.kind != "sensor_fault"]
    shows = " The bar below: the fault shows." if own else ""
    what = "The air that came out of the vents" if case.timeline.grid("vent") is not None else "What was recorded"
    stopped = any(mark.kind in ("ac_off", "engine_off") for mark in case.timeline.marks)
    off = " Once cooling or engine is off, the air warms: that is no fault." if stopped else ""
    return f"{what} over the whole drive, from left to right.{shows}{off}"


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 1] + "…"
