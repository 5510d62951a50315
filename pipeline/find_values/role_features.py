"""What the role model sees of a quantity or of a rule's constant: words around it, its kind and value, rules and gates.

Features are strings, hashed to columns by CRC-32 (`role_model.COLUMNS`), so that no word list has to be shipped.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from pipeline.find_values.match_rules import Matches, Taken
from pipeline.read_text.quantities import NAME_OF, SLOT_CHARACTERS, Quantity
from pipeline.read_text.sentences import Sentence

_TOKEN = re.compile(rf"[^\W_{SLOT_CHARACTERS}]+(?:'[^\W_{SLOT_CHARACTERS}]+)?|([{SLOT_CHARACTERS}])\1*|[^\w\s]|\n")
_WORD = re.compile(r"[^\W\d_]{2,}")
RULES_COUNT = 3
"""What rules and gates say weighs this many times a word: it is repeated, which lets it grow under the same penalty."""
_FULL_WORDS = frozenset(
    [
        "full",
        "fully",
        "brim",
        "top",
        "100",
        "voll",
        "plein",
        "pleine",
        "lleno",
        "llena",
        "vol",
        "fullt",
        "full",
        "cheia",
        "cheio",
        "pieno",
        "piena",
    ]
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


class FeatureMaker:
    """Features of the candidates of one response."""

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
        self.at = {start: index for index, (start, _) in enumerate(self.tokens)}
        self.claims: dict[int, Taken] = {t.quantity.start: t for t in matches.taken if t.quantity is not None}
        self.refusals = {r.quantity.start: r.rule.id for r in matches.refused if r.quantity is not None}
        self.closed = matches.closed
        self.roles = [t.role for t in matches.taken]
        self.questions = [folded[start:end] for start, end in quoted if "?" in folded[start:end]]
        self.question_ends = [end for start, end in quoted if "?" in folded[start:end]]

    def _gates(self, start: int) -> list[str]:
        return sorted({rule.id for low, high, rule in self.closed if low <= start < high})

    def _sentence(self, start: int) -> int:
        for index, span in enumerate(self.spans):
            if span.start <= start < span.end:
                return index
        return max(0, len(self.spans) - 1)

    def _asked(self, index: int) -> list[str]:
        """The words of the question, own or quoted, that this sentence follows."""
        if not self.spans:
            return []
        start = self.spans[index].start
        for question, end in zip(self.questions, self.question_ends, strict=True):
            if 0 <= start - end <= 3 or (end <= start and not self.text[end:start].strip()):
                found = question
                break
        else:
            if index == 0 or not self.spans[index - 1].asks:
                return []
            found = self.text[self.spans[index - 1].start : self.spans[index - 1].end]
        return [f"asked={word}" for word in set(_WORD.findall(found))]

    def _around(self, first: int, last: int) -> list[str]:
        """Words to the left of token `first` and to the right of token `last`."""
        words = [word for _, word in self.tokens]
        left = [words[i] if i >= 0 else "^" for i in range(first - 1, first - 6, -1)]
        right = [words[i] if i < len(words) else "$" for i in range(last + 1, last + 6)]
        out = [f"l{i + 1}={w}" for i, w in enumerate(left[:4])] + [f"r{i + 1}={w}" for i, w in enumerate(right[:4])]
        out += [
            f"l21={left[1]} {left[0]}",
            f"r12={right[0]} {right[1]}",
            f"lr={left[0]} {right[0]}",
            f"l321={left[2]} {left[1]} {left[0]}",
            f"r123={right[0]} {right[1]} {right[2]}",
        ]
        out += [f"L={w}" for w in set(left)] + [f"R={w}" for w in set(right)]
        return out

    def _scene(self, start: int) -> list[str]:
        """The sentence: its gates, whether it asks, its words; and the gates of its neighbours."""
        index = self._sentence(start)
        out: list[str] = []
        if self.spans:
            span = self.spans[index]
            out.append(f"asks={span.asks}")
            clause = next((c for c in span.clauses if c[0] <= start < c[1]), (span.start, span.end))
            words = {w for s, w in self.tokens if span.start <= s < span.end}
            out += [f"S={w}" for w in words]
            out += [f"C={w}" for s, w in self.tokens if clause[0] <= s < clause[1]]
            opening = [w for s, w in self.tokens if span.start <= s < span.end][:2]
            out.append("open=" + " ".join(opening))
            for step, name in ((-1, "before"), (1, "after")):
                if 0 <= index + step < len(self.spans):
                    other = self.spans[index + step]
                    out += [f"{name}:{rule.id}" for low, high, rule in self.closed if low <= other.start < high]
                    out.append(f"{name}:asks={other.asks}")
        out.append(f"sentences={min(len(self.spans), 6)}")
        return out

    def full_near(self, start: int) -> str:
        """Whether "full" or 100 is said in the clause or in the sentence of a frequency."""
        span = self.spans[self._sentence(start)]
        clause = next((c for c in span.clauses if c[0] <= start < c[1]), (span.start, span.end))
        for low, high, name in ((*clause, "clause"), (span.start, span.end, "sentence")):
            if any(low <= s < high and (w in _FULL_WORDS or w == "<hundred>") for s, w in self.tokens):
                return name
        return "no"

    def of_quantity(self, number: int) -> list[str]:
        """Features of the quantity with this index."""
        quantity = self.quantities[number]
        token = self.at.get(quantity.start, 0)
        bucket = _bucket(quantity)
        kind = quantity.kind
        claim = self.claims.get(quantity.start)
        role = claim.role if claim else "-"
        rule = claim.rule.id if claim else self.refusals.get(quantity.start, "-")
        around = self._around(token, token)
        out = ["bias", f"kind={kind}", f"unit={quantity.unit}", f"v={bucket}", f"kv={kind} {bucket}"]
        said_by_rules = [f"role={role}", f"rule={rule}", f"rk={role} {kind}", f"rv={role} {bucket}"]
        said_by_rules += [f"gate={gate}" for gate in self._gates(quantity.start)]
        if claim and sum(1 for other in self.claims.values() if other.claim == claim.claim) > 1:
            said_by_rules.append(f"pair={rule}")
        if kind == "frequency":
            said_by_rules.append(f"full-near={self.full_near(quantity.start)}")
        out += said_by_rules * RULES_COUNT
        out += [f"mark={mark}" for mark in sorted(quantity.marks)]
        out += around
        out += [f"{kind}|{feature}" for feature in around if feature[1] in "12=" or feature[:2] in ("lr",)]
        out += [f"{role}|{feature}" for feature in around[:2]]
        scene = self._scene(quantity.start)
        out += scene
        asked = self._asked(self._sentence(quantity.start))
        out += asked + [f"{kind}|{feature}" for feature in asked]
        out += [f"{role}|gate={gate}" for gate in self._gates(quantity.start)]
        out += [f"{kind}|{feature}" for feature in scene if feature.startswith("C=")]
        for step in (-2, -1, 1, 2):
            if 0 <= number + step < len(self.quantities):
                other = self.quantities[number + step]
                mine = self.claims.get(other.start)
                out.append(f"q{step}={other.kind}")
                out.append(f"q{step}r={mine.role if mine else self.refusals.get(other.start, '-')}")
                if abs(step) == 1:
                    same = "same" if self._sentence(other.start) == self._sentence(quantity.start) else "other"
                    out.append(f"q{step}k={kind} {other.kind} {same}")
                    if other.kind == kind and other.value and quantity.value:
                        out.append(
                            f"q{step}c={'<' if quantity.value < other.value else '=' if quantity.value == other.value else '>'} {kind}"  # noqa: E501
                        )
            else:
                out.append(f"q{step}=none")
        out.append(f"n={min(len(self.quantities), 8)}")
        out.append(f"same={kind} {min(sum(1 for q in self.quantities if q.kind == kind), 4)}")
        out.append(f"claimed={role} {min(self.roles.count(role), 3)}")
        out += [f"has={name}" for name in set(self.roles)]
        return out

    def of_constant(self, taken: Taken) -> list[str]:
        """Features of a constant that a rule sets without a quantity."""
        first = next((i for i, (s, _) in enumerate(self.tokens) if s >= taken.start), len(self.tokens) - 1)
        last = max([i for i, (s, _) in enumerate(self.tokens) if s < taken.end] or [first])
        value = taken.text if taken.text is not None else f"{taken.value:g}"
        head = f"{taken.role}={value}"
        around = self._around(first, last)
        inside = [w for s, w in self.tokens if taken.start <= s < taken.end]
        out = ["bias", f"role={head}", f"rule={taken.rule.id}"]
        out += around + [f"{head}|{feature}" for feature in around]
        out += [f"in={w}" for w in inside] + [f"{head}|in={' '.join(inside[:4])}"]
        scene = self._scene(taken.start) + [f"gate={gate}" for gate in self._gates(taken.start)]
        out += scene + [f"{head}|{feature}" for feature in scene]
        out += [f"has={name}" for name in set(self.roles)]
        out.append(f"n={min(len(self.quantities), 8)}")
        return out
