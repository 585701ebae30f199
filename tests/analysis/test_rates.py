"""Exact statistics of rare events against their published tables, scipy's own tests, and Monte Carlo."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.rates import (
    NOTHING_SEEN_95,
    garwood,
    holm,
    missed_at_random,
    missed_if_regular,
    missed_in_turn,
    needed_without_event,
    ratio_limits,
    two_rates,
    upper_limit,
    watch_to_see,
)
from tests.reference import digits_of, mutations, table

MODELS = {"A": missed_at_random, "B": missed_in_turn, "C": missed_if_regular}
LIMIT_COLUMNS = ("upper_90", "upper_95", "upper_99", "low_95", "high_95")


def garwood_agrees(row: dict[str, str]) -> bool:
    """Whether a row of the table of exact limits is what is computed, to its last printed digit."""
    count = int(row["k"])
    got = (*(upper_limit(count, c) for c in (0.90, 0.95, 0.99)), *garwood(count))
    printed = (row[name] for name in LIMIT_COLUMNS)
    return all(abs(value - float(text)) <= 0.5001 * digits_of(text) for value, text in zip(got, printed, strict=True))


@pytest.mark.parametrize("row", table("garwood.csv"), ids=lambda row: f"k {row['k']}")
def test_poisson_limits_are_the_table(row: dict[str, str]):
    assert garwood_agrees(row)


def test_a_changed_entry_of_the_poisson_limits_is_noticed():
    for row in table("garwood.csv"):
        for changed in mutations(row, ("k", *LIMIT_COLUMNS)):
            assert not garwood_agrees(changed), changed


def looks_agree(row: dict[str, str]) -> bool:
    """Whether a row of the table of missing looks is what its model gives, to its last printed digit."""
    got = MODELS[row["model"]](_rate_or_time(row), float(row["lasting_s"]), float(row["look_s"]))
    return abs(got - float(row["missed"])) <= 0.5001 * digits_of(row["missed"])


def _rate_or_time(row: dict[str, str]) -> float:
    """Starts a second for model A, the table's good time or period [s] for B and C."""
    return float(row["rate_or_time"]) / 3600.0 if row["model"] == "A" else float(row["rate_or_time"])


@pytest.mark.parametrize(
    "row", table("missed_looks.csv"), ids=lambda r: f"{r['model']} {r['rate_or_time']} {r['look_s']}"
)
def test_the_chance_to_miss_is_the_table(row: dict[str, str]):
    assert looks_agree(row)


def test_a_changed_entry_of_the_missed_looks_is_noticed():
    for row in table("missed_looks.csv"):
        for changed in mutations(row, ("rate_or_time", "lasting_s", "look_s", "missed")):
            assert not looks_agree(changed), changed


@pytest.mark.parametrize("row", [r for r in table("missed_looks.csv") if r["model"] != "C"], ids=lambda r: r["missed"])
def test_random_looks_at_made_drives_miss_as_often_as_the_table_says(row: dict[str, str]):
    """Monte Carlo of models A and B: a long drive with events, 200 000 looks placed at random in it."""
    rng = np.random.default_rng(4)
    lasting, look = float(row["lasting_s"]), float(row["look_s"])
    between = 1.0 / _rate_or_time(row) if row["model"] == "A" else _rate_or_time(row)
    good = rng.exponential(between, 60_000)
    starts = np.cumsum(good) + (0.0 if row["model"] == "A" else lasting * np.arange(len(good)))
    at = rng.uniform(starts[0], starts[-1] - look, 200_000)
    # The look meets an event that started at most `lasting` before it began, or starts before it ends.
    seen = np.searchsorted(starts, at + look) > np.searchsorted(starts, at - lasting)
    assert 1.0 - seen.mean() == pytest.approx(float(row["missed"]), abs=0.006)


def test_a_look_that_with_the_fault_fills_the_period_misses_none():
    """Model C, P 300 s, d 5 s, w 295 s: no chance to miss."""
    assert missed_if_regular(300.0, 5.0, 295.0) == 0.0
    assert missed_if_regular(300.0, 5.0, 294.0) == pytest.approx(1.0 / 300.0)


def test_watch_time_for_a_chance_of_95_percent():
    """Model A, 1/h, 5 s: 10 779.6 s (2.99 h)."""
    assert watch_to_see(1.0 / 3600.0, 5.0) == pytest.approx(10779.6, abs=0.05)


def rule_of_three_agrees(row: dict[str, str]) -> bool:
    """Whether a row of the rule of three is what is computed: Poisson by us, the binomial's closed form here."""
    n = int(row["n"])
    got = (3.0 / n, 1.0 - 0.05 ** (1.0 / n), upper_limit(0) / n)
    printed = (row["three_over_n"], row["binomial"], row["poisson"])
    return all(abs(value - float(text)) <= 0.5001 * digits_of(text) for value, text in zip(got, printed, strict=True))


def test_nothing_seen_is_the_rule_of_three_and_a_changed_entry_is_noticed():
    for row in table("rule_of_three.csv"):
        assert rule_of_three_agrees(row), row
        for changed in mutations(row, ("n", "three_over_n", "binomial", "poisson")):
            assert not rule_of_three_agrees(changed), changed
    assert pytest.approx(1.498, abs=5e-4) == NOTHING_SEEN_95 / 2.0


counts = st.integers(0, 25)
exposures = st.floats(0.1, 50.0)


@given(counts, counts, exposures, exposures)
def test_two_rates_are_scipys_exact_binomial(first: int, second: int, t_first: float, t_second: float):
    fell, differs = two_rates([(first, second)], [(t_first, t_second)])
    share = t_first / (t_first + t_second)
    if first + second:
        assert fell == pytest.approx(
            stats.binomtest(first, first + second, share, alternative="greater").pvalue, abs=1e-9
        )
        assert differs == pytest.approx(stats.binomtest(first, first + second, share).pvalue, abs=1e-9)
    else:
        assert (fell, differs) == (1.0, 1.0)


def test_strata_keep_an_unlike_mix_of_conditions_from_looking_like_a_repair():
    """Before mostly standing, after mostly moving, same rates in each: pooled looks repaired, in strata it does not."""
    counts, exposures = [(9, 1), (1, 0)], [(900.0, 100.0), (100.0, 900.0)]
    assert two_rates([(10, 1)], [(1000.0, 1000.0)])[0] < 0.01
    assert two_rates(counts, exposures)[0] > 0.3


def test_no_more_than_5_in_100_of_unchanged_rates_are_called_fallen():
    """Exact: the level is kept whatever the mix. 4000 pairs of drives with equal rates in three strata."""
    rng = np.random.default_rng(8)
    times = rng.uniform(0.2, 3.0, (4000, 3, 2))
    rate = rng.uniform(0.5, 4.0, (4000, 3, 1))
    seen = rng.poisson(rate * times)
    called = [two_rates(k.tolist(), t.tolist())[0] <= 0.05 for k, t in zip(seen, times, strict=True)]
    assert np.mean(called) <= 0.05 + 2.0 * math.sqrt(0.05 * 0.95 / 4000)


def test_the_driving_that_is_needed_is_what_the_test_then_calls_shown():
    counts, exposures = [3, 1], [(600.0, 400.0), (1200.0, 300.0)]
    factor = needed_without_event(counts, exposures)
    grown = [(t1, factor * t2) for t1, t2 in exposures]
    assert two_rates([(k, 0) for k in counts], grown)[0] == pytest.approx(0.05, abs=1e-9)
    assert needed_without_event([4], [(1.0, 1.0)]) == pytest.approx(20**0.25 - 1.0)
    assert math.isinf(needed_without_event([2], [(1.0, 0.0)]))


@given(counts, counts, exposures, exposures)
def test_the_ratio_of_two_rates_lies_within_its_limits(first: int, second: int, t_first: float, t_second: float):
    low, high = ratio_limits(first, t_first, second, t_second)
    if first:
        assert low <= (second / t_second) / (first / t_first) <= (high or 0.0) * (1.0 + 1e-9)
    else:
        assert high is None


def test_holm_steps_down():
    """Three p values 0.01, 0.04, 0.03: 0.03, then max(0.03, 2 x 0.03) for 0.03 and 0.04 (Holm 1979)."""
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm([]) == []
