"""Which words a part of a pattern cannot do without: the plain wordings that a piece of regular expression stands for.

`wordings("(?:not an?|n't)")` gives `{"not a", "not an", "n't"}`.  What cannot be listed (a character class, a repeat
without end) gives None, and then nothing is concluded: an answer is never narrower than what the expression matches.
Conditions that look ahead or behind are left out, which can only make it wider.
"""

from __future__ import annotations

import re
from functools import lru_cache

from pipeline.read_text.quantities import SLOT_CHARACTERS

MOST_WORDINGS = 4000
"""A part with more wordings than this is treated as one that cannot be listed."""
WORD = re.compile(r"\w+")
_PLAIN = re.compile(r"[^\\^$.*+?()\[\]{}|]*")
_SLOT_RUN = re.compile(rf"\(\?<!([{SLOT_CHARACTERS}])\)\1\+\(\?!\1\)")


class _Unlistable(Exception):
    """The expression holds something that has no finite list of wordings."""


@lru_cache(maxsize=4096)
def wordings(expression: str) -> frozenset[str] | None:
    """All wordings that an expression can match, each with one slot character for a quantity; None where unknown."""
    expression = _SLOT_RUN.sub(r"\1", expression)
    if _PLAIN.fullmatch(expression):
        return frozenset((expression,))
    try:
        out, end = _alternatives(expression, 0)
    except (_Unlistable, IndexError):
        return None
    return frozenset(out) if end == len(expression) else None


def _alternatives(source: str, position: int) -> tuple[set[str], int]:
    """The wordings up to the bracket that closes this group, or the end."""
    out: set[str] = set()
    current = {""}
    while position < len(source) and source[position] != ")":
        if source[position] == "|":
            out |= current
            current = {""}
            position += 1
            continue
        plain = _PLAIN.match(source, position)
        if plain and plain.end() - position > 1:
            # the last character may be followed by a mark of repetition
            piece = plain.group()[:-1] if plain.end() < len(source) and source[plain.end()] in "?*+{" else plain.group()
            current = {wording + piece for wording in current}
            position += len(piece)
            continue
        atom, position = _atom(source, position)
        if position < len(source) and source[position] in "?*+{":
            if source[position] != "?":
                raise _Unlistable
            atom = atom | {""}
            position += 1
            if position < len(source) and source[position] in "?+":
                position += 1
        current = {wording + piece for wording in current for piece in atom}
        if len(current) + len(out) > MOST_WORDINGS:
            raise _Unlistable
    return out | current, position


def _atom(source: str, position: int) -> tuple[set[str], int]:
    """One character, escape, condition or group."""
    character = source[position]
    if character == "\\":
        escaped = source[position + 1]
        if escaped == "s":
            return {" "}, position + 2
        if escaped in "bBAZ":
            return {""}, position + 2
        if escaped.isalnum():
            raise _Unlistable
        return {escaped}, position + 2
    if character in "^$":
        return {""}, position + 1
    if character == "(":
        condition = source.startswith(("(?=", "(?!", "(?<=", "(?<!"), position)
        if condition:
            return {""}, _closing(source, position) + 1
        start = position + 1
        if source.startswith("?:", start):
            start += 2
        elif source.startswith("?P<", start):
            start = source.index(">", start) + 1
        elif source.startswith("?", start):
            raise _Unlistable
        inside, end = _alternatives(source, start)
        return inside, end + 1
    if character in ".[*+?{":
        raise _Unlistable
    return {character}, position + 1


def _closing(source: str, position: int) -> int:
    """Where the group that opens at `position` closes."""
    depth = 0
    while position < len(source):
        character = source[position]
        if character == "\\":
            position += 1
        elif character == "[":
            position = source.index("]", position + 2)
        elif character == "(":
            depth += 1
        elif character == ")":
            depth -= 1
            if depth == 0:
                return position
        position += 1
    raise _Unlistable


def telling_word(wording: str, *, whole: bool) -> str | None:
    """The longest word of a wording, or its slot character; None where it has neither.

    With `whole` false the wording may stand inside longer words, and its outer words do not count.
    """
    words = [match.group() for match in WORD.finditer(wording) if whole or 0 < match.start() < match.end() < len(wording)]
    if words:
        return max(words, key=len)
    return next((character for character in wording if character in SLOT_CHARACTERS), None)
