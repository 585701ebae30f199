"""The expansion valve hunts: the low side swings with a period of 10-60 s while the compressor runs on."""

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.runs import smoothed
from analysis.timeline import Floats
from analysis.uncertainty import measured

KIND = "valve_hunting"
NEEDS = ("low_side", "high_side", "runs")
LIMITS = limit_table(
    Limit("window", 60.0, "s", PRACTICE),
    Limit("swing", 25.0, "kPa peak to peak", PRACTICE),
    Limit("longest_period", 62.0, "s", "10-60 s; " + PRACTICE),
    Limit("shortest_period", 7.0, "s", PRACTICE),
    Limit("regular", 0.45, "autocorrelation at the period", PRACTICE),
    Limit("least_cycles", 3.0, "1", PRACTICE),
    Limit("antiphase", -0.7, "correlation of the two sides", "a compressor that cycles draws them apart; " + PRACTICE),
    Limit("speed_swing", 130.0, "1/min", "standard deviation within the window; " + PRACTICE),
    Limit("shortest", 50.0, "s", PRACTICE),
    Limit("merge", 45.0, "s", PRACTICE),
    Limit("pull_down", 75.0, "s", PRACTICE),
)
PEAK_TO_PEAK = 2.0 * np.sqrt(2.0)
"""Peak-to-peak of a sine over its standard deviation."""


def detect(case: Case) -> Detection:
    """Find stretches with a regular swing that neither cycling nor speed drives."""
    low = case.evened(case.derived.low_kpa, 0.0)
    if low is None:
        return Detection(UNDECIDED, "no low-side reading")
    step = case.timeline.step_s
    window = LIMITS["window"].value
    swing = low - smoothed(low, step, window)
    size = PEAK_TO_PEAK * np.sqrt(np.maximum(smoothed(swing * swing, step, window / 2.0), 0.0))
    quiet = _undisturbed(case, window / 2.0)
    mask = quiet & (size > LIMITS["swing"].value)
    spans = case.spans(mask, LIMITS["shortest"].value, LIMITS["merge"].value)
    spans = [span for span in spans if not _cycles(case, swing, span)]
    found = [episode for span in spans if (episode := _episode(case, swing, span)) is not None]
    if found:
        return Detection(
            PRESENT,
            f"{len(found)} stretch{'es' if len(found) > 1 else ''} of regular swing with the compressor running on",
            tuple(found),
        )
    if case.seconds(quiet) < 2.0 * window:
        return Detection(UNDECIDED, "the compressor never ran on long enough at an even speed")
    return Detection(ABSENT, f"no regular swing above {LIMITS['swing'].value:.0f} kPa while the compressor ran on")


def _cycles(case: Case, swing: Floats, span: tuple[int, int]) -> bool:
    """Whether the sides swing against each other: a compressor that cycles faster than it was sampled does that."""
    high = case.evened(case.derived.high_kpa, 0.0)
    if high is None:
        return False
    part = slice(span[0], span[1] + 1)
    other: Floats = (high - smoothed(high, case.timeline.step_s, LIMITS["window"].value))[part]
    own: Floats = swing[part] - float(np.mean(swing[part]))
    other = other - float(np.mean(other))
    size = float(np.linalg.norm(own)) * float(np.linalg.norm(other))
    return size > 0.0 and float(np.dot(own, other)) / size < LIMITS["antiphase"].value


def _undisturbed(case: Case, half_s: float) -> Mask:
    """Pumping on without a break, past pull-down, at an even engine speed, for half a window to each side."""
    step = case.timeline.step_s
    settled = case.running.pumping & (case.since_start() > LIMITS["pull_down"].value)
    even = smoothed(settled.astype(float), step, half_s) > 0.999
    speed = case.evened(case.operating.engine_speed, 0.0)
    if speed is None:
        return even
    off = speed - smoothed(speed, step, 2.0 * half_s)
    spread = np.sqrt(np.maximum(smoothed(off * off, step, half_s), 0.0))
    return even & (spread < LIMITS["speed_swing"].value)


def _episode(case: Case, swing: Floats, span: tuple[int, int]) -> Episode | None:
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
    if repeats[best] < LIMITS["regular"].value or cycles < LIMITS["least_cycles"].value:
        return None
    size = float(np.quantile(part, 0.97) - np.quantile(part, 0.03))
    t = case.timeline.t_s
    reach = round(LIMITS["window"].value / 8.0 / step)
    start, end = float(t[max(first - reach, 0)]), float(t[min(last + reach, len(t) - 1)])
    measures = {
        "peak_to_peak_kpa": measured(size, 0.05 * size),
        "period_s": measured(period, step, period / cycles / 2.0),
    }
    says = f"low side swung by {size:.0f} kPa every {period:.0f} s, {cycles:.0f} times, with the compressor running on"
    severity = round(min(1.0, size / 100.0), 2)
    return Episode(KIND, start, end, severity, (Evidence("swing", says, measures),))
