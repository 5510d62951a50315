"""OpenDocument spreadsheets (.ods), streamed from their content as XML."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from pipeline.problems import ExportProblem
from pipeline.read_exports.raw_table import Cell, ExportFile, RawTable
from pipeline.read_exports.sheets import Merge, sheet_table

NAME = "OpenDocument spreadsheet"
OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"
MOST_COLUMNS = 2_000
MOST_REPEATS = 1_000
"""How often a row that holds something may stand for itself; a larger count is padding."""


def looks_like(head: bytes, name: str) -> int:
    """By the media type with which the zip file begins."""
    if not head.startswith(b"PK\x03\x04"):
        return 0
    if b"opendocument.spreadsheet" in head[:200]:
        return 99
    return 60 if name.endswith(".ods") else 0


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table for each sheet that holds anything; raises `ExportProblem` for a locked or damaged file."""
    with file.open() as stream:
        try:
            with zipfile.ZipFile(stream) as package:
                manifest = (
                    package.read("META-INF/manifest.xml") if "META-INF/manifest.xml" in package.namelist() else b""
                )
                package.getinfo("content.xml")
        except (zipfile.BadZipFile, KeyError, OSError, RuntimeError) as error:
            raise ExportProblem(
                f"the spreadsheet is cut off or damaged ({error})",
                todo="fetch it again, or open it in a spreadsheet program and save it anew",
            ) from None
    if b"encryption-data" in manifest:
        raise ExportProblem(
            "the spreadsheet is locked with a password",
            todo="open it with its password, save it without one, and give that file",
        )
    names = _sheet_names(file)
    for place, name in enumerate(names):
        merges: list[Merge] = []
        rows = _rows(file, place, merges)
        table = sheet_table(rows, merges, name if len(names) > 1 else "", file.source, file.asked_for)
        if table is not None:
            yield table


def _events(file: ExportFile, tags: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
    from lxml import etree

    with file.open() as stream, zipfile.ZipFile(stream) as package, package.open("content.xml") as content:
        yield from etree.iterparse(
            content, events=("start", "end"), tag=tags, resolve_entities=False, no_network=True, huge_tree=True
        )


def _sheet_names(file: ExportFile) -> list[str]:
    names: list[str] = []
    for event, element in _events(file, (TABLE + "table", TABLE + "table-row")):
        if element.tag == TABLE + "table" and event == "start":
            names.append(element.get(TABLE + "name", f"sheet {len(names) + 1}"))
        elif event == "end":
            element.clear()
    return names


def _rows(file: ExportFile, wanted: int, merges: list[Merge]) -> Iterator[tuple[int, list[Cell]]]:
    """The rows of the sheet with that number (from 0); cells merged down a column are added to `merges` and filled."""
    sheet, number = -1, 0
    below: dict[int, tuple[int, Cell]] = {}
    for event, element in _events(file, (TABLE + "table", TABLE + "table-row")):
        if element.tag == TABLE + "table":
            if event == "start":
                sheet += 1
            elif sheet == wanted:
                return
            continue
        if event == "start":
            continue
        if sheet == wanted:
            cells = _cells(element, number, merges, below)
            repeats = int(element.get(TABLE + "number-rows-repeated", "1"))
            for offset in range(min(repeats, MOST_REPEATS) if cells else 0):
                yield number + offset + 1, list(cells)
            number += repeats
        element.clear()
        while element.getprevious() is not None:
            del element.getparent()[0]


def _cells(row: Any, number: int, merges: list[Merge], below: dict[int, tuple[int, Cell]]) -> list[Cell]:
    """The cells of a row without trailing blanks; `below` holds, by column, the values of cells merged down."""
    cells: list[Cell] = []
    for element in row:
        if element.tag not in (TABLE + "table-cell", TABLE + "covered-table-cell"):
            continue
        place = len(cells)
        value = _value(element)
        repeats = int(element.get(TABLE + "number-columns-repeated", "1"))
        if value is None and place in below:
            last, above = below[place]
            value = above if number <= last else None
        cells.extend([value] * min(repeats, MOST_COLUMNS - place))
        right = place + int(element.get(TABLE + "number-columns-spanned", "1")) - 1
        bottom = number + int(element.get(TABLE + "number-rows-spanned", "1")) - 1
        if bottom > number:
            below[place] = (bottom, value)
        if right > place:
            merges.append(Merge(number, place, number, right))
        if len(cells) >= MOST_COLUMNS:
            break
    while cells and cells[-1] is None:
        cells.pop()
    return cells


def _value(element: Any) -> Cell:
    kind = element.get(OFFICE + "value-type")
    if kind in ("float", "currency", "percentage"):
        value = float(element.get(OFFICE + "value", "nan"))
        if kind == "percentage":
            return f"{format(value * 100, '.12g')} %"
        return int(value) if value.is_integer() and abs(value) < 1e15 else value
    if kind == "date":
        try:
            return datetime.fromisoformat(element.get(OFFICE + "date-value", ""))
        except ValueError:
            pass
    elif kind == "boolean":
        return bool(element.get(OFFICE + "boolean-value") == "true")
    paragraphs = [_words(paragraph) for paragraph in element.findall(TEXT + "p")]
    return "\n".join(paragraphs) or None


def _words(element: Any) -> str:
    """A paragraph's words, with the spaces, tabs and line breaks that OpenDocument writes as elements."""
    if element.tag == OFFICE + "annotation":
        return ""
    if element.tag == TEXT + "s":
        return " " * int(element.get(TEXT + "c", "1"))
    if element.tag in (TEXT + "tab", TEXT + "line-break"):
        return "\t" if element.tag == TEXT + "tab" else "\n"
    return (element.text or "") + "".join(_words(child) + (child.tail or "") for child in element)
