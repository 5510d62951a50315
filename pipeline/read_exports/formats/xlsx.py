"""Workbooks of the Office Open XML kind (.xlsx, .xlsm), streamed; and the older .xls and .xlsb."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime
from typing import Any, BinaryIO

from pipeline.problems import ExportProblem
from pipeline.read_exports.raw_table import Cell, ExportFile, RawTable
from pipeline.read_exports.sheets import Merge, sheet_table

NAME = "Excel workbook"
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
MERGES_UP_TO = 32 << 20
"""Bytes of the largest workbook whose merged cells are looked up (that takes a second pass over it)."""


def looks_like(head: bytes, name: str) -> int:
    """By the parts that the zip file names; for the older kind, by its signature and name."""
    named = name.endswith((".xlsx", ".xlsm", ".xlsb", ".xls", ".xltx"))
    if head.startswith(b"PK\x03\x04"):
        if b"word/" in head or b"ppt/" in head or b"opendocument" in head[:200]:
            return 0
        if b"xl/w" in head or b"xl/s" in head or b"xl/t" in head:
            return 98
        return 60 if named else 0
    if head.startswith(OLE):
        return 90 if named or _is_locked(head) or "Workbook".encode("utf-16-le") in head else 0
    return 0


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table for each sheet that holds anything; raises `ExportProblem` for a locked or damaged workbook."""
    with file.open() as stream:
        head = stream.read(1 << 16)
        if head.startswith(OLE):
            if _is_locked(head) or _has_locked_part(stream):
                raise ExportProblem(
                    "the workbook is locked with a password",
                    todo="open it with its password, save it without one, and give that file",
                )
            yield from _older(file)
            return
        stream.seek(0)
        try:
            book = _open_book(stream)
        except Exception as error:  # openpyxl lets through whatever its parsers throw
            yield from _older(file, error)
            return
        sheets = [sheet for sheet in book.worksheets if _holds_anything(sheet)]
        for sheet in sheets:
            merges = _merges(file, sheet.title)
            name = sheet.title if len(sheets) > 1 else ""
            table = sheet_table(_rows(sheet), merges, name, file.source, file.asked_for)
            if table is not None:
                yield table


def _open_book(stream: BinaryIO) -> Any:
    import warnings

    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about styles and extensions that do not matter here
        book = openpyxl.load_workbook(stream, read_only=True, data_only=True)
    for sheet in book.worksheets:
        sheet.reset_dimensions()  # some programs write a wrong size, which would cut the sheet off
    return book


def _holds_anything(sheet: Any) -> bool:
    return any(any(value is not None for value in row) for row in sheet.iter_rows(max_row=200, values_only=True))


def _rows(sheet: Any) -> Iterator[tuple[int, list[Cell]]]:
    for number, row in enumerate(sheet.iter_rows(), 1):
        yield number, [_cell(cell.value, getattr(cell, "number_format", "")) for cell in row]


def _cell(value: Any, number_format: str | None) -> Cell:
    if value is None or isinstance(value, (str, bool, datetime)):
        return value
    if isinstance(value, (int, float)):
        if number_format and "%" in number_format and number_format.count('"') < 2:
            return f"{format(value * 100, '.12g')} %"  # a cell that shows 5 % holds 0.05
        return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 else value
    if isinstance(value, date):
        return datetime(value.year, value.month, value.day)
    return str(value)


def _merges(file: ExportFile, title: str) -> list[Merge]:
    if file.size is not None and file.size > MERGES_UP_TO:
        return []
    import python_calamine

    try:
        with file.open() as stream:
            book = python_calamine.CalamineWorkbook.from_filelike(stream)
            ranges: Iterable[Any] = book.get_sheet_by_name(title).merged_cell_ranges or ()
            return [Merge(top, left, bottom, right) for (top, left), (bottom, right) in ranges]
    except Exception:  # merged cells only help; the sheet can be read without
        return []


def _older(file: ExportFile, reason: Exception | None = None) -> Iterator[RawTable]:
    """Reads with the library that also knows the older kinds, and is less strict; it holds a sheet in memory."""
    import python_calamine

    with file.open() as stream:
        try:
            book = python_calamine.CalamineWorkbook.from_filelike(stream)
            sheets = [(name, book.get_sheet_by_name(name)) for name in book.sheet_names]
        except Exception as error:
            detail = " ".join(str(reason or error).split())[:200]
            raise ExportProblem(
                f"the workbook is cut off or damaged ({detail})",
                todo="fetch it again, or open it in a spreadsheet program and save it anew",
            ) from None
    filled = [(name, sheet) for name, sheet in sheets if sheet.height]
    for name, sheet in filled:
        rows = ((number, [_plain(value) for value in row]) for number, row in enumerate(sheet.iter_rows(), 1))
        table = sheet_table(rows, [], name if len(filled) > 1 else "", file.source, file.asked_for)
        if table is not None:
            yield table


def _plain(value: Any) -> Cell:
    return None if value == "" else _cell(value, None)


def _is_locked(data: bytes) -> bool:
    return "EncryptedPackage".encode("utf-16-le") in data or "EncryptionInfo".encode("utf-16-le") in data


def _has_locked_part(stream: BinaryIO) -> bool:
    """Whether the directory of parts, wherever it stands in the file, names a locked one."""
    tail = b""
    while data := stream.read(1 << 20):
        if _is_locked(tail + data):
            return True
        tail = data[-64:]
    return False
