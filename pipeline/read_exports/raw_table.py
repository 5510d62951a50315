"""What a format module is given (`ExportFile`) and what it gives back (`RawTable`), before roles are worked out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import BinaryIO

from pipeline.response import Reject

Cell = str | int | float | bool | datetime | None

ROLES = ("text", "author", "time", "id", "parent", "thread", "likes", "source", "lang", "profile", "link")
"""What a column can be to a response.  `source` names the place inside an export (a forum, a programme)."""


@dataclass(slots=True)
class ExportFile:
    """One file as a format module sees it: already fetched and decompressed.

    `open()` gives a fresh binary stream at its beginning, as often as it is called.  `name` is the file's name inside
    the folder or archive it came from, `source` the name that rows of it carry.  `asked_for` are the names of columns
    that a person gave for this file: the row that holds them is the header.
    """

    name: str
    source: str
    open: Callable[[], BinaryIO]
    size: int | None = None
    asked_for: tuple[str, ...] = ()


@dataclass(slots=True)
class RawRow:
    """One record: `record` says where it stands ("row 17", "line 3", "entry 5"); `cells` run along `columns`."""

    record: str
    cells: list[Cell]


@dataclass(slots=True)
class RawTable:
    """A list of records with named columns.

    `rows` may be read once and gives a `Reject` in place of a row that cannot be read.  `roles` maps roles to column
    names where the format itself fixes them (Atom, mbox, ActivityStreams ...), and is empty where they must be worked
    out (CSV, spreadsheets, JSON).  `name` tells the tables of one file apart (a sheet's name), "" where there is one.
    """

    columns: list[str]
    rows: Iterator[RawRow | Reject]
    roles: dict[str, str] = field(default_factory=dict)
    name: str = ""
