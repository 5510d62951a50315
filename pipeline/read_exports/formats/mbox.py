"""Mailboxes in the mbox format (RFC 4155), one message a response, read through Python's `mailbox`.

Quoted lines stay ("> "), the signature (below "-- ") goes into a column of its own, threads are told from
`In-Reply-To` and `References`.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from email.header import decode_header
from email.message import Message
from email.utils import parseaddr, parsedate_to_datetime
from typing import IO, Any

from pipeline.problems import ExportProblem
from pipeline.read_exports.decoded_text import clean_text
from pipeline.read_exports.html_text import html_to_text
from pipeline.read_exports.raw_table import Cell, ExportFile, RawRow, RawTable
from pipeline.response import Reject

NAME = "mbox"
COLUMNS = ["id", "parent", "thread", "author", "time", "lang", "text", "profile"]
_BORDER = re.compile(rb"From \S.*?(?:\d{1,2}:\d{2}|\d{4})")
_HEADER = re.compile(rb"(?:[A-Za-z][A-Za-z0-9-]*:|>?From )")
_ESCAPED = re.compile(r"^>(>*From )", re.MULTILINE)
_SIGNATURE = re.compile(r"^-- ?$", re.MULTILINE)
_MESSAGE_ID = re.compile(r"<([^<>\s]+)>")
_DEEPEST = 100
_HINT = "the other messages were read"


def looks_like(head: bytes, name: str) -> int:
    """0 to 100: a "From " line and a header below it."""
    lines = head.removeprefix(b"\xef\xbb\xbf").lstrip(b"\r\n").splitlines()[:2]
    if not lines or not _BORDER.match(lines[0]):
        return 0
    return 97 if len(lines) > 1 and _HEADER.match(lines[1]) else 30 if name.endswith((".mbox", ".mbx")) else 0


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table with the columns of `COLUMNS`; `record` is "message 5".

    A message that cannot be taken apart is a `Reject`.  Raises `ExportProblem` where the file holds no message.
    """
    rows = _rows(file)
    first = next(rows, None)
    if first is None:
        raise ExportProblem("the mailbox holds no messages", where=file.name, todo="export it again, in mbox format")
    yield RawTable(COLUMNS, _chain(first, rows), roles={name: name for name in COLUMNS})


def _chain(first: RawRow | Reject, rows: Iterator[RawRow | Reject]) -> Iterator[RawRow | Reject]:
    yield first
    yield from rows


def _rows(file: ExportFile) -> Iterator[RawRow | Reject]:
    import mailbox

    with tempfile.NamedTemporaryFile(suffix=".mbox") as copy:  # `mailbox` reads files that have a name
        broken = _copy(file, copy)
        copy.flush()
        box = mailbox.mbox(copy.name, create=False)
        number = 0
        try:
            for number, key in enumerate(box.iterkeys(), start=1):
                where = f"message {number}"
                try:
                    cells = _cells(box.get_message(key))
                # The email package answers malformed headers and bodies with errors of all these kinds.
                except (ValueError, LookupError, TypeError, AttributeError, RecursionError, AssertionError) as error:
                    yield Reject(file.source, where, "unreadable", f"the message cannot be taken apart: {error}", _HINT)
                    continue
                if cells[COLUMNS.index("text")]:
                    yield RawRow(where, cells)
                else:
                    yield Reject(file.source, where, "empty", "the message has no text of its own", _HINT)
        finally:
            box.close()
        if broken:
            yield Reject(file.source, f"after message {number}", "broken_off", broken, "the messages before were read")


def _copy(file: ExportFile, copy: IO[bytes]) -> str:
    """Copies the mailbox; a line that begins with "From " but borders no message gets a ">" (RFC 4155, appendix A).

    Python's `mailbox` takes every such line for a border.  Gives what broke, or "".
    """
    before_blank = True
    begun = False
    try:
        with file.open() as stream:
            line = stream.readline(1 << 20)
            begun_line = True
            if line.startswith(b"\xef\xbb\xbf"):
                line = line[3:]
            while line:
                if begun_line and line.startswith(b"From "):
                    if before_blank and _BORDER.match(line):
                        begun = True
                    else:
                        copy.write(b">")
                if begun or line.strip():
                    copy.write(line)
                begun_line = line.endswith(b"\n")
                before_blank = begun_line and not line.strip()
                line = stream.readline(1 << 20)
    except Exception as error:  # every decompressor has errors of its own; all mean that the rest is lost
        return f"the file breaks off ({error or type(error).__name__})"
    return ""


def _cells(message: Any) -> list[Cell]:
    references = _MESSAGE_ID.findall(_header(message, "References"))
    answered = _MESSAGE_ID.findall(_header(message, "In-Reply-To"))
    own = (_MESSAGE_ID.findall(_header(message, "Message-ID")) or [_header(message, "Message-ID").strip()])[0] or None
    parent = answered[0] if answered else references[-1] if references else None
    name, address = parseaddr(_header(message, "From"))
    text, profile = _split_signature(_body(message))
    cells: list[Cell] = [
        own,
        parent,
        references[0] if references else parent or own,
        name or address or None,
        _date(message),
        _header(message, "Content-Language").split(",")[0].strip() or None,
        text,
        profile or None,
    ]
    return [clean_text(cell) if isinstance(cell, str) else cell for cell in cells]


def _header(message: Message, name: str) -> str:
    """A header's value on one line, encoded words (RFC 2047) resolved."""
    value = message.get(name)
    if value is None:
        return ""
    parts: list[str] = []
    raw = str(value)
    try:
        decoded = decode_header(raw)
    except ValueError:  # base64 that is none
        return " ".join(raw.split())
    for part, charset in decoded:
        parts.append(part if isinstance(part, str) else _decode(part, charset))
    return " ".join("".join(parts).split())


def _date(message: Any) -> Cell:
    try:
        found = parsedate_to_datetime(_header(message, "Date"))
    except (ValueError, TypeError, OverflowError):
        try:
            found = datetime.strptime(" ".join(message.get_from().split()[1:6]), "%a %b %d %H:%M:%S %Y")
        except (ValueError, TypeError):
            return None
    try:
        return (found if found.tzinfo else found.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _body(message: Message) -> str:
    """The message's words: its first plain text, else its first HTML as text."""
    html: str | None = None
    stack: list[tuple[Message, int]] = [(message, 0)]
    while stack:
        part, depth = stack.pop()
        payload = part.get_payload()
        if part.is_multipart() and isinstance(payload, list):
            if depth < _DEEPEST:
                stack.extend((inner, depth + 1) for inner in reversed(payload) if isinstance(inner, Message))
            continue
        if part.get_content_disposition() == "attachment":
            continue
        kind = part.get_content_type()
        if kind == "text/plain" and (text := _part_text(part)).strip():
            return text
        if kind == "text/html" and html is None:
            html = html_to_text(_part_text(part))
    return html or ""


def _part_text(part: Message) -> str:
    data = part.get_payload(decode=True)
    if not isinstance(data, bytes):
        return str(part.get_payload())
    text = _decode(data, part.get_content_charset()).replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")
    return _ESCAPED.sub(r"\1", text)


def _decode(data: bytes, charset: str | None) -> str:
    for encoding in (charset, "utf-8"):
        try:
            if encoding:
                return data.decode(encoding)
        except (LookupError, UnicodeError, ValueError):
            continue
    return data.decode("cp1252", "replace")


def _split_signature(text: str) -> tuple[str, str]:
    """The words above the signature line, and the signature; a signature line in a quotation does not count."""
    found = next(iter(list(_SIGNATURE.finditer(text))[-1:]), None)
    if found is None or not text[: found.start()].strip():
        return text.strip("\n \t"), ""
    return text[: found.start()].strip("\n \t"), text[found.end() :].strip("\n \t")
