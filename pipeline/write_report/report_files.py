"""Files of a report for spreadsheet programs: CSV and workbooks in which words of a comment can compute nothing."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

_FORMULA = re.compile(r"[=+\-@\t\r](?![\d.,]*$)")
_NO_SHEET_SIGN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")

Cell = str | float | int | bool | None


def guarded(cell: Cell) -> Cell:
    """A cell that no spreadsheet program takes for a formula: an apostrophe before what begins like one."""
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell


def plain_cell(value: Any) -> Cell:
    """A value of a data frame as a cell: numbers without a needless ".0", None where there is none."""
    if value is None or value != value:
        return None
    if isinstance(value, float):
        return int(value) if value.is_integer() else round(value, 4)
    return value if isinstance(value, str) else int(value)


def csv_text(headers: Sequence[str], rows: Sequence[Sequence[Cell]]) -> str:
    """A CSV file with a byte order mark (spreadsheet programs then read it as UTF-8); None is an empty cell."""
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\r\n")
    writer.writerow(headers)
    writer.writerows([["" if cell is None else guarded(cell) for cell in row] for row in rows])
    return "\ufeff" + lines.getvalue()


def workbook(title: str, headers: Sequence[str], rows: Sequence[Sequence[Cell]], made: datetime) -> bytes:
    """An Excel workbook with one sheet: the headers stay in sight, columns are as wide as their words (60 at most)."""
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = title[:31]
    sheet.append(list(headers))
    for row in rows:
        # openpyxl takes words that begin with "=" for a formula, hence the guard here too.
        cells = [guarded(cell) for cell in row]
        sheet.append([_NO_SHEET_SIGN.sub("\ufffd", cell) if isinstance(cell, str) else cell for cell in cells])
    for cell in sheet[1]:
        cell.font = Font(bold=True)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    for place in range(1, len(headers) + 1):
        longest = max((len(str(row[place - 1] or "")) for row in rows), default=0)
        width = max(10, longest + 2, len(headers[place - 1]) // 2)
        sheet.column_dimensions[get_column_letter(place)].width = min(60, width)
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = sheet.dimensions
    book.properties.created = made.replace(tzinfo=None)
    held = io.BytesIO()
    book.save(held)
    return _at_one_moment(held.getvalue(), made)


def _at_one_moment(content: bytes, made: datetime) -> bytes:
    """A workbook whose parts all tell the moment `made`: the same report then gives the same file, byte for byte."""
    moment = f"{made:%Y-%m-%dT%H:%M:%S}Z".encode()
    held = io.BytesIO()
    with ZipFile(io.BytesIO(content)) as old, ZipFile(held, "w", ZIP_DEFLATED) as new:
        for name in old.namelist():
            part = old.read(name)
            if name == "docProps/core.xml":
                part = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + moment, part)
            new.writestr(ZipInfo(name, (max(made.year, 1980), *made.timetuple()[1:6])), part, ZIP_DEFLATED)
    return held.getvalue()
