"""The sheet in which people look at readings and correct them: its columns, its lines, its words of explanation.

A report is a block: a line for the row as a whole (with the text), then a line a field.  What a person may change
stands in the columns of `OPEN`; all others are locked, and are not read back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.correct_readings.decisions import text_mark, write_places
from pipeline.correct_readings.describe import RunView
from pipeline.correct_readings.held import Held, Row, places_of
from pipeline.correct_readings.queue import Waiting
from pipeline.correct_readings.values import ABSENT_WORDS, accepted
from pipeline.dataset_columns import Column
from pipeline.keep_ledger.rows import value_text

SHEET = "To look at"
HELP_SHEET = "How to"

COLUMNS: dict[str, str] = {
    "report": "the report's id",
    "line": "the row as a whole, or a field of it",
    "as read": "the value now",
    "unit": "its unit",
    "words": "the whole text, or the words that the value was read from",
    "sure": "how sure the reading is, 0 to 1",
    "new value": "the right value, where another one was read or none; `absent` where the text says nothing of it",
    "decision": "what you decided, from the list",
    "other": "the other report (one vehicle, two vehicles) or response (copy of)",
    "words for it": "the words of the text that say the new value, if you like",
    "why": "your reason, for those who ask later",
    "who": "you; may be given once with --who instead",
    "look because": "why the row is here",
    "text mark": "for the program",
    "places": "for the program",
}
"""The sheet's columns, in order, and what they hold."""

OPEN = ("new value", "decision", "other", "words for it", "why", "who")
HIDDEN = ("text mark", "places")
WIDTHS = {
    "report": 26, "line": 22, "as read": 16, "unit": 9, "words": 70, "sure": 7, "new value": 18, "decision": 18,
    "other": 26, "words for it": 24, "why": 34, "who": 12, "look because": 44, "text mark": 10, "places": 10,
}  # fmt: skip
"""How wide each column is, in characters."""

ROW = "the row"
"""What the line of a row as a whole says under `line`."""

ROW_CHOICES = {
    "right": "verified",
    "not a report": "not-a-report",
    "drop the response": "drop",
    "split": "split",
    "one vehicle with": "one-vehicle",
    "not the vehicle of": "two-vehicles",
    "copy of": "copy-of",
    "not a copy": "not-a-copy",
    "as read": "as-read",
}
"""What can be decided about a row, and the kind of decision that it is."""

FIELD_CHOICES = {"right": "verified", "absent": "absent", "as read": "as-read"}
"""The same about one field."""

LONGEST_CELL = 32_000
"""Characters that a cell of any office program holds (Excel: 32,767)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line: what stands in the locked columns by name, and the words that `new value` and `decision` offer."""

    cells: Mapping[str, str]
    values: tuple[str, ...] = ()
    decisions: tuple[str, ...] = ()
    head: bool = field(default=False)


def lines_of(view: RunView, waiting: Sequence[Waiting]) -> list[Line]:
    """The lines of the sheet for these reports, in their order."""
    view.hold(one.report.rpartition("-")[0] for one in waiting)
    lines: list[Line] = []
    for one in waiting:
        home = view.report(one.report)
        if home is not None:
            lines += _block(home, one, view.columns)
    return lines


def _block(home: Held, waiting: Waiting, columns: Mapping[str, Column]) -> list[Line]:
    report = waiting.report
    row = home.report(report)
    rows = [*home.evidence.get(report, ()), *home.parts.get(report, ())]
    text = home.response["text"]
    for_program = {
        "report": report,
        "text mark": "" if text is None else text_mark(text),
        "places": write_places(places_of(rows)),
    }
    head = {
        **for_program,
        "line": ROW,
        "as read": "copy" if row["copy_of"] else "" if row["usable"] else "kept out",
        "words": "(the text was not kept)" if text is None else _shown(text),
        "sure": f"{row['confidence']:.2f}",
        "look because": "; ".join(waiting.reasons),
    }
    lines = [Line(head, decisions=tuple(ROW_CHOICES), head=True)]
    said = [name for name in columns if row.get(name) is not None]
    for name in (*said, *(name for name in columns if name not in said)):
        column = columns[name]
        lines.append(
            Line(
                {
                    **for_program,
                    "line": name,
                    "unit": "" if column.unit == "a" else column.unit,
                    **_read(row, rows, name),
                },
                values=(*column.values, ABSENT_WORDS[0]) if column.values else (),
                decisions=tuple(FIELD_CHOICES),
            )
        )
    return lines


def _read(row: Row, rows: Iterable[Row], name: str) -> dict[str, str]:
    if row.get(name) is None:
        return {}
    of_field = [one for one in rows if one["field"] == name]
    sure = [one["confidence"] for one in of_field if "confidence" in one]
    value = row[name]
    return {
        "as read": value_text(round(value, 4) if isinstance(value, float) else value),
        "words": " ... ".join(_shown(one["raw"]) for one in of_field if one["raw"]),
        "sure": f"{sure[0]:.2f}" if sure else "",
    }


def _shown(text: str) -> str:
    """A text for a cell: without the control signs that no spreadsheet file may hold, and not too long."""
    plain = "".join("\N{REPLACEMENT CHARACTER}" if ord(sign) < 32 and sign not in "\n\t" else sign for sign in text)
    plain = plain.replace("\ufffe", "\N{REPLACEMENT CHARACTER}").replace("\uffff", "\N{REPLACEMENT CHARACTER}")
    return plain if len(plain) <= LONGEST_CELL else plain[:LONGEST_CELL] + " [...]"


def explanation(columns: Mapping[str, Column]) -> list[tuple[str, str]]:
    """The second sheet: pairs of a name and what it means; ("", "") is a blank line, a name alone a heading."""
    told: list[tuple[str, str]] = [
        ("How to use this sheet", ""),
        ("1", "Read a text (white line: the row as a whole) and the values below it."),
        ("2", "Where all is right, choose `right` in the white line. Then the row does not come again."),
        (
            "3",
            "Where a value is wrong, write the right one under `new value`; where the text says none, choose `absent`.",
        ),
        ("4", "Give your reason under `why`. Cells that you leave empty change nothing; grey columns are locked."),
        ("5", "Save the file in its own format and run: crowdfade correct LEDGER FILE, then crowdfade rerun LEDGER."),
        ("", ""),
        ("Columns", ""),
        *((name, meaning) for name, meaning in COLUMNS.items() if name not in HIDDEN),
        ("", ""),
        ("Decisions about a row", ""),
        ("right", "every value is right, and nothing is missing"),
        ("not a report", "nobody speaks of a vehicle of their own or of somebody they know here"),
        ("drop the response", "nothing is to be taken from the whole response"),
        ("split", "the row holds two vehicles; write under `new value` the fields of the second, with commas"),
        ("one vehicle with", "it is the vehicle of another report; write its id under `other`"),
        ("not the vehicle of", "it is not the vehicle of the report under `other`"),
        ("copy of", "the response repeats another one; write its id under `other`"),
        ("not a copy", "the response repeats no other one"),
        ("as read", "take earlier decisions back"),
        ("", ""),
        ("What a field takes", ""),
    ]
    told += [(name, f"{column.meaning}: {accepted(column)}") for name, column in columns.items()]
    return told
