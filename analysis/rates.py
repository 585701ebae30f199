"""Exact statistics of rare events: limits of a rate, tests of two rates, and the chance that a look misses.

Counts are taken as Poisson: events that come apart from each other. Nothing here is an approximation for large numbers.
Time units are the caller's; a rate is one over that unit.
"""

import math
from collections.abc import Sequence
from typing import cast

import numpy as np
from numpy.typing import NDArray

CONFIDENCE = 0.95
NOTHING_SEEN_95 = -math.log(1.0 - CONFIDENCE)
"""Upper 95 % limit of a Poisson mean with no event: 2.9957 (Hanley & Lippman-Hand, JAMA 249, 1983)."""
TIE = 1.0 + 1e-9
"""Outcomes as likely as the one seen count as no less extreme; room for rounding."""


def garwood(count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided limits of a Poisson mean (Garwood 1936)."""
    tail = (1.0 - confidence) / 2.0
    return _lower(count, tail), _upper(count, tail)


def upper_limit(count: int, confidence: float = CONFIDENCE) -> float:
    """Exact one-sided upper limit of a Poisson mean (Garwood 1936); with no event -ln(1 - confidence)."""
    return _upper(count, 1.0 - confidence)


def _upper(count: int, tail: float) -> float:
    from scipy.special import gammainccinv

    return float(cast("float", gammainccinv(count + 1.0, tail)))


def _lower(count: int, tail: float) -> float:
    from scipy.special import gammaincinv

    return 0.0 if count == 0 else float(cast("float", gammaincinv(float(count), tail)))


def missed_at_random(rate: float, lasting: float, look: float) -> float:
    """Chance that a look misses events that start at random and last ``lasting``: exp(-r (w + d))."""
    return math.exp(-rate * (look + lasting))


def missed_in_turn(between: float, lasting: float, look: float) -> float:
    """Chance that a look misses a fault that comes and goes: good times of mean U, then a fault of d.

    U/(U + d) exp(-w/U), an alternating renewal process with exponential good times.
    """
    return between / (between + lasting) * math.exp(-look / between)


def missed_if_regular(period: float, lasting: float, look: float) -> float:
    """Chance that a look misses a strictly periodic fault: 1 - min(1, (w + d)/P)."""
    return 1.0 - min(1.0, (look + lasting) / period)


def watch_to_see(rate: float, lasting: float, chance: float = CONFIDENCE) -> float:
    """How long to watch to see an event of this rate and length with a chance: -ln(1 - c)/r - d."""
    return max(-math.log(1.0 - chance) / rate - lasting, 0.0)


def two_rates(counts: Sequence[tuple[int, int]], exposures: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Exact conditional test of two Poisson rates over strata (Przyborowski & Wilenski 1940; strata convolved).

    Given the events of a stratum together, those on the first side are binomial with its share of the exposure while
    both rates are equal. Strata without exposure on both sides say nothing and must be left out by the caller.

    Parameters
    ----------
    counts, exposures : sequences of (first, second)
        Events and exposure of each stratum on both sides.

    Returns
    -------
    p_fell, p_differs : float
        Chance of at least so many events on the first side; and of any split no likelier than the one seen.
    """
    odds = np.ones(1)
    for (first, second), (t_first, t_second) in zip(counts, exposures, strict=True):
        odds = np.convolve(odds, _binomial(first + second, t_first / (t_first + t_second)))
    seen = sum(first for first, _ in counts)
    p_fell = float(odds[seen:].sum())
    return min(p_fell, 1.0), min(float(odds[odds <= odds[seen] * TIE].sum()), 1.0)


def needed_without_event(
    counts: Sequence[int], exposures: Sequence[tuple[float, float]], p: float = 1.0 - CONFIDENCE
) -> float:
    """How many times the second side's exposure must be, still without an event there, to show that the rate fell.

    With all events on the first side the test gives prod (t1/(t1 + f t2))^k; this is the f at which it meets ``p``.
    Infinite where no stratum with events has exposure on the second side.
    """
    pairs = [(k, t1, t2) for k, (t1, t2) in zip(counts, exposures, strict=True) if k and t1 > 0.0 and t2 > 0.0]
    if not pairs:
        return math.inf

    def log_p(factor: float) -> float:
        return -sum(k * math.log1p(factor * t2 / t1) for k, t1, t2 in pairs)

    low, high = 0.0, 1.0
    while log_p(high) > math.log(p):
        high *= 2.0
    for _ in range(80):
        middle = (low + high) / 2.0
        low, high = (middle, high) if log_p(middle) > math.log(p) else (low, middle)
    return high


def ratio_limits(
    first: int, t_first: float, second: int, t_second: float, confidence: float = CONFIDENCE
) -> tuple[float, float | None]:
    """Exact limits of the ratio second rate over first rate, from the limits of the binomial share (Clopper & Pearson).

    The upper limit is None where the first side saw nothing: no ratio is too large.
    """
    from scipy.special import betaincinv

    tail = (1.0 - confidence) / 2.0
    low = 0.0 if second == 0 else float(cast("float", betaincinv(second, first + 1.0, tail)))
    if first == 0:
        return low / max(1.0 - low, 1e-300) * t_first / t_second, None
    high = float(cast("float", betaincinv(second + 1.0, first, 1.0 - tail)))
    return low / (1.0 - low) * t_first / t_second, high / (1.0 - high) * t_first / t_second


def holm(chances: Sequence[float]) -> list[float]:
    """p values adjusted for how many were looked at (Holm, Scand. J. Statist. 6, 1979, 65-70)."""
    order = sorted(range(len(chances)), key=lambda index: chances[index])
    adjusted, highest = [0.0] * len(chances), 0.0
    for rank, index in enumerate(order):
        highest = max(highest, min((len(chances) - rank) * chances[index], 1.0))
        adjusted[index] = highest
    return adjusted


def _binomial(trials: int, share: float) -> NDArray[np.float64]:
    """Binomial probabilities of 0..n."""
    count = np.arange(trials + 1)
    if share <= 0.0 or share >= 1.0:
        return (count == (trials if share >= 1.0 else 0)).astype(np.float64)
    return np.exp(_log_choose(trials, count) + count * math.log(share) + (trials - count) * math.log1p(-share))


def _log_choose(total: int, chosen: NDArray[np.int_]) -> NDArray[np.float64]:
    log_factorial = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, total + 1)))])
    return log_factorial[total] - log_factorial[chosen] - log_factorial[total - chosen]
