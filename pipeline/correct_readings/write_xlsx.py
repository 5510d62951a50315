"""The sheet as an Excel workbook: lists to choose from, locked columns, a header that stays in sight."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.correct_readings.sheet import COLUMNS, HELP_SHEET, HIDDEN, OPEN, SHEET, WIDTHS, Line
from pipeline.correct_readings.sheet_files import letter

AS_TEXT = "@"
"""The number format of text cells."""


def write_xlsx(path: Path, lines: Sequence[Line], help_lines: Sequence[tuple[str, str]]) -> None:
    """Writes the workbook; see `sheet.COLUMNS`."""
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Font, PatternFill, Protection

    book = Workbook()
    sheet: Any = book.active
    sheet.title = SHEET
    names = list(COLUMNS)
    grey, pale = (PatternFill("solid", start_color=colour) for colour in ("E4E4E4", "F3F3F3"))
    bold, top = Font(bold=True), Alignment(vertical="top", wrap_text=True)
    open_cell = Protection(locked=False)
    for place, name in enumerate(names, start=1):
        cell = sheet.cell(1, place, name)
        cell.font, cell.fill = bold, grey
        sheet.column_dimensions[letter(place - 1)].width = WIDTHS[name]
        sheet.column_dimensions[letter(place - 1)].hidden = name in HIDDEN
    for number, line in enumerate(lines, start=2):
        for place, name in enumerate(names, start=1):
            cell = sheet.cell(number, place)
            if value := line.cells.get(name, ""):
                cell.value = value
                cell.data_type = "s"  # words that begin with "=" are no formula
            cell.alignment = top
            if name in OPEN:
                cell.number_format, cell.protection = AS_TEXT, open_cell
            elif not line.head:
                cell.fill = pale
            if line.head and name in ("line", "words"):
                cell.font = bold if name == "line" else Font()
    _offer(sheet, lines, names)
    sheet.freeze_panes = "C2"
    # Without a password: the lock keeps from slips, not from people.
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False
    sheet.protection.autoFilter = False
    if lines:
        sheet.auto_filter.ref = f"A1:{letter(len(names) - 1)}{len(lines) + 1}"
    _explain(book.create_sheet(HELP_SHEET), help_lines)
    book.save(path)


def _offer(sheet: Any, lines: Sequence[Line], names: list[str]) -> None:
    """The lists to choose from; one rule for each list, over all cells that offer it."""
    from openpyxl.worksheet.datavalidation import DataValidation

    rules: dict[tuple[str, tuple[str, ...]], Any] = {}
    for number, line in enumerate(lines, start=2):
        for name, words in (("new value", line.values), ("decision", line.decisions)):
            if not words:
                continue
            if (name, words) not in rules:
                rule = DataValidation("list", formula1='"' + ",".join(words) + '"', allow_blank=True)
                rule.error, rule.errorTitle = "Choose one of the list: " + ", ".join(words), "Not in the list"
                rule.showErrorMessage = True
                rules[name, words] = rule
                sheet.add_data_validation(rule)
            rules[name, words].add(f"{letter(names.index(name))}{number}")


def _explain(sheet: Any, help_lines: Sequence[tuple[str, str]]) -> None:
    from openpyxl.styles import Alignment, Font

    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 26, 100
    for number, (name, meaning) in enumerate(help_lines, start=1):
        first, second = sheet.cell(number, 1, name or None), sheet.cell(number, 2, meaning or None)
        second.alignment = Alignment(wrap_text=True, vertical="top")
        if name and not meaning:
            first.font = Font(bold=True)
    sheet.protection.sheet = True
