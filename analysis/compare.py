"""Before and after a repair: only what was recorded under like conditions is compared.

An intermittent fault is not proved gone by averages: its spells are counted over matched good time and held to the
exact conditional test of two Poisson rates, cell by cell. A permanent one is gone where its own detector finds it
absent afterwards. The verdict is for the vehicle: another fault after the repair is told and is no repair.
"""

import math
from collections.abc import Sequence

import numpy as np

from analysis.case import Case
from analysis.comparison import (
    CANNOT_TELL,
    NOT_REPAIRED,
    REPAIRED,
    Comparison,
    Conditions,
    Side,
    Spells,
)
from analysis.conditions import UNKNOWN, Codes, Matching, matching_of
from analysis.coverage import during, rate_of, spells_of
from analysis.diagnose import diagnose_timeline
from analysis.differences import differences_of
from analysis.episodes import detectors
from analysis.findings import ABSENT, Findings
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.rates import needed_without_event, ratio_limits, two_rates
from analysis.shown import count, lasting
from analysis.timeline import Floats, Span, timeline_of
from analysis.titles import title
from recorder.errors import InputError
from recorder.recording import Recording

LIMITS = limit_table(
    Limit("least_exposure", 10.0, "s", "on each side; " + PRACTICE),
    Limit("state_at_start", 20.0, "s", "a spell's conditions are those of its first part; " + PRACTICE),
    Limit("shown", 0.05, "1", "level of the one-sided test that the rate fell"),
)
ITSELF = ("both are one and the same recording",)
Analysed = tuple[Findings, Case]


def compare(before: Recording, after: Recording, software: str) -> Comparison:
    """Analyse both recordings and compare what was recorded under like conditions.

    Raises
    ------
    InputError
        If one of them holds no sample.
    """
    return compare_analysed(analysed(before, software), analysed(after, software))


def analysed(recording: Recording, software: str) -> Analysed:
    """One of the two, diagnosed; raises InputError if it holds no sample."""
    timeline = timeline_of(recording)
    if timeline is None:
        why = f" ({'; '.join(recording.damage)})" if recording.damage else ""
        raise InputError(f"{recording.path}: holds no sample that can be read{why}; nothing can be compared with it.")
    return diagnose_timeline(recording, timeline, software)


def compare_analysed(before: Analysed, after: Analysed) -> Comparison:
    """Compare two analysed recordings."""
    (found_before, case_before), (found_after, case_after) = before, after
    matching = matching_of(case_before, case_after)
    spells = _spells(before, after, matching)
    conditions = _conditions(case_before, case_after, matching)
    doubts = _doubts(found_before, found_after)
    alike = any(one.why is None for one in conditions)
    verdict, why = _doubted(doubts, *_verdict(found_before, found_after, spells, _blind(case_after), alike=alike))
    return Comparison(
        _side(found_before),
        _side(found_after),
        (*doubts, *_notes(found_before, found_after)),
        conditions,
        matching.not_matched,
        differences_of(case_before, case_after, matching),
        spells,
        verdict,
        why,
    )


def _side(findings: Findings) -> Side:
    about = findings.recording
    return Side(
        about.id,
        about.name,
        about.started_at,
        about.duration_s,
        about.sealed,
        about.intact,
        about.digest,
        findings.verdict,
        _kinds(findings),
    )


def _kinds(findings: Findings) -> tuple[str, ...]:
    return tuple(sorted({episode.kind for episode in findings.episodes if episode.kind != "sensor_fault"}))


def _doubts(before: Findings, after: Findings) -> tuple[str, ...]:
    """What forbids to call anything repaired: the two do not belong together, or cannot be trusted."""
    if before.recording.id == after.recording.id:
        return ITSELF
    doubts: list[str] = []
    for key, words in (("vin", "VIN"), ("plate", "plate"), ("refrigerant", "refrigerant")):
        one, other = before.job_sheet.get(key), after.job_sheet.get(key)
        if one and other and one != other:
            doubts.append(f"the job sheets differ in {words}: {one} before, {other} after")
    started = (before.recording.started_at, after.recording.started_at)
    if started[0] and started[1] and started[0] > started[1]:
        doubts.append("the recording given as 'after' is the older one")
    return (
        *doubts,
        *(f"the recording {f.recording.name} is damaged" for f in (before, after) if not f.recording.intact),
    )


def _notes(before: Findings, after: Findings) -> tuple[str, ...]:
    """What a reader must know of where the job sheets come from."""
    return tuple(
        f"the job sheet of {f.recording.name} was handed in for this and is not the sealed one"
        for f in (before, after)
        if f.recording.sealed and not f.recording.job_sheet_sealed
    )


def _doubted(doubts: tuple[str, ...], verdict: str, why: str) -> tuple[str, str]:
    """A verdict under doubts: under any nothing is repaired, and a recording beside itself tells nothing."""
    if doubts and (verdict == REPAIRED or doubts == ITSELF):
        return CANNOT_TELL, f"{doubts[0]} (as it stands: {why})"
    return verdict, why


def _conditions(before: Case, after: Case, matching: Matching) -> tuple[Conditions, ...]:
    seconds = [
        np.bincount(codes[codes != UNKNOWN], minlength=len(matching.cells)) * case.timeline.step_s
        for case, codes in ((before, matching.before), (after, matching.after))
    ]
    least, found = LIMITS["least_exposure"].value, list[Conditions]()
    for cell, one, other in zip(matching.cells, seconds[0].tolist(), seconds[1].tolist(), strict=True):
        short = [when for when, s in (("before", one), ("after", other)) if s < least]
        why = f"under {least:.0f} s of it {' and '.join(short)}" if short else None
        found.append(Conditions(cell.says(), one, other, why))
    return tuple(sorted(found, key=lambda c: (c.why is not None, -c.before_s - c.after_s)))


def _spells(before: Analysed, after: Analysed, matching: Matching) -> Spells:
    """Count the spells of both in matched good time, and test whether their rate fell."""
    size = len(matching.cells)
    sides = ((before, matching.before), (after, matching.after))
    good = [_good_s(analysed, codes, size) for analysed, codes in sides]
    shared = (good[0] >= LIMITS["least_exposure"].value) & (good[1] >= LIMITS["least_exposure"].value)
    began = [[_cell_of(analysed[1], codes, spell) for spell in _spells_in(analysed)] for analysed, codes in sides]
    counts = [np.array([cells.count(i) if shared[i] else 0 for i in range(size)], np.int_) for cells in began]
    left_out = [len(cells) - int(of_side.sum()) for cells, of_side in zip(began, counts, strict=True)]
    rates = [rate_of(int(of_side.sum()), float(s[shared].sum())) for of_side, s in zip(counts, good, strict=True)]
    needed_s = None
    # Where none of the spells before can be held against anything after, it must be driven again as it was then.
    where = [] if rates[0].count else [i for i in dict.fromkeys(began[0]) if i != UNKNOWN]
    if not shared.any():
        says = "no good time under like conditions: the rates cannot be compared"
        under = _under(matching, where)
        return Spells(rates[0], rates[1], left_out[0], left_out[1], None, None, None, None, under, says)
    exposures = [(float(a), float(b)) for a, b in zip(good[0][shared], good[1][shared], strict=True)]
    first, second = counts[0][shared].tolist(), counts[1][shared].tolist()
    p_fell = two_rates(list(zip(first, second, strict=True)), exposures)[0]
    low, high = ratio_limits(rates[0].count, rates[0].exposure_s, rates[1].count, rates[1].exposure_s)
    if rates[0].count and not rates[1].count and p_fell > LIMITS["shown"].value:
        factor = needed_without_event(first, exposures)
        where = [i for i in range(size) if counts[0][i]]
        needed_s = (factor - 1.0) * float(good[1][where].sum())
    if not any((*counts[0], *counts[1], *left_out)):
        says = "no spells to count: whatever was there was there throughout"
        return Spells(rates[0], rates[1], 0, 0, None, None, None, None, None, says)
    says = f"{_rate_says(rates[0].count, rates[0].exposure_s)} before, "
    says += f"{_rate_says(rates[1].count, rates[1].exposure_s)} after, under like conditions"
    under = _under(matching, where)
    return Spells(rates[0], rates[1], left_out[0], left_out[1], p_fell, low, high, needed_s, under, says)


def _under(matching: Matching, where: Sequence[int]) -> str | None:
    """Conditions in words; None where none are known."""
    return "; or ".join(matching.cells[i].says() for i in where) or None


def _rate_says(spells: int, good_s: float) -> str:
    return f"{count(spells, 'spell') if spells else 'none'} in {lasting(good_s)} of good running"


def _spells_in(analysed: Analysed) -> list[Span]:
    return spells_of(analysed[0].episodes)


def _good_s(analysed: Analysed, codes: Codes, size: int) -> Floats:
    """Seconds outside of spells in each cell: a spell can only begin there."""
    kept = codes[(codes != UNKNOWN) & ~during(analysed[1], _spells_in(analysed))]
    return np.bincount(kept, minlength=size).astype(np.float64) * analysed[1].timeline.step_s


def _cell_of(case: Case, codes: Codes, spell: Span) -> int:
    """The cell in which a spell began: the commonest over its first part; -1 where that is not known."""
    first = case.timeline.index(spell[0])
    part = codes[first : case.timeline.index(min(spell[1], spell[0] + LIMITS["state_at_start"].value)) + 1]
    part = part[part != UNKNOWN]
    return int(np.bincount(part).argmax()) if len(part) else UNKNOWN


def _verdict(
    before: Findings, after: Findings, spells: Spells, blind: Sequence[str], *, alike: bool
) -> tuple[str, str]:
    """Repaired shown, not repaired, or cannot tell and how much driving would."""
    kinds, still = _kinds(before), _kinds(after)
    if not kinds:
        return CANNOT_TELL, "no fault was seen before, so nothing can show that it is gone"
    named = " and ".join(title(kind) for kind in kinds)
    back = [kind for kind in still if kind in kinds]
    if back:
        fewer = ""
        if spells.p_fell is not None and spells.p_fell <= LIMITS["shown"].value:
            fewer = f"; it comes less often ({spells.says}; exact test p {spells.p_fell:.2g})"
        return NOT_REPAIRED, f"{' and '.join(title(kind) for kind in back)}: still there after the repair{fewer}"
    if still:
        others = " and ".join(title(kind) for kind in still)
        return NOT_REPAIRED, f"{named}: not seen again, but now another fault shows: {others}"
    open_kinds = _not_shown_absent(before, after, blind)
    if open_kinds:
        return CANNOT_TELL, f"{named}: not seen after the repair, but {open_kinds}"
    if any(not episode.permanent for episode in before.episodes if episode.kind in kinds):
        return _intermittent(named, spells)
    if not alike:
        return CANNOT_TELL, (
            f"{named}: there throughout before, absent after the repair, but the two share no like conditions"
        )
    return REPAIRED, f"{named}: there throughout before, absent after the repair"


def _not_shown_absent(before: Findings, after: Findings, blind: Sequence[str]) -> str:
    """Which kinds of before are not shown to be absent now, and why; empty where all are.

    One that was there throughout must be absent; one that came and went looked for and not suspected.
    """
    permanent = {episode.kind for episode in before.episodes if episode.permanent}
    doubts = [
        f"the recording after the repair cannot exclude {title(check.kind)} ({check.why})"
        for check in after.checks
        if check.kind in _kinds(before)
        and (check.state != ABSENT if check.kind in permanent else check.suspected or check.kind in blind)
    ]
    return "; ".join(doubts)


def _blind(case: Case) -> tuple[str, ...]:
    """The kinds that a recording cannot show: it lacks what their detectors need."""
    return tuple(one.KIND for one in detectors() if any(case.lacks(need) for need in one.NEEDS))


def _intermittent(named: str, spells: Spells) -> tuple[str, str]:
    if spells.p_fell is not None and spells.before.count and spells.p_fell <= LIMITS["shown"].value:
        return REPAIRED, f"{named}: {spells.says}; so few by chance at an unchanged rate: {chance(spells.p_fell)}"
    if spells.needed_s is None or not math.isfinite(spells.needed_s):
        again = f"; drive it {spells.needed_under}" if spells.needed_under else ""
        return CANNOT_TELL, (
            f"{named}: not seen after the repair, but the conditions under which it came before were not met again "
            f"({spells.says}){again}"
        )
    return CANNOT_TELL, (
        f"{named}: not seen after the repair, yet that may be chance ({chance(spells.p_fell or 1.0)}: {spells.says}); "
        f"{lasting(spells.needed_s)} more without it would show the repair, driven {spells.needed_under}"
    )


def chance(p: float) -> str:
    """A probability in per cent: two digits of a small one, one digit of the smallest that still tells."""
    if p < 0.001:
        return "under 0.1 %"
    return f"{100.0 * p:.2g} %" if p < 0.1 else f"{100.0 * p:.0f} %"
