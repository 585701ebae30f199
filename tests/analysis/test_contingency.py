"""Exact tests of counts against scipy's, full enumeration, and the worked example of the false discovery rate."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.contingency import adjusted, fisher, least_fisher, odds_ratio, trend

few = st.integers(0, 12)
BENJAMINI_HOCHBERG = (
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000),
)
"""The fifteen p values of Benjamini & Hochberg 1995, section 4 (two treatments of heart attacks); from memory, and
alike in several public test suites; the paper itself was not at hand."""


@given(few, few, few, few)
def test_fisher_is_scipys(a: int, b: int, c: int, d: int):
    assert fisher(a, b, c, d) == pytest.approx(stats.fisher_exact([[a, b], [c, d]]).pvalue, abs=1e-9)


def test_fisher_holds_for_an_archive_of_a_hundred_thousand():
    table = [[310, 4690], [3900, 91100]]
    assert fisher(*table[0], *table[1]) == pytest.approx(stats.fisher_exact(table).pvalue, rel=1e-4)


@given(few, few, few, few)
def test_no_table_with_these_margins_has_a_smaller_p_than_the_least(a: int, b: int, c: int, d: int):
    here, there, having = a + b, c + d, a + c
    possible = range(max(0, having - there), min(here, having) + 1)
    every = [fisher(k, here - k, having - k, there - having + k) for k in possible]
    assert least_fisher(here, there, having) == pytest.approx(min(every), abs=1e-12)


@settings(max_examples=40)
@given(few, few, few, few)
def test_odds_ratio_and_its_limits_are_scipys(a: int, b: int, c: int, d: int):
    got = odds_ratio(a, b, c, d)
    if 0 in (a + b, c + d, a + c, b + d):
        assert (got.low, got.high) == (0.0, None), "one outcome alone is possible: nothing is known"
        return
    theirs = stats.contingency.odds_ratio([[a, b], [c, d]])
    limits = theirs.confidence_interval(0.95)
    assert got.value == (None if math.isinf(theirs.statistic) else pytest.approx(theirs.statistic, rel=1e-5, abs=1e-9))
    assert got.low == pytest.approx(limits.low, rel=1e-5, abs=1e-9)
    assert got.high == (None if math.isinf(limits.high) else pytest.approx(limits.high, rel=1e-5))


bands = st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=2, max_size=4)


@settings(max_examples=40)
@given(bands)
def test_a_trends_p_is_the_share_of_all_ways_to_deal_the_cases_out(counts: list[tuple[int, int]]):
    """Against the whole permutation distribution as scipy enumerates it."""
    having, at_risk = [k for k, _ in counts], [k + m for k, m in counts]
    cases = [band for band, (k, _) in enumerate(counts) for _ in range(k)]
    others = [band for band, (_, m) in enumerate(counts) for _ in range(m)]
    got = trend(having, at_risk)
    if not cases or not others:
        assert (got.p, got.least_p) == (1.0, 1.0)
    assume(len(cases) > 1 and len(others) > 1 and math.comb(len(cases) + len(others), len(cases)) < 20_000)
    every = stats.permutation_test(
        (np.array(cases), np.array(others)),
        lambda x, _y, axis=-1: np.sum(x, axis=axis),
        n_resamples=np.inf,
        vectorized=True,
    ).null_distribution
    off = np.abs(every - every.mean())
    assert got.p == pytest.approx(float(np.mean(off >= abs(sum(cases) - every.mean()) - 1e-9)), abs=1e-9)
    assert got.least_p == pytest.approx(float(np.mean(off >= off.max() - 1e-9)), abs=1e-9)


def test_a_trend_over_two_bands_of_one_size_is_fishers_test():
    """With equal halves the distribution is symmetric: as far off is as unlikely."""
    assert trend([2, 9], [20, 20]).p == pytest.approx(fisher(2, 18, 9, 11))


def test_a_trend_with_many_cases_is_drawn_and_agrees_with_the_large_sample_test():
    """Cochran & Armitage's normal approximation, which holds for counts of hundreds; the drawn p has its own spread."""
    having, at_risk = [150, 160, 178, 190], [1000, 1000, 1000, 1000]
    got = trend(having, at_risk)
    n, m, x = sum(at_risk), sum(having), np.arange(4)
    share = m / n
    z = (x @ having - m * 1.5) / math.sqrt(share * (1 - share) * (1000 * (x - 1.5) ** 2).sum() * n / (n - 1))
    expected = 2 * stats.norm.sf(abs(z))
    assert got.p == pytest.approx(expected, abs=4 * math.sqrt(expected / 100_000) + 1e-3)
    assert got.rises
    assert trend(having, at_risk).p == got.p, "the same every time"
    steep = trend([100, 160, 220, 280], at_risk)
    assert steep.p <= 1e-6, "more is drawn where hardly a draw is as extreme"
    assert steep.least_p == 0.0
    assert trend([0, 600, 0], [0, 1000, 0]).least_p == 1.0, "one band alone shows no trend, however many there are"


@given(st.lists(st.integers(0, 30), min_size=3, max_size=4))
def test_who_has_it_not_shows_the_same_trend_the_other_way(having: list[int]):
    at_risk = [30] * len(having)
    one, other = trend(having, at_risk), trend([30 - k for k in having], at_risk)
    assert one.p == pytest.approx(other.p)
    if sum(having) * (len(having) - 1) != 2 * sum(band * k for band, k in enumerate(having)):
        assert one.rises != other.rises


def test_four_of_the_fifteen_are_rejected_as_in_the_paper():
    told = adjusted(BENJAMINI_HOCHBERG)
    assert [p <= 0.05 for p in told] == [True] * 4 + [False] * 11
    assert told[3] == pytest.approx(0.0095 * 15 / 4)
    assert all(a <= b for a, b in pairwise(told))
    assert adjusted([]) == []
