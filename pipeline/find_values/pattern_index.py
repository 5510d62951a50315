"""Which patterns can match a text at all, and where: found from the text's words before any pattern is tried.

Each pattern needs words: of every part that may not be absent, one wording's longest word must be in the text.  And
it can begin only where one of its first part's wordings begins.  Both are looked up word by word in two tables whose
entries are bit sets, so that one pass over a text's words leaves a handful of (pattern, place) pairs to try.  A
pattern of which too little is known is searched for everywhere: the index leaves nothing out that would match.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.find_values.patterns import Pattern, compiled
from pipeline.read_text.slots import SLOT_CHARACTERS
from pipeline.read_text.wordings import ANYTHING, WORD, phrases_of, wordings

_SLOT_STARTS = re.compile(rf"([{SLOT_CHARACTERS}])\1*")


@dataclass(slots=True)
class _Entry:
    """A pattern and how many needs it has; `anywhere` says that where it can begin is not known."""

    pattern: Pattern
    where: str
    needs: int
    anywhere: bool
    ready: re.Pattern[str] | None = None

    def expression(self) -> re.Pattern[str]:
        """The compiled expression, made when it is first needed."""
        if self.ready is None:
            self.ready = compiled(self.pattern.source, self.pattern.expression, self.where)
        return self.ready


class PatternIndex:
    """The patterns of many rules behind one look-up; `patterns` are (pattern, place in its rule file)."""

    def __init__(self, patterns: Iterable[tuple[Pattern, str]]) -> None:
        # what a part needs -> the patterns with such a part, as (number of the pattern, how many needs it had before)
        self._needs: dict[frozenset[frozenset[str]], list[tuple[int, int]]] = {}
        self._met: dict[str, int] = {}  # word or slot character -> bits of what it meets, see `possible`
        self._phrases: dict[str, list[tuple[frozenset[str], int]]] = {}  # the same for words that must stand together
        self._starts: dict[str, int] = {}  # word, slot or other character -> bits of the patterns that can begin there
        self._marks: dict[str, int] = {}  # the same for characters that belong to no word
        self._anywhere = 0
        self._most = 0  # needs of the pattern that has most
        self._always = 0
        self.entries: list[_Entry] = []
        for pattern, where in patterns:
            self._add(pattern, where)
        self._file_needs()
        self._marked = 0
        for bits in self._marks.values():
            self._marked |= bits
        marks = "".join(re.escape(mark) for mark in sorted(self._marks))
        self._mark = re.compile(f"[{marks}]") if marks else None

    def _add(self, pattern: Pattern, where: str) -> None:
        number = len(self.entries)
        needs = {
            phrases
            for piece in pattern.pieces
            if not piece.free and not piece.optional
            for phrases in (phrases_of(piece.expression, piece.whole),)
            if frozenset() not in phrases  # what the part needs is known
        }
        for place, phrases in enumerate(needs):
            self._needs.setdefault(phrases, []).append((number, place))
        self._most = max(self._most, len(needs))
        starts = self._beginnings(pattern)
        if starts is None:
            self._anywhere |= 1 << number
        else:
            for key in starts:
                table = self._starts if key[0] in SLOT_CHARACTERS or WORD.fullmatch(key) else self._marks
                table[key] = table.get(key, 0) | 1 << number
        self.entries.append(_Entry(pattern, where, len(needs), starts is None))

    def _file_needs(self) -> None:
        """Files every phrase under the one of its words that is in the fewest phrases."""
        count = len(self.entries)
        self._always = sum(
            1 << place * count + number
            for number, entry in enumerate(self.entries)
            for place in range(entry.needs, self._most)
        )
        bits_of: dict[frozenset[str], int] = {}
        for phrases, having in self._needs.items():
            bits = sum(1 << place * count + number for number, place in having)
            for phrase in phrases:
                bits_of[phrase] = bits_of.get(phrase, 0) | bits
        uses = Counter(word for phrase in bits_of for word in phrase)
        for phrase, bits in bits_of.items():
            telling = min(phrase, key=lambda word: (uses[word], word))
            if len(phrase) == 1:
                self._met[telling] = bits
            else:
                self._phrases.setdefault(telling, []).append((phrase, bits))

    @staticmethod
    def _beginnings(pattern: Pattern) -> set[str] | None:
        """The words, slot characters and other characters with which a match can begin; None where unknown."""
        first = pattern.pieces[0]
        if first.free or first.optional:
            return None
        out: set[str] = set()
        for wording in wordings(first.expression):
            word = WORD.match(wording)
            if not wording or wording[0] == ANYTHING or wording[0].isspace():
                return None
            if word is None:
                out.add(wording[0])
            elif first.whole and wording[word.end() : word.end() + 1] != ANYTHING:
                out.add(word.group())
            else:
                return None
        return out

    def possible(self, words: set[str]) -> int:
        """Bits of the patterns of which every need is met by these words and slot characters.

        Bit `place * count + number` says that need `place` of pattern `number` is met, or that it has no such need;
        a pattern is possible where all its bits are set, which a few shifts tell of all patterns at once.
        """
        met, starts = self._always, self._anywhere | self._marked
        known, phrases, begin = self._met, self._phrases, self._starts
        for key in words:
            if key in known:
                met |= known[key]
            if key in begin:
                starts |= begin[key]
            if key in phrases:
                for phrase, bits in phrases[key]:
                    if bits & ~met and phrase <= words:
                        met |= bits
        for place in range(self._most):
            starts &= met >> place * len(self.entries)
        return starts

    def matches(self, text: str, slots: Sequence[str]) -> list[tuple[int, re.Match[str]]]:
        """Every match of every pattern, as (number of the pattern, match), in the order of number and place.

        `slots` are the slot characters that the text holds.  A pattern gives one match a place at most.
        """
        found = [(match.group(), match.start()) for match in WORD.finditer(text)]
        possible = self.possible({*(word for word, _ in found), *slots})
        if not possible:
            return []
        entries, out = self.entries, []
        begin = self._starts
        places = [(begin[word] & possible, place) for word, place in found if word in begin]
        if slots:
            places += [
                (begin.get(match.group(1), 0) & possible, match.start()) for match in _SLOT_STARTS.finditer(text)
            ]
        if self._mark is not None and any(bits & possible for bits in self._marks.values()):
            places += [(self._marks[match.group()] & possible, match.start()) for match in self._mark.finditer(text)]
        for bits, place in places:
            while bits:
                low = bits & -bits
                bits ^= low
                number = low.bit_length() - 1
                entry = entries[number]
                match = (entry.ready or entry.expression()).match(text, place)
                if match:
                    out.append((number, match))
        everywhere = self._anywhere & possible
        while everywhere:
            low = everywhere & -everywhere
            everywhere ^= low
            number = low.bit_length() - 1
            out.extend((number, match) for match in each_match(entries[number].expression(), text))
        out.sort(key=lambda pair: (pair[0], pair[1].start()))
        return out


def each_match(expression: re.Pattern[str], text: str) -> Iterator[re.Match[str]]:
    """The matches at every place where the expression matches, overlapping ones too."""
    position = 0
    while match := expression.search(text, position):
        yield match
        position = match.start() + 1
