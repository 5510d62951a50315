"""The first look: whether a response can hold a report at all, told from its words before anything else is done.

A report needs a value.  A value is read from a quantity, or set by a rule that needs no quantity ("no loss at all",
"always to full").  A quantity needs a digit or one of the language's words for numbers, fractions and frequencies; a
rule needs words of each of its parts.  A text in which neither can be is refused after one pass over its words, by
construction without losing a report: the lists are the ones that the scanner and the rules themselves work with.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any

from pipeline.read_text.language_data import merged, raw_language
from pipeline.read_text.numbers import NumberWords
from pipeline.read_text.wordings import WORD, whole_words, wordings

_DIGIT = re.compile(r"\d")
_FAR_UNITS = ("km", "mi", "mil", "percent", "kwh", "ah", "volts", "points")
_NUMBER_PLACE = "#"

Cues = Callable[[set[str]], bool]
"""Whether the words given can hold a statement that needs no quantity."""


class FirstLook:
    """The first look at responses of one language; `number_words` are those that the scanner reads."""

    def __init__(self, language: str, number_words: Iterable[NumberWords], cues: Cues) -> None:
        self._cues = cues
        self._units = self._unit_words(language)
        self._small: set[str] = set()
        self._telling: set[str] = set()
        self._compound: list[NumberWords] = []
        for words in number_words:
            self._add_numbers(words)
        self._phrases: dict[str, list[frozenset[str]]] = {}
        self._blind = False
        self._add_frequencies(language)
        self._add_phrases(str(fraction) for fraction in merged(language, "fractions"))
        plural = str(raw_language(language).get("weekday_plural", "s") or "")
        for day in merged(language, "weekdays"):
            self._add_phrases((str(day), str(day) + plural))

    def may_report(self, folded: str) -> bool:
        """False only where the folded text can hold no report."""
        if _DIGIT.search(folded) or self._blind:
            return True
        words = set(WORD.findall(folded))
        if not self._telling.isdisjoint(words):
            return True
        if not self._small.isdisjoint(words) and ("%" in folded or not self._units.isdisjoint(words)):
            return True
        for word in words & self._phrases.keys():
            if any(phrase <= words for phrase in self._phrases[word]):
                return True
        if any(_large(words_of, folded) for words_of in self._compound):
            return True
        return self._cues(words)

    @staticmethod
    def _unit_words(language: str) -> frozenset[str]:
        units: set[str] = set()
        for code in {language, "en"}:
            listed: dict[str, list[Any]] = raw_language(code).get("units") or {}
            said = [str(unit) for kind in _FAR_UNITS for unit in listed.get(kind, [])]
            said += [str(word) for word in raw_language(code).get("thousands") or ()]
            units.update(found[0] for unit in said if (found := WORD.findall(unit)))
        return frozenset(units)

    def _add_numbers(self, words: NumberWords) -> None:
        """Numbers from ten on count alone; smaller ones, and articles, only beside a unit."""
        if words.compounds:
            self._compound.append(words)
        for said, value in [*words.ones.items(), *words.tens.items(), *words.hundreds.items()]:
            last = WORD.findall(str(said))
            (self._small if value < 10 else self._telling).update(last[-1:])
        self._telling.update(word for said in (*words.hundred, *words.thousand) for word in WORD.findall(said)[-1:])
        self._small.update(word for said in words.one for word in WORD.findall(said)[-1:])

    def _add_frequencies(self, language: str) -> None:
        for entry in merged(language, "frequency"):
            self._add_phrases(wordings(str(entry["pattern"]).replace("{n}", _NUMBER_PLACE)))

    def _add_phrases(self, said: Iterable[str]) -> None:
        """Phrases all of whose words must be there; each is filed under its longest word."""
        for phrase in said:
            words = whole_words(phrase)
            if not words:
                self._blind = True  # what has no words cannot be looked for: every text passes
                return
            under = self._phrases.setdefault(max(sorted(words), key=len), [])
            if words not in under:
                under.append(words)


def _large(words: NumberWords, folded: str) -> bool:
    """Whether a language that writes numbers together says one from ten on, beyond the words that are listed."""
    for match in re.finditer(words.source, folded):
        found = words.longest(match.group())
        if found is not None and found[1] >= 10:
            return True
    return False
