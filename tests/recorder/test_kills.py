"""A recorder killed at any instant leaves a recording that opens, seals and lacks at most its last second."""

import random
import sys
from pathlib import Path

import pytest

from tests.recorder.kills import kill_many

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo-terminals")


def test_kills_at_random_instants_cost_at_most_a_second_and_never_the_recording(tmp_path: Path):
    """Few here, at new instants every time; ``python -m tests.recorder.kills 200`` for many."""
    seed = random.SystemRandom().randrange(10**6)
    kills = kill_many(6, seed, 2, tmp_path)
    assert max(kill.lost_s for kill in kills) <= 1.0, f"seed {seed}: {kills}"
    assert len(kills) == 6
