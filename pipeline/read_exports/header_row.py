"""Finds the row that names the columns: not always the first (titles, notes), and sometimes not there at all."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from pipeline.read_exports.column_mapping import find_column
from pipeline.read_exports.column_names import LONGEST_NAME
from pipeline.read_exports.raw_table import Cell

LOOK = 40
"""Rows that are looked at."""

_DATA = re.compile(
    r"""\s*(?:
      [-+~<>]?\d[\d.,'  ]*\s?(?:%|k|km|mi|miles|kwh)?      # a number, perhaps with its unit
      | \d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}(?:[T\s,].*)?         # a date
      | https?://\S+
      | true | false | null | none
    )\s*""",
    re.X | re.I,
)


@dataclass(frozen=True, slots=True)
class Header:
    """`index` of the header row among the rows given (-1 where there is none), and the unique column names."""

    index: int
    names: tuple[str, ...]
    known: bool


def find_header(
    rows: Sequence[Sequence[Cell]], is_known: Callable[[str], bool], asked_for: Sequence[str] = ()
) -> Header:
    """The header of a table whose first rows are `rows`; `is_known` tells a name that columns usually have.

    A row that holds all the names in `asked_for` (those that a person gave) is the header whatever else it holds.
    Where no row holds all of them, it is the row that holds the most, unless another's names are mostly usual ones.
    """
    width = _usual_width(rows)
    told, all_told = _row_with(asked_for, rows, width)
    if all_told:
        return _header(rows, told, known=True)
    best, best_score, best_known = -1, 1.0, 0.0
    for index, row in enumerate(rows[:LOOK]):
        filled = [str(cell).strip() for cell in row if not is_blank(cell)]
        if len(filled) < max(1, 0.5 * width) or any(len(name) > LONGEST_NAME for name in filled):
            continue
        if width == 1 and any(sign.isdigit() for sign in filled[0]) and not filled[0].endswith("?"):
            continue  # the first of many sentences, more likely than their name
        count = len(filled)
        known = sum(1 for name in filled if is_known(name))
        data = sum(1 for cell in row if _is_data(cell))
        repeated = count - len({name.casefold() for name in filled})
        if known == 0 and (data or repeated or not _differs(filled, rows[index + 1 : index + 1 + LOOK], row)):
            continue
        score = 3 * known / count + min(1.0, count / max(width, 1)) - 2 * (data + repeated) / count
        if score > best_score or (best < 0 and score >= 1.0):
            best, best_score, best_known = index, score, known / count
    if told >= 0 and best_known < 0.5:
        best = told
    if best < 0:
        best = _first_of_short_words(rows, width)
    return _header(rows, best, known=best_known > 0)


def _row_with(asked_for: Sequence[str], rows: Sequence[Sequence[Cell]], width: int) -> tuple[int, bool]:
    """The first row that holds the most of the names (-1 where none holds any), and whether it holds them all.

    Of rows that hold as many, a full one goes before a title that is called like a column.
    """
    best, most, best_full = -1, 0, False
    for index, row in enumerate(rows[:LOOK] if asked_for else ()):
        names = column_names(row)
        count = sum(find_column(name, names) is not None for name in asked_for)
        full = sum(not is_blank(cell) for cell in row) >= 0.5 * width
        if count and (count, full) > (most, best_full):
            best, most, best_full = index, count, full
    return best, 0 < most == len(asked_for)


def _header(rows: Sequence[Sequence[Cell]], best: int, *, known: bool) -> Header:
    """The names in row `best`, or numbers where it is -1."""
    span = max((len(row) for row in rows), default=0)
    if best < 0:
        return Header(-1, tuple(f"column {number + 1}" for number in range(span)), False)
    names = column_names(rows[best])
    return Header(best, names + _unnamed(names, rows[best + 1 :]), known)


def _first_of_short_words(rows: Sequence[Sequence[Cell]], width: int) -> int:
    """The first full row, where all it holds are a few short words; -1 where it may be data.

    Names of a language that is not known are likelier than a table without names.
    """
    if width < 2:
        return -1
    for index, row in enumerate(rows[:LOOK]):
        filled = [str(cell).strip() for cell in row if not is_blank(cell)]
        if len(filled) >= width:
            short = all(len(name) <= 40 and len(name.split()) <= 5 for name in filled)
            alone = len({name.casefold() for name in filled}) == len(filled) and not any(map(_is_data, row))
            return index if short and alone else -1
    return -1


def column_names(row: Sequence[Cell]) -> tuple[str, ...]:
    """Unique names for the columns under a header row; unnamed ones are called by their number.  Trailing blanks go."""
    cells = list(row)
    while cells and is_blank(cells[-1]):
        cells.pop()
    names: list[str] = []
    seen: Counter[str] = Counter()
    for number, cell in enumerate(cells, 1):
        name = "" if cell is None else " ".join(str(cell).split()).lstrip("﻿")
        name = name or f"column {number}"
        seen[name] += 1
        names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return tuple(names)


def _unnamed(names: tuple[str, ...], below: Sequence[Sequence[Cell]]) -> tuple[str, ...]:
    """Names for columns beyond the header that nearly every row fills."""
    full = [row for row in below if any(not is_blank(cell) for cell in row)]
    place = len(names)
    while full and sum(place < len(row) and not is_blank(row[place]) for row in full) >= 0.8 * len(full):
        place += 1
    return tuple(f"column {number + 1}" for number in range(len(names), place))


def is_blank(cell: Cell) -> bool:
    """Whether a cell holds nothing that can be seen."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _usual_width(rows: Sequence[Sequence[Cell]]) -> int:
    """The number of filled cells that full rows of the table have."""
    counts = sorted(count for row in rows if (count := sum(not is_blank(cell) for cell in row)))
    return counts[int(0.75 * (len(counts) - 1))] if counts else 0


def _is_data(cell: Cell) -> bool:
    if isinstance(cell, (bool, int, float, datetime)):
        return True
    return isinstance(cell, str) and _DATA.fullmatch(cell) is not None


def _differs(names: list[str], below: Sequence[Sequence[Cell]], row: Sequence[Cell]) -> bool:
    """Whether the rows below hold something that names do not: numbers, dates, or much longer words."""
    if not below:
        return False
    for place, cell in enumerate(row):
        if is_blank(cell):
            continue
        column = [other[place] for other in below if place < len(other) and not is_blank(other[place])]
        if column and sum(map(_is_data, column)) >= 0.7 * len(column):
            return True
        lengths = sorted(len(str(other)) for other in column)
        if lengths and lengths[len(lengths) // 2] > 3 * len(str(cell)) + 10:
            return True
    return False
