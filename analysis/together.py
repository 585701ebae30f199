"""Causes weighed together: a level that several of them explain needs but one.

Each combination of up to four causes is a hypothesis. A cause counts in it with the odds of what is its own; a level
that causes explain counts once, for the one that explains it best. The probability of a cause is the share of the
hypotheses that hold it (Bayes' theorem by enumeration).
"""

import itertools
from collections.abc import Collection, Mapping
from functools import cache

import numpy as np

MOST_AT_ONCE = 4
"""Causes that are true at once; more of them hardly ever are (common practice, no source)."""


def likely_together(
    log_odds: Mapping[str, float], levels: Mapping[str, Mapping[str, float]], apart: Collection[str]
) -> tuple[dict[str, float], float]:
    """Probability of each cause, and that there is none of them but those ``apart``.

    Parameters
    ----------
    log_odds
        By cause, what its prior and its own facts make of it (natural logarithm of the odds).
    levels
        By level, the log likelihood ratio (above 0) for each cause that explains it.
    apart
        Causes whose presence does not count against there being none.
    """
    names = list(log_odds)
    holds = _hypotheses(len(names))
    log_weight = holds @ np.array([log_odds[name] for name in names])
    for ratios in levels.values():
        log_weight += np.max(holds * np.array([ratios.get(name, 0.0) for name in names]), axis=1)
    weight = np.exp(log_weight - np.max(log_weight))
    weight /= weight.sum()
    counted = np.array([name not in apart for name in names])
    none = float(weight[~np.any(holds[:, counted] > 0, axis=1)].sum())
    return dict(zip(names, (float(share) for share in weight @ holds), strict=True)), none


@cache
def _hypotheses(causes: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """One row a combination: 1 where it holds a cause."""
    chosen = [some for many in range(MOST_AT_ONCE + 1) for some in itertools.combinations(range(causes), many)]
    holds = np.zeros((len(chosen), causes))
    for row, some in enumerate(chosen):
        holds[row, list(some)] = 1.0
    return holds
