"""JSON of any nesting in which a list of records can be found, nested replies included.

Which list it is, is told from where the text stands (`record_lists`); how a record becomes rows, see `flat_records`.
Column names depend on the records' own keys alone, so the pages of a paged export have the same ones.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable, Iterator
from typing import Any

from pipeline.problems import ExportProblem
from pipeline.read_exports.decoded_text import open_text
from pipeline.read_exports.flat_records import THREAD, Row, as_raw_rows, columns_of, fixed_roles, flat_rows
from pipeline.read_exports.json_events import SMALL, BrokenJson, json_events
from pipeline.read_exports.raw_table import ExportFile, RawTable
from pipeline.read_exports.record_lists import Choice, Place, choose, keyed_records, read_place, weigh
from pipeline.response import Reject

NAME = "JSON"
FIRST_ROWS = 2000
"""Columns are taken from so many rows; a key that is first seen later has no column."""

_TODO = "export the responses again, or give them as CSV or as one JSON object a line"


def looks_like(head: bytes, name: str) -> int:
    """0 to 100, from the first bytes and the name: JSON that is not one object a line."""
    start = _beginning(head)
    if not start or start[0] not in "[{":
        return 0
    named = name.endswith((".json", ".json5", ".geojson"))
    if start[0] == "[":
        fits = start[1:2] == "" or start[1:].lstrip()[:1] in ("", "{", "[", '"', "]")
    else:
        fits = start[1:].lstrip()[:1] in ("", '"', "}")
    if not fits:
        return 20 if named else 0
    return 85 if named else 70


def _beginning(head: bytes) -> str:
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return head[: len(head) // 2 * 2].decode("utf-16", "replace").lstrip("\ufeff \t\r\n")
    if head[:2] in (b"[\0", b"{\0"):
        return head[: len(head) // 2 * 2].decode("utf-16-le", "replace").lstrip()
    if head[:2] in (b"\0[", b"\0{"):
        return head[: len(head) // 2 * 2].decode("utf-16-be", "replace").lstrip()
    return head.decode("utf-8", "replace").lstrip("\ufeff \t\r\n")


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table for each list of records chosen; a file that breaks off gives what was read and then a `Reject`.

    Raises `ExportProblem` where the file holds no list of objects with text in them.
    """
    walk = weigh(json_events(file))
    choice = choose(walk)
    if choice is None or (choice.places == [choice.root] and not choice.root.below):
        yield _last_resort(file)
        return
    if choice.places == [choice.root] and (keyed := _keyed(file, choice)):
        yield _table(file, ((record, None) for record in keyed), choice.main_key, "")
        return
    several = len(choice.places) > 1
    for place in choice.places:
        records = read_place(json_events(file), choice, place)
        yield _table(file, records, choice.main_key, _name(place) if several else "")


def _name(place: Place) -> str:
    return ".".join(place.names()) or "records"


def _table(
    file: ExportFile, records: Iterable[tuple[dict[str, Any], str | None]], main_key: str | None, name: str
) -> RawTable:
    rows = _rows(file, records, main_key)
    first = list(itertools.islice(rows, FIRST_ROWS))
    columns = columns_of(first)
    return RawTable(columns, as_raw_rows(itertools.chain(first, rows), columns), roles=fixed_roles(columns), name=name)


def _rows(
    file: ExportFile, records: Iterable[tuple[dict[str, Any], str | None]], main_key: str | None
) -> Iterator[Row]:
    number = 0
    try:
        for number, (record, thread) in enumerate(records, start=1):
            for where, cells in flat_rows(record, f"record {number}", main_key):
                if thread is not None:
                    cells.setdefault(THREAD, thread)
                yield where, cells
    except BrokenJson as error:
        yield Reject(
            file.source,
            f"after record {number}",
            "broken_off",
            f"the JSON breaks off here: {error}",
            "export the file again; everything before this place was read",
        )


def _keyed(file: ExportFile, choice: Choice) -> list[dict[str, Any]]:
    tree = _tree(file)
    return keyed_records(tree, choice.main_key) if isinstance(tree, dict | list) else []


def _tree(file: ExportFile) -> Any:
    if file.size is not None and file.size > SMALL:
        return None
    text = "".join(iter(open_text(file).chunk, ""))
    try:
        return json.loads(text, strict=False) if len(text) <= SMALL else None
    except (ValueError, RecursionError):
        return None


def _last_resort(file: ExportFile) -> RawTable:
    """A list of plain texts, or of lists under a header; raises `ExportProblem` where the file is neither."""
    tree = _tree(file)
    lists = [tree] if isinstance(tree, list) else list(tree.values()) if isinstance(tree, dict) else []
    for values in lists:
        if isinstance(values, list) and values and all(isinstance(value, str) for value in values):
            texts: list[str] = values
            if any(" " in value for value in texts):
                rows: Iterator[Row] = ((f"record {at}", {"text": value}) for at, value in enumerate(texts, start=1))
                return RawTable(["text"], as_raw_rows(rows, ["text"]))
        if isinstance(values, list) and len(values) > 1 and all(isinstance(value, list) for value in values):
            columns = [str(name) for name in values[0]]
            if columns and len(set(columns)) == len(columns):
                body: Iterator[Row] = (
                    (f"record {number}", {name: _plain(cell) for name, cell in zip(columns, value, strict=False)})
                    for number, value in enumerate(values[1:], start=1)
                )
                return RawTable(columns, as_raw_rows(body, columns))
    try:
        for _ in json_events(file):
            pass
    except BrokenJson as error:
        raise ExportProblem(f"the JSON cannot be read: {error}", where=file.name, todo=_TODO) from None
    raise ExportProblem("the JSON holds no list of records with text in them", where=file.name, todo=_TODO)


def _plain(value: Any) -> str | int | float | bool | None:
    return value if value is None or isinstance(value, str | int | float | bool) else json.dumps(value)[:1000]
