"""What the role model sees of a quantity or of a rule's constant: words around it, its kind and value, rules and gates.

Features are strings, hashed to columns by CRC-32, so that no word list has to be shipped.  Most are a name and a word
("l1=down"): CRC-32 goes on from where the name's ended, so that the string is never put together.
"""

from __future__ import annotations

import math
import re
import zlib
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pipeline.find_values.match_rules import Matches, Taken
from pipeline.read_text.quantities import NAME_OF, SLOT_CHARACTERS, Quantity
from pipeline.read_text.sentences import Sentence

_TOKEN = re.compile(rf"[^\W_{SLOT_CHARACTERS}]+(?:'[^\W_{SLOT_CHARACTERS}]+)?|([{SLOT_CHARACTERS}])\1*|[^\w\s]|\n")
_WORD = re.compile(r"[^\W\d_]{2,}")
RULES_COUNT = 3
"""What rules and gates say weighs this many times a word: it is repeated, which lets it grow under the same penalty."""
_FULL_WORDS = frozenset(
    b"full fully brim top 100 voll plein pleine lleno llena vol fullt cheia cheio pieno piena <hundred>".split()
)
_PERCENT_STEPS = (0, 1, 3, 6, 10, 15, 25, 45, 60, 70, 79, 81, 86, 90.01, 95, 99.9, 100)


def tokens(text: str) -> list[tuple[int, str]]:
    """Offset and text of each token; a quantity is one token, named by its kind."""
    out: list[tuple[int, str]] = []
    for match in _TOKEN.finditer(text):
        piece = match.group()
        out.append((match.start(), f"<{NAME_OF[piece[0]]}>" if piece[0] in NAME_OF else piece))
    return out


def _bucket(quantity: Quantity) -> str:
    value = quantity.value
    if quantity.kind in ("percent", "hundred", "number", "score", "window", "fraction", "points"):
        return f"p{sum(1 for step in _PERCENT_STEPS if value >= step)}"
    if quantity.kind == "year":
        return "y"
    if value != value or value <= 0:
        return "nan"
    return f"l{int(2 * math.log10(value))}"


COLUMNS = 1 << 17
"""Number of hashed columns; a power of two."""
_MASK = COLUMNS - 1
_crc = zlib.crc32


class _Names(dict[str, int]):
    """CRC-32 of each feature's name, from which that of the whole feature goes on; names are few."""

    def __missing__(self, name: str) -> int:
        value = self[name] = _crc(name.encode())
        return value


_NAMES = _Names()


def column(feature: str) -> int:
    """Hashed column of one feature."""
    return _crc(feature.encode()) & _MASK


MOST_KEPT = 1 << 18
"""So many columns are kept in memory; then the memory is emptied, so that it cannot grow with the data."""


class Columns(dict[str, int]):
    """Column of each feature met so far: looking one up costs a fraction of hashing it."""

    def __missing__(self, feature: str) -> int:
        if len(self) >= MOST_KEPT:
            self.clear()
        value = self[feature] = column(feature)
        return value


_COLUMN = Columns()


def _named(name: str, words: Iterable[bytes]) -> list[int]:
    """Columns of the features `name` + word."""
    start = _NAMES[name]
    return [_crc(word, start) & _MASK for word in words]


LEFT = tuple(_NAMES[f"l{number}="] for number in range(1, 5))
RIGHT = tuple(_NAMES[f"r{number}="] for number in range(1, 5))


@dataclass(slots=True)
class _Around:
    """Words around a place, nearest first, and the columns of what they say."""

    left: list[bytes]
    right: list[bytes]
    columns: list[int]
    near: list[tuple[str, bytes]]  # name and words of the features that count for each kind of quantity


class FeatureMaker:
    """Features of the candidates of one response, as columns."""

    def __init__(
        self,
        text: str,
        quantities: Sequence[Quantity],
        spans: Sequence[Sentence],
        matches: Matches,
        folded: str = "",
        quoted: Sequence[tuple[int, int]] = (),
    ) -> None:
        self.text = text
        self.quantities = list(quantities)
        self.spans = list(spans)
        self.tokens = tokens(text)
        self.words = [word.encode() for _, word in self.tokens]
        self.starts = [start for start, _ in self.tokens]
        self.at = {start: index for index, start in enumerate(self.starts)}
        self.claims: dict[int, Taken] = {t.quantity.start: t for t in matches.taken if t.quantity is not None}
        self.served = Counter(taken.claim for taken in self.claims.values())
        self.refusals = {r.quantity.start: r.rule.id for r in matches.refused if r.quantity is not None}
        self.closed = matches.closed
        self.roles = Counter(t.role for t in matches.taken)
        self.kinds = Counter(quantity.kind for quantity in self.quantities)
        self.questions = [folded[start:end] for start, end in quoted if "?" in folded[start:end]]
        self.question_ends = [end for start, end in quoted if "?" in folded[start:end]]
        self._sentences: dict[int, list[int]] = {}
        self._asks: dict[int, list[bytes]] = {}
        self._all = [_COLUMN[f"has={name}"] for name in self.roles]
        self._all.append(_COLUMN[f"n={min(len(self.quantities), 8)}"])

    def _gates(self, start: int) -> list[str]:
        return sorted({rule.id for low, high, rule in self.closed if low <= start < high})

    def _sentence(self, start: int) -> int:
        for index, span in enumerate(self.spans):
            if span.start <= start < span.end:
                return index
        return max(0, len(self.spans) - 1)

    def _between(self, low: int, high: int) -> list[bytes]:
        """The words that begin in a stretch of the text."""
        return self.words[bisect_left(self.starts, low) : bisect_left(self.starts, high)]

    def _clause(self, index: int, start: int) -> tuple[int, int]:
        span = self.spans[index]
        for clause in span.clauses:
            if clause[0] <= start < clause[1]:
                return clause
        return span.start, span.end

    def _asked(self, index: int) -> list[bytes]:
        """The words of the question, own or quoted, that this sentence follows."""
        if index not in self._asks:
            self._asks[index] = [word.encode() for word in set(_WORD.findall(self._question_before(index)))]
        return self._asks[index]

    def _question_before(self, index: int) -> str:
        if not self.spans:
            return ""
        start = self.spans[index].start
        for question, end in zip(self.questions, self.question_ends, strict=True):
            if 0 <= start - end <= 3 or (end <= start and not self.text[end:start].strip()):
                return question
        if index == 0 or not self.spans[index - 1].asks:
            return ""
        return self.text[self.spans[index - 1].start : self.spans[index - 1].end]

    def _around(self, first: int, last: int) -> _Around:
        """Words to the left of token `first` and to the right of token `last`."""
        words, count = self.words, len(self.words)
        left = [words[i] if i >= 0 else b"^" for i in range(first - 1, first - 6, -1)]
        right = [words[i] if i < count else b"$" for i in range(last + 1, last + 6)]
        l1, l2, l3, r1, r2, r3 = *left[:3], *right[:3]
        near = [
            ("l1=", l1), ("l2=", l2), ("r1=", r1), ("r2=", r2), ("l21=", l2 + b" " + l1), ("r12=", r1 + b" " + r2),
            ("lr=", l1 + b" " + r1), ("l321=", l3 + b" " + l2 + b" " + l1), ("r123=", r1 + b" " + r2 + b" " + r3),
        ]  # fmt: skip
        out = [_crc(word, _NAMES[name]) & _MASK for name, word in near]
        out += [_crc(left[2], LEFT[2]) & _MASK, _crc(left[3], LEFT[3]) & _MASK]
        out += [_crc(right[2], RIGHT[2]) & _MASK, _crc(right[3], RIGHT[3]) & _MASK]
        sides = _named("L=", set(left)) + _named("R=", set(right))
        return _Around(left, right, out + sides, near)

    def _of_sentence(self, index: int) -> list[int]:
        """The sentence: whether it asks, its words; and the gates of its neighbours."""
        if index in self._sentences:
            return self._sentences[index]
        out: list[int] = []
        if self.spans:
            span = self.spans[index]
            words = self._between(span.start, span.end)
            out = [_COLUMN[f"asks={span.asks}"], *_named("S=", set(words)), *_named("open=", [b" ".join(words[:2])])]
            for step, name in ((-1, "before"), (1, "after")):
                if 0 <= index + step < len(self.spans):
                    other = self.spans[index + step]
                    out += [
                        _COLUMN[f"{name}:{rule.id}"] for low, high, rule in self.closed if low <= other.start < high
                    ]
                    out.append(_COLUMN[f"{name}:asks={other.asks}"])
        out.append(_COLUMN[f"sentences={min(len(self.spans), 6)}"])
        self._sentences[index] = out
        return out

    def full_near(self, start: int) -> str:
        """Whether "full" or 100 is said in the clause or in the sentence of a frequency."""
        index = self._sentence(start)
        span = self.spans[index]
        for low, high, name in ((*self._clause(index, start), "clause"), (span.start, span.end, "sentence")):
            if not _FULL_WORDS.isdisjoint(self._between(low, high)):
                return name
        return "no"

    def of_quantity(self, number: int) -> list[int]:
        """Columns of the features of the quantity with this index; a feature that counts more stands there often."""
        quantity = self.quantities[number]
        start, kind = quantity.start, quantity.kind
        token = self.at.get(start, 0)
        bucket = _bucket(quantity)
        claim = self.claims.get(start)
        role = claim.role if claim else "-"
        rule = claim.rule.id if claim else self.refusals.get(start, "-")
        gates = self._gates(start)
        index = self._sentence(start)
        said = [f"role={role}", f"rule={rule}", f"rk={role} {kind}", f"rv={role} {bucket}"]
        said += [f"gate={gate}" for gate in gates]
        if claim and self.served[claim.claim] > 1:
            said.append(f"pair={rule}")
        if kind == "frequency":
            said.append(f"full-near={self.full_near(start)}")
        few = [
            "bias",
            f"kind={kind}",
            f"unit={quantity.unit}",
            f"v={bucket}",
            f"kv={kind} {bucket}",
            *said * RULES_COUNT,
        ]
        few += [f"mark={mark}" for mark in sorted(quantity.marks)]
        few += [f"{role}|gate={gate}" for gate in gates]
        few += self._beside(number, kind, index)
        few.append(f"same={kind} {min(self.kinds[kind], 4)}")
        few.append(f"claimed={role} {min(self.roles[role], 3)}")
        out = [_COLUMN[feature] for feature in few]
        around = self._around(token, token)
        out += around.columns
        out += [_crc(word, _NAMES[f"{kind}|{name}"]) & _MASK for name, word in around.near if name != "l321="]
        out += _named(f"{kind}|L=", set(around.left)) + _named(f"{kind}|R=", set(around.right))
        out += [
            _crc(around.left[0], _NAMES[f"{role}|l1="]) & _MASK,
            _crc(around.left[1], _NAMES[f"{role}|l2="]) & _MASK,
        ]
        out += self._of_sentence(index)
        if self.spans:
            clause = self._between(*self._clause(index, start))
            out += _named("C=", clause) + _named(f"{kind}|C=", clause)
        asked = self._asked(index)
        if asked:
            out += _named("asked=", asked) + _named(f"{kind}|asked=", asked)
        return out + self._all

    def _beside(self, number: int, kind: str, index: int) -> list[str]:
        """What the quantities beside this one are."""
        quantity = self.quantities[number]
        out = []
        for step in (-2, -1, 1, 2):
            if not 0 <= number + step < len(self.quantities):
                out.append(f"q{step}=none")
                continue
            other = self.quantities[number + step]
            mine = self.claims.get(other.start)
            out.append(f"q{step}={other.kind}")
            out.append(f"q{step}r={mine.role if mine else self.refusals.get(other.start, '-')}")
            if abs(step) == 1:
                same = "same" if self._sentence(other.start) == index else "other"
                out.append(f"q{step}k={kind} {other.kind} {same}")
                if other.kind == kind and other.value and quantity.value:
                    less, equal = quantity.value < other.value, quantity.value == other.value
                    out.append(f"q{step}c={'<' if less else '=' if equal else '>'} {kind}")
        return out

    def of_constant(self, taken: Taken) -> list[int]:
        """Columns of the features of a constant that a rule sets without a quantity."""
        first = min(bisect_left(self.starts, taken.start), len(self.tokens) - 1)
        last = max(bisect_left(self.starts, taken.end) - 1, 0)
        if last < 0 or not self.starts or self.starts[0] >= taken.end:
            last = first
        value = taken.text if taken.text is not None else f"{taken.value:g}"
        head = f"{taken.role}={value}"
        around = self._around(first, last)
        inside = self._between(taken.start, taken.end)
        out = [_COLUMN["bias"], _COLUMN[f"role={head}"], _COLUMN[f"rule={taken.rule.id}"]]
        out += around.columns
        far = [("l3=", around.left[2]), ("l4=", around.left[3]), ("r3=", around.right[2]), ("r4=", around.right[3])]
        out += [_crc(word, _NAMES[f"{head}|{name}"]) & _MASK for name, word in (*around.near, *far)]
        out += _named(f"{head}|L=", set(around.left)) + _named(f"{head}|R=", set(around.right))
        out += _named("in=", inside) + _named(f"{head}|in=", [b" ".join(inside[:4])])
        out += self._scene_of_constant(taken.start, head)
        return out + self._all

    def _scene_of_constant(self, start: int, head: str) -> list[int]:
        """The sentence of a constant with its gates, by itself and with what the constant is."""
        index = self._sentence(start)
        words: list[tuple[str, bytes]] = [("sentences=", str(min(len(self.spans), 6)).encode())]
        words += [("gate=", gate.encode()) for gate in self._gates(start)]
        if self.spans:
            span = self.spans[index]
            said = self._between(span.start, span.end)
            words += [("asks=", str(span.asks).encode()), ("open=", b" ".join(said[:2]))]
            words += [("S=", word) for word in set(said)]
            words += [("C=", word) for word in self._between(*self._clause(index, start))]
            for step, name in ((-1, "before:"), (1, "after:")):
                if 0 <= index + step < len(self.spans):
                    other = self.spans[index + step]
                    words += [(name, rule.id.encode()) for low, high, rule in self.closed if low <= other.start < high]
                    words.append((name + "asks=", str(other.asks).encode()))
        out = [_crc(word, _NAMES[name]) & _MASK for name, word in words]
        return out + [_crc(word, _NAMES[f"{head}|{name}"]) & _MASK for name, word in words]
