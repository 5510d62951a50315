"""Text pasted from a page: one response a block, with what the page puts around it (names, dates, buttons) taken off.

How blocks are told apart depends on what the file shows, in this order: header lines (an author with a date, above the
text), footer lines (a date or buttons, below the text), rulers ("-----"), blank lines, line ends.  Only in the last
two cases may a response's own paragraphs come apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from pipeline.problems import ExportProblem
from pipeline.read_exports.decoded_text import open_text
from pipeline.read_exports.page_lines import Line, page_top, tell
from pipeline.read_exports.raw_table import ExportFile, RawRow, RawTable
from pipeline.response import Reject

NAME = "plain text"
COLUMNS = ["text", "author", "time", "likes"]
_AROUND = ("date", "boilerplate", "ruler", "number")
_WRAP = range(50, 100)


def looks_like(head: bytes, name: str) -> int:
    """0 to 100: low, so that any format with a shape of its own goes first; 0 for what is no text."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return 45 if name.endswith((".txt", ".text")) else 10
    if not head.strip() or b"\0" in head or head.startswith((b"%PDF", b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"{\\rtf")):
        return 0
    if sum(byte < 9 or 13 < byte < 27 for byte in head) * 50 > len(head):
        return 0
    if name.endswith((".txt", ".text", ".md", ".markdown")):
        return 50
    return 0 if name.endswith((".csv", ".tsv", ".json", ".jsonl", ".xml")) else 10


@dataclass(slots=True)
class _Block:
    """The lines of one response: where it begins, what its header said, its lines."""

    start: int
    author: str = ""
    time: str = ""
    likes: int | None = None
    lines: list[tuple[Line, str]] = field(default_factory=list)


def read_tables(file: ExportFile) -> Iterator[RawTable]:
    """One table with the columns text, author, time (as written) and likes; `record` is "block 3 (line 17)".

    A block in which nothing but boilerplate stands is a `Reject` ("boilerplate").  Raises `ExportProblem` for a file
    without any text.
    """
    stream = open_text(file)
    lines = [line.removeprefix("\ufeff").replace("\0", "") for line in stream.lines()]
    if not any(line.strip() for line in lines):
        raise ExportProblem("the file is empty", where=file.name, todo="paste or export the responses again")
    roles = {name: name for name in COLUMNS}
    yield RawTable(COLUMNS, _rows(file, _blocks(lines), stream.broken), roles=roles)


def _rows(file: ExportFile, blocks: list[_Block], broken: str) -> Iterator[RawRow | Reject]:
    for number, block in enumerate(blocks, start=1):
        record = f"block {number} (line {block.start + 1})"
        text = _own_words(block)
        furniture = not block.author and not block.time and any(page_top(line) for _, line in block.lines)
        if text and not furniture:
            yield RawRow(record, [text, block.author or None, block.time or None, block.likes])
        else:
            shown = (
                " / ".join(line.strip() for _, line in block.lines if line.strip())[:100] or block.author or block.time
            )
            yield Reject(file.source, record, "boilerplate", f"nothing but a page's own words: {shown}")
    if broken:
        yield Reject(file.source, f"after block {len(blocks)}", "broken_off", broken, "the text before was read")


def _own_words(block: _Block) -> str:
    """The block's text without buttons, counts and dates; notes likes and the date where they stand below it."""
    lines = block.lines
    first, last = 0, len(lines)
    while first < last and lines[first][0].kind in (*_AROUND, "blank"):
        first += 1
    while last > first and lines[last - 1][0].kind in (*_AROUND, "blank"):
        last -= 1
    for place, (line, _) in enumerate(lines):
        outside = place < first or place >= last
        if line.likes is not None and block.likes is None and (outside or line.kind == "boilerplate"):
            block.likes = line.likes
        if outside and line.time and not block.time:
            block.time = line.time
    kept: list[str] = []
    for line, raw in lines[first:last]:
        if line.kind == "boilerplate" and any(sign.isalpha() for sign in raw):
            continue
        if line.kind == "blank" and (not kept or not kept[-1]):
            continue
        kept.append("" if line.kind == "blank" else (line.text or raw).rstrip())
    return "\n".join(kept).strip("\n")


def _blocks(raw: list[str]) -> list[_Block]:
    told = [tell(line) for line in raw]
    _settle_maybes(told)
    headers = _headers(told)
    footers = _footers(told)
    in_headers = {place for start, end in headers.items() for place in range(start, end)}
    dated = [place for place in footers if _has_time(told, place, in_headers)]
    if headers and len(headers) >= len(dated):
        return _by_headers(told, raw, headers)
    if len(footers) >= 2 or (footers and told[footers[0]].time):
        return _by_footers(told, raw, set(footers))
    rulers = sum(line.kind == "ruler" for line in told)
    paragraphs = _split(told, raw, "blank")
    if rulers and (rulers > 1 or len(paragraphs) <= 4):
        blocks = _split(told, raw, "ruler")
    elif len(paragraphs) > 1 or not _a_line_each(told, raw):
        blocks = paragraphs
    else:
        blocks = [_Block(place, lines=[(line, raw[place])]) for place, line in enumerate(told) if line.kind != "blank"]
    _take_names(blocks)
    return blocks


def _settle_maybes(told: list[Line]) -> None:
    """Headers that could be words ("Delivered 3 years ago") are headers where several blocks begin with the like."""
    places = [place for place, line in enumerate(told) if line.kind == "maybe"]
    starts = [place for place in places if _begins(told, place) and _next(told, place) == "text"]
    authors = {told[place].author.lower() for place in starts}
    certain = sum(line.kind == "header" for line in told)
    accepted = set(starts) if (len(authors) >= 2 and len(starts) >= 2) or (certain and starts) else set()
    for place in places:
        line = told[place]
        told[place] = line._replace(kind="header", text="") if place in accepted else Line("text", text=line.text)


def _begins(told: list[Line], place: int) -> bool:
    """True where the line is the first of its block as far as blank lines and buttons show."""
    return place == 0 or told[place - 1].kind in ("blank", *_AROUND)


def _next(told: list[Line], place: int) -> str:
    """The kind of the next line that is not blank; a possible name counts as text."""
    for line in told[place + 1 : place + 4]:
        if line.kind != "blank":
            return "text" if line.kind == "name" else line.kind
    return ""


def _headers(told: list[Line]) -> dict[int, int]:
    """Header runs: first line -> line after the last.  A name or handle with a date below it is one, too."""
    found: dict[int, int] = {}
    place = 0
    while place < len(told):
        line = told[place]
        end = 0
        if line.kind in ("header", "number"):
            end = place + 1
            if line.kind == "number":
                follow = _name_and_date(told, end)
                end = follow or end
        elif line.kind in ("name", "handle") and (
            line.kind == "handle" or _begins(told, place) or _header_before(told, place)
        ):
            end = _name_and_date(told, place) or (place + 1 if line.kind == "handle" and _begins(told, place) else 0)
        if end:
            found[place] = end
            place = end
        else:
            place += 1
    if not found:
        dates = [place for place, line in enumerate(told) if line.kind == "date" and _begins(told, place)]
        leading = [place for place in dates if _next(told, place) == "text"]
        if len(leading) >= 2 and (
            leading[0] == 0 or all(line.kind in ("blank", *_AROUND) for line in told[: leading[0]])
        ):
            found = {place: place + 1 for place in leading}
    return found


def _header_before(told: list[Line], place: int) -> bool:
    return told[place - 1].kind == "number"


def _name_and_date(told: list[Line], place: int) -> int:
    """The line after a run of a name, buttons ("Top fan") and a date that begins at `place`; 0 where it is none."""
    named = dated = False
    at = place
    for at in range(place, min(len(told), place + 5)):
        kind = told[at].kind
        if kind in ("name", "handle") and not named:
            named = True
        elif kind == "header" and not named:
            return at + 1
        elif kind == "date" and named:
            dated = True
            break
        elif kind not in ("blank", "boilerplate"):
            break
    return at + 1 if named and dated else 0


def _has_time(told: list[Line], last: int, in_headers: set[int]) -> bool:
    """True where the run of dates and buttons that ends at `last` has a date that no header holds."""
    place = last
    while place >= 0 and told[place].kind in ("date", "boilerplate", "blank"):
        if told[place].time and place not in in_headers:
            return True
        place -= 1
    return False


def _footers(told: list[Line]) -> list[int]:
    """The last lines of runs of dates and buttons that stand below a text and above a name, or above nothing."""
    ends: list[int] = []
    place = 0
    while place < len(told):
        if told[place].kind not in ("date", "boilerplate"):
            place += 1
            continue
        start = place
        last = place
        while place < len(told) and told[place].kind in ("date", "boilerplate", "blank"):
            if told[place].kind != "blank":
                last = place
            place += 1
        run = told[start : last + 1]
        below_text = start > 0 and any(line.kind in ("text", "name") for line in told[max(0, start - 2) : start])
        telling = any(line.time for line in run) or any(line.kind == "boilerplate" for line in run)
        after_name_only = (
            start > 0 and told[start - 1].kind == "name" and (start == 1 or told[start - 2].kind != "text")
        )
        if below_text and telling and not (after_name_only and place < len(told) and told[place].kind == "text"):
            ends.append(last)
    return ends


def _by_headers(told: list[Line], raw: list[str], headers: dict[int, int]) -> list[_Block]:
    blocks: list[_Block] = []
    place = 0
    block = _Block(0)
    while place < len(told):
        if place in headers:
            if block.author or block.time or any(line.kind != "blank" for line, _ in block.lines):
                blocks.append(block)
            end = headers[place]
            run = told[place:end]
            block = _Block(
                place,
                author=next((line.author for line in run if line.author), ""),
                time=next((line.time for line in run if line.time), ""),
                likes=next((line.likes for line in run if line.likes is not None), None),
            )
            if said := run[-1].text if run[-1].kind == "header" else "":
                block.lines.append((Line("text", text=said), said))
            place = end
        else:
            block.lines.append((told[place], raw[place]))
            place += 1
    if block.author or block.time or any(line.kind != "blank" for line, _ in block.lines):
        blocks.append(block)
    return blocks


def _by_footers(told: list[Line], raw: list[str], ends: set[int]) -> list[_Block]:
    blocks: list[_Block] = []
    block = _Block(0)
    for place, line in enumerate(told):
        if not block.lines:
            if line.kind == "blank":
                continue
            block.start = place
        block.lines.append((line, raw[place]))
        if place in ends:
            blocks.append(block)
            block = _Block(place + 1)
    if any(line.kind != "blank" for line, _ in block.lines):
        blocks.append(block)
    for block in blocks:
        first = block.lines[0][0]
        words = sum(line.kind in ("text", "name", "handle") for line, _ in block.lines)
        if first.kind in ("name", "handle") and words > 1:
            block.author = first.author
            del block.lines[0]
    return blocks


def _split(told: list[Line], raw: list[str], border: str) -> list[_Block]:
    blocks: list[_Block] = []
    block = _Block(0)
    for place, line in enumerate(told):
        if line.kind == border:
            if any(inner.kind != "blank" for inner, _ in block.lines):
                blocks.append(block)
            block = _Block(place + 1)
        else:
            if not block.lines:
                block.start = place
            block.lines.append((line, raw[place]))
    if any(inner.kind != "blank" for inner, _ in block.lines):
        blocks.append(block)
    return blocks


def _take_names(blocks: list[_Block]) -> None:
    """Takes the first line for the author's where most blocks begin with what may be a name, above a text."""
    named = [block for block in blocks if len(block.lines) > 1 and block.lines[0][0].kind in ("name", "handle")]
    full = [block for block in blocks if len(block.lines) > 1 or block.lines[0][0].kind == "text"]
    if len(named) >= 3 and len(named) * 5 >= len(full) * 4:
        for block in named:
            block.author = block.lines[0][0].author
            del block.lines[0]


def _a_line_each(told: list[Line], raw: list[str]) -> bool:
    """True where lines seem to be responses of their own, not one text broken at a margin."""
    lines = [raw[place].rstrip() for place, line in enumerate(told) if line.kind != "blank"]
    if len(lines) < 3 or any(line.startswith(">") for line in lines):
        return False
    wrapped = sum(len(line) in _WRAP and line[-1] not in '.!?)…"' for line in lines[:-1])
    return wrapped * 10 < 7 * (len(lines) - 1)
