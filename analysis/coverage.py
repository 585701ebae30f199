"""What a short look would have missed, where the fault lives, and how much driving is enough.

A spell is a stretch at fault: intermittent episodes that overlap, or follow each other within a minute, are one. Placed
at random within the recording, a look of w seconds misses when it meets no spell: the share of its possible positions
that are free. Its interval speaks for drives like this one: good and bad stretches in turn (an alternating renewal
process), their mean lengths within their exact 95 % limits (Garwood 1936). With nothing seen, the rate is bounded by
-ln(0.05)/exposure.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.conditions import asked_for, outside_air, since_first_start, standing_of
from analysis.findings import Circumstance, Coverage, Episode, Rate
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.rates import NOTHING_SEEN_95, garwood, holm, missed_in_turn, needed_without_event, two_rates
from analysis.shown import lasting, percent, times
from analysis.stretches import usual_level
from analysis.timeline import Span

LIMITS = limit_table(
    Limit("same_spell", 60.0, "s", "episodes closer than this are one spell; " + PRACTICE),
    Limit("ambient_like", 5.0, "K", "about the complaint's ambient temperature; " + PRACTICE),
    Limit("state_at_start", 20.0, "s", "a spell's condition is what held over its first part; " + PRACTICE),
    Limit("least_on_a_side", 60.0, "s", "less exposure than this is no comparison; " + PRACTICE),
    Limit("says_nothing", 0.9, "1", "width of an interval of a chance; " + PRACTICE),
    Limit("shown", 0.05, "1", "level of the tests"),
)
LOOKS_S = (120.0, 300.0, 600.0)
NO_LOOK: dict[str, float | None] = {f"{look:.0f}": None for look in LOOKS_S}
WITHOUT_SPELL = Rate(0, 0.0, None, None, None)
NOTHING_COVERED = Coverage(
    None, 0.0, "nothing", (), WITHOUT_SPELL, NO_LOOK, dict.fromkeys(NO_LOOK), None, (), None,
    "Record a drive", "Nothing can be said of faults",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Exposure:
    """Where the complaint's conditions held with cooling asked for, in words, and what no channel could show."""

    mask: Mask
    under: str
    not_checked: tuple[str, ...]


def coverage_of(case: Case, episodes: Sequence[Episode]) -> Coverage:
    """Judge the recording as a sample of driving."""
    exposure = exposure_of(case)
    exposed_s = case.seconds(exposure.mask)
    faults = [episode for episode in episodes if episode.kind != "sensor_fault"]
    spans = union([(episode.start_s, episode.end_s) for episode in faults])
    spells = spells_of(episodes)
    inside = sum(_held(case, exposure.mask, asked_for(case), spell) is True for spell in spells)
    rate = rate_of(inside, case.seconds(exposure.mask & ~during(case, spells)))
    enough_s, enough_says = _enough(exposure.under, rate, len(spells))
    if not spans:
        bound = NOTHING_SEEN_95 / (exposed_s / 3600.0) if exposed_s > 0 else None
        return Coverage(
            0.0 if exposed_s > 0 else None, exposed_s, exposure.under, exposure.not_checked, rate, NO_LOOK,
            dict.fromkeys(NO_LOOK), bound, (), enough_s, enough_says, _nothing_seen(case, exposure, exposed_s),
        )  # fmt: skip
    duration = case.timeline.duration_s
    missed: dict[str, float | None] = {}
    interval: dict[str, tuple[float, float] | None] = {}
    for look in LOOKS_S:
        chance = missed_by_look(spans, duration, look)
        missed[f"{look:.0f}"] = chance
        interval[f"{look:.0f}"] = None if chance is None else missed_interval(chance, spells or spans, duration, look)
    says = f"{_shown_in_words(spans, duration)}. {_missed_in_words(missed, interval)}"
    if any(episode.permanent for episode in faults):
        says = "The signs stood whenever the system ran: a short look with cooling on meets them too"
        if not spells:
            enough_s, enough_says = None, "After the repair a drive like this one shows whether they are gone"
    share = sum(end - start for start, end in spans) / duration if duration > 0 else None
    circumstances = circumstances_of(case, spells)
    return Coverage(
        share, exposed_s, exposure.under, exposure.not_checked, rate, missed, interval, None, circumstances, enough_s,
        enough_says, says,
    )  # fmt: skip


def spells_of(episodes: Sequence[Episode]) -> list[Span]:
    """Stretches at fault that stand apart: intermittent episodes joined where they overlap or nearly touch."""
    apart = LIMITS["same_spell"].value
    passing = [e for e in episodes if not e.permanent and e.kind != "sensor_fault"]
    return [(start, end - apart) for start, end in union([(e.start_s, e.end_s + apart) for e in passing])]


def rate_of(count: int, exposed_s: float) -> Rate:
    """Rate an hour of good time with its exact limits; null without exposure."""
    if exposed_s <= 0:
        return Rate(count, exposed_s, None, None, None)
    hours = exposed_s / 3600.0
    low, high = garwood(count)
    return Rate(count, exposed_s, count / hours, low / hours, high / hours)


def during(case: Case, spells: Sequence[Span]) -> Mask:
    """Where a spell was on: no other can begin there."""
    mask = np.zeros(len(case.timeline.t_s), np.bool_)
    for start, end in spells:
        mask[case.timeline.index(start) + 1 : case.timeline.index(end) + 1] = True
    return mask


def exposure_of(case: Case) -> Exposure:
    """Cooling asked for, under the conditions of the complaint where the job sheet states them."""
    mask, words, unseen = asked_for(case), list[str](), list[str]()
    if case.running.basis == "none":
        mask = np.zeros(len(mask), np.bool_)  # where no channel shows whether it ran, no fault could have shown
    job = case.job
    if job.complaint_after_min:
        mask = mask & (since_first_start(case) >= 60.0 * job.complaint_after_min)
        words.append(f"from {job.complaint_after_min:.0f} min after the start")
    if job.complaint_when in ("idle", "moving"):
        standing = standing_of(case)
        if standing is None:
            unseen.append(f"{job.complaint_when}, since neither road speed nor engine speed was recorded")
        else:
            mask = mask & (standing if job.complaint_when == "idle" else ~standing)
            told = "" if case.operating.moving is not None else " by the engine's speed"
            words.append(f"{'standing' if job.complaint_when == 'idle' else 'moving'}{told}")
    if job.complaint_ambient_degc is not None:
        ambient, around = outside_air(case), LIMITS["ambient_like"].value
        if ambient is None:
            unseen.append(f"{job.complaint_ambient_degc:.0f} degC outside, since ambient was not recorded")
        else:
            mask = mask & (np.abs(ambient - job.complaint_ambient_degc) <= around)
            words.append(f"within {around:.0f} K of {job.complaint_ambient_degc:.0f} degC outside")
    under = "under the conditions of the complaint (" + ", ".join(words) + ")" if words else "with cooling asked for"
    return Exposure(mask, under, tuple(unseen))


def circumstances_of(case: Case, spells: Sequence[Span]) -> tuple[Circumstance, ...]:
    """Where the fault lives: each condition's split of the spells against its split of the exposure.

    Road speed is split at standing; the others at what the job sheet states, else at the median of the exposure, which
    knows nothing of the spells. Only good time is exposure: no spell begins inside another.
    """
    good = asked_for(case) & ~during(case, spells)
    raw: list[tuple[str, str, bool, int, int, float, float]] = []
    for factor, under, stated, mask, known in _conditions(case, good):
        starts = [_held(case, mask, known, spell) for spell in spells]
        here, there = starts.count(True), starts.count(False)
        under_s, outside_s = case.seconds(mask & good & known), case.seconds(~mask & good & known)
        if here + there and min(under_s, outside_s) >= LIMITS["least_on_a_side"].value:
            raw.append((factor, under, stated, here, there, under_s, outside_s))
    chances = [two_rates([(here, there)], [(u, o)])[1] for *_, here, there, u, o in raw]
    adjusted = list(chances)
    for family in (True, False):
        members = [i for i, row in enumerate(raw) if row[2] is family]
        for index, p in zip(members, holm([chances[i] for i in members]), strict=True):
            adjusted[index] = p
    return tuple(
        Circumstance(factor, under, here, there, u, o, p, q, stated, _circumstance(under, here, there, u, o, q))
        for (factor, under, stated, here, there, u, o), p, q in zip(raw, chances, adjusted, strict=True)
    )


def _conditions(case: Case, good: Mask) -> list[tuple[str, str, bool, Mask, Mask]]:
    """Factor, words, whether the job sheet states it, where it holds, and where it is known."""
    job, everywhere = case.job, np.ones(len(good), np.bool_)
    found: list[tuple[str, str, bool, Mask, Mask]] = []
    standing = standing_of(case)
    if standing is not None:
        found.append(("road_speed", "standing", job.complaint_when in ("idle", "moving"), standing, everywhere))
    since = since_first_start(case)
    stated = job.complaint_after_min or None
    after_s = 60.0 * stated if stated else usual_level(since[good]) if good.any() else 0.0
    words = f"later than {after_s / 60.0:.0f} min after the start"
    found.append(("since_start", words, stated is not None, since >= after_s, everywhere))
    for factor, values, above, unit, given in (
        ("ambient", outside_air(case), "above", "degC outside", job.complaint_ambient_degc),
        ("engine_speed", case.operating.engine_speed, "with the engine above", "1/min", None),
    ):
        if values is None or not np.isfinite(values[good]).any():
            continue
        known = np.isfinite(values)
        level = usual_level(values[good]) if given is None else given - LIMITS["ambient_like"].value
        found.append((factor, f"{above} {level:.0f} {unit}", given is not None, values > level, known))
    return found


def _held(case: Case, mask: Mask, known: Mask, spell: Span) -> bool | None:
    """Whether a condition held over most of a spell's first part; None where it is not known."""
    first = case.timeline.index(spell[0])
    last = case.timeline.index(min(spell[1], spell[0] + LIMITS["state_at_start"].value))
    part = mask[first : last + 1][known[first : last + 1]]
    return bool(np.mean(part) > 0.5) if len(part) else None


def _circumstance(under: str, here: int, there: int, under_s: float, outside_s: float, p: float) -> str:
    share = under_s / (under_s + outside_s)
    counted = f"it began {here} of {here + there} times {under}, in {percent(share)} of the good running"
    if p > LIMITS["shown"].value:
        return f"{counted}: that may be chance (exact test, p {p:.2f})"
    way = "more" if here / (here + there) > share else "fewer"
    return f"{counted}: {way} than chance would bring (exact test, p {p:.1g})"


def _enough(under: str, rate: Rate, spells: int) -> tuple[float | None, str]:
    """How much driving without a fault, under the same conditions, makes its absence mean something."""
    good_s = rate.exposure_s
    if spells and not rate.count and under.startswith("under"):
        began = "it did not begin" if spells == 1 else f"none of its {spells} spells began"
        return None, f"The fault was seen, yet {began} {under}: it may not be what the complaint is about"
    if good_s <= 0.0:
        return None, "Record a drive with cooling asked for" + (f", {under}" if under.startswith("under") else "")
    if rate.count:
        needed_s = good_s * needed_without_event([rate.count], [(good_s, good_s)])
        return needed_s, (
            f"After a repair, {lasting(needed_s)} {under} without a fault would show that it comes less often than "
            f"here ({times(rate.count)} in {lasting(good_s)} of good running; exact "
            "test, 95 %)"
        )
    left_s = max(3600.0 * NOTHING_SEEN_95 - good_s, 0.0)
    if left_s == 0.0:
        return 0.0, f"Enough was driven {under} to exclude a fault that comes once an hour or more often (95 %)"
    return left_s, (
        f"To exclude a fault that comes once an hour or more often (95 %), {lasting(left_s)} more {under} must pass "
        "without one"
    )


def _shown_in_words(spans: Sequence[Span], duration_s: float) -> str:
    at_fault = sum(end - start for start, end in spans)
    return f"The fault showed for {lasting(at_fault)} of {lasting(duration_s)} ({percent(at_fault / duration_s)})"


def _missed_in_words(missed: dict[str, float | None], interval: dict[str, tuple[float, float] | None]) -> str:
    looks = [(float(key), chance, interval[key]) for key, chance in missed.items() if chance is not None]
    if not looks:
        return "The recording is shorter than any look"
    here = ", ".join(f"{percent(chance)} in {lasting(look)}" for look, chance, _ in looks)
    told = f"A look at a random moment of this drive misses it with a chance of {here}"
    limits = [limits for *_, limits in looks if limits is not None]
    if all(high - low > LIMITS["says_nothing"].value for low, high in limits):
        return f"{told}; too few spells to tell what other drives would show"
    elsewhere = ", ".join(f"{100 * low:.0f} to {percent(high)}" for low, high in limits)
    return f"{told}; in other drives like it {elsewhere} (95 % limits)"


def _nothing_seen(case: Case, exposure: Exposure, exposed_s: float) -> str:
    unseen = f" (not checked: {'; '.join(exposure.not_checked)})" if exposure.not_checked else ""
    if case.running.basis == "none":
        return "No channel shows whether the compressor ran: the recording says nothing about faults"
    if exposed_s <= 0:
        if exposure.under.startswith("under"):
            return f"This drive never came {exposure.under}: it says nothing about the complaint"
        return "Cooling was never asked for: the recording says nothing about faults"
    return (
        f"Nothing was seen in {lasting(exposed_s)} {exposure.under}{unseen}: a fault of a kind that this recording "
        f"can show comes at most {NOTHING_SEEN_95 / (exposed_s / 3600.0):.1f} times an hour (95 %); a rarer one can "
        "have stayed away"
    )


def union(spans: Sequence[Span]) -> list[Span]:
    """Disjoint spans that cover the same seconds."""
    merged: list[Span] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged


def missed_by_look(spans: Sequence[Span], duration_s: float, look_s: float) -> float | None:
    """Chance that a look of ``look_s`` placed at random in the recording meets none of the spans.

    None where the recording is shorter than the look.
    """
    room = duration_s - look_s
    if room <= 0:
        return None
    # A look that starts within (start - look, end) meets the span.
    caught = union([(max(0.0, start - look_s), min(room, end)) for start, end in spans if start - look_s < room])
    return max(1.0 - sum(max(0.0, end - start) for start, end in caught) / room, 0.0)


def missed_interval(chance: float, spans: Sequence[Span], duration_s: float, look_s: float) -> tuple[float, float]:
    """95 % interval of the chance to miss in drives like this one, from the limits of the mean good and bad stretch.

    It holds the chance of this very drive, which a regular fault can push outside of what random ones would give.
    """
    count, bad_s = len(spans), sum(end - start for start, end in spans)
    good_s = duration_s - bad_s
    if good_s <= 0.0 or count == 0:
        return chance, chance
    fewest, most = garwood(count)
    lasting = bad_s / count
    spread = lasting if count < 2 else float(np.std([end - start for start, end in spans], ddof=1))
    u_lasting = 2.0 * spread / math.sqrt(count)
    often = missed_in_turn(good_s / most, lasting + u_lasting, look_s)
    seldom = missed_in_turn(good_s / max(fewest, 1e-9), max(lasting - u_lasting, 0.0), look_s)
    return min(often, chance), max(seldom, chance)
