"""Finds the names of vehicles in a text, without a list of them.

A name is a run of capitalised words or model codes that English does not know, with evidence around it: an owner or an
article before it, a model year beside it, a trim behind it.  Lower-case names are found behind an owner where the word
is in no list of common words.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

_TOKEN = re.compile(r"[^\W_][\w.'-]*[^\W_]|[^\W_]")

_EVERYDAY_TRIMS = frozenset(
    [
        "one",
        "two",
        "three",
        "line",
        "drive",
        "city",
        "life",
        "family",
        "night",
        "electric",
        "e",
        "a",
        "x",
        "s",
        "r",
        "se",
        "base",
        "active",
        "break",
    ]
)
"""Trims that are everyday words too: in a text without capitals they say nothing of a name."""
_EVERYDAY_TRIMS_CAPITALS = _EVERYDAY_TRIMS | frozenset(
    ["van", "estate", "mini", "sport", "cross", "air", "max", "lite"]
)
"""The same behind a capitalised word, where more of them are everyday words than trims."""


MOST_KEPT = 1 << 16
"""So many words' looks are kept in memory; then the memory is emptied, so that it cannot grow with the data."""


@dataclass(frozen=True, slots=True)
class Name:
    """A vehicle's name as written: where it stands and how sure it is (0 to 1)."""

    start: int
    end: int
    text: str
    sure: float


@cache
def common_words(language: str) -> frozenset[str]:
    """Everyday words of a language, from `common_words/<code>.txt` (counted in the labelled training texts)."""
    path = resources.files("pipeline.group_reports") / "common_words" / f"{language}.txt"
    try:
        return frozenset(path.read_text("utf8").split())
    except FileNotFoundError:
        return frozenset()


class NameFinder:
    """Finds vehicle names in texts of one language."""

    def __init__(self, data: dict[str, Any], language: str) -> None:
        self._known_looks: dict[str, int] = {}
        self.common = common_words(language) | common_words("en")
        self.not_names = frozenset(str(word) for word in data.get("not_names") or ())
        trims = sorted((str(trim) for trim in data.get("trims") or ()), key=lambda t: -len(t))
        self.trim_words = frozenset(word for trim in trims for word in trim.split())
        determiners = [str(word) for word in data.get("determiners") or ()]
        self.determiners = frozenset(determiners)
        # a language that writes every noun with a capital: capitals alone say little, and a compound ends in a known noun  # noqa: E501
        self.noun_capitals = bool(data.get("nouns_capitalised"))
        if self.noun_capitals:
            self.common = common_words(language)
        self.after_name = re.compile(data["after_name"]) if data.get("after_name") else None
        self.places = frozenset(
            str(word)
            for word in data.get("place_words")
            or ("in", "from", "to", "near", "at", "hi", "hello", "thanks", "dear", "hey", "since", "until", "via")
        )

    def find(
        self, text: str, folded: str, years: Sequence[tuple[int, int]], blocked: Sequence[tuple[int, int]]
    ) -> list[Name]:
        """The names in a text, in order.  `years` are spans of model years, `blocked` spans of other quantities."""
        tokens = list(_TOKEN.finditer(text))
        names: list[Name] = []
        index = 0
        least = 2 if self.noun_capitals else 1
        while index < len(tokens):
            if self._looks(tokens[index].group()) < least:
                index += 1
                continue
            run = self._run(text, folded, tokens, index, blocked)
            if run == 0:
                index += 1
                continue
            first, last = tokens[index], tokens[index + run - 1]
            sure = self._evidence(text, folded, tokens, index, run, years)
            end = last.end()
            if text[first.start() : end].lower().endswith("'s"):
                end -= 2
            if sure >= 0.5:
                names.append(Name(first.start(), end, text[first.start() : end], min(sure, 1.0)))
            index += run
        if sum(character.isupper() for character in text) <= 2 + len(text) // 120:
            names.extend(self._lower_case(text, tokens, blocked, names))
        return self._again(text, folded, names, tokens)

    def _lower_case(
        self, text: str, tokens: list[re.Match[str]], blocked: Sequence[tuple[int, int]], names: list[Name]
    ) -> list[Name]:
        """In a text without capitals: an unknown word behind an owner or an article."""
        out: list[Name] = []
        for index in range(1, len(tokens)):
            token, before = tokens[index], tokens[index - 1]
            word, owner = token.group(), before.group()
            if owner not in self.determiners and not owner.endswith("s"):
                continue
            if (
                text[before.end() : token.start()] != " "
                or len(word) < 3
                or not word.isalpha()
                or word in self.common
                or word in self.not_names
                or word in self.trim_words
            ):
                continue
            if owner not in self.determiners and not (
                index > 1 and tokens[index - 2].group() in ("my", "his", "her", "our")
            ):
                continue
            if self._in(token.start(), blocked) or self._in(token.start(), [(n.start, n.end) for n in names]):
                continue
            last = index
            while (
                last + 1 < len(tokens)
                and last - index < 2
                and text[tokens[last].end() : tokens[last + 1].start()] == " "
            ):
                following = tokens[last + 1].group()
                if (following in self.trim_words and following not in _EVERYDAY_TRIMS) or (
                    following.isalpha() and len(following) > 3 and following not in self.common
                ):
                    last += 1
                else:
                    break
            out.append(Name(token.start(), tokens[last].end(), text[token.start() : tokens[last].end()], 0.6))
        return out

    def _looks(self, token: str) -> int:
        """0 no name, 1 a capitalised or coded word that may be one, 2 one that is in no list of common words."""
        looks = self._known_looks.get(token)
        if looks is None:
            if len(self._known_looks) >= MOST_KEPT:
                self._known_looks.clear()
            looks = self._known_looks[token] = self._look_at(token)
        return looks

    def _look_at(self, token: str) -> int:
        if token[0].islower() and (token.isalpha() or not any(map(str.isdigit, token))):
            return 0
        low = token.lower().removesuffix("'s")
        if low in self.not_names or len(low) < 2:
            return 0
        capital = token[0].isupper()
        code = (
            any(c.isdigit() for c in token)
            and any(c.isalpha() for c in token)
            and token[0].isalpha()
            and len(token) <= 6
        )
        if code and not re.fullmatch(r"[A-Za-z]{1,3}\d{1,3}[A-Za-z]?|\w+-\d+", token):
            code = False
        if not capital and not code:
            return 0
        if code and not capital and not re.fullmatch(r"[a-z]{1,2}\d{1,3}[a-z]?", low):
            return 0
        return 1 if low in self.common or (self.noun_capitals and self._compound(low)) else 2

    def _compound(self, low: str) -> bool:
        """Whether a word ends in a common word of four letters or more ("kapazitätsverlust", "nmc-zellen")."""
        if "-" in low:
            return low.rsplit("-", 1)[1] in self.common or (
                low.rsplit("-", 1)[1].isdigit() is False and self._compound(low.rsplit("-", 1)[1])
            )
        return any(low[cut:] in self.common for cut in range(3, len(low) - 3)) or any(
            low.endswith(tail) and len(low) >= len(tail) + 4 and low[: -len(tail)] in self.common
            for tail in ("s", "n", "en", "e", "er", "es", "em")
        )

    def _run(
        self, text: str, folded: str, tokens: list[re.Match[str]], index: int, blocked: Sequence[tuple[int, int]]
    ) -> int:
        first = tokens[index]
        if self._in(first.start(), blocked):
            return 0
        run = 1
        while index + run < len(tokens) and run < 5:
            before, token = tokens[index + run - 1], tokens[index + run]
            gap = text[before.end() : token.start()]
            word = token.group()
            if gap not in (" ", "-", " - ") or gap == " - ":
                break
            if before.group().lower().endswith("'s"):
                break
            low = word.lower()
            looks = self._looks(word)
            if (
                (
                    looks
                    and not self._in(token.start(), blocked)
                    and (looks == 2 or low in self.trim_words or (word[0].isupper() and not self.noun_capitals))
                )
                or (
                    low in self.trim_words
                    and low not in _EVERYDAY_TRIMS_CAPITALS
                    and not self._in(token.start(), blocked)
                )
                or (
                    re.fullmatch(r"\d{1,3}", word)
                    and run >= 1
                    and (
                        not self._in(token.start(), blocked)
                        # "Ottern 5, 60.000 km": a bare number that closes the name
                        or (
                            self.noun_capitals
                            and token.span() in blocked
                            and re.match(
                                r"\s?(?:[,;(:|/]|$|hat|ist|mit|lädt|fährt|und|aus|von|bj|ez)",
                                folded[token.end() : token.end() + 6],
                            )
                        )
                    )
                    and not re.match(r"\s?(?:%|k|km|mi|kwh|,\d|\.\d)", folded[token.end() : token.end() + 5])
                )
                or re.fullmatch(r"\dx\d", low)
            ):
                run += 1
            else:
                break
        return run

    @staticmethod
    def _in(offset: int, spans: Sequence[tuple[int, int]]) -> bool:
        return any(start <= offset < end for start, end in spans)

    def _evidence(
        self,
        text: str,
        folded: str,
        tokens: list[re.Match[str]],
        index: int,
        run: int,
        years: Sequence[tuple[int, int]],
    ) -> float:
        first, last = tokens[index], tokens[index + run - 1]
        start, end = first.start(), last.end()
        looks = [self._looks(tokens[index + i].group()) for i in range(run)]
        before = folded[max(0, start - 30) : start]
        after = folded[end : end + 24]
        previous = tokens[index - 1].group().lower() if index else ""
        sentence_start = not before.strip() or bool(re.search(r"[.!?:\n>*•(]\s*[\"']?$", before))
        sure = 0.0
        if looks[0] == 2:
            sure += 0.3 if self.noun_capitals else 0.35 if sentence_start else 0.5
        elif looks[0] == 1 and sentence_start:
            sure -= 0.3
        else:
            sure += 0.1
        if run >= 2:
            sure += 0.3 if 2 in looks[1:] else 0.1
        if previous in self.determiners or previous.endswith("'s"):
            adjacent = text[tokens[index - 1].end() : start] == " "
            sure += 0.4 if adjacent else 0.0
        if previous in self.places and text[tokens[index - 1].end() : start] == " ":
            sure -= 0.45
        near_year = any(0 <= start - stop <= 3 or 0 <= begin - end <= 4 for begin, stop in years)
        if near_year:
            sure += 0.4
        if any(tokens[index + i].group().lower() in self.trim_words for i in range(1, run)):
            sure += 0.2
        if re.match(
            r"\s?(?:,|\(|-|:|/|\|)?\s?(?:here|owner|driver|lfp|nmc|nca|ncm|has|had|is at|lost|did|was|with|now|at|shows|at \d|\d{2,3}[.,]?\d* ?k|[\d.,]+ ?(?:km|mi))",  # noqa: E501
            after,
        ):
            sure += 0.2
        if self.after_name and self.after_name.match(after):
            sure += 0.2
        if self.noun_capitals and run >= 2 and re.search(r"\d", text[first.end() : end]):
            sure += 0.2
        if before.rstrip().endswith("@") or before.endswith("@"):
            return 0.0
        if re.match(r"\s?(?:,\s)?(?:you|your|thanks|thank|i love|great)", after):
            sure -= 0.4
        return sure

    def _again(self, text: str, folded: str, names: list[Name], tokens: list[re.Match[str]]) -> list[Name]:
        """Further mentions of a name that was found ("the Sarro" after "Quillon Sarro"), in any case."""
        known = {
            part
            for name in names
            if name.sure >= 0.7
            for part in name.text.lower().split()
            if len(part) >= 3 and part not in self.trim_words and part not in self.common
        }
        out = list(names)
        for token in tokens:
            low = token.group().lower().removesuffix("'s")
            if low in known and not self._in(token.start(), [(name.start, name.end) for name in out]):
                out.append(
                    Name(token.start(), token.start() + len(low), text[token.start() : token.start() + len(low)], 0.6)
                )
        return sorted(out, key=lambda name: name.start)
