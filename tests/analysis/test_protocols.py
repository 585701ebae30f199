"""A new detector, cause or link is one new file; each is held to its protocol."""

from pathlib import Path

import pytest

from analysis.causes import CauseModule, Curve, cause_modules
from analysis.diagnose import MODULES_WITH_LIMITS, limits_used
from analysis.episodes import Detector, detectors
from analysis.findings import KINDS
from analysis.titles import TITLES
from recorder.links import link_modules, link_to
from recorder.places import PLACES
from tests.recorder.modbus_box import MAP

NEEDS = {*PLACES, "refrigerant", "runs"}


@pytest.mark.parametrize("detector", list(detectors()), ids=lambda d: d.KIND)
def test_a_detector_states_kind_needs_and_limits(detector: Detector):
    assert detector.KIND in KINDS
    assert set(detector.NEEDS) <= NEEDS
    assert detector.LIMITS
    assert callable(detector.detect)
    assert detector.__doc__
    assert detector.KIND in TITLES


@pytest.mark.parametrize("cause", list(cause_modules()), ids=lambda c: c.CAUSE)
def test_a_cause_states_its_weights_parts_and_checks(cause: CauseModule):
    assert 0.0 < cause.PRIOR < 0.5
    assert cause.WEIGHTS
    assert cause.PARTS
    assert cause.TELLING_TEST
    assert cause.NEXT_CHECK
    assert cause.CAUSE in TITLES
    for weight in cause.WEIGHTS:
        assert weight.source
        if isinstance(weight, Curve):
            levels, ratios = zip(*weight.points, strict=True)
            assert list(levels) == sorted(levels)
            assert weight.speaks_for
            assert weight.against
            assert max(map(abs, ratios)) <= 4.0
        else:
            assert weight.reason
            assert weight.llr != 0
    facts = [weight.fact for weight in cause.WEIGHTS]
    assert len(facts) == len(set(facts))


@pytest.mark.parametrize("link", list(link_modules()), ids=lambda link: link.__name__)
def test_a_link_states_its_schemes_and_opens_an_address(link, tmp_path: Path):
    register_map = tmp_path / "map.toml"
    register_map.write_text(MAP.format(port="/dev/ttyX", every_s=1.0, node="box"))
    addresses = {"socket": "socket://127.0.0.1:1", "modbus": f"modbus:{register_map}"}
    assert link.SCHEMES
    for scheme in link.SCHEMES:
        opened = link_to(addresses.get(scheme, f"{scheme}:somewhere"))
        assert opened.stall_s > 0
        assert opened.address
        assert opened.refused == {}


def test_every_limit_has_a_unit_and_a_source():
    used = limits_used()
    assert len(used) > 60
    assert {limit.module.split(".")[0] for limit in used} == {*MODULES_WITH_LIMITS, "episodes"}
    assert all(limit.unit and limit.source for limit in used)
