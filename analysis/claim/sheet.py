"""The claim sheet: for the warrantor, who asks whether it can be trusted and whether it shows a defect."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from analysis import wording
from analysis.case import Case
from analysis.claim import content
from analysis.claim.photos import Photo
from analysis.claim.typeset import Layout, Sheet, breakable, foreign_note, printable, typeset
from analysis.findings import FAULT_FOUND, NO_FAULT_SEEN, Episode, Findings
from analysis.plots import Figure, around, chosen, figure_of, strength, strongest
from analysis.preferences import Preferences
from analysis.sentences import episode_says
from analysis.shown import KPA, Units
from analysis.strip_chart import printed
from analysis.timeline import Span

EPISODES_LISTED = 40
WINDOWS, MOSTLY = 2, 0.6
CROWDED, CYCLES = 40, 16
"""From how many runs on some cycles are drawn by themselves, and how many."""
OVERVIEW = "overview.svg"
ROOM = ((268.0, 300.0, False), (250.0, 245.0, False), (235.0, 225.0, True))
"""Height of the overview and of a window, and whether the text stands close; the tighter where they save a page."""
PRINT_BUCKETS = 440
"""The traces are 440 px wide in print: a minimum and a maximum each."""


def claim_sheet(case: Case, findings: Findings, photos: Sequence[Photo], chosen_for: Preferences) -> Sheet:
    """Typeset the claim sheet; the same findings give the same bytes."""
    figures: dict[str, Figure] = {}
    data = sheet_data(case, findings, chosen_for.units, figures)
    data["paper"] = chosen_for.paper
    data |= _photos(photos)
    data, foreign = printable(data)
    if foreign:
        data["flags"].append(foreign_note(foreign))
    pictures = {f"photo{number}{_ending(p)}": p.data for number, p in enumerate(photos)}
    layouts = (
        Layout(
            breakable({**data, "close": close}),
            {file: printed(figure, whole if file == OVERVIEW else part) for file, figure in figures.items()},
        )
        for whole, part, close in ROOM
    )
    return typeset("sheet.typ", layouts, pictures, least=2)


def heading_data(case: Case, findings: Findings, heading: str) -> dict[str, Any]:
    """What both sheets say of themselves: title, dates, digest, damage."""
    about = findings.recording
    started = datetime.fromtimestamp(case.timeline.started_utc_ns / 1e9, UTC)
    digest = content.digest_words(findings)
    damage = "; ".join(about.damage)
    recorded = f"recorded {started:%Y-%m-%d %H:%M} UTC" if about.started_at else "date not stated"
    return {
        "title": f"{heading}, {about.name}",
        "software": findings.software,
        "date": [started.year, started.month, started.day] if about.started_at else [2000, 1, 1],
        "heading": heading,
        "subheading": f"{recorded}, {wording.lasting(about.duration_s)} long",
        "origin": f" · {about.origin}" if about.origin else "",
        "recording_id": about.id,
        "digest": digest,
        "footer": f"{heading} · {about.name} · digest {digest} · {findings.software}",
        "not_intact": not about.intact,
        "not_intact_word": "NOT INTACT",
        "damage": damage,
        "damage_short": damage if len(damage) < 110 else damage[:109] + "…",
        "fault": findings.verdict == FAULT_FOUND,
    }


def standing_word(findings: Findings) -> str:
    """The stamp on the sheet: the standing of the leading cause, else the verdict's short name."""
    cause = wording.leading(findings)
    if findings.verdict == FAULT_FOUND:
        return cause.standing if cause is not None and cause.cause != "sensor_fault" else "fault found"
    return "no fault seen" if findings.verdict == NO_FAULT_SEEN else "cannot tell"


def sheet_data(case: Case, findings: Findings, units: Units, figures: dict[str, Figure]) -> dict[str, Any]:
    """Everything the template shows; ``figures`` receives the pictures."""
    episodes, more = content.episode_rows(findings, units, EPISODES_LISTED)
    unmeasured = content.not_measured(findings, units)
    charge = content.charge_rows(findings)
    return {
        **heading_data(case, findings, "Air conditioning claim sheet"),
        "standing": standing_word(findings),
        "verdict": verdict_sentence(findings, units),
        "wrong": _wrong(findings, episodes, units),
        "sure": content.how_sure(findings, units),
        "unmeasured_short": content.not_measured(findings, units, briefly=True),
        "unmeasured": unmeasured,
        "vehicle": content.vehicle_rows(findings),
        "order": content.order_rows(findings),
        "complaint": content.complaint_rows(findings),
        **_figures(case, findings, units, figures),
        "episodes": episodes,
        "more": more,
        "causes": [
            {
                "standing": c.standing,
                "title": c.title,
                "probability": c.probability,
                "reasons": c.reasons,
                "parts": c.parts,
                "telling": c.telling,
                "next": c.next,
            }
            for c in content.causes(findings, units)
        ],
        "causes_note": content.CAUSES_NOTE,
        "expected_note": content.expected_note(findings),
        "expected": content.expected_rows(findings, units, measured_only=True),
        "measures": wording.measure_lines(findings, units),
        "coverage": wording.coverage_lines(findings, units),
        "charge": charge,
        "charge_notes": [row[2] for row in charge if row[2] not in ("", "job sheet")],
        "sensors": content.sensor_rows(findings, units),
        "sensor_note": content.sensor_note(findings),
        "flags": content.record_lines(findings),
        "cautions": list(wording.CAUTIONS),
        "technician": str(findings.job_sheet.get("technician", "")),
        "certificate": str(findings.job_sheet.get("certificate", "")),
        "verify": content.verify_words(findings),
    }


def verdict_sentence(findings: Findings, units: Units = KPA) -> str:
    """The verdict in one sentence, without the standing that the stamp before it says."""
    if findings.verdict == FAULT_FOUND:
        said = wording.verdict(findings)
        stamp, _, rest = said.partition(": ")
        told = rest if stamp.lower() == standing_word(findings) else said
        return told[:1].upper() + told[1:]
    if findings.verdict == NO_FAULT_SEEN:
        minutes = wording.count(round(findings.coverage.exposure_s / 60.0), "minute")
        under = "under the conditions of the complaint" if as_complained(findings) else "of cooling"
        return f"Nothing showed in {minutes} {under}.{_aside(findings)}"
    suspected = [wording.title(check.kind) for check in findings.checks if check.suspected]
    if suspected:
        return f"Suspected, not settled: {', '.join(suspected)}."
    _, note = wording.headline(findings, units)
    return note


def as_complained(findings: Findings) -> bool:
    """Whether only time under the conditions of the complaint was counted."""
    return findings.coverage.counted_under.startswith("under the conditions of the complaint")


def _aside(findings: Findings) -> str:
    """What a sensor did, where that is no fault of the vehicle's."""
    return wording.headline(findings)[0].removeprefix(f"{wording.VERDICTS[findings.verdict]}.")


def _wrong(findings: Findings, episodes: content.Rows, units: Units) -> list[str]:
    """What was seen in numbers, and the strongest of it in words."""
    if findings.verdict == NO_FAULT_SEEN:
        return [
            "Nothing, as far as this recording goes.",
            *(f"{row[2][:1].upper()}{row[2][1:]}, {row[1]}: {row[3]}." for row in episodes[:2]),
        ]
    if findings.verdict != FAULT_FOUND:
        why = wording.verdict_why(findings, units)
        return [f"{why[:1].upper()}{why[1:]}."]
    cause = wording.leading(findings)
    own = [(n, e) for n, e in enumerate(findings.episodes) if cause is not None and e.kind == cause.cause]
    own = own or [(n, e) for n, e in enumerate(findings.episodes) if e.kind != "sensor_fault"]
    at, strong = min(own, key=lambda pair: strength(findings)(pair[1]))
    if strong.permanent:
        says = wording.in_words(episode_says(strong, units), findings)
        return [f"{says[:1].upper()}{says[1:]}."]
    total = wording.length(sum(e.end_s - e.start_s for _, e in own))
    seen = f"{wording.count(len(own), 'episode')}, {total}{' in all' if len(own) > 1 else ''}."
    row = episodes[at] if at < len(episodes) else None
    which = "The strongest, No." if len(own) > 1 else "No."
    return [seen, f"{which} {row[0]} at {row[1]}: {row[3]}."] if row else [seen]


def _figures(case: Case, findings: Findings, units: Units, figures: dict[str, Figure]) -> dict[str, Any]:
    duration = case.timeline.duration_s
    shown = windows_of(findings, duration)
    kinds = [e.kind for e in strongest(findings, 1)] + [e.kind for e in findings.episodes]
    overview = figure_of(case, findings, "", 0.0, duration, PRINT_BUCKETS, units)
    figures[OVERVIEW] = chosen(overview, kinds)
    windows: list[dict[str, str]] = []
    for number, episode in enumerate(shown, start=1):
        figure = figure_of(case, findings, "", *around(episode, duration), PRINT_BUCKETS, units)
        file = f"window{number}.svg"
        figures[file] = chosen(figure, [episode.kind, *kinds], 5)
        which = findings.episodes.index(episode) + 1
        span = wording.span(episode.start_s, episode.end_s)
        windows.append({"title": f"No. {which}: {wording.title(episode.kind)}, {span}", "file": file})
    closely = None if shown else closely_of(case, findings)
    if closely is not None:
        figure = figure_of(case, findings, "", *closely, PRINT_BUCKETS, units)
        figures["window1.svg"] = chosen(figure, kinds, 5)
        windows.append({"title": f"A part of it closely, {wording.span(*closely)}", "file": "window1.svg"})
    lines = [f"{wording.span(e.start_s, e.end_s)} {wording.title(e.kind)}" for e in findings.episodes]
    return {
        "windows": windows,
        "overview_alt": f"Traces of the whole drive: {'; '.join(lines) or 'no episode'}.",
        "figure_note": figure_note(findings),
    }


def windows_of(findings: Findings, duration_s: float) -> list[Episode]:
    """The episodes that get a figure of their own: strongest first, none that another figure shows already."""
    kept: list[Episode] = []
    for episode in sorted(findings.episodes, key=strength(findings)):
        start, end = around(episode, duration_s)
        shown = [around(other, duration_s) for other in kept] + [(0.0, duration_s)]
        alike = [min(end, b) - max(start, a) > MOSTLY * max(end - start, b - a) for a, b in shown]
        if not episode.permanent and not any(alike):
            kept.append(episode)
    return sorted(kept[:WINDOWS], key=lambda e: e.start_s)


def closely_of(case: Case, findings: Findings) -> Span | None:
    """Some cycles out of the middle of a fault throughout, where the picture of the whole drive cannot show one."""
    throughout = next((e for e in findings.episodes if e.permanent and e.kind != "sensor_fault"), None)
    if throughout is None:
        return None
    starts = [r.start_s for r in case.running.runs if throughout.start_s <= r.start_s <= throughout.end_s]
    if len(starts) < CROWDED:
        return None
    middle = len(starts) // 2
    return starts[middle - CYCLES // 2], starts[middle + CYCLES // 2]


def figure_note(findings: Findings) -> str:
    """What is shaded and hatched in the figures."""
    job = findings.job_sheet
    metering = str(job.get("metering", "")).replace("_", " ")
    about = ", ".join(word for word in (findings.recording.refrigerant, metering) if word)
    shaded = f"Shaded: usual for {about} at this ambient (common practice, no source). " if about else ""
    hatched = (
        "Under the strips: when the compressor pumped, and the episodes, numbered as in the list; hatched, on a screen "
        "tinted, unless they fill most of the picture. "
    )
    words = "Evaporating, condensing: saturation temperature of the low side, of the high side. "
    aside = "Readings that were set aside are drawn but not judged."
    return f"{shaded}{hatched if findings.episodes else ''}{words if findings.recording.refrigerant else ''}{aside}"


def _photos(photos: Sequence[Photo]) -> dict[str, Any]:
    rows = [
        {"file": f"photo{number}{_ending(p)}", "caption": p.caption, "digest": p.digest, "covered": p.covered}
        for number, p in enumerate(photos)
    ]
    return {
        "photos": rows,
        "photos_note": "Attached by the technician. Each digest is the start of the file's SHA-256: compare it with "
        "the file.",
    }


def _ending(photo: Photo) -> str:
    return ".png" if photo.data.startswith(b"\x89PNG") else ".jpg"
