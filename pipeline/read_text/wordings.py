"""Which words a part of a pattern cannot do without: the plain wordings that a piece of regular expression stands for.

`wordings("(?:not an?|n't)")` gives `{"not a", "not an", "n't"}`.  What cannot be listed (any letter, a repeat without
end) stands in a wording as `ANYTHING`.  The list is never narrower than what the expression matches; conditions that
look ahead or behind are left out, which can only make it wider.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from collections.abc import Set as AbstractSet
from functools import lru_cache
from math import prod

from pipeline.read_text.slots import SLOT_CHARACTERS

ANYTHING = "\ufffc"
"""In a wording: any characters, or none."""
MOST_WORDINGS = 10_000
"""Where there would be more wordings than this, what comes next is `ANYTHING`."""
MOST_LISTED_WHOLE = 400
"""Up to so many wordings an alternative is listed whole: all its words tell more than one part's."""
MOST_LISTED = 12
"""A class of more characters than this is `ANYTHING`."""
WORD = re.compile(r"\w+")
_PLAIN = re.compile(r"[^\\^$.*+?()\[\]{}|]*")
_WORD_OR_SLOT = re.compile(rf"\w+|[{SLOT_CHARACTERS}]")
_SLOT_RUN = re.compile(rf"\(\?<!([{SLOT_CHARACTERS}])\)\1\+\(\?!\1\)")


@lru_cache(maxsize=4096)
def wordings(expression: str) -> frozenset[str]:
    """All wordings that an expression can match, each with one slot character for a quantity."""
    expression = _SLOT_RUN.sub(r"\1", expression)
    if _PLAIN.fullmatch(expression):
        return frozenset((expression,))
    try:
        out, end = _alternatives(expression, 0)
    except (IndexError, ValueError):
        return frozenset((ANYTHING,))
    return frozenset(out) if end == len(expression) else frozenset((ANYTHING,))


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
            atom = atom | {""} if source[position] == "?" else {ANYTHING}
            position = (source.index("}", position) if source[position] == "{" else position) + 1
            if position < len(source) and source[position] in "?+":
                position += 1
        if len(current) * len(atom) > MOST_WORDINGS:
            atom = {ANYTHING}
        current = {wording + piece for wording in current for piece in atom}
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
            return {ANYTHING}, position + 2
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
            raise ValueError("a kind of group that is not known")
        inside, end = _alternatives(source, start)
        return inside, end + 1
    if character == "[":
        end = source.index("]", position + 2)
        listed = source[position + 1 : end]
        plain = len(listed) <= MOST_LISTED and not any(mark in listed for mark in "^-\\[")
        return set(listed) if plain else {ANYTHING}, end + 1
    return {ANYTHING if character == "." else character}, position + 1


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
    raise ValueError("a group without an end")


def telling_wordings(expression: str) -> frozenset[str]:
    """The wordings of one part of each alternative: of which the words are longest, where parts are words apart.

    Every text that the expression matches holds the words of one of them.  Listing one part is cheap where the
    product of all parts ("every {1000 numbers} {10 times}") would be long.
    """
    out: set[str] = set()
    for alternative in _cut(expression, "|"):
        inner = _whole_group(alternative)
        if inner is not None:
            out |= telling_wordings(inner)
            continue
        parts = [wordings(part) for part in _cut(alternative, " ") if part]
        if prod(map(len, parts)) <= MOST_LISTED_WHOLE:
            out |= wordings(alternative)
            continue
        telling = [part for part in parts if all(whole_words(wording) for wording in part)]
        out |= max(telling, key=_shortest_word) if telling else {ANYTHING}
    return frozenset(out)


def _shortest_word(part: AbstractSet[str]) -> tuple[int, int]:
    """How long the longest word of each wording is at least; a part of fewer wordings first where that is the same."""
    return min(max(map(len, whole_words(wording))) for wording in part), -len(part)


def _cut(source: str, mark: str) -> list[str]:
    """An expression cut at each `|` of its own, or at each blank (`mark` " ") that must be there."""
    out, start, position = [], 0, 0
    while position < len(source):
        character = source[position]
        if character in "([":
            position = _closing(source, position) + 1 if character == "(" else source.index("]", position + 2) + 1
            continue
        end = position + (2 if character == "\\" else 1)
        if mark == "|" and character == "|":
            out.append(source[start:position])
            start = end
        elif mark == " " and source[position:end] in (" ", r"\s") and source[end : end + 1] not in ("?", "*", "{"):
            out.append(source[start:position])
            start = end = end + (source[end : end + 1] == "+")
        position = end
    return [*out, source[start:]]


def _whole_group(source: str) -> str | None:
    """What a group holds, where the expression is one group that captures nothing and stands alone."""
    if not source.startswith("(?:") or _closing(source, 0) != len(source) - 1:
        return None
    return source[3:-1]


def whole_words(wording: str, *, whole: bool = True) -> frozenset[str]:
    """The words and slot characters that a text with this wording holds as words of their own.

    With `whole` false the wording may stand inside longer words, and its outer words do not count.
    """
    if whole and ANYTHING not in wording:
        return frozenset(_WORD_OR_SLOT.findall(wording))
    return frozenset(
        match.group()
        for match in _WORD_OR_SLOT.finditer(wording)
        if match.group() in SLOT_CHARACTERS
        or (
            wording[match.end() : match.end() + 1] != ANYTHING
            and not (match.start() and wording[match.start() - 1] == ANYTHING)
            and (whole or 0 < match.start() < match.end() < len(wording))
        )
    )


@lru_cache(maxsize=4096)
def phrases_of(expression: str, whole: bool) -> frozenset[frozenset[str]]:
    """What `whole_words` gives for each wording of an expression; many patterns share their parts."""
    return frozenset(whole_words(wording, whole=whole) for wording in wordings(expression))


class Phrases:
    """Many wordings behind one look-up: `possible` tells in one pass over a text's words whether any can be in it.

    `certain` is False where a wording has no word of its own; the answer is then always yes.
    """

    def __init__(self, said: Iterable[str], *, whole: bool = True) -> None:
        listed = {whole_words(wording, whole=whole) for wording in said}
        self.certain = frozenset() not in listed
        listed.discard(frozenset())
        uses = Counter(word for phrase in listed for word in phrase)
        self._single = {word for phrase in listed if len(phrase) == 1 for word in phrase}
        self._under: dict[str, list[frozenset[str]]] = {}
        for phrase in listed:
            if self._single.isdisjoint(phrase):
                # filed under the word that is in the fewest phrases
                self._under.setdefault(min(phrase, key=lambda word: (uses[word], word)), []).append(phrase)

    def possible(self, words: AbstractSet[str]) -> bool:
        """Whether all words of one of the phrases are among these."""
        if not self.certain or not self._single.isdisjoint(words):
            return True
        under = self._under
        return any(phrase <= words for word in words & under.keys() for phrase in under[word])


@lru_cache(maxsize=16)
def words_of(text: str) -> frozenset[str]:
    """The words of a text; kept for the few texts at hand, since many steps ask."""
    return frozenset(WORD.findall(text))


class Guarded:
    """An expression that is tried only on texts that hold the words of one of the wordings it is known to need.

    It is compiled when a text first holds them: most are never needed, and compiling costs more than looking.
    """

    __slots__ = ("_expression", "_ready", "said")

    def __init__(self, expression: str | re.Pattern[str], said: Iterable[str]) -> None:
        self._expression = expression
        self._ready: re.Pattern[str] | None = None
        self.said = Phrases(said)

    def finditer(self, text: str) -> Iterable[re.Match[str]]:
        """The matches in the text, as the expression itself would give them."""
        if not self.said.possible(words_of(text)):
            return ()
        if self._ready is None:
            self._ready = re.compile(self._expression)
        return self._ready.finditer(text)
