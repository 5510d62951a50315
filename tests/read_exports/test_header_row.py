"""The header is the row that holds the names that a person gave, wherever it stands and however strange they are."""

from __future__ import annotations

from pathlib import Path

import pytest
from openpyxl import Workbook
from whole_reading import read_text

from pipeline.problems import UsageProblem
from pipeline.read_exports.column_mapping import ColumnMapping
from pipeline.read_exports.column_names import is_known_name
from pipeline.read_exports.header_row import find_header

LINES = (
    ["the Skua did 51,000 km", "jo", "thanks for the show"],
    ["lost 4 % so far", "mo", "see you next week then"],
    ["no car here, two bicycles", "kit", "what a nice evening"],
)
ROWS = [["alpha", "beta", "gamma"], *LINES]


@pytest.mark.parametrize(
    ("rows", "asked_for", "index"),
    [
        (ROWS, ["gamma", "beta"], 0),
        (ROWS, ["Gamma", "BETA"], 0),
        ([["Episode 41"], [], *ROWS], ["alpha"], 2),
        ([["alpha"], *ROWS], ["alpha"], 1),  # a title that is called like a column
        (ROWS, ["alpha", "delta"], 0),  # one of the two is there, and no row has usual names
    ],
)
def test_the_row_with_the_names_is_the_header(rows: list[list[str]], asked_for: list[str], index: int) -> None:
    header = find_header(rows, is_known_name, asked_for)
    assert (header.index, header.names) == (index, ("alpha", "beta", "gamma"))


def test_usual_names_stand_where_only_some_of_the_names_are_found_elsewhere() -> None:
    rows = [["author", "comment"], ["jo", "beta"], ["mo", "lost 4 % so far"]]
    assert find_header(rows, is_known_name, ["beta", "comments"]).index == 0


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_every_table_reader_hands_the_names_on(kind: str, tmp_path: Path) -> None:
    if kind == "csv":
        data: str | bytes = "".join(",".join(f'"{cell}"' for cell in row) + "\n" for row in ROWS)
    else:
        book = Workbook()
        for row in ROWS:
            book.active.append(row)
        book.save(tmp_path / "made.xlsx")
        data = (tmp_path / "made.xlsx").read_bytes()
    whole = read_text(tmp_path, data, f"odd.{kind}", mapping=ColumnMapping({"text": "gamma", "author": "beta"}))
    assert whole.texts == [line[2] for line in LINES]
    assert [response.author for response in whole.responses] == ["jo", "mo", "kit"]
    with pytest.raises(UsageProblem, match="'alpha', 'beta', 'gamma'"):
        read_text(tmp_path, data, f"odd.{kind}", mapping=ColumnMapping({"text": "alpha", "author": "delta"}))
