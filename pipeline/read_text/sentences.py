"""Sentences and clauses of an abstract text (numbers are slots there, so a full stop is never a decimal mark)."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter

_SENTENCE_END = re.compile(r"[.!?]+[\"')\]]*(?=\s|$|[^\w\s.,!?])|\n+")
_CLAUSE_END = re.compile(r"[,;:()]|\s-+\s|\s(?:but|aber|mais|pero|maar|men|ma|mas)\s")


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence: offsets, whether it asks, and its clauses as (start, end)."""

    start: int
    end: int
    asks: bool
    clauses: tuple[tuple[int, int], ...]


def sentences(text: str) -> list[Sentence]:
    """The sentences of an abstract text, in order; every non-blank character lies in one."""
    out: list[Sentence] = []
    position = 0
    for match in _SENTENCE_END.finditer(text):
        _add(out, text, position, match.end(), "?" in match.group())
        position = match.end()
    _add(out, text, position, len(text), False)
    return out


def _add(out: list[Sentence], text: str, start: int, end: int, asks: bool) -> None:
    if not text[start:end].strip():
        return
    clauses = []
    position = start
    for match in _CLAUSE_END.finditer(text, start, end):
        if match.start() > position:
            clauses.append((position, match.end()))
            position = match.end()
    clauses.append((position, end))
    out.append(Sentence(start, end, asks, tuple(clauses)))


def containing(spans: Sequence[Sentence], offset: int) -> Sentence | None:
    """The sentence in which an offset lies; `spans` are in order, as `sentences` gives them."""
    place = bisect_right(spans, offset, key=_START) - 1
    return spans[place] if place >= 0 and offset < spans[place].end else None


_START = attrgetter("start")
