"""ActivityStreams 2.0 (W3C): notes, articles and questions in collections, Create activities and replies collections.

Content is HTML unless `mediaType` says otherwise.  Lists at the top (`items`, `orderedItems`) are streamed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

from pipeline.problems import ExportProblem
from pipeline.read_exports.decoded_text import clean_text, open_text
from pipeline.read_exports.html_text import html_to_text
from pipeline.read_exports.json_events import BrokenJson, Builder, Event, json_events, parse_line
from pipeline.read_exports.raw_table import Cell, ExportFile, RawRow, RawTable
from pipeline.response import Reject

NAME = "ActivityStreams 2.0"
CONTEXT = "www.w3.org/ns/activitystreams"
COLUMNS = ["id", "parent", "thread", "author", "time", "lang", "likes", "link", "text"]
_TEXTS = frozenset({"note", "article", "question", "page"})
_WRAPPERS = frozenset({"create", "update", "add"})
_COLLECTIONS = frozenset({"collection", "orderedcollection", "collectionpage", "orderedcollectionpage"})
_LISTS = ("items", "orderedItems")
_HINT = "export the posts themselves, with their content"
_MARK = re.compile(rb"https?://www\.w3\.org/ns/activitystreams(?![/\w])")


def looks_like(head: bytes, name: str) -> int:
    """0 to 100: JSON that names the ActivityStreams vocabulary as its context."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        head = head[2 : len(head) // 2 * 2].decode("utf-16-le" if head[0] == 0xFF else "utf-16-be", "replace").encode()
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()[:1]
    if start not in (b"{", b"["):
        return 0
    if (found := _MARK.search(head.replace(b"\\/", b"/"))) is None:
        return 0
    return 99 if b"@context" in head[: found.start()] else 40


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table with the columns of `COLUMNS`; replies come behind what they answer.

    Objects that hold no words of anybody (likes, follows, bare links, deleted posts) are `Reject`s.  Raises
    `ExportProblem` where the document does not name the ActivityStreams context or holds no object at all.
    """
    reader = _Reader(file)
    rows = reader.rows()
    first = next(rows, None)
    if not reader.in_context:
        raise ExportProblem(
            "the JSON does not name the ActivityStreams context",
            where=file.name,
            todo=f'it wants "@context": "https://{CONTEXT}"',
        )
    if first is None:
        raise ExportProblem("the collection holds no items", where=file.name, todo=_HINT)
    yield RawTable(COLUMNS, _chain(first, rows), roles={name: name for name in COLUMNS})


def _chain(first: RawRow | Reject, rows: Iterator[RawRow | Reject]) -> Iterator[RawRow | Reject]:
    yield first
    yield from rows


class _Reader:
    def __init__(self, file: ExportFile) -> None:
        self.file = file
        self.in_context = False
        self.lang: str | None = None
        self.count = 0

    def rows(self) -> Iterator[RawRow | Reject]:
        """All rows; the root's own context has been seen once the first one is given, wherever it stands."""
        self._look_for_context()
        if not self.in_context:
            return
        try:
            for record, value in self._top_objects():
                yield from self._objects(record, value)
        except BrokenJson as error:
            yield Reject(
                self.file.source,
                f"after item {self.count}",
                "broken_off",
                f"the JSON breaks off here: {error}",
                "export the file again; everything before this place was read",
            )

    def _look_for_context(self) -> None:
        """`@context` may stand behind the items: looks for it in the text, and reads its language where it is small."""
        stream = open_text(self.file)
        tail = ""
        while chunk := stream.chunk():
            window = (tail + chunk).replace("\\/", "/")
            if CONTEXT in window:
                self.in_context = True
                around = window[max(0, window.index(CONTEXT) - 2000) : window.index(CONTEXT) + 2000]
                if found := re.search(r'"@language"\s*:\s*"([A-Za-z-]{2,35})"', around):
                    self.lang = found[1]
                break
            tail = chunk[-200:]
        stream.close()

    def _top_objects(self) -> Iterator[tuple[str, Any]]:
        """The root's items one by one, then (or only) the root itself without them; each line's root in JSON lines."""
        if self._is_lines():
            for number, line in enumerate(open_text(self.file).lines(), start=1):
                if line.strip("\ufeff \t"):
                    try:
                        yield f"line {number}", parse_line(line.strip("\ufeff \t"))
                    except BrokenJson as error:
                        yield f"line {number}", error
                    self.count += 1
            return
        for record, value in _split_root(json_events(self.file)):
            yield record, value
            self.count += 1

    def _is_lines(self) -> bool:
        lines = open_text(self.file).lines(1 << 20)
        heads = [
            line.strip("\ufeff \t") for line, _ in zip((line for line in lines if line.strip()), range(2), strict=False)
        ]
        if len(heads) < 2:
            return False
        try:
            return isinstance(json.loads(heads[0]), dict) and heads[1].startswith("{")
        except (ValueError, RecursionError):
            return False

    def _objects(self, record: str, value: Any) -> Iterator[RawRow | Reject]:
        """The rows of one top object: depth first, iteratively, so that a chain of replies may be of any length."""
        pending: list[tuple[Any, str | None, dict[str, Any]]] = [(value, None, {})]
        count = 0
        while pending:
            thing, parent, activity = pending.pop()
            where = f"{record}, reply {count}" if count else record
            members = _members(thing) if isinstance(thing, dict) and _is_collection(thing) else None
            if members is not None:
                pending.extend((member, parent, activity) for member in reversed(members))
            elif isinstance(thing, dict) and _kinds(thing) & _WRAPPERS and thing.get("object"):
                pending.extend((inner, parent, thing) for inner in reversed(_list(thing["object"])))
            elif isinstance(thing, dict) and _is_text(thing):
                cells = self._cells(thing, parent, activity)
                yield RawRow(where, cells) if cells[-1] else self._reject(where, "empty", "the object has no content")
                own = _iri(thing.get("id", thing.get("@id")))
                pending.extend((reply, own, {}) for reply in reversed(_replies(thing)))
                count += 1
            else:
                yield self._no_response(where, thing)
                count += 1

    def _no_response(self, where: str, thing: Any) -> Reject:
        """Why `thing` is nothing that anybody said."""
        if isinstance(thing, BrokenJson):
            return self._reject(where, "unreadable", f"not JSON: {thing}", "mend the line or export again")
        if isinstance(thing, str):
            return self._reject(where, "empty", f"only a link, no words: {thing[:200]}")
        if not isinstance(thing, dict):
            return self._reject(where, "unreadable", "neither an object nor a link")
        kinds = _kinds(thing)
        if kinds & {"tombstone", "delete"}:
            return self._reject(where, "empty", "the post was deleted")
        return self._reject(where, "empty", f"a {'/'.join(sorted(kinds)) or 'thing without a type'} holds no response")

    def _reject(self, where: str, reason: str, detail: str, hint: str = _HINT) -> Reject:
        return Reject(self.file.source, where, reason, clean_text(detail), hint)

    def _cells(self, thing: dict[str, Any], parent: str | None, activity: dict[str, Any]) -> list[Cell]:
        text, lang = _content(thing)
        thread = thing.get("conversation", thing.get("context"))
        likes = thing.get("likes")
        total = likes.get("totalItems") if isinstance(likes, dict) else likes
        cells: list[Cell] = [
            _iri(thing.get("id", thing.get("@id"))),
            _iri(thing.get("inReplyTo")) or parent,
            _iri(thread),
            _name(thing.get("attributedTo", thing.get("actor", activity.get("actor", activity.get("attributedTo"))))),
            _text(thing.get("published", activity.get("published"))),
            lang or self.lang,
            total if isinstance(total, int) and not isinstance(total, bool) else None,
            _iri(thing.get("url")),
            text,
        ]
        return [clean_text(cell) if isinstance(cell, str) else cell for cell in cells]


def _split_root(events: Iterator[Event]) -> Iterator[tuple[str, Any]]:
    """The members of a root list, or of the root object's `items` / `orderedItems`; else the root object."""
    number = 0
    depth = 0
    key = ""
    root: dict[str, Any] = {}
    lists = False
    builder: Builder | None = None
    streaming = False
    for name, value in events:
        if builder is not None:
            if builder.feed(name, value):
                if streaming:
                    number += 1
                    yield f"item {number}", builder.value
                else:
                    root[key] = builder.value
                builder = None
        elif depth == 0:
            if name == "start_map":
                depth = 1
            elif name == "start_array":
                depth, streaming, lists = 1, True, True
            else:
                yield "item 1", value
        elif name == "map_key":
            key = value
        elif name in ("end_map", "end_array"):
            depth -= 1
            streaming = False
        elif depth == 1 and not streaming and name == "start_array" and key in _LISTS:
            depth, streaming, lists = 2, True, True
        else:
            builder = Builder()
            if builder.feed(name, value):
                if streaming:
                    number += 1
                    yield f"item {number}", builder.value
                else:
                    root[key] = builder.value
                builder = None
    kinds = _kinds(root)
    if root and (not lists or kinds & _TEXTS or "first" in root):
        yield f"item {number + 1}", root


def _kinds(thing: dict[str, Any]) -> set[str]:
    types = _list(thing.get("type", thing.get("@type")))
    return {re.split(r"[#:/]", kind)[-1].lower() for kind in types if isinstance(kind, str)}


def _is_collection(thing: dict[str, Any]) -> bool:
    return bool(_kinds(thing) & _COLLECTIONS) or any(key in thing for key in _LISTS)


def _is_text(thing: dict[str, Any]) -> bool:
    kinds = _kinds(thing)
    return bool(kinds & _TEXTS) or (not kinds and ("content" in thing or "contentMap" in thing))


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [] if value is None else [value]


def _members(collection: dict[str, Any]) -> list[Any]:
    """Everything in a collection, its first page and the pages behind that included where they are written out."""
    out: list[Any] = []
    page: Any = collection
    while isinstance(page, dict):
        for key in _LISTS:
            out.extend(_list(page.get(key)))
        page = page.get("first") if isinstance(page.get("first"), dict) else page.get("next")
    return out


def _replies(thing: dict[str, Any]) -> list[Any]:
    """The replies that are written out; replies that are only links are in the export elsewhere, or not at all."""
    replies = thing.get("replies")
    members = _members(replies) if isinstance(replies, dict) else _list(replies)
    return [member for member in members if isinstance(member, dict)]


def _content(thing: dict[str, Any]) -> tuple[str, str | None]:
    """The text and its language, where the object names one."""
    content, lang = thing.get("content"), None
    mapped = thing.get("contentMap")
    if isinstance(mapped, dict):
        texts = {key: value for key, value in mapped.items() if isinstance(value, str)}
        if isinstance(content, str) and content:
            lang = next((key for key, value in texts.items() if value == content), None)
        elif texts:
            lang, content = next(iter(texts.items()))
    if not isinstance(content, str) or not content.strip():
        content = next((thing[key] for key in ("summary", "name") if isinstance(thing.get(key), str)), "")
    media = str(thing.get("mediaType", "text/html")).lower()
    text = html_to_text(content) if "html" in media else content.strip()
    return text, None if lang == "und" else lang


def _iri(value: Any) -> str | None:
    for one in _list(value):
        if isinstance(one, str) and one:
            return one
        if isinstance(one, dict):
            for key in ("id", "@id", "href"):
                if isinstance(one.get(key), str):
                    return str(one[key])
    return None


def _name(value: Any) -> str | None:
    for one in _list(value):
        if isinstance(one, dict):
            for key in ("preferredUsername", "name", "id", "@id"):
                if isinstance(one.get(key), str) and one[key]:
                    return str(one[key])
        elif isinstance(one, str) and one:
            return one
    return None


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None
