"""The sheet as an OpenDocument spreadsheet, for LibreOffice and its kin; the same as `write_xlsx`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.correct_readings.sheet import COLUMNS, HELP_SHEET, HIDDEN, OPEN, SHEET, WIDTHS, Line

CM_A_CHARACTER = 0.19
"""The width of a character of the default font, in centimetres."""


def write_ods(path: Path, lines: Sequence[Line], help_lines: Sequence[tuple[str, str]]) -> None:
    """Writes the document; see `sheet.COLUMNS`."""
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import ContentValidations, Table, TableColumn, TableRow

    document: Any = OpenDocumentSpreadsheet()
    styles = _styles(document)
    names = list(COLUMNS)
    validations = ContentValidations()
    offered: dict[tuple[str, ...], str] = {}
    for line in lines:
        for words in (line.values, line.decisions):
            if words and words not in offered:
                offered[words] = f"choice{len(offered) + 1}"
                validations.addElement(_list_of(offered[words], words))
    if offered:
        document.spreadsheet.addElement(validations)
    table = Table(name=SHEET, protected="true")
    for name in names:
        shown = "collapse" if name in HIDDEN else "visible"
        table.addElement(TableColumn(stylename=styles[f"width {name}"], visibility=shown))
    header = TableRow()
    for name in names:
        header.addElement(_cell(name, styles["header"]))
    table.addElement(header)
    for line in lines:
        row = TableRow()
        for name in names:
            style = "open" if name in OPEN else "head" if line.head else "locked"
            words = line.values if name == "new value" else line.decisions if name == "decision" else ()
            row.addElement(_cell(line.cells.get(name, ""), styles[style], offered.get(words)))
        table.addElement(row)
    document.spreadsheet.addElement(table)
    told = Table(name=HELP_SHEET, protected="true")
    told.addElement(TableColumn(stylename=styles["width line"]))
    told.addElement(TableColumn(stylename=styles["width words"]))
    for name, meaning in help_lines:
        row = TableRow()
        row.addElement(_cell(name, styles["header" if name and not meaning else "head"]))
        row.addElement(_cell(meaning, styles["head"]))
        told.addElement(row)
    document.spreadsheet.addElement(told)
    _freeze(document)
    document.save(str(path))


def _styles(document: Any) -> dict[str, Any]:
    from odf.number import TextContent, TextStyle
    from odf.style import Style, TableCellProperties, TableColumnProperties, TextProperties

    as_text = TextStyle(name="astext")
    as_text.addElement(TextContent())
    document.automaticstyles.addElement(as_text)
    styles: dict[str, Any] = {}
    looks = {
        "header": ("protected", "#e4e4e4", True),
        "head": ("protected", "#ffffff", False),
        "locked": ("protected", "#f3f3f3", False),
        "open": ("none", "#ffffff", False),
    }
    for name, (protect, colour, bold) in looks.items():
        style = Style(name=f"cell{name}", family="table-cell", datastylename=as_text)
        style.addElement(
            TableCellProperties(cellprotect=protect, backgroundcolor=colour, wrapoption="wrap", verticalalign="top")
        )
        if bold:
            style.addElement(TextProperties(fontweight="bold"))
        document.automaticstyles.addElement(style)
        styles[name] = style
    for place, (name, characters) in enumerate(WIDTHS.items()):
        style = Style(name=f"width{place}", family="table-column")
        style.addElement(TableColumnProperties(columnwidth=f"{characters * CM_A_CHARACTER:.2f}cm"))
        document.automaticstyles.addElement(style)
        styles[f"width {name}"] = style
    return styles


def _list_of(name: str, words: tuple[str, ...]) -> Any:
    from odf.table import ContentValidation, ErrorMessage
    from odf.text import P

    listed = ";".join(f'"{word}"' for word in words)
    rule = ContentValidation(
        name=name, condition=f"of:cell-content-is-in-list({listed})", allowemptycell="true", displaylist="unsorted"
    )
    message = ErrorMessage(display="true", messagetype="stop", title="Not in the list")
    message.addElement(P(text="Choose one of the list: " + ", ".join(words)))
    rule.addElement(message)
    return rule


def _cell(text: str, style: Any, offered: str | None = None) -> Any:
    from odf.table import TableCell
    from odf.text import P

    more = {"contentvalidationname": offered} if offered else {}
    cell = TableCell(valuetype="string", stylename=style, **more) if text else TableCell(stylename=style, **more)
    for line in text.split("\n") if text else ():
        cell.addElement(P(text=line))
    return cell


def _freeze(document: Any) -> None:
    """Keeps the header and the first two columns in sight."""
    from odf.config import ConfigItem, ConfigItemMapEntry, ConfigItemMapIndexed, ConfigItemMapNamed, ConfigItemSet

    def item(name: str, kind: str, value: str) -> Any:
        made = ConfigItem(name=name, type=kind)
        made.addText(value)
        return made

    entry = ConfigItemMapEntry(name=SHEET)
    for side, at in (("Horizontal", "2"), ("Vertical", "1")):
        entry.addElement(item(f"{side}SplitMode", "short", "2"))
        entry.addElement(item(f"{side}SplitPosition", "int", at))
    entry.addElement(item("PositionRight", "int", "2"))
    entry.addElement(item("PositionBottom", "int", "1"))
    tables = ConfigItemMapNamed(name="Tables")
    tables.addElement(entry)
    view = ConfigItemMapEntry()
    view.addElement(item("ViewId", "string", "view1"))
    view.addElement(tables)
    view.addElement(item("ActiveTable", "string", SHEET))
    views = ConfigItemMapIndexed(name="Views")
    views.addElement(view)
    settings = ConfigItemSet(name="ooo:view-settings")
    settings.addElement(views)
    document.settings.addElement(settings)
