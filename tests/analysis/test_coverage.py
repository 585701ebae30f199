"""Coverage against Monte Carlo and the exact Poisson limits."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.coverage import NOTHING_SEEN_95, garwood, missed_by_look, union

spans = st.lists(
    st.tuples(st.floats(0, 3000), st.floats(0.5, 300)).map(lambda p: (p[0], min(p[0] + p[1], 3300.0))),
    min_size=1,
    max_size=6,
)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [
        (0, 0.0, 3.6889),
        (1, 0.0253, 5.5716),
        (2, 0.2422, 7.2247),
        (3, 0.6187, 8.7673),
        (5, 1.6235, 11.6683),
        (10, 4.7954, 18.3904),
    ],
)
def test_garwood_limits_are_the_table(count: int, low: float, high: float):
    """Garwood 1936, two-sided 95 %; table computed with scipy's chi-squared, cited from memory."""
    assert garwood(count) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


def test_nothing_seen_bounds_the_rate_by_the_rule_of_three():
    """Hanley & Lippman-Hand 1983: no event in 2 h means at most 1.498 an hour at 95 %."""
    assert pytest.approx(1.498, abs=5e-4) == NOTHING_SEEN_95 / 2.0


@given(spans, st.sampled_from([120.0, 300.0, 600.0]))
def test_the_chance_to_miss_is_what_random_looks_find(faults: list[tuple[float, float]], look: float):
    duration = 3600.0
    starts = np.random.default_rng(9).uniform(0.0, duration - look, 4000)
    hit = np.zeros(len(starts), np.bool_)
    for a, b in faults:
        hit |= (starts < b) & (starts + look > a)
    chance = missed_by_look(faults, duration, look)
    assert chance == pytest.approx(1.0 - hit.mean(), abs=0.035)


def test_strictly_periodic_faults_follow_their_formula():
    """Model C: P(see) = min(1, (w + d)/P); P 300 s, d 5 s, w 60 s: 0.216667 (edges of the recording aside)."""
    faults = [(300.0 * k + 150.0, 300.0 * k + 155.0) for k in range(100)]
    chance = missed_by_look(faults, 30_000.0, 60.0)
    assert 1.0 - (chance or 0.0) == pytest.approx(0.216667, abs=0.001)


@given(spans)
def test_union_covers_the_same_seconds_without_overlap(faults: list[tuple[float, float]]):
    joined = union(faults)
    assert all(a[1] < b[0] for a, b in pairwise(joined))
    probe = np.linspace(0.0, 3400.0, 997)
    inside = lambda parts: np.any([(probe >= a) & (probe <= b) for a, b in parts], axis=0)  # noqa: E731
    assert (inside(joined) == inside(faults)).all()


def test_a_look_longer_than_the_recording_has_no_chance():
    assert missed_by_look([(1.0, 2.0)], 100.0, 120.0) is None
