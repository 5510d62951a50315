"""Atom feeds (RFC 4287) with the threading extension (RFC 4685), streamed entry by entry.

Neither entities nor anything outside the file is ever resolved: a document that declares entities is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from xml.etree.ElementTree import Element

from pipeline.problems import ExportProblem
from pipeline.read_exports.decoded_text import TextStream, open_text
from pipeline.read_exports.html_text import html_to_text
from pipeline.read_exports.raw_table import Cell, ExportFile, RawRow, RawTable
from pipeline.response import Reject

NAME = "Atom feed"
COLUMNS = ["id", "parent", "thread", "author", "time", "lang", "link", "text"]
_ATOM = "{http://www.w3.org/2005/Atom}"
_THREADING = "{http://purl.org/syndication/thread/1.0}"
_XHTML = "{http://www.w3.org/1999/xhtml}"
_LANG = "{http://www.w3.org/XML/1998/namespace}lang"
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
_DECLARED = re.compile(rb"<\?xml[^>]*?encoding\s*=\s*[\"']([\w.:-]+)[\"']")
_VOID = frozenset({"br", "hr", "img", "wbr", "input", "meta", "link"})


def looks_like(head: bytes, name: str) -> int:
    """0 to 100: XML whose root is an Atom feed or entry."""
    plain = head.replace(b"\0", b"")
    if b"http://www.w3.org/2005/Atom" in plain and re.search(rb"<(?:[\w.-]+:)?(?:feed|entry)[\s>]", plain):
        return 96
    return 30 if name.endswith(".atom") and plain.lstrip(b"\xef\xbb\xbf\xff\xfe \r\n\t").startswith(b"<") else 0


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table with the columns of `COLUMNS`; `record` is "entry 5".

    A feed that breaks off gives its entries so far and a `Reject`.  Raises `ExportProblem` where no entry can be read.
    """
    rows = _rows(file)
    first = next(rows, None)
    if first is None:
        raise ExportProblem("the feed holds no entries", where=file.name, todo="export a feed of comments")
    if isinstance(first, Reject) and first.reason == "broken_off":
        raise ExportProblem(f"no entry can be read: {first.detail}", where=file.name, todo="export the feed again")
    yield RawTable(COLUMNS, _chain(first, rows), roles={name: name for name in COLUMNS})


def _chain(first: RawRow | Reject, rows: Iterator[RawRow | Reject]) -> Iterator[RawRow | Reject]:
    yield first
    yield from rows


class _FitForXml:
    """The text without the few signs that XML forbids, as UTF-8 bytes."""

    def __init__(self, stream: TextStream) -> None:
        self._stream = stream

    def read(self, size: int = -1) -> bytes:
        chunk = self._stream.chunk()
        while chunk:
            if data := _UNFIT.sub("", chunk).encode("utf-8"):
                return data
            chunk = self._stream.chunk()
        return b""


def _rows(file: ExportFile) -> Iterator[RawRow | Reject]:
    from xml.etree.ElementTree import ParseError, TreeBuilder

    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import DefusedXMLParser, iterparse

    with file.open() as raw:
        declared = _DECLARED.search(raw.read(1024))
    stream = open_text(file, declared[1].decode("ascii") if declared else None)
    parser = DefusedXMLParser(target=TreeBuilder(), encoding="utf-8", forbid_entities=True, forbid_external=True)
    feed = _Feed(file)
    try:
        for event, element in iterparse(_FitForXml(stream), events=("start", "end"), parser=parser):
            if (row := feed.take(event, element)) is not None:
                yield row
    except DefusedXmlException:
        what = "the document declares entities of its own, which are never resolved"
        if feed.number == 0:
            raise ExportProblem(what, where=file.name, todo="export the feed without a DOCTYPE") from None
        yield feed.reject("broken_off", what)
    except (ParseError, ValueError, LookupError, RecursionError) as error:
        yield feed.reject("broken_off", stream.broken or f"the XML breaks off here: {error}")
    else:
        if stream.broken:
            yield feed.reject("broken_off", stream.broken)


class _Feed:
    """Follows the parser's events, keeps what the feed says of all its entries, makes a row of each entry."""

    def __init__(self, file: ExportFile) -> None:
        self.file = file
        self.number = 0
        self.path: list[Element] = []
        self.id: str | None = None
        self.author: str | None = None
        self.lang: str | None = None

    def reject(self, reason: str, detail: str) -> Reject:
        where = f"entry {self.number}" if reason == "empty" else f"after entry {self.number}"
        return Reject(self.file.source, where, reason, detail, "export the feed again; what stands before was read")

    def take(self, event: str, element: Element) -> RawRow | Reject | None:
        """The row of an entry that ends with this event, or None."""
        if event == "start":
            if not self.path:
                if element.tag not in (f"{_ATOM}feed", f"{_ATOM}entry"):
                    raise ExportProblem("the XML is no Atom feed", where=self.file.name, todo="export an Atom feed")
                self.lang = element.get(_LANG)
            self.path.append(element)
            return None
        self.path.pop()
        if element.tag == f"{_ATOM}entry" and len(self.path) <= 1:
            self.number += 1
            row = self._row(element)
            if self.path:
                self.path[0].remove(element)
            return row
        if len(self.path) == 1 and self.path[0].tag == f"{_ATOM}feed":
            if element.tag == f"{_ATOM}id":
                self.id = _said(element)
            elif element.tag == f"{_ATOM}author":
                self.author = _said(element.find(f"{_ATOM}name"))
        return None

    def _row(self, entry: Element) -> RawRow | Reject:
        text, lang = _text(entry)
        if not text:
            return self.reject("empty", "the entry has no content")
        answered = entry.find(f"{_THREADING}in-reply-to")
        author = entry.find(f"{_ATOM}author/{_ATOM}name")
        published = entry.find(f"{_ATOM}published")
        links = entry.findall(f"{_ATOM}link")
        link = next((one.get("href") for one in links if one.get("rel", "alternate") == "alternate"), None)
        cells: list[Cell] = [
            _said(entry.find(f"{_ATOM}id")),
            None if answered is None else answered.get("ref") or answered.get("href"),
            _said(entry.find(f"{_ATOM}source/{_ATOM}id")) or self.id,
            _said(author) or _said(entry.find(f"{_ATOM}source/{_ATOM}author/{_ATOM}name")) or self.author,
            _said(published if published is not None else entry.find(f"{_ATOM}updated")),
            lang or entry.get(_LANG) or self.lang,
            link,
            text,
        ]
        return RawRow(f"entry {self.number}", cells)


def _said(element: Element | None) -> str | None:
    return (element.text or "").strip() or None if element is not None else None


def _text(entry: Element) -> tuple[str, str | None]:
    """The entry's words (content, else summary, else title) and their own language."""
    for name in ("content", "summary", "title"):
        element = entry.find(_ATOM + name)
        if element is None or element.get("src"):
            continue
        kind = (element.get("type") or "text").lower()
        if kind == "xhtml" or kind.endswith("+xml"):
            text = html_to_text(_markup(element))
        elif kind in ("html", "text/html"):
            text = html_to_text(element.text or "")
        elif kind == "text" or kind.startswith("text/"):
            text = _lines(element.text or "")
        else:
            continue
        if text:
            return text, element.get(_LANG)
    return "", None


def _lines(text: str) -> str:
    return "\n".join(line.strip(" \t") for line in text.strip().splitlines())


def _markup(element: Element) -> str:
    """An XHTML element's inside as HTML text, put together without recursion."""
    from html import escape

    out: list[str] = [escape(element.text or "")]
    stack: list[Any] = list(reversed(element))
    while stack:
        one = stack.pop()
        if isinstance(one, str):
            out.append(one)
            continue
        name = one.tag.removeprefix(_XHTML) if isinstance(one.tag, str) else "!--"
        if re.fullmatch(r"[a-zA-Z][a-zA-Z0-9]*", name) and name not in _VOID:
            out.append(f"<{name}>{escape(one.text or '')}")
            stack.append(f"</{name}>{escape(one.tail or '')}")
            stack.extend(reversed(one))
        else:
            out.append((f"<{name}>" if name in _VOID else "") + escape(one.tail or ""))
    return "".join(out)
