"""Fit-up: nodes are found and asked, channels stand where the technician puts them, sensors are checked in open air."""

from pathlib import Path

import numpy as np
import pytest

from analysis.page.fit_up import BOARD, LOSSES, cannot_be_looked_for, lost_without, places_of
from recorder.calibrate import known_calibrations
from recorder.places import PLACES
from recorder.recording import open_recording
from recorder.sealing import seal
from tests.conftest import Replaying
from tests.page.conftest import Served, serve, until
from tests.page.made import Making

CHECKED = (
    "Pre-checks: Cooling asked for; Condenser fan turns, air path clear. Not ticked: Compressor engages; "
    "Blower blows on every step; Ambient air known, probe in the shade; Refrigerant identified, no sealant found; "
    "Ports sound, couplers leak-checked, hoses clear of belt and fan; "
    "Eyes and hands protected, brake on, exhaust led away."
)


def test_every_place_of_the_board_says_what_its_absence_costs():
    assert {place for _, places in BOARD for place in places} == set(LOSSES)
    assert set(LOSSES) <= set(PLACES)


def test_without_a_liquid_line_probe_there_is_no_subcooling():
    held = places_of(["low_side", "high_side", "suction_line", "vent_2", "bogus", ""])
    assert held == {"low_side", "high_side", "suction_line", "vent"}
    assert lost_without(held)["liquid_line"] == "no subcooling"
    assert "suction_line" not in lost_without(held)
    assert "suction_line" not in lost_without({"evaporator_out"}), "a probe at the evaporator's outlet does as well"


def test_what_cannot_be_looked_for_follows_what_the_detectors_need():
    (sentence,) = cannot_be_looked_for(set(PLACES) - {"ambient"})
    assert sentence.startswith("Without ambient air nobody can look for: ")
    assert "air in the system" in sentence
    assert cannot_be_looked_for(set(PLACES)) == []


def test_the_demo_node_is_listed_without_being_asked(page: Served):
    (node,) = page.post("/api/find", {"addresses": ["demo"]}).json()["nodes"]
    assert node["channels"][:2] == ["low_side", "high_side"]
    assert "invented" in node["note"]


def test_an_address_that_is_an_option_is_refused(page: Served):
    assert page.post("/api/find", {"addresses": ["--out=/tmp"]}).status == 400
    assert page.post("/api/zero", {"address": "--out=/tmp"}).status == 400


def test_a_node_is_asked_and_recorded_with_its_channels_where_the_technician_put_them(
    replaying: Replaying, drive: Path, tmp_path: Path
):
    served = serve(tmp_path)
    try:
        address = replaying.start(drive, 60.0, "--tcp")
        (node,) = served.post("/api/find", {"addresses": [address]}).json()["nodes"]
        assert (node["address"], node["node"], len(node["channels"])) == (address, "replay", 12)
        asked = {
            "job": {"vehicle": "Minibus 7"},
            "addresses": [address],
            "places": ["replay/vent=return_air", "replay/return_air=vent"],
            "checks": ["cooling", "fan"],
        }
        assert served.post("/api/record", {**asked, "places": ["replay/vent=low_side"]}).json()["wrong"]["places"]
        name = served.post("/api/record", asked).json()["name"]
        journal = tmp_path / name / "replay.journal"
        until(lambda: journal.exists() and journal.stat().st_size > 40_000)
        assert served.post(f"/api/stop/{name}").status == 200
        until((tmp_path / name / "seal.json").exists)
        until(lambda: not (tmp_path / name / "opening.json").exists())
    finally:
        served.end()
    recording, source = open_recording(tmp_path / name), open_recording(drive)
    rows = recording.streams[0].data
    assert rows["return_air"].to_list()[:50] == source.streams[0].data["vent"].to_list()[:50]
    (mark,) = recording.marks
    assert (mark.kind, mark.text) == ("note", CHECKED)


def test_the_zero_check_says_how_far_a_sensor_is_off_and_corrects_it(
    under_way: Making, replaying: Replaying, tmp_path: Path
):
    """Sensors that are known to be 1.5 and 0 kPa off; probes of which one stands 1 K from the others."""
    made = under_way(("low_side", "high_side", "vent", "return_air", "ambient"), rate_hz=10.0)
    noise = np.random.default_rng(4).normal(0.0, 0.05, (300, 5))
    made.send(noise + np.array([1.5, 0.0, 22.0, 22.0, 23.0]))
    made.store.close()
    seal(made.folder, "test")
    served = serve(tmp_path / "out")
    try:
        address = replaying.start(made.folder, 1.0, "--tcp")
        told = served.post("/api/zero", {"address": address, "keep": ["low_side"]}).json()
    finally:
        served.end()
    low, high = told["pressures"]
    assert low["error_kpa"] == pytest.approx(1.5, abs=0.1)
    assert (low["kept"], high["kept"]) == (True, False)
    assert abs(high["error_kpa"]) < 0.1
    assert [row["off_k"] for row in told["temperatures"]] == pytest.approx([0.0, 0.0, 1.0], abs=0.1)
    (known,) = known_calibrations(tmp_path / "out" / "calibrations.json")
    assert (known.channel, known.calibration.method) == ("low_side", "zero")
    assert known.calibration.zero == pytest.approx(-1.5, abs=0.1)
