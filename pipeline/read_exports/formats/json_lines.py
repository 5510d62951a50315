"""One JSON object a line (JSON Lines, NDJSON), streamed: a line that cannot be read is told and the rest is read."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from typing import Any

from pipeline.problems import ExportProblem
from pipeline.read_exports.decoded_text import open_text
from pipeline.read_exports.flat_records import Row, as_raw_rows, columns_of, fixed_roles, flat_rows
from pipeline.read_exports.json_events import BrokenJson, parse_line
from pipeline.read_exports.raw_table import ExportFile, RawTable
from pipeline.response import Reject

NAME = "JSON lines"
FIRST_ROWS = 500
"""Columns are taken from so many rows; a key that is first seen later has no column."""
LONGEST = 16_000_000
"""A line of more characters than this is rejected (and skipped without being held)."""


def looks_like(head: bytes, name: str) -> int:
    """0 to 100: whether the first lines are objects of their own."""
    for mark, encoding in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if head.startswith(mark):
            head = head[2 : len(head) // 2 * 2].decode(encoding, "replace").encode("utf-8")
    named = name.endswith((".jsonl", ".ndjson", ".jsonlines", ".ldjson"))
    lines = [line for line in head.removeprefix(b"\xef\xbb\xbf").splitlines() if line.strip()][:20]
    if not lines:
        return 0
    objects = sum(_is_object(line) for line in lines)
    if len(lines) == 1 and objects == 0:  # one line longer than the head, or a cut one
        return 60 if named and lines[0].lstrip()[:1] == b"{" else 0
    if objects * 2 < len(lines) - (1 if len(lines) < 20 else 0) or objects == 0:
        return 60 if named and objects else 0
    if len(lines) == 1:
        return 96 if named else 0
    return 98 if named else 93


def _is_object(line: bytes) -> bool:
    text = line.strip()
    if not text.startswith(b"{") or not text.endswith(b"}"):
        return False
    try:
        return isinstance(json.loads(text.decode("utf-8", "replace")), dict)
    except (ValueError, RecursionError):
        return False


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table, a row a line (and a row for each nested reply); `record` is "line 17"."""
    rows = _rows(file)
    first = list(itertools.islice(rows, FIRST_ROWS))
    if not first:
        raise ExportProblem("the file is empty", where=file.name, todo="export the responses again")
    columns = columns_of(first)
    yield RawTable(columns, as_raw_rows(itertools.chain(first, rows), columns), roles=fixed_roles(columns))


def _rows(file: ExportFile) -> Iterator[Row]:
    stream = open_text(file)
    number = 0
    for number, line in enumerate(_whole_lines(stream.lines(LONGEST)), start=1):
        if line is None:
            yield _reject(file, number, "unreadable", f"the line has more than {LONGEST:,} characters")
            continue
        if not line.strip("\ufeff \t\0"):
            continue
        try:
            record: Any = parse_line(line.strip("\ufeff \t\0"))
        except BrokenJson as error:
            yield _reject(file, number, "unreadable", f"not JSON: {error}")
            continue
        if not isinstance(record, dict):
            yield _reject(file, number, "unreadable", f"the line holds a {_kind(record)}, not an object")
            continue
        yield from flat_rows(record, f"line {number}")
    if stream.broken:
        yield _reject(file, number + 1, "broken_off", stream.broken)


def _whole_lines(pieces: Iterator[str]) -> Iterator[str | None]:
    """Lines; None for one that is too long, its further pieces dropped."""
    skipping = False
    for piece in pieces:
        long = len(piece) > LONGEST
        if long and not skipping:
            yield None
        elif not long and not skipping:
            yield piece
        skipping = long


def _kind(value: Any) -> str:
    names = {list: "list", str: "text", bool: "truth value", type(None): "null"}
    return names.get(type(value), "number")


def _reject(file: ExportFile, number: int, reason: str, detail: str) -> Reject:
    return Reject(
        file.source, f"line {number}", reason, detail, "mend the line or export again; the other lines were read"
    )
