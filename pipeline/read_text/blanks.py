"""Evens white space and capitals before a text is read, and leads every place back into the text as exported.

Rules, word lists and names are written with one blank between words.  People and programs put two, a tab, a
no-break space, or wrap a sentence at a line's end.  Evening the text once keeps all of those lists plain; only texts
with uneven blanks pay for it.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

from pipeline.response import FoundValue, Reading

_BLANK = "[^\\S\n]|[\u200b-\u200d\ufeff\u00ad]"
_UNEVEN = re.compile(f"(?:{_BLANK}){{2,}}|(?! )(?:{_BLANK})")
_NO_PROSE = re.compile(r"\s*(?:>|&gt;|[-*•|]|$)")
LONG_LINE = 40
"""Characters from which a line without a sentence's end may have been wrapped; judgement."""
WIDEST_WRAP = 100
LONG_BEFORE_DIGITS = 60
"""The same before a line that begins with a number, as the lines of lists and tables do too; judgement."""
_SENTENCE_ENDS = tuple(".!?:;…")
_WORD = re.compile(r"[^\W\d_]{2,}")
CAPITALS_LEAST = 6
"""Words of at least two letters from which on a text's use of capitals is told; judgement."""
CAPITALS_SHARE = 0.85
"""Share of words written one way from which on the whole text is; units and brand-like spellings are not; judgement."""
_SMALL_WORDS = re.compile(r"(?<![^\W\d_])[a-zß-ÿ]{2,} [a-zß-ÿ]{2,}(?![^\W\d_])")
"""Two words in small letters in a row: capitals, where there are any, say something.  Nearly every text has them."""


@dataclass(frozen=True, slots=True)
class Evened:
    """A text with even blanks; `places[i]` is the offset in the original of its character i, None where all are."""

    text: str
    original: str
    places: tuple[int, ...] | None = None

    def inward(self, spans: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
        """Spans of the original as spans of the evened text."""
        places = self.places
        if places is None:
            return spans
        return tuple((bisect_left(places, start), bisect_left(places, end)) for start, end in spans)

    def outward(self, reading: Reading) -> Reading:
        """The reading with every place led back into the original; changes it."""
        if self.text == self.original:
            return reading
        done: set[int] = set()
        for report in reading.reports:
            for value in report.values.values():
                if id(value) not in done:  # two reports may share a value
                    done.add(id(value))
                    self._lead_back(value)
        for refusal in reading.refusals:
            refusal.start, refusal.end = self._span(refusal.start, refusal.end)
            refusal.raw = self.original[refusal.start : refusal.end] if refusal.raw else ""
        return reading

    def _lead_back(self, value: FoundValue) -> None:
        value.start, value.end = self._span(value.start, value.end)
        value.raw = self.original[value.start : value.end]
        written = " ".join(value.raw.split())
        if value.field == "vehicle_text" and str(value.value).lower() == written.lower():
            value.value = written  # a name as it was written, capitals and all
        spans = [self._span(start, end) for _, start, end in value.parts]
        value.parts = tuple((self.original[start:end], start, end) for start, end in spans)

    def _span(self, start: int, end: int) -> tuple[int, int]:
        places = self.places
        if places is None:
            return start, end
        if start >= len(places):
            return len(self.original), len(self.original)
        return places[start], places[end - 1] + 1 if end > start else places[start]


def evened(original: str) -> Evened:
    """The text with one blank where several, or other ones, stood, and with wrapped lines joined.

    Two blanks stay between two digits: they part the columns of a table, where one would make thousands of them.
    """
    text = original
    places: list[int] | None = None
    if _UNEVEN.search(text):
        pieces: list[str] = []
        places = []
        position = 0
        for run in _UNEVEN.finditer(text):
            start, end = run.span()
            pieces.append(text[position:start])
            places.extend(range(position, start + 1))
            parts_digits = end - start > 1 and text[start - 1 : start].isdigit() and text[end : end + 1].isdigit()
            pieces.append("  " if parts_digits else " ")
            if parts_digits:
                places.append(end - 1)
            position = end
        pieces.append(text[position:])
        places.extend(range(position, len(text)))
        text = "".join(pieces)
    if "\n" in text:
        text = _unwrapped(text)
    text = _without_empty_capitals(text)
    return Evened(text, original, tuple(places) if places is not None and len(places) < len(original) else None)


def _unwrapped(text: str) -> str:
    """The text with a blank for the end of each line that was wrapped within a sentence, of the same length.

    A long line without a sentence's end, before one that begins with a small letter or a digit, was wrapped.  Where
    that is seen, so were the lines beside it that the next line's first word would have made too wide.
    """
    lines = text.split("\n")
    ends = ["\n"] * len(lines)
    first = 0
    while first < len(lines):
        last = first
        while last < len(lines) and not _NO_PROSE.match(lines[last]):
            last += 1
        _join(lines, ends, first, last)
        first = last + 1
    return "".join(line + end for line, end in zip(lines, ends, strict=True))[:-1]


def _join(lines: list[str], ends: list[str], first: int, last: int) -> None:
    """Joins the lines of one paragraph where they were wrapped."""
    width = max((len(line.rstrip()) for line in lines[first:last]), default=0)
    if width < LONG_LINE:
        return
    doubtful = []
    for number in range(first, last - 1):
        line, follows = lines[number].rstrip(), lines[number + 1].lstrip()
        if line.endswith(_SENTENCE_ENDS):
            continue
        digits = follows[0].isdigit() or follows[0] == "%"
        if len(line) >= (LONG_BEFORE_DIGITS if digits else LONG_LINE) and (digits or follows[0].islower()):
            ends[number] = " "
        elif width <= WIDEST_WRAP and len(line) + 1 + len(follows.split()[0]) > width:
            doubtful.append(number)
    if " " in ends[first:last]:
        for number in doubtful:
            ends[number] = " "


def _without_empty_capitals(text: str) -> str:
    """The text in small letters where capitals say nothing, since (nearly) every word has them.

    Where every word's first letter alone is small ("mY tERN HAS"), caps lock was on, and the text is turned round.
    """
    if _SMALL_WORDS.search(text):
        return text
    words = _WORD.findall(text)
    if len(words) < CAPITALS_LEAST:
        return text
    upper = sum(word[1:].isupper() for word in words)
    turned = sum(word[0].islower() and word[1:].isupper() for word in words)
    if upper >= CAPITALS_SHARE * len(words):
        return _same_length(text, str.swapcase if turned else str.lower)
    if sum(word.istitle() for word in words) >= CAPITALS_SHARE * len(words):
        return _same_length(text, str.lower)
    return text


def _same_length(text: str, change: Callable[[str], str]) -> str:
    return "".join(new if len(new := change(letter)) == 1 else letter for letter in text)
