"""Sensors: signal to stored unit, against worked values; what is broken is missing and counted by its reason."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.errors import FrameError, InputError
from recorder.node import MISSING_INT32, Channel, channel_from, description_from, description_from_json
from recorder.readings import missing_in_words, readings_of
from recorder.sensors import (
    Bridge,
    ClampOn,
    Conversion,
    CurrentLoop,
    Missing,
    Ntc,
    Ratiometric,
    Thermocouple,
    conversion_from,
)
from recorder.thermocouples import emf_uv
from tests.reference import table

finite = st.floats(-1e6, 1e6)


def one(conversion: Conversion, signal: float, **beside: float) -> tuple[float, Missing]:
    """Value and reason of a single signal."""
    found = conversion.convert(np.array([signal]), {name: np.array([value]) for name, value in beside.items()})
    return float(found.values[0]), Missing(found.reason[0])


@pytest.mark.parametrize("row", table("ratiometric.csv"), ids=lambda row: f"{row['signal_v']} of {row['supply_v']}")
def test_a_ratiometric_reading_follows_its_supply(row: dict[str, str]):
    signal, supply, share = float(row["signal_v"]), float(row["supply_v"]), float(row["share"])
    value, reason = one(Ratiometric(0.0, 1.0, "sensor_supply"), signal, sensor_supply=supply)
    assert reason is Missing.NO
    assert value == pytest.approx(share, abs=0.5001e-6)
    assumed, _ = one(Ratiometric(0.0, 1.0), signal)
    assert 100.0 * (assumed - share) == pytest.approx(float(row["assumed_5v_error_percent"]), abs=0.5001e-3)


@pytest.mark.parametrize(
    ("signal", "supply", "why"),
    [
        (0.249, 5.0, Missing.OPEN_OR_SHORT),
        (0.0, 5.0, Missing.OPEN_OR_SHORT),
        (4.751, 5.0, Missing.SHORT_CIRCUIT),
        (math.nan, 5.0, Missing.NOT_SENT),
        (2.5, math.nan, Missing.NO_SUPPLY),
        (2.5, 0.0, Missing.NO_SUPPLY),
        (0.251, 5.0, Missing.NO),
        (4.749, 5.0, Missing.NO),
        (0.51, 2.99, Missing.NO_SUPPLY),
    ],
)
def test_a_broken_ratiometric_sensor_gives_its_reason(signal: float, supply: float, why: Missing):
    """Below 0.25 V and above 4.75 V at 5 V (common practice, no source)."""
    value, reason = one(Ratiometric(0.0, 3500.0, "s"), signal, s=supply)
    assert reason is why
    assert math.isnan(value) is (why is not Missing.NO)


@pytest.mark.parametrize(
    ("signal", "expected", "why"),
    [
        (4.0, 0.0, Missing.NO),
        (12.0, 500.0, Missing.NO),
        (20.0, 1000.0, Missing.NO),
        (3.8, -12.5, Missing.NO),
        (3.7, None, Missing.OUT_OF_RANGE),
        (3.6, None, Missing.OPEN_CIRCUIT),
        (0.0, None, Missing.OPEN_CIRCUIT),
        (20.7, None, Missing.OUT_OF_RANGE),
        (21.0, None, Missing.SHORT_CIRCUIT),
    ],
)
def test_a_current_loop_tells_measurement_from_fault(signal: float, expected: float | None, why: Missing):
    """NAMUR NE 43: 3.8 to 20.5 mA measure, 3.6 and below or 21 and above is a fault (from memory)."""
    value, reason = one(CurrentLoop(0.0, 1000.0), signal)
    assert reason is why
    assert value == pytest.approx(expected) if expected is not None else math.isnan(value)


def test_a_bridge_divides_by_its_excitation():
    """2 mV/V rated at 10 V excitation gives 20 mV at full scale (definition of rated output)."""
    bridge = Bridge(0.0, 2000.0, rated_mv_per_v=2.0, zero_mv_per_v=0.02, supply="sensor_supply")
    assert one(bridge, 10.2, sensor_supply=10.0) == (pytest.approx(1000.0), Missing.NO)
    assert one(bridge, 9.69, sensor_supply=9.5) == (pytest.approx(1000.0), Missing.NO)
    assert one(bridge, 27.0, sensor_supply=10.0)[1] is Missing.OUT_OF_RANGE
    assert one(bridge, 200.0, sensor_supply=10.0)[1] is Missing.OPEN_OR_SHORT
    assert one(bridge, 10.0, sensor_supply=0.0)[1] is Missing.NO_SUPPLY
    assert one(Bridge(0.0, 2000.0, 2.0), 1.0) == (pytest.approx(1000.0), Missing.NO)


def test_an_ntc_by_beta_gives_its_definition():
    """B = ln(R1/R2) / (1/T1 - 1/T2) (IEC 60539-1, from memory): 10 kOhm at 25 degC, B 3950, 0 degC."""
    ohm = 10_000.0 * math.exp(3950.0 * (1.0 / 273.15 - 1.0 / 298.15))
    assert one(Ntc(beta_k=3950.0), 10_000.0) == (pytest.approx(25.0, abs=1e-9), Missing.NO)
    assert one(Ntc(beta_k=3950.0), ohm) == (pytest.approx(0.0, abs=1e-9), Missing.NO)
    divided = Ntc(beta_k=3950.0, pull_up_ohm=10_000.0, supply="sensor_supply")
    assert one(divided, 3.3 * ohm / (ohm + 10_000.0), sensor_supply=3.3)[0] == pytest.approx(0.0, abs=1e-6)
    assert one(Ntc(beta_k=3950.0, pull_up_ohm=10_000.0), 0.5) == (pytest.approx(25.0, abs=1e-6), Missing.NO)


def test_an_ntc_by_steinhart_hart_passes_through_its_three_points():
    """Steinhart & Hart, Deep-Sea Research 15 (1968) 497: three coefficients through three points of an IEC curve."""
    t = np.array([0.0, 25.0, 70.0]) + 273.15
    ohm = np.array([32_650.0, 10_000.0, 1_752.0])
    log = np.log(ohm)
    a, b, c = np.linalg.solve(np.stack([np.ones(3), log, log**3], axis=1), 1.0 / t)
    found = Ntc(steinhart_hart=(a, b, c)).convert(ohm, {})
    assert found.values == pytest.approx(t - 273.15, abs=1e-6)


@pytest.mark.parametrize(
    "ntc", [Ntc(beta_k=3950.0, pull_up_ohm=1e4), Ntc(steinhart_hart=(1.1e-3, 2.4e-4, 7.5e-8), pull_up_ohm=1e4)]
)
def test_a_broken_ntc_is_told_from_a_shorted_one(ntc: Ntc):
    assert one(ntc, 1.0)[1] is Missing.OPEN_CIRCUIT
    assert one(ntc, 0.9999)[1] is Missing.OPEN_CIRCUIT
    assert one(ntc, 0.0)[1] is Missing.SHORT_CIRCUIT
    assert one(ntc, math.nan)[1] is Missing.NOT_SENT


def test_a_thermocouple_without_its_terminals_temperature_reads_nothing():
    sensor = Thermocouple("K", "cold_junction", open_above_uv=30_000.0)
    measured = float(emf_uv("K", 60.0) - emf_uv("K", 23.0))
    assert one(sensor, measured, cold_junction=23.0) == (pytest.approx(60.0, abs=1e-9), Missing.NO)
    assert one(sensor, measured, cold_junction=math.nan)[1] is Missing.NO_COLD_JUNCTION
    assert one(sensor, 32_000.0, cold_junction=23.0)[1] is Missing.OPEN_CIRCUIT
    assert one(sensor, -9_000.0, cold_junction=23.0)[1] is Missing.OUT_OF_RANGE


@given(
    st.sampled_from(
        [
            Ratiometric(0.0, 3500.0, "x"),
            CurrentLoop(-100.0, 900.0),
            Bridge(0.0, 500.0, 2.0, supply="x"),
            Thermocouple("T", "x"),
            Ntc(beta_k=3435.0, pull_up_ohm=1e4, supply="x"),
            ClampOn(),
        ]
    ),
    st.lists(st.tuples(st.floats(), st.floats()), min_size=1, max_size=50),
)
def test_any_signal_has_a_value_or_a_reason_never_both(conversion: Conversion, pairs: list[tuple[float, float]]):
    signal, beside = (np.array(values) for values in zip(*pairs, strict=True))
    signal = np.where(np.isfinite(signal), signal, np.nan)
    with np.errstate(all="ignore"):
        found = conversion.convert(signal, {"x": np.where(np.isfinite(beside), beside, np.nan)})
    assert np.array_equal(np.isnan(found.values), found.reason != Missing.NO)
    assert np.isfinite(found.values[found.reason == Missing.NO]).all()


# A node of four channels that need each other: the terminals' NTC needs the supply, the thermocouple the terminals.
GROUP = [
    {"id": "sensor_supply", "unit": "V", "scale": 0.001},
    {
        "id": "low_side",
        "unit": "kPa",
        "reference": "vented_gauge",
        "scale": 0.0001,
        "conversion": {"kind": "ratiometric", "low": 0, "high": 1000, "supply": "sensor_supply"},
    },
    {
        "id": "cold_junction",
        "unit": "degC",
        "scale": 0.0001,
        "conversion": {"kind": "ntc", "beta_k": 3950, "pull_up_ohm": 10000, "supply": "sensor_supply"},
    },
    {
        "id": "vent",
        "unit": "degC",
        "conversion": {"kind": "thermocouple", "type": "K", "cold_junction": "cold_junction"},
    },
]


def described(channels: list[dict[str, object]]) -> dict[str, object]:
    """A node's description with one group."""
    group = {"number": 0, "rate_hz": 10, "format": "int32", "channels": channels}
    return {"id": "n", "firmware": "1", "revision": 1, "groups": [group]}


def test_a_group_is_converted_through_the_channels_it_needs_and_losses_are_counted():
    channels = description_from(described(GROUP)).groups[0].channels
    measured = int(np.rint(emf_uv("K", 60.0) - emf_uv("K", 25.0)))
    raw = {
        "sensor_supply": np.array([5000, 4900, 0, 5000, 5000], np.int32),
        "low_side": np.array([25_000, 20_000, 25_000, 100, MISSING_INT32], np.int32),
        "cold_junction": np.array([25_000, 24_500, 25_000, 50_000, 25_000], np.int32),
        "vent": np.array([measured, measured, measured, measured, measured], np.int32),
    }
    readings = readings_of(channels, raw)
    assert readings.values["low_side"][:2] == pytest.approx([500.0, 385.204], abs=1e-3)
    assert readings.values["vent"][[0, 1, 4]] == pytest.approx(60.0, abs=0.02)
    assert np.isnan(readings.values["vent"][2:4]).all()
    assert readings.missing == {
        "not_sent_low_side": 1,
        "open_or_short_low_side": 1,
        "no_supply_low_side": 1,
        "no_supply_cold_junction": 1,
        "open_circuit_cold_junction": 1,
        "no_cold_junction_vent": 2,
    }


def test_what_no_sensor_can_say_is_missing_and_counted():
    readings = readings_of(
        (Channel("vent", "degC", scale=0.01),), {"vent": np.array([2000, 500_000, -100_000], np.int32)}
    )
    assert readings.values["vent"][0] == 20.0
    assert readings.missing == {"out_of_range_vent": 2}


@pytest.mark.parametrize(
    ("channel", "sent", "kept"),
    [
        (Channel("low_side", "kPa", "vented_gauge", range_low=0.0, range_high=1000.0), (1099, 1101, -98), (0, 2)),
        (Channel("low_side", "kPa", "absolute", range_low=100.0, range_high=1100.0), (1201, 2, -2), (1,)),
        (Channel("vent", "degC", range_low=-40.0, range_high=125.0), (141, 142, -56, -57), (0, 2)),
        (Channel("vent", "degC", range_low=-40.0), (-89, -91, 590), (0, 2)),
    ],
)
def test_a_reading_far_outside_the_stated_range_is_none(channel: Channel, sent: tuple[int, ...], kept: tuple[int, ...]):
    readings = readings_of((channel,), {channel.id: np.array(sent, np.int32)})
    assert tuple(np.flatnonzero(np.isfinite(readings.values[channel.id]))) == kept
    assert readings.missing == {f"out_of_range_{channel.id}": len(sent) - len(kept)}


def test_what_is_missing_is_told_in_words():
    counters = {f"{reason.name.lower()}_vent_2": reason.value for reason in Missing if reason} | {"lost": 3}
    told = missing_in_words(counters)
    assert len(told) == len(Missing) - 1
    assert "vent_2: 2 readings missing (open circuit)" in told
    assert "vent_2: 1 reading missing (the node sent no value)" in told


def test_a_clamp_on_sensor_reads_nothing_until_it_is_calibrated():
    values = {
        "id": "low_side",
        "unit": "kPa",
        "reference": "vented_gauge",
        "scale": 1e-6,
        "conversion": {"kind": "clamp_on"},
    }
    raw = {"low_side": np.array([100, 300, MISSING_INT32], np.int32)}
    assert readings_of((channel_from(values),), raw).missing == {"not_sent_low_side": 1, "not_calibrated_low_side": 2}
    calibration = {"gain": 2e6, "zero": -200.0, "on": "2026-07-14T09:00:00Z", "method": "two_point", "u95": 12.0}
    known = channel_from(values | {"calibration": calibration | {"low": 0.0, "high": 600.0}})
    assert readings_of((known,), raw).values["low_side"][:2] == pytest.approx([0.0, 400.0])


def test_a_description_survives_its_own_json():
    description = description_from(described(GROUP))
    assert description_from_json(description.to_json()) == description
    assert "conversion" not in json.loads(description.to_json())["groups"][0]["channels"][0]


@pytest.mark.parametrize(
    ("conversion", "says"),
    [
        ({"kind": "pitot"}, "'pitot' is no kind of sensor. Kinds: ratiometric, current_loop"),
        ({"kind": "ratiometric", "low": 0}, "missing 1 required positional argument: 'high'"),
        ({"kind": "ratiometric", "low": 0, "high": 0}, "'low' and 'high' must differ"),
        ({"kind": "ratiometric", "low": 0, "high": "much"}, "'high' must be a finite number, not 'much'"),
        ({"kind": "ratiometric", "low": 0, "high": math.inf}, "'high' must be a finite number"),
        ({"kind": "ratiometric", "low": 0, "high": 1, "colour": 3}, "unexpected keyword argument 'colour'"),
        ({"kind": "ratiometric", "low": 0, "high": 1, "supply": "vent"}, "needs a voltage channel 'vent' in group 0"),
        ({"kind": "bridge", "low": 0, "high": 1, "rated_mv_per_v": 0}, "'rated_mv_per_v' must be above zero"),
        ({"kind": "thermocouple", "type": "B", "cold_junction": "vent"}, "type 'B' is not known. Types: K, T, J, N"),
        ({"kind": "ntc"}, "state either 'beta_k' or three 'steinhart_hart'"),
        ({"kind": "ntc", "steinhart_hart": [1e-3, 2e-4]}, "'steinhart_hart' has three coefficients"),
        ({"kind": "ntc", "beta_k": -1}, "must be above zero"),
        ({"kind": "clamp_on", "drift_per_k": -0.1}, "must not be negative"),
        ("ratiometric", "'conversion' must be an object"),
    ],
)
def test_a_conversion_that_leads_nowhere_is_refused_by_name(conversion: object, says: str):
    pressure = {"id": "low_side", "unit": "kPa", "reference": "vented_gauge", "conversion": conversion}
    with pytest.raises(InputError, match="low_side.*" + says.replace("'", ".")):
        description_from(described([pressure, {"id": "vent", "unit": "degC"}]))


def test_channels_that_need_each_other_in_a_ring_are_refused():
    ring = [
        {"id": "vent", "unit": "degC", "conversion": {"kind": "thermocouple", "type": "K", "cold_junction": "vent_2"}},
        {"id": "vent_2", "unit": "degC", "conversion": {"kind": "thermocouple", "type": "K", "cold_junction": "vent"}},
    ]
    with pytest.raises(InputError, match="needs it in turn"):
        description_from(described(ring))


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
        max_leaves=8,
    ),
    st.sampled_from(["ratiometric", "ntc", "bridge", "thermocouple", "clamp_on", "current_loop"]),
)
def test_any_conversion_is_understood_or_refused(junk: object, kind: str):
    values = junk if isinstance(junk, dict) else {"low": junk, "high": 1}
    try:
        conversion_from({**values, "kind": kind})
    except InputError:
        return


def test_a_lying_description_is_a_refused_frame():
    with pytest.raises(FrameError, match="describe: channel 'low_side'"):
        description_from_json(
            json.dumps(described([{"id": "low_side", "unit": "kPa", "conversion": {"kind": 3}}])).encode()
        )
