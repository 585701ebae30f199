"""Exact tests of counts: one group against another, a trend over ordered bands, and many comparisons at once.

Everything is conditional on the margins: given how many have it in all, who has it is a draw without replacement while
nothing goes with anything. Hence also what a table can tell at all: the smallest p that its margins allow.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

CONFIDENCE = 0.95
TIE = 1.0 + 1e-7
"""Outcomes as likely, or as far off, as the one seen count as no less extreme; room for rounding."""
MOST_EXACT = 250
"""Cases up to which the distribution of a trend is worked out in full; beyond, it is drawn (our own choice)."""
DRAWS, MOST_DRAWS, ENOUGH, SEED = 100_000, 2_000_000, 20, 1995
"""Drawn at once and at the most; so many as extreme as what was seen are enough to know p by (our own choice)."""
FARTHEST = 700.0
"""Logarithm of an odds ratio beyond which there is no number in double precision."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OddsRatio:
    """Odds here over odds there: conditional maximum likelihood, with exact limits; None is without bound."""

    value: float | None
    low: float
    high: float | None


@dataclass(frozen=True, slots=True)
class Trend:
    """Chance of so strong a trend; the smallest chance that the margins allow; whether the share rises."""

    p: float
    least_p: float
    rises: bool


@lru_cache(maxsize=4096)
def draws_without_replacement(here: int, there: int, having: int) -> tuple[int, Floats]:
    """How many of ``having`` fall among ``here``, drawn from ``here + there`` (hypergeometric).

    Returns
    -------
    first : int
        The smallest count that is possible.
    chances : float array
        Of that count, the next, and so on.
    """
    from scipy.special import gammaln

    count = np.arange(max(0, having - there), min(here, having) + 1)

    def log_choose(total: int, chosen: NDArray[np.int_]) -> Floats:
        return cast("Floats", gammaln(total + 1.0) - gammaln(chosen + 1.0) - gammaln(total - chosen + 1.0))

    log = log_choose(here, count) + log_choose(there, having - count)
    chances = np.exp(log - log.max())
    chances /= chances.sum()
    chances.setflags(write=False)
    return int(count[0]), chances


def fisher(with_here: int, without_here: int, with_there: int, without_there: int) -> float:
    """Fisher's exact test, two-sided: chance of a table no likelier than the one seen, its margins given."""
    first, chances = draws_without_replacement(
        with_here + without_here, with_there + without_there, with_here + with_there
    )
    return min(float(chances[chances <= chances[with_here - first] * TIE].sum()), 1.0)


def least_fisher(here: int, there: int, having: int) -> float:
    """The smallest p that Fisher's test can give with these margins: of the least likely table.

    Where it lies above the level, no outcome could have told anything (Tarone, Biometrics 46, 1990, 515-522, from
    memory).
    """
    chances = draws_without_replacement(here, there, having)[1]
    return min(float(chances[chances <= chances.min() * TIE].sum()), 1.0)


def odds_ratio(
    with_here: int, without_here: int, with_there: int, without_there: int, confidence: float = CONFIDENCE
) -> OddsRatio:
    """Odds ratio by conditional maximum likelihood; limits by inverting both one-sided tests (Cornfield 1956)."""
    from scipy import optimize

    first, chances = draws_without_replacement(
        with_here + without_here, with_there + without_there, with_here + with_there
    )
    steps = np.arange(len(chances), dtype=np.float64)
    with np.errstate(divide="ignore"):
        log = np.log(chances)
    seen = with_here - first

    def tilted(log_ratio: float) -> Floats:
        weights = log + log_ratio * steps
        raised = np.exp(weights - weights.max())
        return raised / raised.sum()

    def root(excess: Callable[[float], float]) -> float:
        return float(np.exp(cast("Any", optimize).brentq(excess, -FARTHEST, FARTHEST, xtol=1e-10)))

    tail = (1.0 - confidence) / 2.0
    lowest, highest = seen == 0, seen == len(chances) - 1
    return OddsRatio(
        (0.0 if not highest else None) if lowest or highest else root(lambda b: float(tilted(b) @ steps) - seen),
        0.0 if lowest else root(lambda b: float(tilted(b)[seen:].sum()) - tail),
        None if highest else root(lambda b: tail - float(tilted(b)[: seen + 1].sum())),
    )


def trend(having: Sequence[int], at_risk: Sequence[int]) -> Trend:
    """Exact two-sided test for a trend over ordered, equally spaced bands (Cochran 1954, Armitage 1955).

    The statistic is the sum of the band numbers of those who have it; as extreme is what lies as far from its
    expectation. With many cases the distribution is drawn rather than worked out, always from the same seed; p then
    counts the outcome seen (Phipson & Smyth 2010) and is never under 5e-7.

    Parameters
    ----------
    having, at_risk : sequences of int
        How many have it, of how many, a band.
    """
    bands, cases = np.arange(len(at_risk)), np.asarray(having)
    total, found = int(sum(at_risk)), int(sum(having))
    if found in (0, total) or sum(n > 0 for n in at_risk) < 2:  # nothing to compare
        return Trend(1.0, 1.0, rises=False)
    expected = found * float(bands @ np.asarray(at_risk)) / total
    seen = float(bands @ cases) - expected
    if min(found, total - found) > MOST_EXACT:
        return Trend(_drawn(bands, at_risk, found, seen), 0.0, rises=seen > 0)  # among so many p can be next to nothing
    if found > total - found:  # who has it not is as good: the statistic then lies as far on the other side
        mirrored = trend([n - k for k, n in zip(having, at_risk, strict=True)], at_risk)
        return Trend(mirrored.p, mirrored.least_p, rises=seen > 0)
    chances = _trend_chances(at_risk, found)
    off = np.abs(np.arange(len(chances)) - expected)
    possible = off[chances > 0.0].max()
    return Trend(
        min(float(chances[off * TIE >= abs(seen)].sum()), 1.0),
        min(float(chances[off * TIE >= possible].sum()), 1.0),
        rises=seen > 0,
    )


def _trend_chances(at_risk: Sequence[int], found: int) -> Floats:
    """Chances of the statistic's values, given how many have it in all: binomial bands, held to that sum."""
    from scipy.special import gammaln, xlogy

    share = found / sum(at_risk)
    joint = np.zeros((found + 1, (len(at_risk) - 1) * found + 1))
    joint[0, 0] = 1.0
    for band, of in enumerate(at_risk):
        k = np.arange(min(of, found) + 1)
        log = (
            gammaln(of + 1.0) - gammaln(k + 1.0) - gammaln(of - k + 1.0) + xlogy(k, share) + xlogy(of - k, 1.0 - share)
        )
        chances = np.exp(log)
        grown = np.zeros_like(joint)
        for more, chance in enumerate(chances.tolist()):
            grown[more:, band * more :] += chance * joint[: found + 1 - more, : joint.shape[1] - band * more]
        joint = grown
    return joint[found] / joint[found].sum()


def _drawn(bands: NDArray[np.int_], at_risk: Sequence[int], found: int, seen: float) -> float:
    """p of a trend by permutation: which of all have it is drawn anew, more often while hardly a draw is as extreme."""
    random = np.random.default_rng(SEED)
    expected = found * float(bands @ np.asarray(at_risk)) / sum(at_risk)
    as_extreme = draws = 0
    while as_extreme < ENOUGH and draws < MOST_DRAWS:
        statistics = random.multivariate_hypergeometric(list(at_risk), found, DRAWS, method="marginals") @ bands
        as_extreme += int(np.count_nonzero(np.abs(statistics - expected) * TIE >= abs(seen)))
        draws += DRAWS
    return (1.0 + as_extreme) / (1.0 + draws)


def adjusted(chances: Sequence[float]) -> list[float]:
    """p values adjusted for how many comparisons were made (Benjamini & Hochberg, J. R. Stat. Soc. B 57, 1995, 289).

    Where all that lie at or under a level are listed, no more than that share of the list is expected to be chance, for
    comparisons that are independent or go up and down together.
    """
    from scipy import stats

    return cast("Any", stats).false_discovery_control(chances).tolist() if len(chances) else []
