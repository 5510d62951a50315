"""HTML pages that carry their comments as schema.org data, as JSON-LD or as microdata.

Read are Comment, DiscussionForumPosting, SocialMediaPosting, Question, Answer and Review, nested to any depth; an
article's own words are the host's and no response, its comments are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from pipeline.problems import ExportProblem
from pipeline.read_exports.decoded_text import open_text
from pipeline.read_exports.raw_table import ExportFile, RawRow, RawTable
from pipeline.read_exports.schema_org import COLUMNS, Posting, linked_postings
from pipeline.response import Reject


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


NAME = "HTML page"
_HINT = "save the page again with its comments shown, or paste its text into a .txt file"


def looks_like(head: bytes, name: str) -> int:
    """0 to 100: HTML, the more so where schema.org is named in it."""
    start = head.replace(b"\0", b"").lower()
    named = name.endswith((".html", ".htm", ".xhtml"))
    begins = start.lstrip(b"\xef\xbb\xbf\xff\xfe \r\n\t").startswith(b"<")
    page = begins and (
        b"<!doctype html" in start[:2000] or b"<html" in start[:5000] or b"<body" in start or b"<head" in start
    )
    if not begins or (not page and not named and b"schema.org" not in start):
        return 0
    if b"schema.org" in start and (page or b"itemscope" in start or b"ld+json" in start):
        return 95
    return 80 if named and page else 60 if page or named else 0


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table with the columns of `COLUMNS`; replies come behind what they answer.

    A block of JSON-LD that cannot be read is a `Reject`.  What a page says both as JSON-LD and as microdata is read
    once.  Raises `ExportProblem` for a page without any schema.org comment.
    """
    reader = _Page()
    broken = _feed(file, reader)
    rejects: list[Reject] = []
    postings: list[Posting] = []
    seen: set[tuple[str, str]] = set()
    found, unread = linked_postings(reader.scripts)
    for number, error in unread:
        rejects.append(Reject(file.source, f"JSON-LD block {number}", "unreadable", f"not JSON: {error}", _HINT))
    for posting in found:
        postings.append(posting)
        seen.add(posting.mark())
    known = {posting.id for posting in found if posting.id}
    postings.extend(one for one in reader.postings() if one.mark() not in seen and (not one.id or one.id not in known))
    if broken:
        rejects.append(Reject(file.source, "end", "broken_off", broken, "what stands before was read"))
    if not postings and not rejects:
        raise ExportProblem("the page carries no schema.org comments", where=file.name, todo=_HINT)
    yield RawTable(COLUMNS, _rows(file, postings, rejects), roles={name: name for name in COLUMNS})


def _rows(file: ExportFile, postings: list[Posting], rejects: list[Reject]) -> Iterator[RawRow | Reject]:
    for number, posting in enumerate(postings, start=1):
        where = f"{posting.kind} {number}"
        if posting.text:
            yield RawRow(where, posting.cells())
        else:
            yield Reject(file.source, where, "empty", "it has no text", _HINT)
    yield from rejects


def _feed(file: ExportFile, reader: _Page) -> str:
    """Passes the file through libxml2's event parser; gives what broke, or ""."""
    from lxml import etree

    stream = open_text(file)
    parser = etree.HTMLParser(target=reader, huge_tree=True, recover=True, encoding="utf-8")
    try:
        parser.feed(b"<!doctype html>")
        while data := stream.chunk():
            parser.feed(data.replace("\0", "").encode("utf-8"))
        parser.close()
    except (etree.LxmlError, ValueError, AssertionError) as error:
        return stream.broken or f"the HTML cannot be read further: {error}"
    return stream.broken


@dataclass(slots=True)
class _Item:
    """One microdata item: its schema.org type, its properties as written, the item around it."""

    kind: str
    outer: _Item | None
    prop: str = ""
    id: str = ""
    values: dict[str, list[Any]] = field(default_factory=dict)

    def put(self, names: str, value: Any) -> None:
        for name in names.split():
            self.values.setdefault(name, []).append(value)


@dataclass(slots=True)
class _Element:
    tag: str
    item: _Item | None
    opens: bool = False
    props: str = ""
    owner: _Item | None = None
    parts: list[str] | None = None
    fixed: str | None = None


class _Page:
    """Takes the parser's events: gathers JSON-LD scripts, and microdata items with their properties.

    Nothing here recurses, so depth does not matter.  A property's inner HTML is put together again only for the
    properties that hold words; an item inside of it keeps its words to itself.
    """

    def __init__(self) -> None:
        self.scripts: list[str] = []
        self.items: list[_Item] = []
        self._stack: list[_Element] = []
        self._script: list[str] | None = None
        self._filling: list[_Element] = []

    def start(self, tag: str, attributes: Any) -> None:
        attrs = dict(attributes)
        if tag == "script":
            if "ld+json" in (attrs.get("type") or "").lower():
                self._script = []
            return
        outer = self._stack[-1].item if self._stack else None
        element = _Element(tag, outer)
        props = attrs.get("itemprop") or ""
        if "itemscope" in attrs:
            kind = (attrs.get("itemtype") or "").split(" ")[0].rstrip("/").rsplit("/", 1)[-1].rsplit("#", 1)[-1]
            schema = "schema.org" in (attrs.get("itemtype") or "")
            item = _Item(kind if schema else "", outer, props, attrs.get("itemid") or attrs.get("id") or "")
            self.items.append(item)
            element.item, element.opens = item, True
            if props and outer is not None:
                outer.put(props, item)
            if item.kind and self._filling:
                if self._filling[-1].parts is not None:
                    self._filling[-1].parts.append("<br>")
                self._filling.append(_Element(tag, item))  # words in here are the inner item's
        elif props and outer is not None:
            element.props, element.owner = props, outer
            element.fixed = _fixed_value(tag, attrs)
            if element.fixed is None:
                element.parts = []
                self._filling.append(element)
        if (
            not element.parts
            and self._filling
            and self._filling[-1].parts is not None
            and element is not self._filling[-1]
        ):
            self._filling[-1].parts.append(f"<{tag}>")
        if tag in _VOID:
            if element.fixed is not None and element.owner is not None:
                element.owner.put(element.props, element.fixed)
            return
        self._stack.append(element)

    def end(self, tag: str) -> None:
        if tag == "script":
            if self._script is not None:
                self.scripts.append("".join(self._script))
            self._script = None
            return
        if tag in _VOID or not self._stack or self._stack[-1].tag != tag:
            return
        element = self._stack.pop()
        if (
            element.opens
            and self._filling
            and self._filling[-1].item is element.item
            and self._filling[-1].parts is None
        ):
            self._filling.pop()
        if element.parts is not None:
            if self._filling and self._filling[-1] is element:
                self._filling.pop()
            if element.owner is not None:
                element.owner.put(element.props, "".join(element.parts))
            if self._filling and self._filling[-1].parts is not None and self._filling[-1].owner is element.owner:
                self._filling[-1].parts.extend(element.parts)
        elif element.fixed is not None and element.owner is not None:
            element.owner.put(element.props, element.fixed)
        if self._filling and self._filling[-1].parts is not None:
            self._filling[-1].parts.append(f"</{tag}>")

    def data(self, data: str) -> None:
        if self._script is not None:
            self._script.append(data)
        elif self._filling and self._filling[-1].parts is not None:
            self._filling[-1].parts.append(data.replace("&", "&amp;").replace("<", "&lt;"))

    def comment(self, data: str) -> None:
        """Comments say nothing."""

    def close(self) -> None:
        """A script or a property that is cut off ends with the page."""
        if self._script:
            self.scripts.append("".join(self._script))
            self._script = None
        while self._stack:
            self.end(self._stack[-1].tag)

    def postings(self) -> Iterator[Posting]:
        """The items that are responses, in the page's order."""
        from pipeline.read_exports.schema_org import microdata_posting

        for item in self.items:
            if (posting := microdata_posting(item)) is not None:
                yield posting


_VOID = _words("area base br col embed hr img input link meta param source track wbr")


def _fixed_value(tag: str, attributes: dict[str, Any]) -> str | None:
    """A property's value that stands in an attribute, or None where it is the element's text."""
    if "content" in attributes:
        return str(attributes["content"] or "")
    name = {
        "a": "href",
        "area": "href",
        "link": "href",
        "img": "src",
        "audio": "src",
        "video": "src",
        "iframe": "src",
        "time": "datetime",
        "data": "value",
        "meter": "value",
    }.get(tag)
    if name and name in attributes:
        return str(attributes[name] or "")
    return "" if tag in _VOID else None
