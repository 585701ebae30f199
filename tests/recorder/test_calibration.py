"""Calibration: uncertainty as the GUM's examples have it, corrections found again, old recordings read anew."""

import json
import math
import os
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from analysis.commands import warmspell
from analysis.opening import opened
from recorder.calibration import Component, calibration_from, combined, line_through, mean_of, rectangular
from recorder.calibration_file import calibrated_channel, known_from, read_calibrations
from recorder.errors import InputError
from recorder.hashes import check_seal
from recorder.recalibration import recalibrated, recalibrated_together
from recorder.recording import open_recording
from tests.conftest import ROOT, Replaying
from tests.recorder import bench_car
from tests.reference import table


def test_components_combine_as_in_the_gums_end_gauge():
    """JCGM 100 H.1: u 32 nm (31.664 unrounded), 16 degrees of freedom (16.75), k 2.92, U99 93 nm; values in nm."""
    found = combined(
        [
            Component("standard", 25.0, 18),
            Component("difference", 9.682, 25.6),
            Component("expansion", 2.887, 50),
            Component("temperature", 16.599, 2),
        ],
        coverage=0.99,
    )
    assert found.u == pytest.approx(31.664, abs=0.001)
    assert found.dof == pytest.approx(16.75, abs=0.05)
    assert combined([Component("", 31.664, 16)], 0.99).k == pytest.approx(2.9208, abs=1e-4)


def test_a_line_has_the_gums_thermometer_calibration():
    """JCGM 100 H.3: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, correction at 30 degC -0.1494(41)."""
    rows = table("gum_h3.csv")
    x = [float(row["reading_degc"]) for row in rows]
    y = [float(row["correction_degc"]) for row in rows]
    line = line_through(x, y, [0.0] * len(x), about=20.0)
    u = np.sqrt(np.diag(line.covariance))
    assert line.zero == pytest.approx(-0.1712, abs=0.5e-4)
    assert line.gain == pytest.approx(0.00218, abs=0.5e-5)
    assert u == pytest.approx([0.0029, 0.00067], abs=0.5e-4)
    assert line.covariance[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=0.5e-3)
    assert line.at(30.0) == pytest.approx(-0.1494, abs=0.5e-4)
    assert line.u_at(30.0) == pytest.approx(0.0041, abs=0.5e-4)


def test_two_points_propagate_as_the_formula_says():
    """y = y1 + (y2 - y1)(x - x1)/(x2 - x1): at the points u is theirs, in the middle half their root sum of squares."""
    line = line_through([10.0, 110.0], [0.0, 600.0], [1.0, 6.0])
    assert line.at(60.0) == pytest.approx(300.0)
    assert [line.u_at(10.0), line.u_at(110.0)] == pytest.approx([1.0, 6.0])
    assert line.u_at(60.0) == pytest.approx(math.hypot(1.0, 6.0) / 2.0)


def test_scatter_beyond_what_was_stated_widens_a_line():
    x, y = [0.0, 1.0, 2.0, 3.0], [0.0, 1.3, 1.7, 3.0]
    assert line_through(x, y, [0.01] * 4).u_at(0.0) > 10 * line_through([0, 1, 2, 3], [0, 1, 2, 3], [0.01] * 4).u_at(
        0.0
    )


@given(st.floats(-50.0, 50.0), st.floats(0.2, 5.0), st.floats(-100.0, 100.0), st.floats(50.0, 3000.0))
def test_a_linear_error_is_found_again(zero: float, gain: float, low: float, span: float):
    true = np.array([low, low + span])
    line = line_through(true * gain + zero, true, [1.0, 1.0])
    assert line.at((low + 0.3 * span) * gain + zero) == pytest.approx(low + 0.3 * span, abs=1e-6 * (span + abs(low)))


def test_points_that_read_the_same_are_refused():
    with pytest.raises(InputError, match="the points have the same reading"):
        line_through([5.0, 5.0], [0.0, 600.0], [1.0, 1.0])


def test_a_rectangular_half_width_is_divided_by_the_root_of_three():
    """JCGM 100, 4.3.7."""
    assert rectangular(1.0) == pytest.approx(0.57735, abs=1e-5)


def test_scatter_of_correlated_readings_is_not_underrated():
    """A slow wander of sd 1: the mean of 600 readings is not known to 1/sqrt(600), and the blocks say so."""
    rng = np.random.default_rng(3)
    wander = np.repeat(rng.normal(0.0, 1.0, 20), 30)
    assert mean_of(wander).u > 3.0 / math.sqrt(600)
    with pytest.raises(InputError, match="only 19 readings"):
        mean_of(np.r_[np.arange(19.0), np.nan])


def test_expanded_uncertainty_covers_the_truth_as_often_as_it_says():
    """1,000 stretches of white noise about a true value of 3: 95 % within, give or take what chance allows."""
    noise = np.random.default_rng(5).normal(3.0, 1.0, (1000, 60))
    means = [mean_of(row) for row in noise]
    inside = [abs(m.value - 3.0) <= combined([Component("", m.u, m.dof)]).expanded for m in means]
    assert 0.93 < np.mean(inside) < 0.975


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"gain": 0}, "the gain not zero"),
        ({"zero": math.nan}, "must be finite"),
        ({"method": "guess"}, "'guess' is no method"),
        ({"colour": 1}, "'colour' is not known"),
        ({"u95": "wide"}, "ValueError"),
    ],
)
def test_a_calibration_that_leads_nowhere_is_refused(change: dict[str, object], says: str):
    good = {"gain": 1, "zero": 0, "on": "2026-07-14T09:00:00Z", "method": "zero", "u95": 1, "low": 0, "high": 0}
    assert calibration_from(good).gain == 1.0
    with pytest.raises(InputError, match=says):
        calibration_from(good | change)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented bench recording, sealed."""
    return bench_car.make(tmp_path_factory.mktemp("bench") / "bench").path


def calibrate(*words: str | Path, answers: str = "") -> Result:
    """Run ``warmspell calibrate`` in this process; a refusal comes out as its InputError."""
    done = CliRunner().invoke(warmspell, ["calibrate", *map(str, words)], input=answers, catch_exceptions=True)
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def mean(recording: Path, file: Path, channel: str, from_s: float, to_s: float) -> float:
    """Mean of a stored column over a stretch, read with a calibration file."""
    data = opened(recording, None, file).streams[0].data
    t_s = data["tick_us"].to_numpy() / 1e6
    return float(np.nanmean(data[channel].to_numpy()[(t_s >= from_s) & (t_s < to_s)]))


def test_an_open_air_check_takes_the_zero_error_away_and_keeps_the_seal(bench: Path, tmp_path: Path):
    file = tmp_path / "c.json"
    before = check_seal(bench)
    done = calibrate("zero", bench, "--channel", "low_side", "--stretch", "2:58", "--file", file)
    assert re.search(r"off by \+(4\.0[0-4]|3\.9[6-9])", done.stdout), "4 kPa within its stated uncertainty"
    assert "Never open a port under pressure" in done.stderr
    assert "hose off the vehicle" in done.stderr
    (known,) = read_calibrations(file)
    assert (known.node, known.serial_number) == (bench_car.NODE, "LP-7")
    assert abs(known.calibration.zero + bench_car.LOW_ZERO_KPA) < known.calibration.u95 < 0.5
    assert mean(bench, file, "low_side", 2, 58) == pytest.approx(0.0, abs=0.01)
    assert check_seal(bench) == before == (before[0], [])
    assert mean(bench, file, "vent", 2, 58) == pytest.approx(bench_car.VENT_ERROR_K, abs=0.02)


def test_two_points_find_gain_and_zero_within_the_stated_uncertainty(bench: Path, tmp_path: Path):
    file = tmp_path / "c.json"
    points = ("--point", "0+-0.2@2:58", "--point", f"{bench_car.HIGH_KPA}+-3@62:118")
    calibrate("two-point", bench, "--channel", "low_side", *points, "--file", file)
    calibration = read_calibrations(file)[0].calibration
    corrected = calibration.apply(np.array([0.0, 300.0, 571.0]) * bench_car.LOW_GAIN + bench_car.LOW_ZERO_KPA)
    assert np.abs(corrected - [0.0, 300.0, 571.0]).max() < calibration.u95
    assert 3.0 <= calibration.u95 < 3.2, "the known value's own 3 kPa rules"
    channel = opened(bench, None, file).streams[0].channels[1]
    assert channel.calibrated_on == calibration.on[:10]
    assert channel.accuracy == pytest.approx(math.sqrt(3.0 * (calibration.u95 / 2.0) ** 2 + 5.0**2))


def test_a_zero_check_after_two_points_keeps_their_gain(bench: Path, tmp_path: Path):
    file = tmp_path / "c.json"
    points = ("--point", "10+-0.2@2:58", "--point", f"{bench_car.HIGH_KPA + 10}+-3@62:118")
    calibrate("two-point", bench, "--channel", "low_side", *points, "--file", file)
    values = json.loads(file.read_text())
    values["calibrations"][0]["calibration"]["on"] = "2020-01-01T00:00:00Z"
    file.write_text(json.dumps(values))
    done = calibrate("zero", bench, "--channel", "low_side", "--stretch", "2:58", "--file", file)
    assert "off by +10" in done.stdout
    first, second = (entry.calibration for entry in read_calibrations(file))
    assert second.gain == first.gain
    assert second.spans
    assert mean(bench, file, "low_side", 62, 118) == pytest.approx(bench_car.HIGH_KPA, abs=0.1)


def test_a_clamp_is_calibrated_in_place_and_says_what_it_cannot(bench: Path, tmp_path: Path):
    """The second point stands for saturation at the soak temperature: it is handed in, with what 1 K makes of it."""
    file = tmp_path / "c.json"
    assert open_recording(bench).streams[0].data["high_side"].null_count() == 1200
    assert open_recording(bench).nodes[0]["counters"] == {"not_calibrated_high_side": 1200}
    with pytest.raises(InputError, match="needs two known points before its zero"):
        calibrate("zero", bench, "--channel", "high_side", "--stretch", "2:58", "--file", file)
    points = ("--point", "0+-1@2:58", "--point", f"{bench_car.HIGH_KPA}+-18@62:118")
    done = calibrate("two-point", bench, "--channel", "high_side", *points, "--file", file)
    assert re.search(r"high_side: reads kPa from now on, 0\.33\d+ x reading -83 kPa, ± 18 kPa \(95 %\)", done.stdout)
    for words in ("feels the pipe stretch", "cannot tell the pressure at rest", "move or loosen it"):
        assert words in done.stderr
    assert mean(bench, file, "high_side", 62, 118) == pytest.approx(bench_car.HIGH_KPA, abs=0.5)
    before, after = open_recording(bench).remarks, opened(bench, None, file).remarks
    assert before[0] == "high_side: 1200 readings missing (not calibrated yet)"
    assert re.match(r"high_side: read anew with the calibration of 20\d\d-\d\d-\d\d \(two known points\); ", after[0])
    assert after[1:] == before[1:], "what is missing is counted anew; what a clamp cannot do still holds"
    assert "cannot tell the pressure at rest" in after[1]
    channel = opened(bench, None, file).streams[0].channels[5]
    assert channel.accuracy == pytest.approx(
        math.hypot(math.sqrt(3.0) * 9.0, 0.01 * 10.0 * bench_car.HIGH_KPA), rel=0.03
    )


def test_later_calibrations_hold_for_a_comparison_where_their_sensors_were_used(bench: Path, tmp_path: Path):
    file, plain = tmp_path / "c.json", open_recording(ROOT / "recordings" / "minibus-7-after")
    calibrate("zero", bench, "--channel", "low_side", "--stretch", "2:58", "--file", file)
    known, old = read_calibrations(file), open_recording(bench)
    before, after = recalibrated_together((old, plain), known)
    assert after is plain
    assert float(before.streams[0].data["low_side"][:500].mean()) == pytest.approx(0.0, abs=0.05)  # pyright: ignore[reportArgumentType]
    done = CliRunner().invoke(warmspell, ["compare", *[str(plain.path)] * 2, "--calibration", str(file)])
    assert isinstance(done.exception, InputError)
    assert "none of the calibrations (bench-1 LP-7) is of a sensor in it" in str(done.exception)


def test_an_ice_bath_and_a_comparison_of_two_probes(bench: Path, tmp_path: Path):
    file = tmp_path / "c.json"
    calibrate("ice", bench, "--channel", "vent", "--stretch", "2:58", "--file", file)
    calibration = read_calibrations(file)[0].calibration
    assert abs(calibration.zero + bench_car.VENT_ERROR_K) < calibration.u95
    assert 0.1 <= calibration.u95 < 0.13, "the bath's own 0.1 K rules"
    other = tmp_path / "none.json"
    done = calibrate("compare", bench, "vent", "vent_2", "--stretch", "2:58", "--file", other)
    assert "vent less vent_2: +0.70" in done.stdout
    assert "they agree: their accuracies allow 2 degC" in done.stdout
    assert not other.exists()
    done = calibrate("compare", bench, "vent", "vent_2", "--stretch", "2:58", "--file", file)
    assert "vent less vent_2: -0.100" in done.stdout, "the ice bath's correction is in use"
    calibrate("compare", bench, "vent_2", "vent", "--stretch", "2:58", "--file", file, "--adopt")
    assert mean(bench, file, "vent", 2, 58) == pytest.approx(bench_car.OTHER_ERROR_K, abs=0.01)
    assert read_calibrations(file)[-1].calibration.u95 > 0.5, "the first probe's own accuracy stays in it"
    listed = calibrate("list", "--file", file).stdout
    assert "ice bath" in listed
    assert "comparison with another probe" in listed


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("zero", "--channel", "low_side", "--stretch", "62:118"), r"reads 586.* is expected.*Nothing was stored"),
        (("zero", "--channel", "low_side", "--stretch", "30:90"), "is not steady"),
        (("zero", "--channel", "low_side", "--stretch", "2:3"), "only 11 readings"),
        (("zero", "--channel", "vent", "--stretch", "2:58"), "is no pressure"),
        (
            ("zero", "--channel", "fan", "--stretch", "2:58"),
            "there is no channel 'fan'. Channels: bench-1:sensor_supply",
        ),
        (("ice", "--channel", "low_side", "--stretch", "2:58"), "is no temperature"),
        (("zero", "--channel", "low_side", "--stretch", "58:2"), "must end after it begins"),
        (("two-point", "--channel", "low_side", "--point", "0"), "two known points are needed"),
        (("two-point", "--channel", "low_side", "--point", "0", "--point", "1"), "say where in the recording"),
        (("two-point", "--channel", "low_side", "--point", "0@1:2", "--point", "much"), "write a known value as"),
        (
            ("two-point", "--channel", "sensor_supply", "--point", "5@2:58", "--point", "6@2:58"),
            "the points have the same reading",
        ),
        (("compare", "low_side", "vent", "--stretch", "2:58"), "cannot be compared"),
        (("compare", "low_side", "high_side", "--stretch", "2:58", "--adopt"), None),
    ],
)
def test_what_cannot_be_calibrated_is_refused_and_nothing_is_stored(
    words: tuple[str, ...], says: str | None, bench: Path, tmp_path: Path
):
    file = tmp_path / "c.json"
    with pytest.raises(InputError, match=says):
        calibrate(words[0], bench, *words[1:], "--file", file)
    assert not file.exists()


def test_a_calibration_belongs_to_its_sensor_alone(bench: Path, tmp_path: Path):
    recording = open_recording(bench)
    entry = {
        "node": bench_car.NODE,
        "channel": "low_side",
        "serial_number": "LP-7",
        "calibration": {"gain": 1, "zero": 1, "on": "2026-01-01", "method": "zero", "u95": 1, "low": 0, "high": 0},
    }
    (known,) = known_from([entry], "here")
    low = recording.streams[0].channels[1]
    assert calibrated_channel(low, bench_car.NODE, [known]).calibration == known.calibration
    for change in ({"node": "other"}, {"serial_number": "LP-8"}, {"serial_number": None}):
        others = known_from([entry | change], "here")
        assert calibrated_channel(low, bench_car.NODE, others) == low
        with pytest.raises(InputError, match="none of the calibrations"):
            recalibrated(recording, others)
    newer = known_from(
        [entry, {**entry, "calibration": entry["calibration"] | {"on": "2026-02-01", "zero": 2}}], "here"
    )
    assert calibrated_channel(low, bench_car.NODE, reversed(newer)).calibration == newer[1].calibration


@pytest.mark.parametrize("text", ["", "[]", '{"calibrations": 3}', '{"calibrations": [{}]}', '{"calibrations": [3]}'])
def test_a_damaged_calibration_file_is_named(text: str, tmp_path: Path):
    file = tmp_path / "c.json"
    file.write_text(text)
    with pytest.raises(InputError, match=r"c\.json"):
        read_calibrations(file)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
def test_a_live_node_is_calibrated_and_the_next_recording_uses_it(
    bench: Path, tmp_path: Path, replaying: Replaying, monkeypatch: pytest.MonkeyPatch
):
    """Zero check over a real line, then a recording of the same node: raw as sent, stored column corrected."""
    monkeypatch.setenv("WARMSPELL_RECORDINGS", str(tmp_path))
    port = replaying.start(bench, 20.0)
    with pytest.raises(InputError, match="must be open to the air"):
        calibrate("zero", port, "--channel", "low_side", "--for", "1.5", answers="n\n")
    done = calibrate("zero", port, "--channel", "low_side", "--for", "1.5", answers="y\n")
    assert re.search(r"off by \+(4\.0[0-4]|3\.9[6-9])", done.stdout), "4 kPa within its stated uncertainty"
    (known,) = read_calibrations(tmp_path / "calibrations.json")
    assert known.node == "replay"
    port = replaying.start(bench, 60.0)
    recorded = CliRunner().invoke(warmspell, ["record", port, "--out", str(tmp_path / "out")])
    assert recorded.exit_code == 0, recorded.output
    (folder,) = (tmp_path / "out").iterdir()
    made, original = open_recording(folder), open_recording(bench)
    assert made.sealed
    channel = made.streams[0].channels[1]
    assert channel.calibration == known.calibration
    new, old = made.streams[0].data, original.streams[0].data
    assert new["raw_low_side"].equals(old["raw_low_side"])
    expected = old["low_side"].to_numpy().astype(float) + known.calibration.zero
    assert np.allclose(new["low_side"].to_numpy(), expected, atol=1e-3)
    assert new["vent"].equals(old["vent"])
