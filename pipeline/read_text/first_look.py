"""The first look: whether a response can hold a report at all, told from its words before anything else is done.

A report needs a value.  A value is read from a quantity, or set by a rule that needs no quantity ("no loss at all",
"always to full").  A quantity needs a digit or one of the language's words for numbers, fractions and frequencies; a
rule needs words of each of its parts.  A text in which neither can be is refused after one pass over its words, by
construction without losing a report: the lists are the ones that the scanner and the rules themselves work with.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

from pipeline.read_text.language_data import raw_language
from pipeline.read_text.numbers import NumberWords
from pipeline.read_text.quantities import QuantityScanner
from pipeline.read_text.wordings import WORD, Phrases, wordings

_DIGIT = re.compile(r"\d")
_UNITS = ("km", "mi", "mil", "percent", "kwh", "ah", "volts", "points")
"""Kinds of units of which a report can be made; a time alone makes none."""

Cues = Callable[[set[str]], bool]
"""Whether the words given can hold a statement that needs no quantity."""


class FirstLook:
    """The first look at responses of one language: with the words of its scanner, and the rules' cues.

    `any_number` lets every number in words through: a field that a rule pack declares can be said in any unit.
    """

    def __init__(self, scanner: QuantityScanner, cues: Cues, *, any_number: bool = False) -> None:
        self._cues = cues
        self._any_number = any_number
        self._said = scanner.said
        data = scanner.language
        self._compound = [words for words in data.number_words if words.compounds]
        self._units = Phrases(_unit_wordings(data.code))
        self._small: set[str] = set()
        self._large: set[str] = set()
        for words in data.number_words:
            self._add_numbers(words)

    def may_report(self, folded: str) -> bool:
        """False only where the folded text can hold no report."""
        if _DIGIT.search(folded):
            return True
        words = set(WORD.findall(folded))
        if not self._large.isdisjoint(words):
            return True
        if not self._small.isdisjoint(words) and (self._any_number or "%" in folded or self._units.possible(words)):
            return True
        said = self._said
        return (
            said.frequency.possible(words)
            or said.weekday.possible(words)
            or said.fraction.possible(words)
            or said.half_percent.possible(words)
            or said.percent_and_half.possible(words)
            or self._cues(words)
            or any(_large(words_of, folded) for words_of in self._compound)
        )

    def _add_numbers(self, words: NumberWords) -> None:
        """Numbers from ten on count alone; smaller ones, and articles, only beside a unit."""
        for said, value in [*words.ones.items(), *words.tens.items(), *words.hundreds.items()]:
            last = WORD.findall(str(said))
            (self._small if value < 10 else self._large).update(last[-1:])
        self._large.update(word for said in (*words.hundred, *words.thousand) for word in WORD.findall(said)[-1:])
        self._small.update(word for said in words.one for word in WORD.findall(said)[-1:])


def _unit_wordings(language: str) -> Iterator[str]:
    """The wordings of all units of which a report can be made, and of multipliers; signs such as % are left out."""
    for code in {language, "en"}:
        listed: dict[str, list[Any]] = raw_language(code).get("units") or {}
        said = [unit for kind in _UNITS for unit in listed.get(kind, [])] + list(
            raw_language(code).get("thousands") or ()
        )
        for unit in said:
            if WORD.search(str(unit)):
                yield from wordings(re.escape(str(unit)).replace(r"\ ", r"\s?"))


def _large(words: NumberWords, folded: str) -> bool:
    """Whether a language that writes numbers together says one from ten on, beyond the words that are listed."""
    for match in re.finditer(words.source, folded):
        found = words.longest(match.group())
        if found is not None and found[1] >= 10:
            return True
    return False
