"""CSV and its kin: comma, semicolon, tab or bar; any usual encoding; titles above the header; rows of any length."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, islice
from typing import TextIO

from pipeline.read_exports.column_names import is_known_name
from pipeline.read_exports.header_row import LOOK, find_header
from pipeline.read_exports.raw_table import ExportFile, RawRow, RawTable
from pipeline.read_exports.text_encoding import BOMS, find_encoding, guess
from pipeline.response import Reject

NAME = "CSV"
DELIMITERS = ",;\t|"
_COMMA_OF_WORDS = re.compile(r",(?!\d)")
LONGEST_CELL = 100_000
"""Characters; a longer cell is no response, and its row is rejected."""
LONGEST_LINE = 1 << 23
MOST_LINES = 2_000
"""Lines that one record may run over; more, and a quotation mark was never closed."""


@dataclass(slots=True)
class DelimitedTable(RawTable):
    """A table whose cells were parted by `delimiter`, so that a cell that was parted wrongly can be joined again."""

    delimiter: str = ","


@dataclass(frozen=True, slots=True)
class _Dialect:
    delimiter: str
    escape: str | None
    share: float
    rows: int


def looks_like(head: bytes, name: str) -> int:
    """By the name, and by lines that part into equally many cells."""
    named = name.endswith((".csv", ".tsv", ".tab"))
    text = _decode_head(head)
    if text is None:
        return 0
    start = text.lstrip("﻿ \t\r\n")[:1]
    if start in ("{", "[", "<") and not named:
        return 0
    dialect = _find_dialect(text, len(head) >= 1 << 16)
    if dialect is None:
        return 45 if named else 0
    if named:
        return 60 + int(38 * dialect.share)
    return (
        70 if dialect.share >= 0.9 and dialect.rows >= 2 and not (dialect.delimiter == "," and _is_prose(text)) else 0
    )


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table, streamed.  A row with a broken encoding, an endless cell or an unclosed quotation is a `Reject`."""
    encoding = find_encoding(file.open)
    with file.open() as stream:
        head = stream.read(1 << 18)
    text = head.decode(encoding, "ignore")
    dialect = _find_dialect(text, len(head) >= 1 << 18) or _guessed_dialect(text)
    records = _records(file, encoding, dialect)
    first = list(islice(records, 2 * LOOK))
    rows = [item.cells if isinstance(item, RawRow) else [] for item in first]
    header = find_header(rows, is_known_name, file.asked_for)
    body = chain(first[header.index + 1 :], records)
    above = [item for item in first[: header.index + 1] if isinstance(item, Reject)]
    yield DelimitedTable(
        columns=list(header.names),
        rows=(item for item in chain(above, body) if isinstance(item, Reject) or any(item.cells)),
        delimiter=dialect.delimiter,
    )


class _Lines(Iterator[str]):
    """The lines of a file, as the csv reader takes them, with those of the present record kept for a second try."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._again: deque[str] = deque()
        self.taken: list[str] = []
        self._size = 0

    def begin(self) -> None:
        """A new record begins."""
        self.taken.clear()
        self._size = 0

    def push_back(self) -> None:
        """Gives back all lines of the present record but its first."""
        self._again.extendleft(reversed(self.taken[1:]))

    def __next__(self) -> str:
        line = self._again.popleft() if self._again else self._stream.readline(LONGEST_LINE)
        if not line:
            raise StopIteration
        self.taken.append(line)
        self._size += len(line)
        if len(self.taken) > 1 and (len(self.taken) > MOST_LINES or self._size > LONGEST_LINE):
            raise _EndlessError
        return line


class _EndlessError(Exception):
    """A record that runs on and on."""


def _records(file: ExportFile, encoding: str, dialect: _Dialect) -> Iterator[RawRow | Reject]:
    csv.field_size_limit(max(csv.field_size_limit(), 2 * LONGEST_LINE))
    wide = encoding.startswith(("utf-16", "utf-32"))
    errors = "replace" if wide else "surrogateescape"  # wide encodings cannot carry a broken byte along
    with file.open() as raw, io.TextIOWrapper(raw, encoding, errors, newline="") as stream:
        lines = _Lines(stream)
        reader = _reader(lines, dialect)
        number = 0
        while True:
            lines.begin()
            number += 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            except _EndlessError:
                yield _reject(file, number, "unclosed_quote", "a quotation mark opens here and is never closed")
                lines.push_back()
                reader = _reader(lines, dialect)
                continue
            except csv.Error as error:
                again = _lenient(lines.taken, dialect) if "unexpected end" not in str(error) else None
                reader = _reader(lines, dialect)
                if again is None:
                    yield _reject(file, number, "unclosed_quote", "a quotation mark opens here and is never closed")
                    lines.push_back()
                    continue
                cells = again
            if number == 1 and len(cells) <= 2 and cells and cells[0].lower().lstrip("﻿").startswith("sep="):
                continue
            yield _checked(file, number, cells, wide)


def _reader(lines: _Lines, dialect: _Dialect) -> Iterator[list[str]]:
    return csv.reader(lines, delimiter=dialect.delimiter, escapechar=dialect.escape, strict=True)


def _lenient(lines: list[str], dialect: _Dialect) -> list[str] | None:
    """A line with quotation marks in wrong places, as far as it can be read; None for a record of several lines.

    In several lines such a mark is most likely the next cell's, and one that was never closed stands before it.
    """
    if len(lines) != 1:
        return None
    rows = list(csv.reader(lines, delimiter=dialect.delimiter, escapechar=dialect.escape))
    return rows[0] if len(rows) == 1 else None


def _checked(file: ExportFile, number: int, cells: list[str], wide: bool) -> RawRow | Reject:
    longest = max(map(len, cells), default=0)
    if longest > LONGEST_CELL:
        return _reject(file, number, "cell_too_long", f"a cell holds {longest} characters")
    for cell in cells:
        if not cell.isascii() and (("\ufffd" in cell) if wide else not _encodable(cell)):
            return _reject(file, number, "wrong_encoding", "a cell holds bytes that are not of the file's encoding")
    return RawRow(f"row {number}", list(cells))


def _encodable(cell: str) -> bool:
    try:
        cell.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


_HINTS = {
    "unclosed_quote": "close the quotation mark, or export again with all text cells quoted",
    "cell_too_long": "look whether a quotation mark is missing before or in this row",
    "wrong_encoding": "save the file as UTF-8",
}


def _reject(file: ExportFile, number: int, reason: str, detail: str) -> Reject:
    return Reject(file.source, f"row {number}", reason, detail, _HINTS[reason])


def _decode_head(head: bytes) -> str | None:
    """The beginning as text; None where it is binary."""
    for bom, name in BOMS:
        if head.startswith(bom):
            return head.decode(name, "ignore")
    if b"\x00" in head:
        for name in ("utf-16-le", "utf-16-be"):
            text = head.decode(name, "ignore")
            if text and sum(sign < "\u0250" for sign in text[:2000]) > 0.9 * len(text[:2000]) and "\x00" not in text:
                return text
        return None
    try:
        return head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start > len(head) - 4:
            return head[: error.start].decode("utf-8")
    if sum(byte < 9 or 13 < byte < 32 for byte in head) > 0.02 * len(head):
        return None
    return head.decode(guess(head[:8192]), "replace")


def _find_dialect(text: str, cut: bool) -> _Dialect | None:
    """The delimiter that parts most records into equally many cells; None where none does."""
    text = text.lstrip("﻿")
    if text[:4].lower() == "sep=" and text[4:5] in DELIMITERS:
        return _Dialect(text[4], None, 1.0, 2)
    escape = "\\" if '\\"' in text and '""' not in text.replace(',"",', "") else None
    best: _Dialect | None = None
    best_score = 0.0
    for delimiter in DELIMITERS:
        if delimiter not in text:
            continue
        widths = _widths(text, delimiter, escape, cut)
        counts = Counter(width for width in widths if width > 1)
        if not counts:
            continue
        width, number = max(counts.items(), key=lambda item: (item[1], item[0]))
        share = number / len(widths)
        if delimiter == "," and share < 0.95 and _is_prose(text):
            continue
        score = share + 0.04 * min(width, 12)
        if share >= 0.4 and number >= min(2, len(widths)) and score > best_score:
            best, best_score = _Dialect(delimiter, escape, share, number), score
    return best


def _guessed_dialect(text: str) -> _Dialect:
    """For a file whose rows are all of different lengths: the delimiter of its first line; none for sentences."""
    line = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(DELIMITERS, key=line.count)
    if delimiter not in line or (delimiter == "," and _is_prose(text)):
        delimiter = "\x1f"
    return _Dialect(delimiter, None, 0.0, 0)


def _is_prose(text: str) -> bool:
    """Whether the commas are those of sentences: nearly all with a space behind them, and no cell is quoted."""
    spaced = text.count(", ")
    return '"' not in text and spaced > 0 and spaced >= 0.8 * len(_COMMA_OF_WORDS.findall(text))


def _widths(text: str, delimiter: str, escape: str | None, cut: bool) -> list[int]:
    csv.field_size_limit(max(csv.field_size_limit(), 2 * LONGEST_LINE))
    widths: list[int] = []
    try:
        for cells in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, escapechar=escape):
            if cells:
                widths.append(len(cells))
            if len(widths) >= 200:
                return widths
    except csv.Error:
        pass
    return widths[:-1] if cut and len(widths) > 1 else widths
