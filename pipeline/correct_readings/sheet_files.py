"""Writes the sheet as xlsx, ods or csv, and reads any of them back as rows of plain cells.

Cells that people fill in are text cells: an office program would otherwise make 0.045 of "4.5 %" and a date of "1-2".
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Sequence
from pathlib import Path

from pipeline.correct_readings.sheet import COLUMNS, HELP_SHEET, HIDDEN, OPEN, SHEET, WIDTHS, Line
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import UsageProblem

FORMATS = (".xlsx", ".ods", ".csv")
TODO = "give a name that ends in .xlsx, .ods or .csv"

Cells = list[str | float]


def write_sheet(path: Path, lines: Sequence[Line], help_lines: Sequence[tuple[str, str]]) -> None:
    """Writes the sheet in the format of the file's name; a file that was there is replaced only by a whole one.

    Raises `UsageProblem` for another format, `LedgerProblem` where the file cannot be written.
    """
    kind = path.suffix.casefold()
    if kind not in FORMATS:
        raise UsageProblem(
            f"no sheet is written as {path.suffix or 'a file without an ending'}", where=str(path), todo=TODO
        )
    draft = path.with_name(f".{path.stem}-new{kind}")
    with ledger_errors(path, "writing the sheet"):
        try:
            if kind == ".xlsx":
                from pipeline.correct_readings.write_xlsx import write_xlsx

                write_xlsx(draft, lines, help_lines)
            elif kind == ".ods":
                from pipeline.correct_readings.write_ods import write_ods

                write_ods(draft, lines, help_lines)
            else:
                _write_csv(draft, lines)
            draft.chmod(0o600)  # it holds people's texts
            os.replace(draft, path)
        finally:
            draft.unlink(missing_ok=True)


def _write_csv(path: Path, lines: Sequence[Line]) -> None:
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for line in lines:
            writer.writerow([_harmless(line.cells.get(name, "")) for name in COLUMNS])


def _harmless(cell: str) -> str:
    """A cell that no spreadsheet program takes for a formula (locked columns only: they are not read back)."""
    return f"'{cell}" if cell[:1] in ("=", "+", "@") or (cell[:1] == "-" and not cell[1:2].isdigit()) else cell


def read_sheet(path: Path) -> tuple[str, list[Cells]]:
    """The name of the sheet and its rows, the header first; each cell is text or a number, "" where empty.

    Raises `UsageProblem` where the file is no sheet that `write_sheet` could have written.
    """
    kind = path.suffix.casefold()
    if kind not in FORMATS:
        raise UsageProblem(
            f"no sheet is read from {path.suffix or 'a file without an ending'}", where=str(path), todo=TODO
        )
    if not path.is_file():
        raise UsageProblem("there is no such file", where=str(path), todo="crowdfade queue LEDGER --to FILE writes one")
    if kind == ".csv":
        return path.name, _read_csv(path)
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        workbook = CalamineWorkbook.from_path(path)
        name = SHEET if SHEET in workbook.sheet_names else workbook.sheet_names[0]
        rows = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)
    except (CalamineError, OSError, IndexError, ValueError) as error:
        raise UsageProblem(f"cannot be read as a spreadsheet: {error}", where=str(path), todo="save it again") from None
    return name, [[_plain(cell) for cell in row] for row in rows]


def _plain(cell: object) -> str | float:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int | float):
        return float(cell)
    return str(cell).strip()


def _read_csv(path: Path) -> list[Cells]:
    content = path.read_bytes()
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageProblem(
            f"is not UTF-8 (byte {error.start})", where=str(path), todo="save it as CSV in UTF-8"
        ) from None
    head = text.split("\n", 1)[0]
    mark = max(",;\t", key=head.count)
    try:
        return [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(text, newline=""), delimiter=mark)]
    except csv.Error as error:
        raise UsageProblem(f"cannot be read as CSV: {error}", where=str(path), todo="save it again") from None


def letter(place: int) -> str:
    """The letter of a column by its place from 0, as spreadsheet programs show it."""
    name = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        name = chr(65 + rest) + name
    return name


__all__ = ["FORMATS", "HELP_SHEET", "HIDDEN", "OPEN", "WIDTHS", "letter", "read_sheet", "write_sheet"]
