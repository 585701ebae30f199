"""The expansion valve hunts: the low side swings with a period of 10-60 s while the compressor runs on."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.case import Case
from analysis.dips import dips_of
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.stepless import VARIABLE
from analysis.stretches import smoothed
from analysis.timeline import Floats
from analysis.uncertainty import Measured, measured

KIND = "valve_hunting"
NEEDS = ("low_side", "high_side", "runs")
LIMITS = limit_table(
    Limit("window", 60.0, "s", PRACTICE),
    Limit("swing", 25.0, "kPa peak to peak", PRACTICE),
    Limit("longest_period", 62.0, "s", "10-60 s; " + PRACTICE),
    Limit("shortest_period", 7.0, "s", PRACTICE),
    Limit("regular", 0.45, "autocorrelation at the period", PRACTICE),
    Limit("least_cycles", 3.0, "1", PRACTICE),
    Limit("regular_on_the_road", 0.65, "autocorrelation at the period", PRACTICE),
    Limit("cycles_on_the_road", 5.0, "1", PRACTICE),
    Limit("swing_followed", 40.0, "kPa peak to peak", PRACTICE),
    Limit("regular_followed", 0.6, "autocorrelation at the period", PRACTICE),
    Limit("follows", 0.3, "correlation with the high side a quarter of a period later", PRACTICE),
    Limit("followed_period", 50.0, "s", "a jam moves on less often, and its ram air cools the high side; " + PRACTICE),
    Limit("clip", 3.0, "median deviations", PRACTICE),
    Limit("apart", -0.3, "correlation of the two sides", PRACTICE),
    Limit("regular_for_long", 0.5, "autocorrelation at the period", PRACTICE),
    Limit("cycles_for_long", 8.0, "1", "chance repeats less the longer it must; " + PRACTICE),
    Limit("short_stop", 12.0, "s", "of a stepless compressor, taken off at full throttle; " + PRACTICE),
    Limit("antiphase", -0.7, "correlation of the two sides", "a compressor that cycles draws them apart; " + PRACTICE),
    Limit("speed_swing", 130.0, "1/min", "standard deviation within the window; " + PRACTICE),
    Limit("uneven_swing", 60.0, "kPa peak to peak", "traffic alone can do that; " + PRACTICE),
    Limit("shortest", 50.0, "s", PRACTICE),
    Limit("merge", 60.0, "s", PRACTICE),
    Limit("break", 120.0, "s", "two windows: what a change of speed hides; " + PRACTICE),
    Limit("same_period", 0.25, "share of the period", PRACTICE),
    Limit("own_size", 0.4, "share of the stretch's usual swing", PRACTICE),
    Limit("pull_down", 75.0, "s", PRACTICE),
)
DIPS_SEVERITY = 0.7
NEVER_ON = "the compressor never ran on long enough"
DIPPED = "the low side dipped again and again while the compressor pumped on"
SPEED_LAGS_S = (0.0, 2.0, 5.0, 9.0, 14.0, 20.0)
"""How long before a moment a change of speed still shows in the low side (common practice, no source)."""
PEAK_TO_PEAK = 2.0 * np.sqrt(2.0)
"""Peak-to-peak of a sine over its standard deviation."""


@dataclass(frozen=True, slots=True)
class Rule:
    """What is asked for: autocorrelation at the period, number of periods, peak to peak, and of the high side."""

    regular: float
    least_cycles: float
    swing_kpa: float
    high_side_follows: bool = False


EVEN = Rule(LIMITS["regular"].value, LIMITS["least_cycles"].value, LIMITS["swing"].value)
"""Where nothing but the valve can swing the low side."""
UNEVEN = Rule(LIMITS["regular_on_the_road"].value, LIMITS["cycles_on_the_road"].value, LIMITS["swing"].value)
"""Where the engine's speed varies or is unknown: lights and traffic come at almost regular intervals too."""
LONG = Rule(LIMITS["regular_for_long"].value, LIMITS["cycles_for_long"].value, LIMITS["swing"].value)
"""The same, less even but for long."""
FOLLOWED = Rule(
    LIMITS["regular_followed"].value,
    LIMITS["least_cycles"].value,
    LIMITS["swing_followed"].value,
    high_side_follows=True,
)
"""Where the high side follows the low side down: a valve that shuts lowers both, a faster engine draws them apart."""


def detect(case: Case) -> Detection:
    """Find stretches with a regular swing that neither cycling nor speed drives."""
    if case.job.metering == "fixed_orifice":
        return Detection(ABSENT, "an orifice has nothing that could hunt")
    running_on = _running_on(case)
    if case.seconds(running_on) < LIMITS["shortest"].value:
        dipping = tuple(_dipping(case))
        return Detection(PRESENT, DIPPED, dipping) if dipping else Detection(UNDECIDED, NEVER_ON)
    swing = _swing(case)
    if swing is None:
        return Detection(UNDECIDED, "no low-side reading")
    even = running_on & _even_speed(case)
    found = _longest(
        _stretches(case, swing, even, EVEN)
        + [episode for rule in (FOLLOWED, UNEVEN, LONG) for episode in _stretches(case, swing, running_on, rule)]
    )
    dipping = [e for e in _dipping(case) if not any(e.start_s < one.end_s and one.start_s < e.end_s for one in found)]
    found = _joined(case, swing, found + dipping)
    if found:
        return Detection(
            PRESENT,
            f"{len(found)} stretch{'es' if len(found) > 1 else ''} of regular swing",
            tuple(sorted(found, key=lambda episode: episode.start_s)),
        )
    if case.seconds(running_on) < 2.0 * LIMITS["window"].value:
        return Detection(UNDECIDED, NEVER_ON)
    if case.lacks("engine_speed") and case.spans(
        running_on & (_size(case, swing) > LIMITS["uneven_swing"].value),
        LIMITS["shortest"].value,
        LIMITS["merge"].value,
    ):
        why = (
            f"the low side swung unevenly by more than {LIMITS['uneven_swing'].value:.0f} kPa; engine speed would tell"
        )
        return Detection(UNDECIDED, f"{why} traffic from the valve", (), ("engine_speed",))
    why = f"no regular swing above {LIMITS['swing'].value:.0f} kPa while the compressor ran on"
    return Detection(ABSENT, why, evidence=(Evidence("no_swing", why, {"limit_kpa": Measured(LIMITS["swing"].value)}),))


def _dipping(case: Case) -> list[Episode]:
    """Where the low side dips within a run and comes back while the compressor pumps on, again and again."""
    found: list[Episode] = []
    for dips in dips_of(case):
        measures = {
            "dips": Measured(float(dips.count)),
            "dip_k": measured(dips.deepest_k, 0.5),
            "period_s": measured(dips.period_s, case.timeline.step_s),
        }
        says = (
            f"{dips.count} times, every {dips.period_s:.0f} s, evaporating dipped by up to {dips.deepest_k:.0f} K and "
            "came back while the compressor pumped on"
        )
        found.append(Episode(KIND, dips.start_s, dips.end_s, DIPS_SEVERITY, (Evidence("dipping", says, measures),)))
    return found


def _longest(found: list[Episode]) -> list[Episode]:
    """Of episodes that overlap the longest alone: several rules may have seen it, or a part of it."""
    kept: list[Episode] = []
    for one in sorted(found, key=lambda episode: episode.start_s - episode.end_s):
        if not any(one.start_s < other.end_s and other.start_s < one.end_s for other in kept):
            kept.append(one)
    return kept


def _joined(case: Case, swing: Floats, found: list[Episode]) -> list[Episode]:
    """Stretches of one period with a short break between, in which it swung on: a change of speed had hidden it."""
    size, joined = _size(case, swing), list[Episode]()
    for one in sorted(found, key=lambda episode: episode.start_s):
        last = joined[-1] if joined else None
        if last is None or not _goes_on(case, size, last, one):
            joined.append(one)
            continue
        evidence = (*last.evidence, *one.evidence)
        worst = max(last.severity, one.severity)
        joined[-1] = replace(last, end_s=one.end_s, severity=worst, evidence=evidence)
    return joined


def _goes_on(case: Case, size: Floats, one: Episode, other: Episode) -> bool:
    """Whether it swung on between two stretches, with the same period and the compressor running on."""
    gap = slice(case.timeline.index(one.end_s), case.timeline.index(other.start_s) + 1)
    alike = abs(_period_s(one) - _period_s(other)) <= LIMITS["same_period"].value * _period_s(one)
    near = other.start_s - one.end_s <= LIMITS["break"].value
    return alike and near and bool((size[gap] > LIMITS["swing"].value).all() and case.running.pumping[gap].all())


def _period_s(episode: Episode) -> float:
    return episode.evidence[-1].measures["period_s"].value or 1.0


def _swing(case: Case) -> Floats | None:
    """The low side about its moving mean, without what engine and road speed of the last seconds explain."""
    low = case.evened(case.derived.low_kpa, 0.0)
    if low is None:
        return None
    step, window = case.timeline.step_s, LIMITS["window"].value
    swing = low - smoothed(low, step, window)
    settled = np.flatnonzero(_settled(case))
    speeds = [
        speed - smoothed(speed, step, window)
        for values in (case.operating.engine_speed, case.timeline.grid("vehicle_speed"))
        if (speed := case.evened(values, 0.0)) is not None
    ]
    explain = [(off, round(lag_s / step)) for off in speeds for lag_s in SPEED_LAGS_S]
    if not explain or len(settled) <= 2 * len(explain):
        return swing
    columns = np.column_stack([np.where(settled >= lag, off[settled - lag], 0.0) for off, lag in explain])
    shares = np.linalg.lstsq(columns, swing[settled])[0]
    for (off, lag), share in zip(explain, shares, strict=True):
        swing[lag:] -= share * off[: len(off) - lag]
    return swing


def _size(case: Case, swing: Floats) -> Floats:
    """Peak to peak [kPa] of the swing near each moment."""
    half = LIMITS["window"].value / 2.0
    return PEAK_TO_PEAK * np.sqrt(np.maximum(smoothed(swing * swing, case.timeline.step_s, half), 0.0))


def _stretches(case: Case, swing: Floats, where: Mask, rule: Rule) -> list[Episode]:
    """Stretches of a mask in which the swing is large, and as regular as the rule asks for."""
    size = _size(case, swing)
    spans = [
        inner
        for first, last in case.spans(where & (size > rule.swing_kpa), LIMITS["shortest"].value, LIMITS["merge"].value)
        for inner in _within(case, where, size, (first, last))
        if not _cycles(case, swing, inner)
    ]
    return [episode for span in spans if (episode := _episode(case, swing, span, rule)) is not None]


def _within(case: Case, where: Mask, size: Floats, span: tuple[int, int]) -> list[tuple[int, int]]:
    """The parts of a span whose swing is of its own size: what is left of lights and traffic is smaller."""
    own = np.zeros(len(size), np.bool_)
    part = slice(span[0], span[1] + 1)
    own[part] = where[part] & (size[part] > LIMITS["own_size"].value * float(np.quantile(size[part], 0.8)))
    return case.spans(own, LIMITS["shortest"].value, LIMITS["merge"].value)


def _cycles(case: Case, swing: Floats, span: tuple[int, int]) -> bool:
    """Whether the sides swing against each other: a compressor that cycles faster than it was sampled does that."""
    return _with_high_side(case, swing, span, 0.0) < LIMITS["antiphase"].value


def _followed(case: Case, swing: Floats, span: tuple[int, int], period_s: float) -> bool:
    """Whether the high side goes where the low side went, and not against it."""
    apart = _with_high_side(case, swing, span, 0.0) < LIMITS["apart"].value
    if apart or period_s > LIMITS["followed_period"].value:
        return False
    return _with_high_side(case, swing, span, period_s / 4.0) >= LIMITS["follows"].value


def _with_high_side(case: Case, swing: Floats, span: tuple[int, int], later_s: float) -> float:
    """Correlation of the low side's swing with the high side's some seconds later; 0 without one."""
    high = case.evened(case.derived.high_kpa, 0.0)
    later = round(later_s / case.timeline.step_s)
    if high is None or span[1] - span[0] <= 2 * later:
        return 0.0
    off = high - smoothed(high, case.timeline.step_s, LIMITS["window"].value)
    own, other = swing[span[0] : span[1] + 1 - later], off[span[0] + later : span[1] + 1]
    own, other = _clipped(own), _clipped(other)
    size = float(np.linalg.norm(own)) * float(np.linalg.norm(other))
    return float(np.dot(own, other)) / size if size > 0.0 else 0.0


def _clipped(values: Floats) -> Floats:
    """About the median, outliers cut: one climb of the high side must not stand for all swings."""
    off = values - float(np.median(values))
    most = LIMITS["clip"].value * float(np.median(np.abs(off)))
    return np.clip(off, -most, most)


def _settled(case: Case) -> Mask:
    """Pumping past pull-down; a stepless compressor that was off for a moment is not pulled down again."""
    settled = case.running.pumping & (case.since_start() > LIMITS["pull_down"].value)
    if case.job.compressor not in VARIABLE:
        return settled
    for one, other in pairwise(case.running.runs):
        if other.start_s - one.end_s <= LIMITS["short_stop"].value:
            first, last = (case.timeline.index(t) for t in (one.end_s, other.start_s + LIMITS["pull_down"].value))
            before = max(case.timeline.index(one.end_s) - 2, 0)
            settled[first : last + 1] = settled[before]
    return settled


def _running_on(case: Case) -> Mask:
    """Pumping on without a break, past pull-down, for a quarter of a window to each side."""
    half = LIMITS["window"].value / 2.0
    return smoothed(_settled(case).astype(float), case.timeline.step_s, half) > 0.999


def _even_speed(case: Case) -> Mask:
    """Where the engine's speed is known and even; nowhere without it."""
    speed = case.evened(case.operating.engine_speed, 0.0)
    if speed is None:
        return np.zeros(len(case.timeline.t_s), np.bool_)
    step, window = case.timeline.step_s, LIMITS["window"].value
    off = speed - smoothed(speed, step, window)
    spread = np.sqrt(np.maximum(smoothed(off * off, step, window / 2.0), 0.0))
    return spread < LIMITS["speed_swing"].value


def _episode(case: Case, swing: Floats, span: tuple[int, int], rule: Rule) -> Episode | None:
    """The stretch, where its swing repeats with a period of 10-60 s."""
    first, last = span
    step = case.timeline.step_s
    part = swing[first : last + 1] - float(np.mean(swing[first : last + 1]))
    lags = np.arange(
        round(LIMITS["shortest_period"].value / step), min(len(part) // 2, round(LIMITS["longest_period"].value / step))
    )
    if len(lags) < 3:
        return None
    spectrum = np.fft.rfft(part, 2 * len(part))
    repeats = np.fft.irfft(spectrum * np.conj(spectrum))[: len(part)]
    repeats = repeats / max(float(repeats[0]), 1e-9) * len(part) / (len(part) - np.arange(len(part)))
    turned = np.flatnonzero(repeats < 0.0)
    lags = lags[lags > (turned[0] if len(turned) else len(part))]
    if len(lags) == 0:
        return None
    best = int(lags[np.argmax(repeats[lags])])
    period = best * step
    cycles = (last - first) * step / period
    if repeats[best] < rule.regular or cycles < rule.least_cycles:
        return None
    if rule.high_side_follows and not _followed(case, swing, span, period):
        return None
    size = float(np.quantile(part, 0.97) - np.quantile(part, 0.03))
    t = case.timeline.t_s
    reach = round(LIMITS["window"].value / 8.0 / step)
    start, end = float(t[max(first - reach, 0)]), float(t[min(last + reach, len(t) - 1)])
    measures = {
        "peak_to_peak_kpa": measured(size, 0.05 * size),
        "period_s": measured(period, step, period / cycles / 2.0),
        "swings": measured(cycles, 0.5),
    }
    says = f"low side swung by {size:.0f} kPa every {period:.0f} s, {cycles:.0f} times, with the compressor running on"
    severity = round(min(1.0, size / 100.0), 2)
    return Episode(KIND, start, end, severity, (Evidence("swing", says, measures),))
