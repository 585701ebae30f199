"""Thin or damaged input is analysed as far as it goes and says what is missing."""

import json
from dataclasses import replace

import jsonschema
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.diagnose import diagnose
from analysis.findings import Findings, schema
from analysis.shown import PSI
from analysis.summary import summary_of
from recorder.recording import Recording
from tests.analysis.made import recording_of

T = np.arange(0.0, 400.0, 0.5)
VENT = 12.0 + np.sin(T / 30.0)
LOW, HIGH = 250.0 + 5.0 * np.sin(T / 9.0), 1200.0 + 20.0 * np.sin(T / 11.0)


def findings(columns: dict[str, np.ndarray], **job: object) -> Findings:
    """Analyse columns; the document must validate and the summary must print."""
    found = diagnose(recording_of(T[: len(next(iter(columns.values())))], columns, **job), "test")
    jsonschema.validate(json.loads(found.to_json()), schema())
    assert summary_of(found)
    return found


def test_no_pressures_cannot_tell_and_says_so():
    found = findings({"vent [degC]": VENT})
    assert found.verdict == "cannot_tell"
    assert found.verdict_why == "not recorded: low side and high side"
    undecided = {check.kind: check.missing for check in found.checks if check.state == "undecided"}
    assert undecided["compressor_dropout"] == ("low_side", "high_side", "runs")


def test_one_pressure_alone_cannot_tell():
    assert findings({"low_side [kPa]": LOW}).verdict_why == "not recorded: high side"


def test_no_refrigerant_cannot_tell():
    found = findings({"low_side [kPa]": LOW, "high_side [kPa]": HIGH}, refrigerant="R-744")
    assert found.verdict in {"no_fault_seen", "cannot_tell"}


def test_a_recording_of_one_row():
    assert findings({"low_side [kPa]": LOW[:1], "high_side [kPa]": HIGH[:1]}).verdict == "cannot_tell"


@pytest.mark.parametrize("rows", [2, 3, 7])
def test_a_recording_of_a_few_rows(rows: int):
    columns = {"low_side [kPa]": LOW[:rows], "high_side [kPa]": HIGH[:rows], "clutch [V]": np.full(rows, 13.0)}
    assert findings(columns).verdict == "cannot_tell"


def test_a_channel_that_is_empty_throughout():
    empty = np.full(len(T), np.nan)
    found = findings({"low_side [kPa]": LOW, "high_side [kPa]": HIGH, "vent [degC]": empty})
    assert [sensor.missing for sensor in found.sensors if sensor.place == "vent"] == [1.0]


def test_a_transcritical_refrigerant_has_no_condensing_temperature():
    """R-744 above 7377.3 kPa (Span & Wagner 1996): no saturation, so nothing over ambient is claimed."""
    found = findings(
        {"low_side [kPa]": 3500.0 + LOW, "high_side [kPa]": 9000.0 + HIGH, "ambient [degC]": np.full(len(T), 30.0)},
        refrigerant="R-744",
        compressor="variable_external",
    )
    over = [row for row in found.expected if row.quantity.startswith("condensing")]
    assert all(row.measured.value is None for row in over)


def test_what_was_not_recorded_neither_ran_nor_counts_as_driving():
    """An hour without any row: the runs end where the record breaks off, exposure counts what was seen."""
    t = np.where(T < 200.0, T, T + 3600.0)
    columns = {"low_side [kPa]": LOW, "high_side [kPa]": HIGH, "clutch [V]": np.where(T > 20, 13.0, 0.0)}
    found = diagnose(recording_of(t, columns), "test")
    assert [flag.kind for flag in found.flags] == ["gap"]
    assert "3600 s" in found.flags[0].text
    assert len(found.compressor.runs) == 2
    assert sum(run.end_s - run.start_s for run in found.compressor.runs) < 400.0
    assert found.compressor.stops[0].why == "not_recorded"
    assert found.coverage.exposure_s < 401.0
    assert found.cycling == ()


def test_something_outside_its_band_without_a_known_kind_cannot_tell():
    warm = np.full(len(T), 38.0)
    columns = {
        "low_side [kPa]": LOW,
        "high_side [kPa]": HIGH + 1100.0,
        "vent [degC]": VENT,
        "ambient [degC]": warm,
        "clutch [V]": np.where(T > 20, 13.0, 0.0),
    }
    found = findings(columns)
    assert found.verdict == "cannot_tell"
    assert "condensing stood 38 K over ambient throughout" in found.verdict_why


def test_channels_that_never_change():
    constant = np.full(len(T), 300.0)
    found = findings({"low_side [kPa]": constant, "high_side [kPa]": constant, "clutch [V]": np.zeros(len(T))})
    assert found.verdict == "cannot_tell"


@pytest.mark.parametrize("name", ["sample07", "sample14"])
def test_warm_air_mixed_in_behind_a_healthy_circuit_points_outside_the_circuit(
    name: str, samples: dict[str, Recording]
):
    """Half of the air passes the heater: what the vents of two healthy vehicles would have read then."""
    recording = samples[name]
    stream = recording.streams[0]
    vent = 0.55 * pl.col("vent") + 0.45 * (pl.col("ambient") + 8.0)
    mixed = replace(stream, data=stream.data.with_columns(vent=vent.cast(pl.Float32)))
    findings = diagnose(replace(recording, streams=(mixed,)), "test")
    assert findings.episodes == ()
    assert findings.verdict == "cannot_tell"
    assert findings.causes[0].cause == "outside_the_circuit"
    assert findings.causes[0].standing == "likely"


LEVELS = {
    "low_side [kPa]": (-95.0, 700.0), "high_side [kPa]": (-80.0, 3200.0), "vent [degC]": (-5.0, 45.0),
    "ambient [degC]": (-10.0, 48.0), "suction_line [degC]": (-20.0, 60.0), "liquid_line [degC]": (0.0, 80.0),
    "return_air [degC]": (5.0, 50.0), "discharge_line [degC]": (10.0, 130.0), "clutch [V]": (0.0, 14.0),
    "fan [V]": (0.0, 14.0), "engine_speed [1/min]": (0.0, 4500.0), "vehicle_speed [km/h]": (0.0, 120.0),
}  # fmt: skip
MARKS = ("engine_on", "ac_on", "ac_off", "engine_off", "complaint", "recharged", "raised_idle")


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    places=st.sets(st.sampled_from(sorted(LEVELS)), min_size=1),
    metering=st.sampled_from(["expansion_valve", "fixed_orifice", None]),
    compressor=st.sampled_from(["cycling_clutch", "variable_internal", "variable_external", "electric", None]),
)
def test_nothing_that_a_node_can_send_ends_in_a_traceback(
    seed: int, places: set[str], metering: str | None, compressor: str | None
):
    """Levels that leap, rest, cross and creep at random, with a clutch that comes and goes: none of it physics."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1500.0, 0.5)
    on = np.cumsum(rng.random(len(t)) < rng.choice([0.002, 0.02, 0.1])) % 2
    columns: dict[str, np.ndarray] = {}
    for name in sorted(places):
        low, high = LEVELS[name]
        number = int(rng.integers(2, 40))
        at = np.sort(rng.uniform(0.0, t[-1], number))
        values = np.interp(t, at, rng.uniform(low, high, number)) if rng.random() < 0.5 else np.full(len(t), low)
        share = rng.uniform(0.0, 1.0) * on
        tau = int(rng.choice([1, 4, 40]))
        columns[name] = values + (high - values) * np.convolve(share, np.ones(tau) / tau, "same")
        columns[name] += rng.normal(0.0, 0.002 * (high - low), len(t))
    marks = [
        {"time_s": float(rng.uniform(0, t[-1])), "kind": str(rng.choice(MARKS)), "text": ""}
        for _ in range(int(rng.integers(0, 6)))
    ]
    stated = {key: value for key, value in (("metering", metering), ("compressor", compressor)) if value}
    found = diagnose(recording_of(t, columns, **stated, marks=sorted(marks, key=lambda mark: mark["time_s"])), "test")
    jsonschema.validate(json.loads(found.to_json()), schema())
    assert summary_of(found, PSI)
