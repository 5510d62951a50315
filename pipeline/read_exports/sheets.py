"""What workbooks of every kind share: a sheet's rows become a `RawTable`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice

from pipeline.read_exports.column_names import is_known_name
from pipeline.read_exports.header_row import LOOK, find_header, is_blank
from pipeline.read_exports.raw_table import Cell, RawRow, RawTable
from pipeline.response import Reject

LONGEST_CELL = 100_000
"""Characters; a longer cell is no response, and its row is rejected."""


@dataclass(frozen=True, slots=True)
class Merge:
    """Merged cells: rows and columns from 0, both ends in it."""

    top: int
    left: int
    bottom: int
    right: int


def sheet_table(
    rows: Iterator[tuple[int, list[Cell]]],
    merges: Sequence[Merge],
    name: str,
    source: str,
    asked_for: Sequence[str] = (),
) -> RawTable | None:
    """The table on a sheet; None for an empty one.

    `rows` are (number from 1, cells).  Cells merged down a column all get its value; names merged over several columns
    of a two-row header stand before the names below them.  `name` is the sheet's, "" where there is one sheet;
    `asked_for` are the names of columns that a person gave.
    """
    filled = _filled_down(rows, [merge for merge in merges if merge.bottom > merge.top])
    first = list(islice(((number, cells) for number, cells in filled if not _is_empty(cells)), 2 * LOOK))
    if not first:
        return None
    header = find_header([cells for _, cells in first], is_known_name, asked_for)
    columns = list(header.names)
    if header.index > 0:
        number, cells = first[header.index - 1]
        across = [merge for merge in merges if merge.top == number - 1 and merge.right > merge.left]
        if number == first[header.index][0] - 1:
            _put_groups_before(columns, cells, across)
    body = chain(first[header.index + 1 :], filled)
    return RawTable(columns, _checked(body, source), name=name)


def _is_empty(cells: list[Cell]) -> bool:
    return all(is_blank(cell) for cell in cells)


def _checked(rows: Iterator[tuple[int, list[Cell]]], source: str) -> Iterator[RawRow | Reject]:
    for number, cells in rows:
        if _is_empty(cells):
            continue
        longest = max(len(cell) if isinstance(cell, str) else 0 for cell in cells)
        if longest > LONGEST_CELL:
            hint = "look at the row in a spreadsheet program"
            yield Reject(source, f"row {number}", "cell_too_long", f"a cell holds {longest} characters", hint)
        else:
            yield RawRow(f"row {number}", cells)


def _filled_down(rows: Iterator[tuple[int, list[Cell]]], merges: list[Merge]) -> Iterator[tuple[int, list[Cell]]]:
    """The rows with the value of cells that are merged over several rows in each of them."""
    merges = sorted(merges, key=lambda merge: merge.top)
    open_merges: list[tuple[Merge, Cell]] = []
    upcoming = 0
    for number, cells in rows:
        row = number - 1
        open_merges = [(merge, value) for merge, value in open_merges if merge.bottom >= row]
        for merge, value in open_merges:
            cells.extend([None] * (merge.left + 1 - len(cells)))
            if is_blank(cells[merge.left]):
                cells[merge.left] = value
        while upcoming < len(merges) and merges[upcoming].top <= row:
            merge = merges[upcoming]
            if merge.top == row and merge.left < len(cells):
                open_merges.append((merge, cells[merge.left]))
            upcoming += 1
        yield number, cells


def _put_groups_before(columns: list[str], above: list[Cell], across: list[Merge]) -> None:
    """Puts a group's name, merged over several columns, before each of their names; a title over all is no group."""
    for merge in across:
        if merge.left == 0 and merge.right >= len(columns) - 1:
            return
        if merge.left < len(above) and not is_blank(above[merge.left]):
            group = " ".join(str(above[merge.left]).split())
            for place in range(merge.left, min(merge.right, len(columns) - 1) + 1):
                columns[place] = f"{group}: {columns[place]}"
