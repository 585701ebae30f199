"""The screening table keeps its columns, whatever a row leaves out."""

from pathlib import Path

import polars as pl
import pytest

from analysis.archive.rows import COLUMNS, SCHEMA, read_table, table_of
from recorder.errors import InputError


def test_a_table_is_read_back_as_it_was_written(tmp_path: Path):
    rows = [
        {"path": "a", "row": "episode", "kind": "undercharge", "start_s": 1.5, "present_kinds": ["undercharge"]},
        {"path": "b", "row": "error", "error": "half of it is gone"},
    ]
    table_of(rows).write_parquet(tmp_path / "t.parquet")
    table = read_table(tmp_path / "t.parquet")
    assert table.schema == SCHEMA
    assert table.equals(table_of(rows))
    assert table.filter(pl.col("row") == "error")["kind"].to_list() == [None]


def test_a_table_without_rows_has_all_columns():
    assert table_of([]).schema == SCHEMA
    assert all(says for _, says in COLUMNS.values())


def test_what_is_no_screening_table_is_refused(tmp_path: Path):
    with pytest.raises(InputError, match=r"Make it first: warmspell screen ARCHIVE --out none\.parquet"):
        read_table(tmp_path / "none.parquet")
    (tmp_path / "text.parquet").write_text("no")
    with pytest.raises(InputError, match="is no screening table of this version"):
        read_table(tmp_path / "text.parquet")
    pl.DataFrame({"path": ["a"]}).write_parquet(tmp_path / "other.parquet")
    with pytest.raises(InputError, match="is no screening table of this version"):
        read_table(tmp_path / "other.parquet")
