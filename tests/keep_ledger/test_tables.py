from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pipeline.keep_ledger.tables as tables
from pipeline.dataset_columns import TABLES, arrow_schema
from pipeline.keep_ledger.tables import TableWriter, looked_up, open_staged, write_table


def rejects(count: int, words: str = "x") -> list[tuple[str, ...]]:
    return [("thread.csv", f"row {number}", "empty", words, "") for number in range(count)]


def written(path: Path, rows: list[tuple[str, ...]]) -> bytes:
    with TableWriter("rejects", path) as writer:
        for row in rows:
            writer.append(row)
    return path.read_bytes()


@pytest.mark.parametrize("table", TABLES)
def test_an_empty_table_has_the_schema_of_a_full_one(table: str, tmp_path: Path) -> None:
    with TableWriter(table, tmp_path / "t.parquet"):
        pass
    found = pq.read_schema(tmp_path / "t.parquet")
    assert found.equals(arrow_schema(table))
    for column, field in zip(TABLES[table], found, strict=True):
        assert field.metadata[b"unit"] == column.unit.encode()
        assert field.metadata[b"description"] == column.meaning.encode()


def test_row_groups_end_by_rows_and_by_characters(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "GROUP_ROWS", 10)
    written(tmp_path / "rows.parquet", rejects(25))
    assert [pq.ParquetFile(tmp_path / "rows.parquet").metadata.row_group(n).num_rows for n in range(3)] == [10, 10, 5]
    monkeypatch.setattr(tables, "GROUP_CHARACTERS", 4_000)
    written(tmp_path / "words.parquet", rejects(6, "w" * 1_500))
    metadata = pq.ParquetFile(tmp_path / "words.parquet").metadata
    assert [metadata.row_group(n).num_rows for n in range(metadata.num_row_groups)] == [3, 3]


def test_staged_and_streamed_give_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "GROUP_ROWS", 7)
    rows = rejects(40)
    straight = written(tmp_path / "straight.parquet", rows)
    written(tmp_path / "staged.arrow", rows)
    write_table("rejects", open_staged(tmp_path / "staged.arrow"), tmp_path / "copied.parquet")
    assert (tmp_path / "copied.parquet").read_bytes() == straight


def test_a_column_that_is_one_piece_does_not_change_the_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "GROUP_ROWS", 7)
    written(tmp_path / "staged.arrow", rejects(40))
    staged = open_staged(tmp_path / "staged.arrow")
    whole = staged.set_column(3, staged.schema.field(3), pa.array(["x"] * 40, pa.string()))
    write_table("rejects", staged, tmp_path / "a.parquet")
    write_table("rejects", whole, tmp_path / "b.parquet")
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()


def test_a_null_in_a_required_column_and_a_short_row_are_mistakes(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="5 values"), TableWriter("rejects", tmp_path / "t.parquet") as writer:
        writer.append(("a", "b"))
    with pytest.raises(ValueError, match=r"source"), TableWriter("rejects", tmp_path / "u.parquet") as writer:
        writer.append((None, "row 1", "empty", "", ""))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.sampled_from("abcdef"), unique=True), st.lists(st.sampled_from("abcdefgh"), max_size=20))
def test_looking_up_is_a_dictionary(keys: list[str], ids: list[str]) -> None:
    found = {key: key * 2 for key in keys}
    column = looked_up(pa.chunked_array([ids[:5], ids[5:]], pa.string()), found)
    assert column.to_pylist() == [found.get(name) for name in ids]
    assert column.type == pa.string()
