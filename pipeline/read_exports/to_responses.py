"""Makes one `Response` or one `Reject` of each row, once it is known which column is what."""

from __future__ import annotations

import hashlib
import re
from array import array
from collections.abc import Callable
from datetime import datetime

from pipeline.read_exports.column_roles import KIND, Roles
from pipeline.read_exports.raw_table import Cell, RawRow
from pipeline.read_exports.survey_questions import Asked, as_written, is_no_answer, is_no_number, unit_named
from pipeline.read_exports.times import parse_time
from pipeline.response import Reject, Response, SurveyAnswer

REASONS: dict[str, str] = {
    "boilerplate": "a line of a pasted page that is a button, a count or a date, and no response",
    "empty": "the record holds no words of the responder",
    "text_too_long": "the text is longer than any response is",
    "cell_too_long": "a cell of the row is longer than any response is",
    "unclosed_quote": "a quotation mark opens in the row and is never closed",
    "wrong_encoding": "the row holds bytes that are not of the file's encoding",
    "broken_off": "the file or its packing breaks off; what stood before was kept",
    "no_text_column": "a table of the file in which no column holds the responses' text was left out",
    "unreadable": "the record cannot be read; the detail says why",
}
"""Every reason that this package gives a reject, and what it means."""

LONGEST_TEXT = 200_000
"""Characters of the longest text that is taken for one response."""

_NUMBER = re.compile(r"\d+")
_COUNT = re.compile(r"([-+]?\d[\d.,'\s\u00a0]*)\s*(k|m|tsd|mio)?\.?", re.I)
_LANG = re.compile(r"([A-Za-z]{2,3})(?:[-_]([A-Za-z0-9]{2,8}))?(?:[-_][A-Za-z0-9]{2,8})*")
_LANG_NAMES = {
    "en": "english englisch anglais ingles inglés engels engelsk engelska inglese inglês",
    "de": "german deutsch allemand alemán aleman duits tysk tyska tedesco alemão",
    "fr": "french français francais französisch frans fransk franska francese francés francês",
    "es": "spanish español espanol spanisch espagnol spaans spansk spanska spagnolo espanhol castellano",
    "nl": "dutch nederlands niederländisch néerlandais holandés nederlandsk olandese holandês",
    "nb": "norwegian norsk bokmål norwegisch norvégien noruego noors norska norvegese norueguês",
    "it": "italian italiano italienisch italien italiaans italiensk italienska",
    "pt": "portuguese português portugues portugiesisch portugais portugués portugees portugisisk portoghese",
    "sv": "swedish svenska schwedisch suédois sueco zweeds svensk svedese",
}
_LANG_CODES = {name: code for code, names in _LANG_NAMES.items() for name in names.split()}


class Repeats:
    """Counts how often a key was seen, in 16 bytes a key, so that a million of them can be held.

    A table of 64-bit hashes with open addressing; only keys that came more than once are kept as objects.
    """

    def __init__(self) -> None:
        self._slots = array("Q", bytes(8 * 1024))
        self._used = 0
        self._more: dict[int, int] = {}

    def count(self, digest: bytes) -> int:
        """How often this digest (8 bytes or more) was seen before; counts it."""
        key = int.from_bytes(digest[:8], "big") or 1
        if 2 * self._used >= len(self._slots):
            self._grow()
        if self._put(key):
            self._used += 1
            return 0
        self._more[key] = self._more.get(key, 0) + 1
        return self._more[key]

    def _put(self, key: int) -> bool:
        slots, mask = self._slots, len(self._slots) - 1
        place = key & mask
        while (held := slots[place]) != 0:
            if held == key:
                return False
            place = (place + 1) & mask
        slots[place] = key
        return True

    def _grow(self) -> None:
        old = self._slots
        self._slots = array("Q", bytes(8 * 2 * len(old)))
        for key in old:
            if key:
                self._put(key)


class RowReader:
    """Reads the rows of one table.

    `repeats` is shared by all tables and pages of a source.  `thread` is the thread of rows that name none.  `joint`
    is the sign that parted the cells, where a cell that holds it may have been parted by mistake.
    """

    def __init__(
        self,
        roles: Roles,
        source: str,
        repeats: Repeats,
        *,
        thread: str | None = None,
        joint: str = "",
        record_prefix: str = "",
    ) -> None:
        self._source = source
        self._repeats = repeats
        self._thread = thread
        self._joint = joint
        self._prefix = record_prefix
        self._width = len(roles.columns)
        self._places = roles.places
        self._day_first = roles.day_first
        self._parent_has_kind = roles.parent_has_kind
        self._lines: list[tuple[int, str, Asked | None, int]] = sorted(
            [(asked.places[0], asked.title, asked, 0) for asked in roles.plan.asked]
            + [(place, title, None, place) for title, place in roles.plan.spoken],
            key=lambda line: line[0],
        )

    def read(self, row: RawRow) -> Response | Reject:
        """The row as a response, or why it is none."""
        cells = row.cells
        if len(cells) != self._width:
            cells = self._fitted(cells)
        record = self._prefix + row.record
        source = self._source
        if place := self._word(cells, "source"):
            source = f"{source}/{place}"
        text, answers = self._text(cells)
        if not text or text.isspace():
            return Reject(
                self._source, record, "empty", REASONS["empty"], "nothing to do if it was left blank on purpose"
            )
        if len(text) > LONGEST_TEXT:
            hint = "look whether several responses ran together"
            return Reject(self._source, record, "text_too_long", f"the text holds {len(text)} characters", hint)
        profile_start = None
        if profile := self._word(cells, "profile"):
            text = f"{text}\n{profile}"
            profile_start = len(text) - len(profile)
        author = self._word(cells, "author")
        time = self._time(cells)
        own_id = self._word(cells, "id")
        parent = self._word(cells, "parent")
        return Response(
            response_id=self._response_id(source, own_id, author, time, text),
            source=source,
            source_response_id=own_id or self._row_number(row.record),
            text=text,
            thread_id=self._word(cells, "thread") or self._thread,
            parent_id=KIND.sub("", parent) if parent and self._parent_has_kind else parent,
            author=author,
            posted_at=time,
            lang=read_lang(self._word(cells, "lang")),
            likes=read_count(self._cell(cells, "likes")),
            link=self._word(cells, "link"),
            answers=answers,
            profile_start=profile_start,
        )

    def _cell(self, cells: list[Cell], role: str) -> Cell:
        place = self._places.get(role)
        return None if place is None else cells[place]

    def _word(self, cells: list[Cell], role: str) -> str | None:
        place = self._places.get(role)
        if place is None:
            return None
        cell = cells[place]
        word = cell if isinstance(cell, str) else as_written(cell)
        return word.strip() or None

    def _time(self, cells: list[Cell]) -> datetime | None:
        place = self._places.get("time")
        return None if place is None else parse_time(cells[place], self._day_first)

    def _text(self, cells: list[Cell]) -> tuple[str, tuple[SurveyAnswer, ...]]:
        place = self._places.get("text")
        own = "" if place is None else as_written(cells[place])
        if not self._lines:
            return own, ()
        parts: list[str] = []
        answers: list[SurveyAnswer] = []
        length = 0
        for _, title, asked, place in self._lines:
            answer = self._answer(cells, [place] if asked is None else asked.places)
            if not answer:
                continue
            start = length + len(title) + 2
            line = f"{title}: {answer}"
            if asked is not None:
                unit = asked.question.unit
                if asked.unit_place is not None:
                    beside = as_written(cells[asked.unit_place]).strip()
                    unit = unit_named(beside, asked.question.unit_kind) or (None if beside else unit)
                    line = f"{line} {beside}" if beside else line
                if not is_no_answer(answer) or (asked.question.holds == "number" and is_no_number(answer)):
                    field, end = asked.question.field, start + len(answer)
                    answers.append(SurveyAnswer(field, title, start, end, unit))
            parts.append(line)
            length += len(line) + 1
        if own.strip():
            parts.append(own)
        return "\n".join(parts), tuple(answers)

    @staticmethod
    def _answer(cells: list[Cell], places: list[int]) -> str:
        return " ".join(word for place in places if (word := as_written(cells[place]).strip()))

    def _fitted(self, cells: list[Cell]) -> list[Cell]:
        """A short row filled up; a long one whose text was parted by mistake joined again, or cut."""
        extra = len(cells) - self._width
        if extra < 0:
            return cells + [None] * -extra
        rest = cells[self._width :]
        place = self._places.get("text")
        if not any(as_written(cell).strip() for cell in rest) or not self._joint or place is None:
            return cells[: self._width]
        joined: list[Cell] = [
            *cells[:place],
            self._joint.join(as_written(cell) for cell in cells[place : place + extra + 1]),
            *cells[place + extra + 1 :],
        ]
        kept = cells[: self._width]
        return joined if self._likely(joined) >= self._likely(kept) else kept

    def _likely(self, cells: list[Cell]) -> int:
        """How many of the cells that can be checked hold what they should."""
        checks: tuple[tuple[str, Callable[[Cell], object]], ...] = (
            ("time", lambda cell: parse_time(cell, self._day_first)),
            ("likes", read_count),
        )
        good = 0
        for role, check in checks:
            if role in self._places:
                cell = cells[self._places[role]]
                good += not as_written(cell).strip() or check(cell) is not None
        return good

    def _row_number(self, record: str) -> str:
        numbers = _NUMBER.findall(record)
        return self._prefix + (numbers[-1] if numbers else record)

    def _response_id(
        self, source: str, own_id: str | None, author: str | None, time: datetime | None, text: str
    ) -> str:
        if own_id:
            return response_id(source, own_id)
        parts = (author or "", time.isoformat() if time else "", text)
        digest = hashlib.sha256("\x1f".join((source, *parts)).encode("utf-8", "surrogatepass")).digest()
        before = self._repeats.count(digest)
        return response_id(source, *parts, *([str(before)] if before else []))


def response_id(source: str, *parts: str) -> str:
    """ "r" and the first 20 hex digits of SHA-256 over the source and the parts, with unit separators between."""
    joined = "\x1f".join((source, *parts)).encode("utf-8", "surrogatepass")
    return "r" + hashlib.sha256(joined).hexdigest()[:20]


def read_count(cell: Cell) -> int | None:
    """A count of likes as a whole number: 12, "1,204", "1.2K"; None where it is none."""
    if isinstance(cell, bool) or cell is None or isinstance(cell, datetime):
        return None
    if isinstance(cell, (int, float)):
        return int(cell) if abs(cell) < 2**53 else None
    text = cell.strip()
    if text.isdecimal() and len(text) < 16:
        return int(text)
    match = _COUNT.fullmatch(text)
    if match is None:
        return None
    digits = re.sub(r"[\s\u00a0']", "", match[1]).rstrip(".,")
    scale = {"k": 1000, "tsd": 1000, "m": 10**6, "mio": 10**6}.get((match[2] or "").lower(), 1)
    if scale == 1 or re.fullmatch(r"[-+]?\d{1,3}(?:[.,]\d{3})+", digits):
        if not re.fullmatch(r"[-+]?(?:\d+|\d{1,3}(?:[.,]\d{3})+|\d+[.,]0+)", digits) or len(digits) > 18:
            return None
        whole = re.sub(r"[.,]0+$", "", digits) if re.fullmatch(r"[-+]?\d+[.,]0{1,2}", digits) else digits
        return int(re.sub(r"[.,]", "", whole)) * scale
    try:
        return round(float(digits.replace(",", ".")) * scale)
    except ValueError:
        return None


def read_lang(word: str | None) -> str | None:
    """A language as BCP 47 ("en", "pt-BR"), from a code or a language's name; None where it is neither."""
    if not word:
        return None
    if named := _LANG_CODES.get(word.casefold()):
        return named
    match = _LANG.fullmatch(word)
    if match is None or match[1].lower() in ("und", "zxx", "nan", "mul"):
        return None
    region = match[2]
    if not region:
        return match[1].lower()
    shaped = region.title() if len(region) == 4 else region.upper()
    return f"{match[1].lower()}-{shaped}"
