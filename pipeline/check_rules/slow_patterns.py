"""Finds patterns that can stall a build: each is run on texts made to be hard for it, shorter and longer ones.

The texts repeat what the pattern itself says: its words, its words without the last, and each part that may repeat.
A pattern is slow where its time grows much faster than the text.  The texts go through `read_text.bounds.calm`, as
every response does, and are tried at the places where `PatternIndex` would try them.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from re import _parser as parser  # type: ignore[attr-defined]  # the only way to a regular expression's parts
from typing import Any

from pipeline.check_rules.try_claims import shown
from pipeline.find_values.pattern_index import PatternIndex
from pipeline.find_values.patterns import Pattern
from pipeline.read_text.bounds import MOST_CHARACTERS, calm
from pipeline.read_text.slots import NAME_OF, SLOT_CHARACTERS

FAST = 0.0015
"""Seconds on a text of `MEDIUM` characters up to which nothing is measured further."""
MEDIUM = 8_000
FEW = (*range(4, 32, 2), *range(32, 64, 4))
"""Numbers of repeats tried first, few more each time: work that doubles with each is seen before it takes for ever."""
SMALL = (400, 1000)
"""Lengths in characters tried next."""
STALLED = 0.2
"""Seconds on one of these short texts from which a pattern is slow whatever its growth."""
LONG = 100_000
SUSPECT, GROWTH = 1.2, 1.4
"""Time may grow as the length to the power of 1; from the first power on it is measured again on longer texts, and from
the second on the pattern is slow.
"""
NOTICED = 0.1
"""Seconds on a text of `LONG` characters below which growth is no matter."""
ENOUGH = 2.0
"""Seconds from which a longer text is not tried any more."""
MOST_TEXTS = 6
"""Texts tried of a pattern."""


@dataclass(frozen=True, slots=True)
class Slow:
    """How a pattern is slow: the repeated words, and seconds at two lengths (equal where the first was enough)."""

    words: str
    short: tuple[int, float]
    long: tuple[int, float]

    def told(self) -> str:
        """The measurement in words."""
        length, seconds = self.long
        told = f"{seconds:.2g} s on {length:,} characters"
        if self.short != self.long:
            told = f"{self.short[1]:.2g} s on {self.short[0]:,} characters, {told}"
        return f"{told} of {self.words!r}, repeated"


def find_slow(pattern: Pattern, where: str = "") -> Slow | None:
    """How the pattern is slow, or None."""
    index = PatternIndex([(pattern, where)])
    expression = index.entries[0].expression()
    whole, texts = hard_texts(expression)
    for prefix, pump in texts:
        # the index lets a text pass only with all the words that a pattern needs: they stand in a line of their own
        found = _measure(index, prefix, pump, f" .\n{whole}")
        if found is not None:
            return found
    return None


def _measure(index: PatternIndex, prefix: str, pump: str, end: str) -> Slow | None:
    words = shown(prefix + pump)[:60]

    def seconds_on(length: int, times: int = 1) -> float:
        return min(_seconds(index, prefix, pump, end, length) for _ in range(times))

    repeats = (len(prefix) + few * len(pump) for few in FEW)
    for length in (*(length for length in repeats if length < SMALL[0]), *SMALL):
        seconds = seconds_on(length)
        if seconds > STALLED:
            return Slow(words, (length, seconds), (length, seconds))
    medium = seconds_on(MEDIUM)
    if medium < FAST or not _grows(SMALL[-1], seconds, MEDIUM, medium, SUSPECT):
        return None
    medium = seconds_on(MEDIUM, 2)  # the machine may have been busy
    longer = seconds_on(MOST_CHARACTERS, 1 if medium > ENOUGH / 4 else 2)
    if not _grows(MEDIUM, medium, MOST_CHARACTERS, longer, SUSPECT):
        return None
    if longer > ENOUGH / 8 and _grows(MEDIUM, medium, MOST_CHARACTERS, longer):
        return Slow(words, (MEDIUM, medium), (MOST_CHARACTERS, longer))
    longest = seconds_on(LONG, 2)
    if longest < NOTICED or not _grows(MOST_CHARACTERS, longer, LONG, longest):
        return None
    return Slow(words, (MOST_CHARACTERS, longer), (LONG, longest))


def _grows(short: int, seconds: float, long: int, longer: float, power: float = GROWTH) -> bool:
    """Whether time grows from the shorter to the longer text by more than that power of the length."""
    return bool(longer > max(seconds, 1e-5) * (long / short) ** power)


def _seconds(index: PatternIndex, prefix: str, pump: str, end: str, length: int) -> float:
    text = calm(prefix + pump * max(1, (length - len(prefix)) // len(pump)) + end)
    slots = [sign for sign in set(text) if sign in NAME_OF]
    begin = time.thread_time()  # what this thread worked, not what others on the machine took from it
    index.matches(text, slots)
    return time.thread_time() - begin


def hard_texts(expression: re.Pattern[str]) -> tuple[str, list[tuple[str, str]]]:
    """A text that an expression could match, and pairs (what stands first, what is repeated) that are hard for it."""
    sampler = _Sampler()
    whole = sampler.sample(parser.parse(expression.pattern, expression.flags), "")
    found: dict[tuple[str, str], None] = {}
    words = whole.rstrip()
    if words:
        found["", words + " "] = None
        found["", words[: max(1, words.rfind(" "))].rstrip() + " "] = None
    for prefix, pump in sampler.pumps:
        plain = pump.strip(SLOT_CHARACTERS)
        if plain:
            found[prefix, pump] = None
            found["", prefix + pump + " "] = None
    return words, list(found)[:MOST_TEXTS]


class _Sampler:
    """Makes one text that an expression could match, and notes each part that may be repeated more than a few times."""

    def __init__(self) -> None:
        self.pumps: list[tuple[str, str]] = []

    def sample(self, parts: Any, before: str) -> str:
        """A text for a sequence of parts; `before` is what stands in front of it."""
        text = ""
        for kind, value in parts:
            text += self._part(str(kind), value, before + text)
        return text

    def _part(self, kind: str, value: Any, before: str) -> str:
        if kind == "LITERAL":
            return chr(value)
        if kind == "NOT_LITERAL":
            return "y" if chr(value) == "x" else "x"
        if kind == "ANY":
            return "x"
        if kind == "IN":
            return _one_of(value)
        if kind == "BRANCH":
            # the first that says anything: an empty alternative would hide what stands behind it
            return next((said for one in value[1] if (said := self.sample(one, before))), "")
        if kind == "SUBPATTERN":
            return self.sample(value[-1], before)
        if kind == "ATOMIC_GROUP":
            return self.sample(value, before)
        if kind in ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
            least, most, inner = value
            said = self.sample(inner, before)
            if int(most) > 3 and said:
                self.pumps.append((before, said))
                # alternatives in a row: "ab" may be laid as "a" and "b" too
                self.pumps += [(before, "".join(self._alternatives(inner)))]
            return said * max(1, min(int(least), 3))
        return ""  # a condition, the start or the end of something

    def _alternatives(self, parts: Any) -> list[str]:
        """A text for each alternative in a part that may repeat."""
        out = []
        for kind, value in parts:
            if str(kind) == "BRANCH":
                out += [_Sampler().sample(one, "") for one in value[1][:6]]
            elif str(kind) == "SUBPATTERN":
                out += self._alternatives(value[-1])
            else:
                out.append(_Sampler().sample([(kind, value)], ""))
        return out


_CATEGORIES = {"CATEGORY_WORD": "x", "CATEGORY_DIGIT": "1", "CATEGORY_SPACE": " ", "CATEGORY_NOT_SPACE": "x"}


def _one_of(items: Any) -> str:
    """A character of a class."""
    if str(items[0][0]) == "NEGATE":
        named = "".join(_characters(items[1:]))
        return next((sign for sign in "xy1 -." if sign not in named), "\u00e9")
    return next(_characters(items), "x")


def _characters(items: Any) -> Iterator[str]:
    for kind, value in items:
        if str(kind) == "LITERAL":
            yield chr(value)
        elif str(kind) == "RANGE":
            yield chr(value[0])
        elif str(kind) == "CATEGORY":
            yield _CATEGORIES.get(str(value), "-")
