"""Patterns: planted ones are found among many null comparisons, chance is held, vehicles are counted, not episodes."""

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.archive.pattern_words import said, summary_of_patterns, verdict
from analysis.archive.patterns import (
    NOT_SHOWN,
    STANDS_OUT,
    TOO_FEW,
    Comparison,
    compared,
    judged,
    patterns_of,
    table_of_patterns,
    write_patterns,
)
from analysis.archive.rows import table_of
from analysis.contingency import adjusted, fisher
from analysis.shown import PSI
from recorder.errors import InputError
from tests.archive.invented import MODELS, invented
from tests.conftest import ROOT, warmspell

PLANTED = {("restriction", "Invented Elm"): 8.0, ("weak_pumping", "Invented Rowan"): 8.0}


def recording(path: str, **values: Any) -> dict[str, Any]:
    """A row of the table: a recording without an episode, unless it says otherwise."""
    told = {"path": path, "row": "none", "present_kinds": [], "absent_kinds": ["undercharge"], "vin": path, **values}
    if told["present_kinds"]:
        told |= {"row": "episode", "absent_kinds": []}
    return told


def of(table: pl.DataFrame, kind: str, factor: str) -> list[Comparison]:
    return [c for c in patterns_of(table).comparisons if (c.kind, c.factor) == (kind, factor)]


def counts(comparison: Comparison) -> tuple[int, int, int, int]:
    return comparison.having, comparison.at_risk, comparison.having_elsewhere, comparison.at_risk_elsewhere


def test_planted_patterns_stand_out_among_many_that_are_null():
    patterns = patterns_of(invented(3, planted=PLANTED, mileage_odds={"undercharge": 4.0}))
    found = patterns.of(STANDS_OUT)
    assert {(c.kind, c.level or c.factor) for c in found} == {*PLANTED, ("undercharge", "odometer_km")}
    assert patterns.made > 150
    assert all(c.more for c in found)
    for c in found:
        assert c.odds_low is not None
        assert c.odds_low > 1.0
        assert c.p < (c.p_adjusted or 0.0) <= 0.05


def test_over_archives_without_any_pattern_few_list_one():
    """With nothing to find any list is false: by the rule no more than 1 in 20, over seeded archives."""
    listed = [bool(patterns_of(invented(seed, 150, again=0.2)).of(STANDS_OUT)) for seed in range(24)]
    assert sum(listed) <= 3


def test_over_a_thousand_archives_the_share_of_false_patterns_is_held_and_planted_ones_are_found():
    """100 comparisons an archive, 10 of them planted at six times the odds: 60 vehicles of a group against 340."""
    random = np.random.default_rng(7)
    archives, planted, null = 1000, 10, 90
    odds = 0.12 / 0.88
    share = np.r_[np.full(planted, 6 * odds / (1 + 6 * odds)), np.full(null, 0.12)]
    here = random.binomial(60, share, (archives, planted + null))
    there = random.binomial(340, 0.12, (archives, planted + null))
    chances = np.array(
        [[fisher(a, 60 - a, c, 340 - c) for a, c in zip(*row, strict=True)] for row in zip(here, there, strict=True)]
    )
    listed = np.array([adjusted(row) for row in chances.tolist()]) <= 0.05
    false = listed[:, planted:].sum(axis=1) / np.maximum(listed.sum(axis=1), 1)
    error = float(false.std()) / archives**0.5
    assert float(false.mean()) <= 0.05 + 3 * error
    assert float(false.mean()) > 0.005, "the bound is used, not wasted"
    assert float(listed[:, :planted].mean()) > 0.9


def test_a_vehicle_counts_once_however_many_episodes_and_recordings_it_has():
    ill = [recording(f"a{i}", vin="ILL", model="Alder", present_kinds=["undercharge"]) for i in range(20)]
    ill += [{**row, "kind": "undercharge", "start_s": float(i)} for row in ill for i in range(5)]
    well = [recording(f"b{i}", model=MODELS[i % 3]) for i in range(9)]
    assert counts(of(table_of([*ill, *well]), "undercharge", "model")[0]) == (1, 1, 0, 9)


def test_the_first_recording_that_could_decide_counts():
    rows = [
        recording("1", vin="A", model="Alder", absent_kinds=[]),
        recording("2", vin="A", model="Alder", present_kinds=["undercharge"]),
        recording("3", vin="A", model="Alder"),
        recording("4", vin="B", model="Birch"),
        recording("5", vin="B", model="Birch", present_kinds=["undercharge"]),
        recording("6", vin="C", model="Birch", absent_kinds=[]),
    ]
    told = of(table_of(rows), "undercharge", "model")
    assert [(c.level, *counts(c)) for c in told] == [("Alder", 1, 1, 0, 1)], "C was never decided and is not at risk"


def test_a_vehicle_is_known_by_vin_or_by_a_plate_that_stands_beside_one_vin_alone():
    rows = [
        recording("1", vin="hvct 7-01", plate="HV 01", model="Alder", present_kinds=["undercharge"]),
        recording("2", vin="HVCT701", plate=None, present_kinds=["undercharge"]),
        recording("3", vin=None, plate="hv-01", present_kinds=["undercharge"]),
        recording("4", vin="X1", plate="HV 02", model="Birch"),
        recording("5", vin="X2", plate="HV 02", model="Birch"),
        recording("6", vin=None, plate="HV 02", model="Birch"),
        recording("7", vin=" ", plate=None, model="Birch"),
    ]
    patterns = patterns_of(table_of(rows))
    assert (patterns.vehicles, patterns.recordings, patterns.unidentified) == (4, 6, 1)
    (one,) = [c for c in patterns.comparisons if (c.kind, c.factor) == ("undercharge", "model")]
    assert counts(one) == (1, 1, 0, 3)
    assert "1 recording states neither VIN nor plate" in summary_of_patterns(patterns)


def test_recordings_that_could_not_be_analysed_are_counted_and_left_out():
    rows = [recording("1"), {"path": "2", "row": "error", "error": "half"}, {"path": "3", "row": "skipped"}]
    patterns = patterns_of(table_of(rows))
    assert (patterns.vehicles, patterns.unreadable) == (1, 2)


def test_spellings_of_a_model_are_one_model():
    rows = [
        recording(str(i), model=name) for i, name in enumerate(("Elm  16", "elm 16", "Elm 16", "Elm 16", "Oak", "Ash"))
    ]
    assert {c.level for c in of(table_of(rows), "undercharge", "model")} == {"Elm 16", "Oak", "Ash"}


def test_too_few_to_tell_is_said_where_not_even_the_most_uneven_split_could_stand_out():
    rows = [recording(f"a{i}", model="Alder", present_kinds=["undercharge"]) for i in range(2)]
    rows += [recording(f"b{i}", model="Birch") for i in range(3)]
    patterns = patterns_of(table_of(rows))
    (one,) = [c for c in patterns.comparisons if c.factor == "model" and c.kind == "undercharge"]
    assert one.state == TOO_FEW
    assert one.least_p == pytest.approx(0.1), "one table in ten: 5 choose 2"
    assert (one.p_adjusted, one.odds_ratio) == (None, None)
    assert verdict(patterns).startswith("Cannot tell: too few vehicles.")
    assert not patterns.of(STANDS_OUT)


def test_too_few_is_also_said_where_so_many_comparisons_leave_no_room():
    """3 of 3 against 0 of 5 has p 1/56; among 60 such comparisons nothing could be listed, alone it would be."""
    alone = judged([compared("undercharge", "model", "Alder", 3, 3, 0, 5)])
    assert alone[0].state == STANDS_OUT
    assert alone[0].p == pytest.approx(1 / 56)
    others = [compared("undercharge", "model", str(i), 1, 3, 2, 5) for i in range(59)]
    told = judged([compared("undercharge", "model", "Alder", 3, 3, 0, 5), *others])
    assert {c.state for c in told} == {TOO_FEW}
    assert all(c.p_adjusted is not None for c in told), "they were made and are allowed for"
    large = [compared("undercharge", "model", str(i), 30, 60, 30, 60) for i in range(59)]
    assert {c.state for c in judged([*large, *others[:1]])} == {NOT_SHOWN, TOO_FEW}


def test_what_has_two_levels_is_compared_once_from_the_side_where_it_is_commoner():
    rows = [recording(f"a{i}", refrigerant="R-134a", present_kinds=["undercharge"] * (i < 6)) for i in range(8)]
    rows += [recording(f"b{i}", refrigerant="R-1234yf", present_kinds=["undercharge"] * (i < 1)) for i in range(9)]
    (one,) = of(table_of(rows), "undercharge", "refrigerant")
    assert (one.level, *counts(one), one.more) == ("R-134a", 6, 8, 1, 9, True)


def test_a_trend_is_told_by_band_and_split_where_it_divides_the_vehicles_evenly():
    rows = [
        recording(f"{i}", odometer_km=20_000.0 + 10_000.0 * i, present_kinds=["undercharge"] * (i >= 14))
        for i in range(28)
    ]  # fmt: skip
    rows.append(recording("unknown"))
    patterns = patterns_of(table_of(rows))
    (one,) = [c for c in patterns.comparisons if (c.kind, c.factor) == ("undercharge", "odometer_km")]
    assert one.having_by_band == (0, 0, 4, 10)
    assert one.at_risk_by_band == (3, 5, 10, 10)
    assert (one.edge, one.more) == (200_000.0, True)
    assert counts(one) == (10, 10, 4, 18)
    assert patterns.unstated["odometer_km"] == 1
    told = said(one)
    assert told.goes_with == "commoner with higher odometer"
    assert told.shares[2].name.replace("\N{NO-BREAK SPACE}", " ") == "100 000 km to 200 000 km"
    assert (told.shares[2].says, told.shares[2].share) == ("4 of 10 (40 %)", 0.4)
    assert told.odds.replace("\N{NO-BREAK SPACE}", " ") == "odds ratio at least 4.7, 200 000 km and above against below"
    assert told.goes_with in summary_of_patterns(patterns)


def test_bands_of_the_air_come_in_the_readers_unit():
    rows = [
        recording(f"{i}", ambient_degc=10.0 + i, present_kinds=["undercharge"] * (i >= 15)) for i in range(30)
    ]  # fmt: skip
    (one,) = of(table_of(rows), "undercharge", "ambient_degc")
    assert said(one).goes_with == "commoner with warmer ambient air"
    assert said(one).odds.endswith(", 25\N{NO-BREAK SPACE}°C and above against below")
    assert said(one, PSI).odds.endswith(", 77\N{NO-BREAK SPACE}°F and above against below")
    assert [share.name.replace("\N{NO-BREAK SPACE}", " ") for share in said(one, PSI).shares] == [
        "under 59 °F",
        "59 °F to 77 °F",
        "77 °F to 95 °F",
        "95 °F and above",
    ]


def test_fewer_kinds_are_fewer_comparisons_to_allow_for():
    table = invented(3, planted=PLANTED)
    some, whole = patterns_of(table, ["restriction"]), patterns_of(table)
    assert 0 < some.made < whole.made / 5
    assert {c.kind for c in some.comparisons} == {"restriction"}
    assert not [c for c in whole.comparisons if c.kind == "sensor_fault"]


def test_the_table_of_patterns_is_read_by_any_data_tool(tmp_path: Path):
    patterns = patterns_of(invented(3, 100, planted=PLANTED))
    parquet, csv = write_patterns(patterns, tmp_path / "findings.parquet")
    table = pl.read_parquet(parquet)
    assert (parquet.name, csv.name) == ("findings.patterns.parquet", "findings.patterns.csv")
    assert table.equals(table_of_patterns(patterns))
    assert table.height == len(patterns.comparisons)
    assert table["state"].to_list() == sorted(table["state"], key=(STANDS_OUT, NOT_SHOWN, TOO_FEW).index)
    flat = pl.read_csv(csv)
    assert flat.columns == table.columns
    trends = flat.filter(pl.col("edge").is_not_null())
    assert all(sum(map(int, bands.split(";"))) for bands in trends["at_risk_by_band"])
    assert not list(tmp_path.glob("*.aside"))
    with pytest.raises(InputError, match=r"patterns\.parquet: cannot be written"):
        write_patterns(patterns, tmp_path / "nowhere" / "findings.parquet")


def test_an_archive_without_recordings_cannot_tell():
    patterns = patterns_of(table_of([]))
    assert (patterns.vehicles, patterns.comparisons) == (0, ())
    assert verdict(patterns).startswith("Cannot tell")
    assert "What this is not" in summary_of_patterns(patterns)


def test_screen_tells_the_patterns_after_its_summary_and_writes_them_beside_the_findings(tmp_path: Path):
    archive = tmp_path / "archive"
    for name in ("minibus-7-before", "minibus-7-after"):
        shutil.copytree(ROOT / "recordings" / name, archive / name)
    out = tmp_path / "findings.parquet"
    done = warmspell("screen", str(archive), "--kind", "condenser-airflow-loss", "--patterns", "--out", str(out))
    assert done.returncode == 0, done.stderr
    assert "Cannot tell: too few vehicles." in done.stdout
    assert "1 vehicle in 2 recordings." in done.stdout
    assert done.stdout.index("recordings, 2 analysed just now") < done.stdout.index("What this is not")
    table = pl.read_parquet(tmp_path / "findings.patterns.parquet")
    assert set(table["kind"]) == {"condenser_airflow_loss"}
    assert table["having"].to_list() == [1] * table.height, "the drive before the repair came first and counts"
    plain = warmspell("screen", str(archive))
    assert "What this is not" not in plain.stdout
