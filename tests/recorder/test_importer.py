"""A CSV to a recording: units, headers, and one sentence for each way of being wrong."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from recorder.errors import InputError
from recorder.importer import import_csv
from recorder.jobsheet import JobSheet
from recorder.places import POSSIBLE
from recorder.recording import open_recording
from recorder.units import UNITS, unit_named
from tests.conftest import warmspell


def imported(tmp_path: Path, text: str, **job: object):
    """Import a CSV text."""
    path = tmp_path / "drive.csv"
    path.write_text(text, encoding="utf-8")
    return open_recording(import_csv(path, JobSheet(**job), tmp_path / "out", {}))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("unit", "value", "stored"),
    [
        # NIST SP 811 factors: 1 psi = 6.894757293168 kPa, 1 inHg (conventional, 0 degC) = 3.386389 kPa.
        ("psig", 100.0, 689.4757293168),
        ("psi", 100.0, 689.4757293168),
        ("psia", 14.695948775513, 101.325),
        ("kPa", 250.0, 250.0),
        ("kPag", 250.0, 250.0),
        ("kPaa", 250.0, 250.0),
        ("bar", 2.5, 250.0),
        ("barg", 2.5, 250.0),
        ("bara", 2.5, 250.0),
        ("inHg vacuum", 28.0, -94.818892),
        ("degC", 21.5, 21.5),
        ("degF", 50.0, 10.0),
        ("degF", -40.0, -40.0),
        ("K", 273.15, 0.0),
        ("V", 12.0, 12.0),
        ("mV", 500.0, 0.5),
        ("A", 3.0, 3.0),
        ("%", 40.0, 40.0),
        ("1/min", 800.0, 800.0),
        ("km/h", 50.0, 50.0),
        ("mph", 30.0, 48.28032),
    ],
)
def test_each_unit_is_converted_by_its_factor(unit: str, value: float, stored: float):
    symbol = unit_named(unit)
    assert value * symbol.scale + symbol.offset == pytest.approx(stored, rel=1e-9, abs=1e-9)


def test_bare_units_mean_gauge_and_the_a_forms_absolute():
    gauge = {"psi", "psig", "kPa", "kPag", "bar", "barg", "inHg vacuum"}
    references = {name: unit.reference for name, unit in UNITS.items() if unit.quantity == "pressure"}
    assert references == {name: "vented_gauge" if name in gauge else "absolute" for name in references}
    assert set(references) == gauge | {"psia", "kPaa", "bara", "mbara", "Torr", "micron"}


def test_an_import_holds_what_the_file_says(tmp_path: Path):
    recording = imported(tmp_path, "time_s,low_side [psig],vent [degF],clutch [V]\n0,30,50,0\n0.5,,51.8,13.8\n")
    stream = recording.streams[0]
    assert recording.sealed
    assert stream.data["low_side"].to_list() == [pytest.approx(206.84272), None]
    assert stream.data["vent"].to_list() == [pytest.approx(10.0), pytest.approx(11.0)]
    assert stream.data["raw_vent"].to_list() == [50.0, pytest.approx(51.8)]
    assert [c.reference for c in stream.channels] == ["vented_gauge", None, None]
    assert stream.data["tick_us"].to_list() == [0, 500_000]


def test_iso_times_and_mapped_headers(tmp_path: Path):
    path = tmp_path / "drive.csv"
    path.write_text("time,Suction\n2026-07-14T09:12:03.500Z,30\n2026-07-14T09:12:04.500+00:00,31\n", encoding="utf-8")
    done = warmspell("import", str(path), "--out", str(tmp_path / "o"), "--map", "Suction=low_side [psig]")
    assert done.returncode == 0, done.stderr
    recording = open_recording(Path(done.stdout.strip()))
    assert recording.streams[0].data["t"].dt.to_string("%H:%M:%S%.3f").to_list() == ["09:12:03.500", "09:12:04.500"]
    assert recording.streams[0].channels[0].id == "low_side"


@given(
    arrays(np.float64, st.integers(1, 30), elements=st.floats(-500, 5000, width=32)),
    st.sampled_from(["kPa", "psig", "bara", "degF", "K", "V"]),
)
def test_any_numbers_come_back_within_float32(tmp_path_factory: pytest.TempPathFactory, values: np.ndarray, unit: str):
    place = {"kPa": "low_side", "psig": "low_side", "bara": "low_side", "degF": "vent", "K": "vent", "V": "clutch"}[
        unit
    ]
    lines = [f"time_s,{place} [{unit}]", *(f"{i / 4},{float(v)!r}" for i, v in enumerate(values))]
    recording = imported(tmp_path_factory.mktemp("p"), "\n".join(lines) + "\n")
    symbol = UNITS[unit]
    expected = values * symbol.scale + symbol.offset
    got = recording.streams[0].data[place].to_numpy()
    low, high = POSSIBLE[symbol.quantity]
    expected[(expected < low) | (expected > high)] = np.nan
    assert np.allclose(got, expected, rtol=2e-7, atol=1e-4, equal_nan=True)
    assert np.allclose(recording.streams[0].data[f"raw_{place}"].to_numpy(), values, rtol=1e-7, atol=1e-30)


WRONG = {
    "an unknown unit": (
        "time_s,low_side [furlong]\n0,1\n",
        ["line 1, column 2", "unit 'furlong' is not known", "psig"],
    ),
    "a unit of another quantity": ("time_s,low_side [degC]\n0,1\n", ["line 1, column 2", "no unit of pressure"]),
    "a header without unit": ("time_s,low_side\n0,1\n", ["line 1, column 2", "the unit is missing"]),
    "a header that names no place": (
        "time_s,suction [psig]\n0,1\n",
        ["column 2 ('suction [psig]')", "suction", "--map"],
    ),
    "the same place twice": ("time_s,vent [degC],vent [degC]\n0,1,2\n", ["column 3", "stands twice", "vent_2"]),
    "text in a number column": ("time_s,vent [degC]\n0,1\n1,warm\n", ["line 3, column 2", "'warm' is no number"]),
    "a decimal comma": ('time_s,vent [degC]\n0,"1,5"\n', ["line 2", "decimal point, not a comma"]),
    "a missing time": ("time_s,vent [degC]\n0,1\n,2\n", ["line 3", "has no time"]),
    "a wrong time": ("time,vent [degC]\nyesterday,1\n", ["line 2", "no ISO 8601 time"]),
    "no time column": ("vent [degC]\n1\n", ["line 1", "first column must be 'time_s' or 'time'"]),
    "semicolons": ("time_s;vent [degC]\n0;1\n", ["Separate columns by commas"]),
    "no channel": ("time_s\n0\n", ["no channel beside the time"]),
    "an empty file": ("", ["is empty"]),
    "a header alone": ("time_s,vent [degC]\n", ["no samples below"]),
    "a time that is no drive's": ("time_s,vent [degC]\n0,1\n1e12,2\n", ["line 3", "1e+12 s is no time within a drive"]),
    "a date in no ISO order": ("time,vent [degC]\n03/04/2026 10:00,1\n", ["line 2", "no ISO 8601 time"]),
    "a year before sensors": ("time,vent [degC]\n0001-01-01T00:00:00Z,1\n", ["line 2", "no ISO 8601 time"]),
    "one column too many": ("time_s,vent [degC]\n0,1\n1,2,3\n", ["line 3", "has 3 columns, line 1 has 2"]),
    "line ends of CR alone": ("time_s,vent [degC]\r0,1\r1,2\r", ["CR alone"]),
    "too few columns below": ("time_s,vent [degC],clutch [V]\n0,1\n", ["columns"]),
}


@pytest.mark.parametrize("case", WRONG, ids=lambda case: case.replace(" ", "_"))
def test_bad_input_gets_one_sentence_and_leaves_nothing(case: str, tmp_path: Path):
    text, words = WRONG[case]
    path = tmp_path / "drive.csv"
    path.write_text(text, encoding="utf-8")
    done = warmspell("import", str(path), "--out", str(tmp_path / "out"))
    assert done.returncode == 1, (done.stdout, done.stderr)
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    for word in [str(path), *words]:
        assert word in done.stderr
    assert not list((tmp_path / "out").glob("*")) if (tmp_path / "out").exists() else True


@pytest.mark.parametrize(
    ("job", "words"),
    [
        ({"refrigerant": "R-999"}, ["refrigerant", "R-134a", "R-1234yf", "R-152a", "R-744"]),
        ({"refrigerent": "R-134a"}, ["refrigerent"]),
        ({"altitude_m": "high"}, ["altitude_m", "number"]),
        ({"marks": [{"time_s": 1, "kind": "lunch"}]}, ["lunch"]),
        ({"customer": "half \ud800"}, ["customer", "half a character"]),
    ],
)
def test_a_bad_job_sheet_names_file_and_key(job: dict[str, object], words: list[str], tmp_path: Path):
    path, sheet = tmp_path / "drive.csv", tmp_path / "bus.json"
    path.write_text("time_s,vent [degC]\n0,1\n", encoding="utf-8")
    sheet.write_text(json.dumps(job), encoding="utf-8")
    done = warmspell("import", str(path), "--job", str(sheet), "--out", str(tmp_path / "out"))
    assert done.returncode == 1
    assert len(done.stderr.strip().splitlines()) == 1
    for word in [str(sheet), *words]:
        assert word in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_job_sheet_with_a_key_twice_or_nested_too_deep_is_refused(tmp_path: Path):
    path, sheet = tmp_path / "drive.csv", tmp_path / "bus.json"
    path.write_text("time_s,vent [degC]\n0,1\n", encoding="utf-8")
    for text, words in (('{"vin": "A", "vin": "B"}', "'vin' twice"), ('{"vin": ' + "[" * 200_000, "nested too deep")):
        sheet.write_text(text, encoding="utf-8")
        done = warmspell("import", str(path), "--job", str(sheet), "--out", str(tmp_path / "out"))
        assert done.returncode == 1
        assert words in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1


def test_readings_that_no_sensor_can_give_are_kept_raw_counted_and_told(tmp_path: Path):
    path = tmp_path / "drive.csv"
    path.write_text("time_s,low_side [psig],vent [degF]\n0,30,50\n1,-200,1e30\n2,31,-999\n", encoding="utf-8")
    done = warmspell("import", str(path), "--out", str(tmp_path / "out"))
    assert done.returncode == 0
    assert "low_side: 1 reading missing (out of range); what was sent is kept raw." in done.stderr
    assert "vent: 2 readings" in done.stderr
    data = open_recording(Path(done.stdout.strip())).streams[0].data
    assert data["low_side"].null_count() == 1
    assert data["raw_low_side"].to_list() == [30.0, -200.0, 31.0]


def test_a_csv_of_seconds_does_not_invent_a_date(tmp_path: Path):
    assert not imported(tmp_path, "time_s,vent [degC]\n0,1\n").timed
    assert imported(tmp_path, "time_s,vent [degC]\n0,1\n", started_at="2026-07-14T09:00:00Z").timed
    assert imported(tmp_path, "time,vent [degC]\n2026-07-14T09:00:00Z,1\n").timed


def test_units_may_be_written_in_any_case(tmp_path: Path):
    assert imported(tmp_path, "time_s,low_side [PSIG]\n0,1\n").streams[0].channels[0].raw_unit == "psig"


def test_a_toml_job_sheet_is_read(tmp_path: Path):
    path, sheet = tmp_path / "drive.csv", tmp_path / "bus.toml"
    path.write_text("time_s,vent [degC]\n0,1\n", encoding="utf-8")
    sheet.write_text('refrigerant = "R1234yf"\naltitude_m = 120\n', encoding="utf-8")
    done = warmspell("import", str(path), "--job", str(sheet), "--out", str(tmp_path / "out"))
    assert done.returncode == 0, done.stderr
    assert open_recording(Path(done.stdout.strip())).job.refrigerant == "R-1234yf"


def test_what_cannot_be_written_leaves_nothing(tmp_path: Path):
    path = tmp_path / "drive.csv"
    path.write_text("time_s,vent [degC]\n0,1\n", encoding="utf-8")
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(InputError, match="cannot be made"):
        import_csv(path, JobSheet(), blocked / "out", {})
