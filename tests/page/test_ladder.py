"""The ladder against published saturation, and its bands, gaps and warnings."""

import csv

import pytest

from analysis.page.ladder import Reading, ladder_of
from analysis.pressure_limits import LIMITS
from recorder.jobsheet import REFRIGERANTS, JobSheet
from recorder.node import Channel
from tests.conftest import ROOT
from tests.page.made import channel_of

HANDBOOK = ROOT / "tests" / "reference" / "handbook_r134a.csv"
SEA_LEVEL = JobSheet(refrigerant="R-134a", altitude_m=0.0)
RUNNING = {
    "low_side": 191.5, "high_side": 1217.0, "suction_line": 7.0, "liquid_line": 42.0, "vent": 6.0, "ambient": 30.0,
    "clutch": 13.5,
}  # fmt: skip


def readings(**values: float) -> dict[str, Reading]:
    return {name: Reading(channel_of(name), value) for name, value in values.items()}


def test_rungs_stand_at_the_handbooks_saturation():
    """Printed table of R-134a, named in the file itself."""
    with HANDBOOK.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    for row in rows:
        ladder = ladder_of(readings(low_side=100.0 * float(row["p_bar"]) - 101.325), SEA_LEVEL)
        here = float(row["t_degc"]) - float(row["differs_k"])
        assert ladder.evaporating_degc == pytest.approx(here, abs=0.02), "what is known to differ, there to 0.01 K"


def test_superheat_and_subcooling_are_gaps_between_rungs():
    ladder = ladder_of(readings(**RUNNING), SEA_LEVEL)
    by_name = {gap.name: gap for gap in ladder.gaps}
    assert by_name["superheat"].kelvin == pytest.approx(7.0, abs=0.1), "191 kPa gauge is 0 degC, reference_values 6.1"
    assert by_name["subcooling"].kelvin == pytest.approx(8.0, abs=0.1), (
        "1217 kPa gauge is 50 degC, reference_values 6.1"
    )
    assert by_name["superheat"].high_degc == 7.0
    assert [rung.degc for rung in ladder.rungs] == sorted(rung.degc for rung in ladder.rungs)


def test_an_absolute_and_a_sealed_sensor_read_the_same_rung():
    gauge = ladder_of(readings(low_side=200.0), SEA_LEVEL)
    for reference, sealed, shift in (("absolute", None, 101.325), ("sealed_gauge", 95.0, 101.325 - 95.0)):
        channel = Channel("low_side", "kPa", reference, sealed)
        other = ladder_of({"low_side": Reading(channel, 200.0 + shift)}, SEA_LEVEL)
        assert other.evaporating_degc == pytest.approx(gauge.evaporating_degc or 0.0, abs=1e-6)
        assert other.low_kpa == pytest.approx(200.0)


def test_the_usual_band_follows_ambient_air_and_road_speed():
    standing = ladder_of(readings(**RUNNING, vehicle_speed=0.0), SEA_LEVEL)
    moving = ladder_of(readings(**RUNNING, vehicle_speed=50.0), SEA_LEVEL)
    bands = [next(r.band for r in ladder.rungs if r.name == "condensing") for ladder in (standing, moving)]
    assert bands == [(40.0, 60.0), (38.0, 52.0)]


def test_while_the_compressor_rests_no_band_and_no_superheat_is_claimed():
    ladder = ladder_of(readings(**{**RUNNING, "clutch": 0.1}), SEA_LEVEL)
    assert ladder.pumping is False
    assert ladder.superheat_k is None
    assert {rung.name for rung in ladder.rungs if rung.band} == {"condensing"}, "too high is too high at rest as well"


def test_warm_vent_air_is_never_usual_or_low():
    """A warm evaporator draws no band up with it."""
    ladder = ladder_of(readings(**{**RUNNING, "low_side": 600.0, "vent": 27.0}), SEA_LEVEL)
    vent = next(rung for rung in ladder.rungs if rung.name == "vent")
    assert vent.band is not None
    assert vent.band[1] == pytest.approx(23.0), "12 degC evaporating and 11 K over it"


def test_without_a_refrigerant_there_is_no_saturation_and_it_says_so():
    ladder = ladder_of(readings(**RUNNING), JobSheet())
    assert ladder.evaporating_degc is None
    assert "No refrigerant is stated" in ladder.why[0]


@pytest.mark.parametrize("name", REFRIGERANTS)
@pytest.mark.parametrize("side", ["low_side", "high_side"])
def test_a_pressure_near_its_refrigerants_limit_warns(name: str, side: str):
    limit = LIMITS[f"{name} {side}"].value
    job = JobSheet(refrigerant=name, altitude_m=0.0)
    assert not ladder_of(readings(**{side: limit - 1.0}), job).warned
    (warned,) = ladder_of(readings(**{side: limit + 1.0}), job).warned
    assert (warned.side, warned.limit_kpa) == (side, limit)
    assert name in warned.why


def test_a_reading_at_the_end_of_its_sensor_warns_too():
    channel = Channel("high_side", "kPa", "vented_gauge", range_high=2000.0)
    (warned,) = ladder_of({"high_side": Reading(channel, 1950.0)}, SEA_LEVEL).warned
    assert "range" in warned.why


def test_a_running_vehicle_in_hot_weather_does_not_warn():
    """The stationary chart of reference_values 6.1 ends at 43 degC with 2340 kPa."""
    assert not ladder_of(readings(low_side=380.0, high_side=2340.0), SEA_LEVEL).warned
