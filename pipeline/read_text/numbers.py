"""Numbers as people write them: separators, decimals, words.

`1,234` and `1.234` are ambiguous; the caller says whether a thousands reading is likely (a distance) or not (a
percentage).  Number words follow the language's lists; colloquial hundreds ("two sixty-six" = 266) count.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

DIGITS = r"(?:\d{1,3}(?:[ ,.']\d{3})+(?:[.,]\d{1,2})?(?![\d])|\d+(?:[.,]\d+)?(?!\d)|(?<![\d\w])[.]\d+)"
"""Regular expression source for a number in digits, with or without separators."""

MOST_WORDS = 24
"""A number in words has fewer words than this; only so many are tried."""
_GROUPS = re.compile(r"\d{1,3}(?:[ ,.']\d{3})+")


def parse_digits(raw: str, *, thousands: bool) -> float:
    """The value of a number in digits.

    `thousands` decides `1.234` and `1,234` (one separator, exactly three digits behind it): 1234 if true, 1.234 if
    false.  Spaces and apostrophes are always thousands; with two kinds of separator the last one is the decimal mark.
    """
    plain = raw.replace(" ", "").replace("'", "")
    grouped_by_space = plain != raw
    dot, comma = plain.rfind("."), plain.rfind(",")
    if dot >= 0 and comma >= 0:
        decimal, group = (".", ",") if dot > comma else (",", ".")
        return float(plain.replace(group, "").replace(decimal, "."))
    mark = "." if dot >= 0 else "," if comma >= 0 else ""
    if not mark:
        return float(plain)
    if plain.count(mark) > 1:
        return float(plain.replace(mark, ""))
    before, after = plain.split(mark)
    if len(after) == 3 and thousands and not grouped_by_space and before not in ("", "0") and len(before) <= 3:
        return float(before + after)
    return float(f"{before or 0}.{after}")


@dataclass(slots=True)
class NumberWords:
    """A language's number words and the expression that finds them."""

    ones: Mapping[str, int]
    tens: Mapping[str, int]
    hundred: tuple[str, ...]
    thousand: tuple[str, ...]
    one: tuple[str, ...]
    joiners: tuple[str, ...]
    half: tuple[str, ...]
    quarter: tuple[str, ...]
    tens_after_ones: bool = False  # German and Dutch: "zweiundsiebzig"
    compounds: bool = False  # words written together
    hundreds: Mapping[str, int] = field(default_factory=dict)  # "doscientos"
    source: str = ""
    _known: dict[str, tuple[str, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for words, kind in ((self.ones, "u"), (self.tens, "t"), (self.hundreds, "c")):
            for word, value in words.items():
                self._known[word] = (kind, value)
        for word in self.hundred:
            self._known[word] = ("h", 100)
        for word in self.thousand:
            self._known[word] = ("k", 1000)
        for word in self.joiners:
            self._known[word] = ("&", 0)
        if not self._known:
            return
        by_length = sorted(self._known, key=lambda word: (-len(word), word))
        any_word = "|".join(re.escape(word) for word in by_length)
        starters = "|".join(re.escape(word) for word in by_length if self._known[word][0] != "&")
        big = "|".join(re.escape(word) for word in (*self.hundred, *self.thousand))
        articles = "|".join(re.escape(word) for word in self.one)
        article = rf"(?:(?:{articles})[ ](?=(?:{big})(?!\w)))?" if articles and big else ""
        joint = "[ -]?" if self.compounds else "[ -]"
        tail = rf"(?:{joint}(?:{any_word})){{0,{MOST_WORDS}}}"
        if self.compounds:
            self.source = rf"(?<!\w){article}(?:{starters}){tail}(?!\w)"
        else:
            self.source = rf"(?<!\w){article}(?:{starters})(?!\w)(?:{joint}(?:{any_word})(?!\w)){{0,{MOST_WORDS}}}"

    def split(self, raw: str) -> list[str] | None:
        """The words of `raw`; for languages that write them together, the longest known pieces, or None."""
        out: list[str] = []
        for piece in self._joined(re.split(r"[ -]+", raw)):
            if not self.compounds or piece in self._known or piece in self.one:
                out.append(piece)
                continue
            position = 0
            while position < len(piece):
                for size in range(min(14, len(piece) - position), 1, -1):
                    if piece[position : position + size] in self._known:
                        out.append(piece[position : position + size])
                        position += size
                        break
                else:
                    return None
        return out

    def _joined(self, pieces: list[str]) -> list[str]:
        """The pieces, those together that the lists know only together: "quatre-vingt", "dix-sept"."""
        out: list[str] = []
        position = 0
        while position < len(pieces):
            size = next(
                (
                    n
                    for n in (3, 2)
                    if "-".join(pieces[position : position + n]) in self._known and position + n <= len(pieces)
                ),
                1,
            )
            out.append("-".join(pieces[position : position + size]))
            position += size
        return out

    def longest(self, raw: str) -> tuple[str, float] | None:
        """The longest beginning of `raw` that makes one number, without words of joining at its end."""
        ends = [match.start() for match in re.finditer(r"[ -]", raw)] + [len(raw)]
        ends = ends[:MOST_WORDS]
        for end in reversed(ends):
            piece = raw[:end]
            if re.split(r"[ -]", piece)[-1] in self.joiners:
                continue
            value = self.parse(piece)
            if value is not None:
                return piece, value
        return None

    def parse(self, raw: str) -> float | None:
        """The value of number words, or None where they make no number ("one and two")."""
        words = self.split(raw)
        if words is None:
            return None
        if len(words) > 1 and words[0] in self.one and self._known.get(words[1], ("?", 0))[0] in ("u", "t"):
            words = words[1:]  # an article before the number: "un treinta por ciento"
        total = group = 0
        last = ""
        seen = False
        for word in words:
            if word in self.one and word not in self._known:
                group, last, seen = 1, "u", True
                continue
            kind, value = self._known.get(word, ("?", 0))
            if kind == "?":
                return None
            if kind == "&":
                continue
            if kind == "k":
                total += max(group, 1) * 1000
                group = 0
            elif kind == "h":
                group = max(group, 1) * 100
            elif kind == "c":
                group += value
            elif kind == "t":
                if last == "t":
                    return None
                if self.tens_after_ones:
                    group += value
                else:
                    # "two sixty-six" is 266; "nineteen ninety" is left alone
                    group = group * 100 + value if last == "u" and 0 < group < 10 else group + value
            elif last == "u" and group:
                return None
            else:
                group += value
            last, seen = kind, True
        return float(total + group) if seen else None
