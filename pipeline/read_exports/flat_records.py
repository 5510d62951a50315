"""Makes flat rows of one nested JSON record: dotted column names, and a row of its own for each nested reply.

    {"id": 1, "snippet": {"text": "..."}, "replies": {"comments": [{"id": 2, "snippet": {"text": "..."}}]}}

gives two rows with the columns `id`, `snippet.text` and `parent`; the second row's `parent` is 1.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from typing import Any

from pipeline.read_exports.decoded_text import clean_text
from pipeline.read_exports.json_keys import (
    ANSWER_KEYS,
    AUTHOR_KEYS,
    BLOCKED_KEYS,
    ID_KEYS,
    PARENT_KEYS,
    PEOPLE_KEYS,
    QUESTION_KEYS,
    REPLY_KEYS,
    TEXT_KEYS,
    plain_key,
)
from pipeline.read_exports.raw_table import Cell, RawRow
from pipeline.response import Reject

DEEPEST = 24
"""Objects further down than this (counted anew in each reply) hold no response's parts and are left out."""
PARENT = "parent"
THREAD = "thread"
Cells = dict[str, Cell]
Row = tuple[str, Cells] | Reject
Path = tuple[str, ...]


def is_text_key(key: str, main_key: str | None) -> bool:
    """True for a key that names a response's text: a known word, or the file's own."""
    return key == main_key or plain_key(key) in TEXT_KEYS


def flat_rows(record: dict[str, Any], where: str, main_key: str | None = None) -> Iterator[tuple[str, Cells]]:
    """The rows of one record, itself first, each reply behind its parent: `(where it stands, cells)`.

    `main_key` is the key that carries the text in this file, where it is known.  Each row has a `parent` cell.
    The replies of a record are numbered through, however deep they stand.
    """
    pending: list[tuple[dict[str, Any], Cell, str]] = [(record, None, "")]
    count = 0
    while pending:
        current, parent, keyed = pending.pop()
        cells, replies = flatten(current, main_key)
        if keyed and own_id(cells) is None:
            cells["id"] = keyed
        if parent is not None or cells.get(PARENT) is None:
            cells[PARENT] = parent if parent is not None else _own_parent(cells)
        name = own_id(cells)
        if replies and name is None:
            name = cells["id"] = _made_id(cells)
        pending.extend((reply, name, key) for key, reply in reversed(replies))
        yield f"{where}, reply {count}" if count else where, cells
        count += 1


def flatten(record: dict[str, Any], main_key: str | None) -> tuple[Cells, list[tuple[str, dict[str, Any]]]]:
    """The record's own cells by dotted name, and its replies as `(key or "", object)`."""
    if not any(isinstance(value, dict | list) for value in record.values()):
        return {clean_text(key) or "value": _scalar(value) for key, value in record.items()}, []
    core, core_path = _core(record, main_key)
    gathered: dict[Path, list[Any]] = {}
    replies: list[tuple[str, dict[str, Any]]] = []
    if core is not record:
        _gather(core, (), None, main_key, gathered, replies)
        outer: dict[Path, list[Any]] = {}
        _gather(record, (), core, main_key, outer, replies)
        for path, values in outer.items():
            taken = path in gathered or path[: len(core_path)] == core_path
            gathered.setdefault(("outer", *path) if taken else path, values)
    else:
        _gather(record, (), None, main_key, gathered, replies)
    cells: Cells = {}
    for path, values in gathered.items():
        name = clean_text(".".join(path)) or "value"
        if name not in cells:
            cells[name] = _cell(path, values)
    return cells, replies


def columns_of(rows: list[Row]) -> list[str]:
    """The names of all cells in the rows, in the order first met, `thread` and `parent` last."""
    names: dict[str, None] = {}
    for row in rows:
        if not isinstance(row, Reject):
            names.update(dict.fromkeys(row[1]))
    columns = [name for name in names if name not in (PARENT, THREAD)]
    return [*columns, *([THREAD] if THREAD in names else []), PARENT]


def fixed_roles(columns: list[str]) -> dict[str, str]:
    """The roles that are sure whatever the records' own keys are: those of the columns that are made here."""
    return {name: name for name in (THREAD, PARENT) if name in columns}


def as_raw_rows(rows: Iterable[Row], columns: list[str]) -> Iterator[RawRow | Reject]:
    """The rows with their cells in the columns' order."""
    for row in rows:
        if isinstance(row, Reject):
            yield row
        else:
            yield RawRow(row[0], [row[1].get(name) for name in columns])


def own_id(cells: Cells) -> Cell:
    """The record's own id among its cells: the least nested one that is not a person's or a thread's, or None."""
    best: tuple[int, int] | None = None
    found: Cell = None
    for name, value in cells.items():
        if value is None or value == "":
            continue
        *above, last = (plain_key(part) for part in name.split("."))
        if last in ID_KEYS and not any(part in PEOPLE_KEYS or part in PARENT_KEYS or part == "outer" for part in above):
            rank = (len(above), ID_KEYS.index(last))
            if best is None or rank < best:
                best, found = rank, value
    return found


def text_of(record: dict[str, Any], main_key: str | None) -> Path | None:
    """The path to the record's text under a key that names one: the least nested; None where there is none."""
    level: list[tuple[Path, dict[str, Any]]] = [((), record)]
    for _ in range(6):
        below: list[tuple[Path, dict[str, Any]]] = []
        for path, current in level:
            for key, value in current.items():
                if isinstance(value, str) and value and is_text_key(key, main_key):
                    return (*path, key)
                if isinstance(value, list) and is_text_key(key, main_key) and _rich_text(value) is not None:
                    return (*path, key)
                if isinstance(value, dict) and plain_key(key) not in PEOPLE_KEYS | BLOCKED_KEYS | PARENT_KEYS:
                    below.append(((*path, key), value))
        level = below
    return None


def has_identity(record: dict[str, Any]) -> bool:
    """True where the object has, directly or in a wrapper, an id or an author."""
    for key, value in record.items():
        plain = plain_key(key)
        if (plain in ID_KEYS or plain in AUTHOR_KEYS) and value not in (None, ""):
            return True
        if isinstance(value, dict) and any(
            plain_key(inner) in ID_KEYS or plain_key(inner) in AUTHOR_KEYS for inner in value
        ):
            return True
    return False


def _core(record: dict[str, Any], main_key: str | None) -> tuple[dict[str, Any], Path]:
    """The object inside a wrapper that is the response proper: it has an id of its own beside the wrapper's."""
    path = text_of(record, main_key)
    if path is None or len(path) < 2 or not _id_here(record):
        return record, ()
    current, core = record, record
    core_path: Path = ()
    for depth, key in enumerate(path[:-1], start=1):
        current = current[key]
        if _id_here(current):
            core, core_path = current, path[:depth]
    return core, core_path


def _id_here(record: dict[str, Any]) -> bool:
    return any(plain_key(key) in ID_KEYS for key in record)


def _gather(
    record: dict[str, Any],
    start: Path,
    without: dict[str, Any] | None,
    main_key: str | None,
    gathered: dict[Path, list[Any]],
    replies: list[tuple[str, dict[str, Any]]],
) -> None:
    """Puts the scalars below `record` into `gathered` by path, and replies into `replies`, in the file's order."""
    stack: list[tuple[Path, Any]] = [(start, record)]
    while stack:
        path, value = stack.pop()
        if isinstance(value, dict):
            if value is without or len(path) >= DEEPEST:
                continue
            if path and (keyed := _keyed_replies(path, value, main_key)):
                replies.extend(keyed)
                continue
            stack.extend(((*path, str(key)), below) for key, below in reversed(value.items()))
        elif isinstance(value, list):
            if is_text_key(path[-1] if path else "", main_key) and (rich := _rich_text(value)) is not None:
                gathered.setdefault(path, []).append(rich)
            elif _are_replies(path, value, main_key):
                replies.extend(("", one) for one in value if isinstance(one, dict))
                stack.extend((path, one) for one in reversed(value) if not isinstance(one, dict | list))
            elif pairs := _answers(value):
                for question, answer in reversed(pairs):
                    stack.append(((question,), answer))
            else:
                stack.extend((path, one) for one in reversed(value))
        else:
            gathered.setdefault(path, []).append(value)


def _are_replies(path: Path, values: list[Any], main_key: str | None) -> bool:
    plain = [plain_key(part) for part in path]
    if any(part in BLOCKED_KEYS for part in plain):
        return False
    objects = [one for one in values if isinstance(one, dict)]
    if not objects or _answers(values):
        return False
    if any(part in REPLY_KEYS for part in plain):
        return any(text_of(one, main_key) is not None or has_identity(one) for one in objects)
    return any(has_identity(one) and text_of(one, main_key) is not None for one in objects)


def _keyed_replies(path: Path, value: dict[str, Any], main_key: str | None) -> list[tuple[str, dict[str, Any]]]:
    """Replies given as an object of objects by id, or a single reply under a key that says so; else nothing."""
    last = plain_key(path[-1])
    if last not in REPLY_KEYS or any(plain_key(part) in BLOCKED_KEYS for part in path):
        return []
    inner = [one for one in value.values() if isinstance(one, dict)]
    if inner and len(inner) == len(value) and all(text_of(one, main_key) is not None for one in inner):
        if any(plain_key(key) in REPLY_KEYS | TEXT_KEYS for key in value):
            return []
        return [(str(key), one) for key, one in value.items()]
    if last in ("reply", "answer", "response", "antwort") and _id_here(value) and text_of(value, main_key) is not None:
        return [("", value)]
    return []


def _answers(values: list[Any]) -> list[tuple[str, Any]]:
    """`[{"question": ..., "answer": ...}, ...]` as pairs; empty where the list is something else."""
    pairs: list[tuple[str, Any]] = []
    for one in values:
        if not isinstance(one, dict):
            return []
        questions = [value for key, value in one.items() if plain_key(key) in QUESTION_KEYS and isinstance(value, str)]
        answers = [value for key, value in one.items() if plain_key(key) in ANSWER_KEYS]
        if len(questions) != 1 or len(answers) != 1 or not questions[0].strip():
            return []
        pairs.append((questions[0].strip(), answers[0]))
    return pairs


def _rich_text(values: list[Any]) -> str | None:
    """A text given as pieces, some of them objects with their style, put together; None where it is no such list."""
    pieces: list[str] = []
    for one in values:
        if isinstance(one, dict):
            if _id_here(one) or any(plain_key(key) in AUTHOR_KEYS for key in one):
                return None
            one = one.get("text", one.get("insert"))
        if not isinstance(one, str):
            return None
        pieces.append(one)
    return "".join(pieces) if pieces else None


def _cell(path: Path, values: list[Any]) -> Cell:
    kept = [value for value in values if value is not None]
    if not kept:
        return None
    if len(kept) == 1:
        return _scalar(kept[0])
    return "; ".join(str(_scalar(value)) for value in kept)


def _scalar(value: Any) -> Cell:
    if isinstance(value, str):
        return clean_text(value)
    if value is None or isinstance(value, bool | int | float):
        return value
    return str(value)


def _own_parent(cells: Cells) -> Cell:
    for name, value in cells.items():
        if value is None or value == "":
            continue
        parts = [plain_key(part) for part in name.split(".")]
        if any(part in PEOPLE_KEYS for part in parts):
            continue
        if parts[-1] in PARENT_KEYS or (len(parts) > 1 and parts[-2] in PARENT_KEYS and parts[-1] in ID_KEYS):
            return value
    return None


def _made_id(cells: Cells) -> str:
    """An id for a record that has none but has replies; made of its content, so that it stays when rows move."""
    content = json.dumps(cells, sort_keys=True, default=str).encode("utf-8", "replace")
    return "made-" + hashlib.sha256(content).hexdigest()[:16]
