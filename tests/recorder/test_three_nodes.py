"""Three nodes recorded at once while they fail: what the seal counts is what was injected."""

import random
import sys
from pathlib import Path

import pytest

from tests.recorder.three_nodes import assert_rows_are_what_was_sent, run, sealed_counters


@pytest.mark.debian("dbus-daemon")
@pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo-terminals")
def test_sealed_counters_of_serial_ble_and_modbus_equal_what_was_injected(tmp_path: Path):
    """Ten seconds at twice the rate; ``python -m tests.recorder.three_nodes 600`` for ten minutes."""
    seed = random.SystemRandom().randrange(10**6)
    recording, wanted, said = run(tmp_path, 10.0, seed, 100.0)
    sealed = sealed_counters(recording, wanted)
    found = {name: {counter: sealed[name].get(counter, 0) for counter in wanted[name]} for name in wanted}
    assert found == wanted, f"seed {seed}\n{said}"
    assert recording.intact
    assert assert_rows_are_what_was_sent(recording) > 1000
    assert all(wanted["hv-1"][counter] > 0 for counter in ("lost", "duplicate", "refused_checksum", "reconnects"))
    assert all(wanted["hv-ble"][counter] > 0 for counter in ("lost", "duplicate", "refused_checksum", "reconnects"))
    assert all(wanted["box"][counter] > 0 for counter in ("lost", "refused_no_answer", "refused_checksum"))
    for name in ("hv-1", "hv-ble"):
        assert sealed[name]["recovered"] > 0
