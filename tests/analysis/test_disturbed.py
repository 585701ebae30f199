"""Recordings as they come (zeros off, sides swapped, shared stamps, missing probes, other rates): still honest."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from analysis.diagnose import diagnose
from analysis.findings import Findings
from analysis.shown import PSI
from analysis.summary import summary_of
from recorder.recording import Recording, Stream
from tests.analysis.made import recording_of


def changed(recording: Recording, **columns) -> Recording:
    """A recording with some channels computed anew from its rows."""
    stream = recording.streams[0]
    data = stream.data.with_columns(**{name: make(stream.data).cast(pl.Float32) for name, make in columns.items()})
    return replace(recording, streams=(replace(stream, data=data),))


def without(recording: Recording, *places: str) -> Recording:
    """A recording that lacks some channels."""
    stream = recording.streams[0]
    kept = tuple(c for c in stream.channels if c.place not in places)
    return replace(recording, streams=(Stream(stream.id, stream.rate_hz, kept, stream.data),))


def resampled(recording: Recording, rate_hz: float) -> Recording:
    """The same drive at another rate, by interpolation, through the importer."""
    stream = recording.streams[0]
    t = stream.data["tick_us"].to_numpy() / 1e6
    grid = np.arange(0.0, t[-1], 1.0 / rate_hz)
    rng = np.random.default_rng(8)
    columns: dict[str, np.ndarray] = {}
    for channel in stream.channels:
        values = stream.data[channel.id].to_numpy()
        good = np.isfinite(values)
        new = np.interp(grid, t[good], values[good])
        unit = "kPa" if channel.quantity == "pressure" else channel.unit
        noise = 0.3 if channel.quantity == "pressure" else 0.02
        columns[f"{channel.id} [{unit}]"] = new + rng.normal(0.0, noise, len(grid))
    start = recording.started_utc_ns or 0
    marks = [{"time_s": (m.utc_ns - start) / 1e9, "kind": m.kind, "text": ""} for m in recording.marks]
    return recording_of(grid, columns, **{**recording.job.to_dict(), "marks": marks})


def kinds(findings: Findings) -> list[str]:
    """Kinds of the found episodes."""
    return sorted({episode.kind for episode in findings.episodes})


@pytest.mark.parametrize("name", ["sample16", "sample18"])
def test_without_ambient_nothing_is_told_over_ambient(name: str, samples: dict[str, Recording]):
    findings = diagnose(without(samples[name], "ambient"), "test")
    assert "condenser_airflow_loss" in kinds(findings)
    text = summary_of(findings, PSI)
    assert "over ambient" not in text.partition("Measured against expected")[0]
    assert "over_ambient_k" not in str(findings.to_dict()["episodes"])


def test_a_clutch_channel_with_a_zero_below_zero_reads_the_same(samples: dict[str, Recording]):
    for name in ("sample11", "sample10"):
        plain = diagnose(samples[name], "test")
        shifted = diagnose(changed(samples[name], clutch=lambda d: d["clutch"] - 0.3), "test")
        assert len(shifted.compressor.runs) == len(plain.compressor.runs)
        assert kinds(shifted) == kinds(plain)


@pytest.mark.parametrize("name", ["sample11", "sample10", "sample16"])
def test_swapped_hoses_are_said_and_cost_nothing_else(name: str, samples: dict[str, Recording]):
    plain = diagnose(samples[name], "test")
    swap = {"low_side": lambda d: d["high_side"], "high_side": lambda d: d["low_side"]}
    swapped = diagnose(changed(samples[name], **swap), "test")
    assert [flag.kind for flag in swapped.flags] == ["swapped_sides"]
    assert kinds(swapped) == sorted({*kinds(plain), "sensor_fault"})
    assert len(swapped.compressor.runs) == len(plain.compressor.runs)
    assert swapped.verdict == plain.verdict


def test_rows_that_share_a_stamp_are_spread_and_told(samples: dict[str, Recording]):
    """A logger of whole seconds: sample11 has 5 rows a second."""
    recording = samples["sample11"]
    stream = recording.streams[0]
    floored = stream.data.with_columns(t=pl.col("t").dt.truncate("1s"))
    findings = diagnose(replace(recording, streams=(replace(stream, data=floored),)), "test")
    assert [flag.kind for flag in findings.flags] == ["same_stamps"]
    assert len(findings.compressor.runs) == 46
    assert next(s.rate_hz for s in findings.sensors if s.place == "low_side") == pytest.approx(5.0, rel=0.01)


@pytest.mark.parametrize("place", ["ambient", "vent"])
def test_without_a_needed_channel_nobody_says_no_fault_seen(place: str, samples: dict[str, Recording]):
    for name, recording in samples.items():
        findings = diagnose(without(recording, place), "test")
        assert findings.verdict != "no_fault_seen", name
        if findings.verdict == "cannot_tell":
            assert place in findings.verdict_why


@pytest.mark.parametrize("name", ["sample09", "sample10", "sample12", "sample16", "sample18"])
@pytest.mark.parametrize("rate_hz", [1.0, 20.0])
def test_another_rate_finds_the_same_kinds(name: str, rate_hz: float, samples: dict[str, Recording]):
    plain = diagnose(samples[name], "test")
    other = diagnose(resampled(samples[name], rate_hz), "test")
    circuit = {"sensor_fault"}
    assert set(kinds(other)) - circuit == set(kinds(plain)) - circuit
    assert other.verdict == plain.verdict


def test_sampling_too_slow_for_the_cycles_is_said(samples: dict[str, Recording]):
    slow = diagnose(resampled(samples["sample06"], 0.5), "test")
    assert all(cycle.lower_bound for cycle in slow.cycling if cycle.cycles > 50)
    assert not any(cycle.lower_bound for cycle in diagnose(samples["sample14"], "test").cycling)


@pytest.mark.parametrize(("volts", "part"), [(0.1, "fan relay or control module"), (13.6, "fan motor")])
def test_the_fans_own_supply_narrows_the_parts(volts: float, part: str, samples: dict[str, Recording]):
    recording = samples["sample16"]
    stream = recording.streams[0]
    channel = replace(stream.channels[0], id="fan", unit="V", reference=None, raw_unit="V")
    data = stream.data.with_columns(fan=pl.lit(volts, pl.Float32))
    with_fan = replace(stream, channels=(*stream.channels, channel), data=data)
    findings = diagnose(replace(recording, streams=(with_fan,)), "test")
    cause = findings.causes[0]
    assert cause.cause == "condenser_airflow_loss"
    assert cause.parts[0] == part
    assert cause.standing == ("proven" if volts < 1.0 else "likely")


def test_what_was_recovered_speaks_of_the_drive_before_and_what_was_charged_of_the_drive_after(
    samples: dict[str, Recording],
):
    """sample10 has no recharge in it: the drive was with what was recovered, whatever went in afterwards."""
    short = replace(samples["sample10"], job=replace(samples["sample10"].job, recovered_kg=0.30, charged_kg=0.59))
    causes = {cause.cause: cause for cause in diagnose(short, "test").causes}
    reasons = " ".join((*causes["undercharge"].reasons_for, *causes["undercharge"].reasons_against))
    assert "0.300 kg recovered" in reasons
    assert "charged" not in reasons


def test_r744_near_its_critical_point_gets_a_document(samples: dict[str, Recording]):
    """7377.3 kPa (Span & Wagner 1996): some moments have a saturation temperature, others none."""
    recording = samples["sample16"]
    scaled = changed(
        recording, low_side=lambda d: 3000.0 + 2.0 * d["low_side"], high_side=lambda d: 5600.0 + d["high_side"]
    )
    scaled = replace(scaled, job=replace(scaled.job, refrigerant="R-744"))
    document = diagnose(scaled, "test").to_json()
    assert '"R-744"' in document
    assert not any(s.why == "high_pressure_trip" for s in diagnose(scaled, "test").compressor.stops)


@pytest.mark.parametrize(
    "places",
    [("clutch",), ("engine_speed",), ("clutch", "engine_speed", "vehicle_speed"), ("suction_line", "liquid_line")],
    ids="+".join,
)
def test_fewer_channels_make_it_less_sure_never_wrong(places: tuple[str, ...], samples: dict[str, Recording]):
    """What is still found is what was found with all channels; where something is lost, nobody says no fault seen."""
    for name, recording in samples.items():
        plain, thin = diagnose(recording, "test"), diagnose(without(recording, *places), "test")
        assert set(kinds(thin)) <= set(kinds(plain)), name
        if plain.verdict == "fault_found":
            assert thin.verdict in ("fault_found", "cannot_tell"), name
        else:
            assert thin.verdict != "fault_found", name
