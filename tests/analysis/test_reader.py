"""The reader's units and paper: conversion, rounding, sentences, the settings file."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.diagnose import diagnose
from analysis.findings import Evidence
from analysis.preferences import preferences
from analysis.sentences import SENTENCES, check_says, episode_says, filled, in_units, reasons, said, shown_degrees
from analysis.shown import BAR, KPA, PSI
from analysis.uncertainty import Measured, absent
from analysis.wording import measure_lines, verdict_why
from recorder.errors import InputError
from recorder.recording import Recording, open_recording
from tests.conftest import ROOT, warmspell

BEFORE = ROOT / "recordings" / "minibus-7-before"


@pytest.mark.parametrize(
    ("value", "unit", "units", "shown"),
    [
        (Measured(134.9, 6.8), "kPa", KPA, "134.9 ± 6.8 kPa"),
        (Measured(134.9, 6.8), "kPa", BAR, "1.349 ± 0.068 bar"),
        (Measured(134.9, 6.8), "kPa", PSI, "19.57 ± 0.99 psi"),
        (Measured(-40.0, 0.5), "degC", PSI, "-40.00 ± 0.90 °F"),
        (Measured(37.0, 0.5), "degC", PSI, "98.60 ± 0.90 °F"),
        (Measured(10.0, 2.0), "K", PSI, "18.0 ± 3.6 °F"),
        (Measured(10.0, 2.0), "K", BAR, "10.0 ± 2.0 K"),
        (Measured(31.0, 3.4), "s", PSI, "31.0 ± 3.4 s"),
        (absent("no sample"), "kPa", PSI, "not had: no sample"),
    ],
)
def test_a_measured_number_is_shown_in_the_readers_unit_to_two_digits_of_its_uncertainty(
    value: Measured, unit: str, units, shown: str
):
    """JCGM 100:2008, 7.2.6; 37 degC = 98.6 degF and -40 degC = -40 degF by definition (NIST SP 811, B.8)."""
    assert units.shown(value, unit) == shown


@given(st.floats(-100.0, 5000.0), st.floats(0.01, 50.0))
def test_conversion_keeps_the_ratio_of_value_and_uncertainty_for_pressures(value: float, u95: float):
    told = PSI.measured(Measured(value, u95), "kPa")
    assert told.value is not None
    assert told.u95 is not None
    assert told.value * u95 == pytest.approx(value * told.u95)
    assert told.value == pytest.approx(value * 0.1450377, rel=1e-6)


def test_bands_and_open_sides_are_said_in_the_readers_unit():
    assert KPA.band(10.0, 30.0, "K") == "10 to 30 K"
    assert PSI.band(10.0, 30.0, "K") == "18 to 54 °F"
    assert PSI.band(-2.0, 12.0, "degC") == "28.4 to 53.6 °F"
    assert BAR.band(None, 1750.0, "kPa") == "at most 17.5 bar"


def test_every_sentence_of_the_samples_says_no_si_unit_to_a_reader_of_psi(samples: dict[str, Recording]):
    """Each rule that speaks of a pressure or temperature has its sentence, with the same words around the numbers."""
    for recording in (*samples.values(), open_recording(BEFORE)):
        findings = diagnose(recording, "test")
        told = [episode_says(episode, PSI) for episode in findings.episodes]
        told += [r for c in findings.causes for way in (True, False) for r in reasons(c, PSI, speaks_for=way)]
        told += [check_says(check, PSI) for check in findings.checks]
        told += [verdict_why(findings, PSI), *measure_lines(findings, PSI)]
        for text in told:
            assert not re.search(r"\d (kPa|degC|K)\b", text), text


def test_temperatures_and_their_differences_in_words_are_converted():
    """100 degC = 212 degF, a difference of 10 K = 18 degF (NIST SP 811, B.8)."""
    assert shown_degrees("above 100 degC by 10.0 K", PSI) == "above 212 °F by 18.0 °F"
    assert shown_degrees("-40 to 100 degC, 3 K", KPA) == "-40 to 100 °C, 3 K"
    assert in_units("fell by 689.5 kPa, 10 K", PSI) == "fell by 100 psi, 18 °F"  # 100 psi = 689.48 kPa
    assert in_units("fell by 689.5 kPa, 10 degC", KPA) == "fell by 689.5 kPa, 10 °C"


def test_a_sentence_in_other_units_uses_the_words_of_the_document(samples: dict[str, Recording]):
    seen: set[str] = set()
    for recording in (*samples.values(), open_recording(BEFORE)):
        for episode in diagnose(recording, "test").episodes:
            for evidence in episode.evidence:
                if evidence.rule in SENTENCES:
                    seen.add(evidence.rule)
                    assert plain(said(evidence, BAR)) <= plain(evidence.says), evidence.rule
    assert len(seen) >= 14


def plain(text: str) -> set[str]:
    """The words of a sentence without numbers and units."""
    return set(re.findall(r"[a-z]{2,}", text)) - {"kpa", "bar", "deg", "min"}


def test_a_rule_with_a_missing_number_keeps_the_documents_words():
    evidence = Evidence("dive", "low side dived to -74 kPa gauge", {"low_side_kpa": absent("no sample")})
    assert said(evidence, PSI) == "low side dived to -10.7 psi gauge"  # the words of the document, converted
    assert filled("{trips} at {trip_kpa} gauge", Evidence("pressure_switch", "x"), PSI) is None
    told = "1 stop at 2872 kPa gauge"
    whole = Evidence("pressure_switch", told, {"trip_kpa": Measured(2871.5, 20.2), "trips": Measured(1.0, 0.0)})
    assert said(whole, PSI) == "1 stop at 416 psi gauge"
    assert said(whole, BAR) == "1 stop at 28.7 bar gauge"


def test_a_rule_that_was_said_in_other_words_keeps_those_words():
    measures = {"superheat_k": Measured(20.0, 2.0)}
    for when in ("steady", "at the ends of the runs"):
        told = Evidence("superheat", f"superheat 20 K at the suction probe, {when}", measures)
        assert said(told, PSI) == f"superheat 36 °F at the suction probe, {when}"
    assert said(Evidence("superheat", "superheat 20 K, as it was told", measures), PSI) == (
        "superheat 36 °F, as it was told"
    )


def test_the_settings_file_chooses_and_an_option_wins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("sys.platform", "linux")
    assert preferences().units == KPA
    (tmp_path / "warmspell").mkdir()
    (tmp_path / "warmspell" / "settings.toml").write_text('units = "psi"\npaper = "letter"\n', encoding="utf-8")
    assert (preferences().units, preferences().paper) == (PSI, "us-letter")
    assert (preferences("bar", "a4").units, preferences("bar", "a4").paper) == (BAR, "a4")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('units = "furlong"', "units is 'furlong'; it must be one of kPa, bar, psi"),
        ('unit = "psi"', "has the unknown key 'unit'. It may say: units, paper"),
        ("units = ", "cannot be read"),
        ("paper = [1]", "must be one of a4, letter"),
    ],
)
def test_a_slip_in_the_settings_file_is_named(text: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("sys.platform", "linux")
    (tmp_path / "warmspell").mkdir()
    (tmp_path / "warmspell" / "settings.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(says)):
        preferences()


def test_the_summary_speaks_psi_where_it_is_asked_to():
    done = warmspell("analyse", str(BEFORE), "--units", "psi")
    assert done.returncode == 0, done.stderr
    assert "395 psi gauge" in " ".join(done.stdout.split())
    assert not re.search(r"\d kPa", done.stdout)
    assert "(2726 kPa gauge)" in " ".join(warmspell("analyse", str(BEFORE)).stdout.split())
