"""Applies a language's rules to one abstract text: which quantity is taken for which role, and what is refused.

Who wins is a named policy, `settle_claims`: a rule of higher priority before one of lower; then the rule that takes
more quantities; then the one that spans more words; then the one that stands first.  A quantity serves once.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.find_values.rule_files import Rule, RuleSet
from pipeline.read_text.quantities import NAME_OF, Quantity
from pipeline.read_text.sentences import Sentence, containing


@dataclass(slots=True)
class Taken:
    """One role with its value: from a quantity, or a constant that the rule sets (`quantity` is None)."""

    role: str
    low: float
    high: float
    start: int
    end: int
    rule: Rule
    unit: str | None = None
    text: str | None = None  # a constant in words
    quantity: Quantity | None = None
    claim: int = 0  # values of one match share it
    gate: Rule | None = None  # the gate that closes its place
    sure: float = 1.0

    @property
    def value(self) -> float:
        """The value, or the midpoint of a range."""
        return (self.low + self.high) / 2


@dataclass(slots=True)
class Refused:
    """Words that a rule turned down."""

    start: int
    end: int
    rule: Rule
    role: str = ""
    quantity: Quantity | None = None


@dataclass(slots=True)
class Claim:
    """One match of one rule: the quantities that it wants, by role."""

    rule: Rule
    start: int
    end: int
    wants: list[tuple[str, Quantity]]
    sentence: Sentence | None


@dataclass(slots=True)
class Matches:
    """What the rules made of one text; `closed` are the stretches that gates close."""

    taken: list[Taken] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    closed: list[tuple[int, int, Rule]] = field(default_factory=list)

    def obey_gates(self) -> None:
        """Turns what stands in a gate's scope into refusals."""
        for taken in self.taken:
            if taken.gate is not None:
                self.refused.append(Refused(taken.start, taken.end, taken.gate, taken.role, taken.quantity))
        self.taken = [taken for taken in self.taken if taken.gate is None]
        self.refused.sort(key=lambda refused: (refused.start, refused.end))


class CompiledRule:
    """A rule with its expressions compiled when they are first needed."""

    __slots__ = ("patterns", "rule", "unless")

    def __init__(self, rule: Rule) -> None:
        self.rule = rule
        self.patterns: list[re.Pattern[str] | None] = [None] * len(rule.patterns)
        self.unless: list[re.Pattern[str]] | None = None

    def matches(self, text: str, present: frozenset[str]) -> list[tuple[re.Match[str], tuple[str, ...]]]:
        """Every match of every pattern whose slots can be there at all."""
        out: list[tuple[re.Match[str], tuple[str, ...]]] = []
        for index, pattern in enumerate(self.rule.patterns):
            if any(need.isdisjoint(present) for need in pattern.needs):
                continue
            compiled = self.patterns[index]
            if compiled is None:
                compiled = self.patterns[index] = re.compile(pattern.expression)
            position = 0
            while match := compiled.search(text, position):
                out.append((match, pattern.roles))
                position = max(match.start() + 1, position + 1)
        return out

    def excused(self, text: str, start: int, end: int) -> bool:
        """True where an `unless` pattern matches in text[start:end]."""
        if not self.rule.unless:
            return False
        if self.unless is None:
            self.unless = [re.compile(pattern.expression) for pattern in self.rule.unless]
        return any(pattern.search(text, start, end) for pattern in self.unless)


class RuleMatcher:
    """The rules of one language, ready to be applied."""

    def __init__(self, rules: RuleSet) -> None:
        self.rules = [CompiledRule(rule) for rule in rules.rules]
        self.gates = [CompiledRule(rule) for rule in rules.gates]

    def match(self, text: str, quantities: Sequence[Quantity], spans: Sequence[Sentence]) -> Matches:
        """The roles and refusals in an abstract text; every span lies in one sentence."""
        present = frozenset(character for character in set(text) if character in NAME_OF)
        by_start = {quantity.start: quantity for quantity in quantities}
        claims: list[Claim] = []
        spans = list(spans)
        for compiled in self.rules:
            for match, roles in compiled.matches(text, present):
                sentence = containing(spans, match.start())
                if sentence is None:
                    sentence = containing(spans, match.end() - 1)
                low, high = (sentence.start, sentence.end) if sentence else (match.start(), match.end())
                if compiled.excused(text, low, max(high, match.end())):
                    continue
                wants = [
                    (role, by_start[match.start(f"g{i}")])
                    for i, role in enumerate(roles)
                    if match.start(f"g{i}") in by_start
                ]
                rule = compiled.rule
                if rule.refuse:
                    wants = [("", by_start[i]) for i in range(match.start(), match.end()) if i in by_start]
                    if not wants:
                        wants = []
                elif len(wants) < len([r for i, r in enumerate(roles) if match.group(f"g{i}")]):
                    continue
                if wants and not rule.refuse:
                    first = wants[0][1].value
                    if (rule.low is not None and first < rule.low) or (rule.high is not None and first > rule.high):
                        continue
                claims.append(Claim(rule, match.start(), match.end(), wants, sentence))
        closed = self._closed(text, spans, present)
        matches = settle_claims(claims, closed)
        matches.closed = closed
        return matches

    def _closed(self, text: str, spans: list[Sentence], present: frozenset[str]) -> list[tuple[int, int, Rule]]:
        """The stretches that gates close, as (start, end, rule)."""
        closed: list[tuple[int, int, Rule]] = []
        for compiled in self.gates:
            rule = compiled.rule
            if rule.scope == "question":
                closed.extend(self._questions(compiled, text, spans))
                continue
            for match, _ in compiled.matches(text, present):
                sentence = containing(spans, match.start())
                if sentence is None:
                    continue
                start, end = sentence.start, sentence.end
                if compiled.excused(text, start, end):
                    continue
                if rule.scope == "response":
                    start, end = 0, len(text)
                elif rule.scope == "clause":
                    start, end = next((c for c in sentence.clauses if c[0] <= match.start() < c[1]), (start, end))
                elif rule.scope == "rest":
                    start = match.start()
                elif rule.scope == "paragraph":
                    start = text.rfind("\n", 0, match.start()) + 1
                    after = text.find("\n", match.end())
                    end = len(text) if after < 0 else after
                elif rule.scope == "span":
                    start, end = match.start(), match.end()
                closed.append((start, end, rule))
        return closed

    @staticmethod
    def _questions(compiled: CompiledRule, text: str, spans: list[Sentence]) -> list[tuple[int, int, Rule]]:
        """A sentence that opens like a question is one; of any other with a question mark only the last clause is."""
        out: list[tuple[int, int, Rule]] = []
        for sentence in spans:
            if not sentence.asks:
                continue
            start, end = sentence.start, sentence.end
            piece = text[start:end]
            opener = next((m for m, _ in compiled.matches(piece, frozenset(NAME_OF))), None)
            if opener is None or opener.start() > len(piece) - len(piece.lstrip()) + 1:
                if len(sentence.clauses) > 1:
                    start = sentence.clauses[-1][0]
                elif opener is not None:
                    start += opener.start()
            out.append((start, end, compiled.rule))
        return out


def settle_claims(claims: list[Claim], closed: Sequence[tuple[int, int, Rule]]) -> Matches:
    """Who wins where several rules want one quantity, and what the gates refuse; see the module's text."""
    result = Matches()
    ordered = sorted(claims, key=lambda c: (-c.rule.priority, -len(c.wants), c.start - c.end, c.start, c.rule.id))
    used: set[int] = set()
    constants: list[tuple[int, int, frozenset[str]]] = []
    for number, claim in enumerate(ordered):
        keys = [quantity.start for _, quantity in claim.wants]
        if any(key in used for key in keys):
            continue
        rule = claim.rule
        if rule.refuse:
            if keys:
                used.update(keys)
                result.refused.extend(
                    Refused(quantity.start, quantity.end, rule, "", quantity) for _, quantity in claim.wants
                )
            else:
                result.refused.append(Refused(claim.start, claim.end, rule))
                constants.append((claim.start, claim.end, frozenset(["*"])))
            continue
        set_roles = frozenset(role for role, _ in rule.set)
        if not keys and any(
            start < claim.end and claim.start < end and ("*" in roles or roles & set_roles)
            for start, end, roles in constants
        ):
            continue
        used.update(keys)
        gate = _gate_over(claim, closed)
        constants.append((claim.start, claim.end, set_roles))
        for role, quantity in claim.wants:
            result.taken.append(
                Taken(
                    role,
                    quantity.low,
                    quantity.high,
                    quantity.start,
                    quantity.end,
                    rule,
                    quantity.unit,
                    None,
                    quantity,
                    number,
                    gate,
                )
            )
        for role, value in rule.set:
            start, end = (claim.start, claim.end)
            if isinstance(value, str):
                result.taken.append(Taken(role, 0, 0, start, end, rule, None, value, None, number, gate))
            else:
                result.taken.append(
                    Taken(role, float(value), float(value), start, end, rule, None, None, None, number, gate)
                )
    result.taken.sort(key=lambda taken: (taken.start, taken.end, taken.role))
    result.refused.sort(key=lambda refused: (refused.start, refused.end))
    return result


def _gate_over(claim: Claim, closed: Sequence[tuple[int, int, Rule]]) -> Rule | None:
    """The gate that closes the place of a claim, if any."""
    places = [quantity.start for _, quantity in claim.wants] or [claim.start]
    roles: set[Any] = {role for role, _ in claim.wants} | {role for role, _ in claim.rule.set}
    for start, end, gate in closed:
        if gate.roles and not gate.roles & roles:
            continue
        if any(start <= place < end for place in places):
            return gate
    return None
