"""What a short look would have missed, and how much driving is enough.

Placed at random within the recording, a look of w seconds misses when it meets no episode: the share of its possible
positions that are free. Its interval scales the number of episodes by their exact Poisson limits (Garwood 1936). With
nothing seen, the rate is bounded by -ln(0.05)/exposure.
"""

import math
from collections.abc import Sequence
from typing import cast

import numpy as np
from numpy.typing import NDArray

from analysis.case import Case
from analysis.findings import Coverage, Episode
from analysis.operating import Mask
from analysis.timeline import Span

LOOKS_S = (120.0, 300.0, 600.0)
NOTHING_SEEN_95 = -math.log(0.05)
"""Upper 95 % limit of a Poisson mean with no event: 2.9957 (Hanley & Lippman-Hand, JAMA 249, 1983)."""


def coverage_of(case: Case, episodes: Sequence[Episode]) -> Coverage:
    """Judge the recording as a sample of driving."""
    duration = case.timeline.duration_s
    exposure_s = float(_exposed(case).sum()) * case.timeline.step_s
    faults = [episode for episode in episodes if episode.kind != "sensor_fault"]
    spans = union([(episode.start_s, episode.end_s) for episode in faults])
    if not spans:
        bound = NOTHING_SEEN_95 / (exposure_s / 3600.0) if exposure_s > 0 else None
        says = _nothing_seen(case, exposure_s)
        nothing: dict[str, float | None] = {f"{w:.0f}": None for w in LOOKS_S}
        return Coverage(0.0 if exposure_s > 0 else None, exposure_s, nothing, dict.fromkeys(nothing, None), bound, says)
    share = sum(end - start for start, end in spans) / duration
    missed: dict[str, float | None] = {}
    interval: dict[str, tuple[float, float] | None] = {}
    for look in LOOKS_S:
        chance = missed_by_look(spans, duration, look)
        key = f"{look:.0f}"
        missed[key] = chance
        interval[key] = _interval(chance, len(spans)) if chance is not None else None
    says = _missed_in_words(missed, interval)
    if any(episode.permanent for episode in faults):
        says = "The fault shows whenever the system runs: any look with cooling on sees it"
    return Coverage(share, exposure_s, missed, interval, None, says)


def _missed_in_words(missed: dict[str, float | None], interval: dict[str, tuple[float, float] | None]) -> str:
    looks: list[str] = []
    for key, chance in missed.items():
        limits = interval[key]
        if chance is None or limits is None:
            continue
        low, high = limits
        looks.append(
            f"a {float(key) / 60:.0f}-minute look {100 * chance:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"
        )
    if not looks:
        return "The recording is shorter than any look"
    return f"Chance to miss the fault at a random moment of this drive: {', '.join(looks)}"


def _nothing_seen(case: Case, exposure_s: float) -> str:
    if exposure_s <= 0:
        return "Cooling was never asked for: the recording says nothing about faults"
    hours = exposure_s / 3600.0
    narrowed = case.job.complaint_after_min is not None or case.job.complaint_when in ("idle", "moving")
    under = "under the conditions of the complaint" if narrowed else "with cooling asked for"
    return (
        f"Nothing was seen in {exposure_s / 60:.0f} min {under}: a fault of the kinds looked for that "
        f"comes up to {NOTHING_SEEN_95 / hours:.1f} times an hour could still have stayed away (95 %)"
    )


def _exposed(case: Case) -> Mask:
    """Cooling asked for, under the conditions of the complaint where the job sheet states them."""
    exposed = case.operating.asked & case.operating.engine_running & case.timeline.recorded()
    if case.job.complaint_after_min is not None:
        started = case.running.runs[0].start_s if case.running.runs else 0.0
        exposed = exposed & (case.timeline.t_s >= started + 60.0 * case.job.complaint_after_min)
    if case.operating.moving is not None and case.job.complaint_when == "idle":
        exposed = exposed & ~case.operating.moving
    if case.operating.moving is not None and case.job.complaint_when == "moving":
        exposed = exposed & case.operating.moving
    return exposed


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
    return 1.0 - sum(max(0.0, end - start) for start, end in caught) / room


def _interval(chance: float, episodes: int) -> tuple[float, float]:
    """Interval from the exact Poisson limits of the number of episodes."""
    low, high = garwood(episodes)
    if chance <= 0.0:
        return 0.0, 0.05 ** (low / episodes)
    return chance ** (high / episodes), chance ** (low / episodes)


def garwood(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided limits of a Poisson mean (Garwood 1936)."""
    from scipy.special import gammaincinv

    tail = (1.0 - confidence) / 2.0
    inverse = cast("NDArray[np.float64]", gammaincinv(np.array([max(count, 1), count + 1.0]), [tail, 1.0 - tail]))
    return (0.0 if count == 0 else float(inverse[0])), float(inverse[1])
