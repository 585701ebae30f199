"""How one quantity goes from one level to another: delay, settling time, overshoot, ringing, time constants.

Definitions of control texts: with D = final - initial, the settling time to a band b is the last moment at which
|y - final| > b |D|; overshoot is (y_max - final)/D. The band is a share of the step, not of the final value.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.exponentials import Exponential, TwoExponentials, fit_one, fit_two
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.stretches import smoothed, spans_of
from analysis.timeline import Floats, Span
from analysis.uncertainty import UNIFORM

FEW = 6
LIMITS = limit_table(
    Limit("band", 0.05, "share of the change", "the design's definition"),
    Limit("longest_smoothing", 12.0, "s", PRACTICE),
    Limit("noise_in_band", 20.0, "1", "standard deviations of what noise the moving mean leaves; " + PRACTICE),
    Limit("wanders", 0.25, "share of the stretch", "its last part, whose wander stands for the rest's; " + PRACTICE),
    Limit("late_by_noise", 0.5, "1", "the same, by which the last of many excursions stands out; " + PRACTICE),
    Limit("onset_in_noise", 6.0, "1", "standard deviations of one reading's noise; " + PRACTICE),
    Limit("onset_share", 0.01, "share of the change", PRACTICE),
    Limit("onset_lasts", 20.0, "s", "or a twentieth of the window, if that is less; " + PRACTICE),
    Limit("ring_least", 0.01, "share of the change", PRACTICE),
    Limit("ring_swings", 3.0, "1", "peaks; " + PRACTICE),
    Limit("ring_dies", 0.7, "1", "last peak over the first; " + PRACTICE),
    Limit("ring_even", 0.25, "1", "spread of the spacings over their median; " + PRACTICE),
    Limit("one_holds", 0.01, "residual over the amplitude", PRACTICE),
    Limit("two_better", 0.7, "1", "residual of two time constants over that of one; " + PRACTICE),
    Limit("two_apart", 2.0, "1", "ratio of the two time constants; " + PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Response:
    """A step response; times [s] count from the first reading, None where there is none.

    ``settled_s`` is the last moment outside the band (0 if never), ``at_50_s``, ``at_63_s`` and ``at_90_s`` the
    first at which so much of the change is done, ``drift`` the slope of the final part [1/s].
    """

    initial: float
    final: float
    overshoot: float
    settled_s: float
    at_50_s: float | None
    at_63_s: float | None
    at_90_s: float | None
    delay_s: float | None
    drift: float

    @property
    def change(self) -> float:
        """Final less initial."""
        return self.final - self.initial


def respond(
    t_s: Floats, y: Floats, initial: float, noise: float, final_part_s: float, *, smoothing_s: float | None = None
) -> Response:
    """Measure a step response.

    Parameters
    ----------
    t_s, y : float arrays of shape (n,)
        Seconds since the step, and readings without gaps.
    initial : float
        Level before the step.
    noise : float
        Standard deviation of one reading.
    final_part_s : float
        The final level is the mean over this last part.
    smoothing_s : float, optional
        Longest moving mean against noise in the settling time (default: the module's limit; 0 for none).
    """
    tail = t_s >= t_s[-1] - final_part_s
    tail[-3:] = True
    final = float(np.mean(y[tail]))
    change = final - initial
    drift = float(np.polyfit(t_s[tail], y[tail], 1)[0])
    if change == 0.0:
        return Response(initial, final, 0.0, 0.0, None, None, None, None, drift)
    band = LIMITS["band"].value * abs(change)
    even, left = _evened(t_s, y, noise, band, LIMITS["longest_smoothing"].value if smoothing_s is None else smoothing_s)
    # The last of many readings outside the band is the one that noise carried out: it came late.
    settled = last_outside(t_s, even, final, band + LIMITS["late_by_noise"].value * left)
    done = (even - initial) / change
    beyond = max(float(np.max(np.sign(change) * (y - final))), 0.0) / abs(change)
    half, most, nearly = (_reached(t_s, done, share) for share in (0.5, 1.0 - 1.0 / math.e, 0.9))
    delay = onset(t_s, y, initial, noise, abs(change))
    return Response(initial, final, beyond, settled, half, most, nearly, delay, drift)


def last_outside(t_s: Floats, y: Floats, final: float, band: float) -> float:
    """Last moment at which a quantity is off its final level by more than a band, between two readings; 0 if never."""
    off = np.abs(y - final)
    outside = np.flatnonzero(off > band)
    if len(outside) == 0:
        return 0.0
    last = int(outside[-1])
    if last == len(t_s) - 1:
        return float(t_s[-1])
    share = (off[last] - band) / (off[last] - off[last + 1])
    return float(t_s[last] + share * (t_s[last + 1] - t_s[last]))


def u_settled(
    t_s: Floats, y: Floats, response: Response, noise: float, u_final: float, u_band: float, smoothing_s: float
) -> float:
    """Standard uncertainty [s] of the settling time: how far it goes where final level and band move by their own.

    It is no smooth function of them (a slow creep crosses the band at a shallow angle, a late swing touches it or does
    not), so that the furthest of the moved times stands for two standard uncertainties.

    Parameters
    ----------
    t_s, y, response, noise, smoothing_s
        As given to `respond`, and what it returned.
    u_final, u_band : float
        Standard uncertainties of the final level, and of the band or of what lies between crossing and final level,
        but for the noise of the readings at the crossing.
    """
    band = LIMITS["band"].value * abs(response.change)
    even, left = _evened(t_s, y, noise, band, smoothing_s)
    wander, level = _wander(t_s, even), band + LIMITS["late_by_noise"].value * left
    moves = (2.0 * math.hypot(u_final, wander * UNIFORM), 2.0 * math.hypot(u_band, max(left, wander)))
    moved = [
        abs(last_outside(t_s, even, response.final + final, max(level + wider, 0.0)) - response.settled_s)
        for final, wider in ((moves[0], 0.0), (-moves[0], 0.0), (0.0, moves[1]), (0.0, -moves[1]))
    ]
    return max(moved) / 2.0


def onset(t_s: Floats, y: Floats, level: float, noise: float, change: float) -> float | None:
    """First moment from which a quantity stays off its level by more than noise and a hundredth of its change.

    It must stay off for 20 s, or a twentieth of the stretch if that is less; None where it never does.
    """
    allowed = max(LIMITS["onset_in_noise"].value * noise, LIMITS["onset_share"].value * change)
    lasting = min(LIMITS["onset_lasts"].value, float(t_s[-1] - t_s[0]) / 20.0)
    return next((start for start, _ in departures(t_s, y, level, allowed, lasting)), None)


def departures(t_s: Floats, y: Floats, level: float, allowed: float, lasting_s: float) -> list[Span]:
    """Stretches [s] that a quantity spends off a level by more than is allowed, no shorter than ``lasting_s``.

    A shorter one counts where the readings end with it.
    """
    spans = spans_of(np.abs(y - level) > allowed)
    last = len(y) - 1
    return [(float(t_s[a]), float(t_s[b])) for a, b in spans if b == last or t_s[b] - t_s[a] >= lasting_s]


def ringing_period(t_s: Floats, y: Floats, change: float) -> float | None:
    """Period of the swing around the final level after a step: median spacing of its peaks; None without a ring.

    Peaks are tops between two falls through the running mean of the swing; at least three, evenly spaced.
    """
    if len(t_s) < 10:
        return None
    step = float(np.median(np.diff(t_s)))
    length = float(t_s[-1] - t_s[0])
    least = LIMITS["ring_least"].value * abs(change)
    swing = y
    for share in (0.02, 0.05, 0.1, 0.2):
        swing = y - smoothed(y, step, share * length)
        peaks = [first + int(np.argmax(swing[first : last + 1])) for first, last in spans_of(swing > 0.0)]
        tops = [peak for peak in peaks if swing[peak] > least]
        gaps = [b - a for a, b in pairwise(t_s[tops].tolist())]
        uneven = [abs(gap - gaps[0]) > LIMITS["ring_even"].value * gaps[0] for gap in gaps]
        last = uneven.index(True) if True in uneven else len(gaps)
        # A ring dies away: what goes on at its height is hunting, or noise.
        dies = len(tops) and swing[tops[last]] < LIMITS["ring_dies"].value * swing[tops[0]]
        if last + 1 >= LIMITS["ring_swings"].value and dies:
            return float(np.median(gaps[:last]))
    return None


def constants_of(t_s: Floats, y: Floats) -> tuple[Exponential | None, TwoExponentials | None]:
    """One time constant, and two where one misfits and those hold clearly better and stand apart."""
    one = fit_one(t_s, y)
    if one is None or one.rms < LIMITS["one_holds"].value * abs(one.amplitude):
        return one, None
    two = fit_two(t_s, y)
    if two is None or two.rms > LIMITS["two_better"].value * one.rms:
        return one, None
    apart = two.taus_s[1] > LIMITS["two_apart"].value * two.taus_s[0]
    return one, two if apart else None


def _reached(t_s: Floats, done: Floats, share: float) -> float | None:
    there = np.flatnonzero(done >= share)
    return float(t_s[there[0]]) if len(there) else None


def _evened(t_s: Floats, y: Floats, noise: float, band: float, longest_s: float) -> tuple[Floats, float]:
    """Smooth just enough that noise alone does not leave the band; the noise that is left comes with it.

    A reading that stands out alone is none of the quantity's: the median of each with its neighbours leaves it out.
    """
    step = float(np.median(np.diff(t_s)))
    if longest_s <= 2.0 * step:
        return y, noise
    wanted = step * (LIMITS["noise_in_band"].value * noise / band) ** 2
    window = float(np.clip(wanted, 2.0 * step, longest_s))
    return smoothed(_alone_left_out(y), step, window), noise / math.sqrt(2.0 * round(window / step / 2.0) + 1.0)


def _alone_left_out(y: Floats) -> Floats:
    """Median of each reading and its two neighbours."""
    before, own, after = y[:-2], y[1:-1], y[2:]
    middle = np.maximum(np.minimum(before, own), np.minimum(np.maximum(before, own), after))
    return np.concatenate([y[:1], middle, y[-1:]]) if len(y) > 2 else y


def _wander(t_s: Floats, even: Floats) -> float:
    """Standard deviation about a straight line at the end: what is neither settling nor the noise of one reading."""
    part = t_s >= t_s[-1] - LIMITS["wanders"].value * (t_s[-1] - t_s[0])
    t, y = t_s[part], even[part]
    return float(np.std(y - np.polyval(np.polyfit(t, y, 1), t))) if len(t) > FEW else 0.0
