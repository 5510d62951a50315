"""Applies a language's rules to one abstract text: which quantity is taken for which role, and what is refused.

Who wins is a named policy, `settle_claims`: a rule of higher priority before one of lower; then a trusted rule (of a
user's pack) before others; then the rule that takes more quantities; then the one that spans more words; then the one
that stands first.  A quantity serves once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.find_values.pattern_index import PatternIndex
from pipeline.find_values.patterns import Pattern, compiled
from pipeline.find_values.rule_files import Rule, RuleSet
from pipeline.read_text.bounds import MOST_MATCHES, TooMuch
from pipeline.read_text.quantities import Quantity
from pipeline.read_text.sentences import Sentence, containing
from pipeline.read_text.slots import NAME_OF


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


NEVER_ALONE = frozenset(("year", "chemistry", "pack", "age", "months", "loss_origin"))
"""Roles that make no report by themselves (labelling guide, "When there is a report")."""


class RuleMatcher:
    """The rules of one language, ready to be applied."""

    def __init__(self, rules: RuleSet) -> None:
        gates = [rule for rule in rules.gates if rule.scope != "question"]
        self.fields = {field.name: field for field in rules.fields}
        self._with_units = frozenset(field.name for field in rules.fields if field.units)
        self.never_alone = NEVER_ALONE | {field.name for field in rules.fields if not field.alone}
        self.telling = _telling(rules)
        self.rules = [rule for rule in rules.rules for _ in rule.patterns]
        self.gates = [rule for rule in gates for _ in rule.patterns]
        self.questions = [rule for rule in rules.gates if rule.scope == "question"]
        self._order = {rule.id: place for place, rule in enumerate(rules.gates)}
        self._index = _index(rules.rules)
        self._gate_index = _index(gates)
        self._ready: dict[int, list[re.Pattern[str]]] = {}
        self._setting = sum(
            1 << number
            for number, rule in enumerate(self.rules)
            if not rule.refuse and any(role not in self.never_alone for role, _ in rule.set)
        )

    def may_set(self, words: set[str]) -> bool:
        """Whether a rule that needs no quantity could report something from these words."""
        return bool(self._index.possible(words) & self._setting)

    def _compiled(self, rule: Rule, patterns: Sequence[Pattern]) -> list[re.Pattern[str]]:
        """A rule's patterns as compiled expressions, made once."""
        ready = self._ready.get(id(patterns))
        if ready is None:
            where = rule.where
            ready = self._ready[id(patterns)] = [compiled(p.source, p.expression, where) for p in patterns]
        return ready

    def _excused(self, rule: Rule, text: str, start: int, end: int) -> bool:
        """True where an `unless` pattern of the rule matches in text[start:end]."""
        if not rule.unless:
            return False
        return any(expression.search(text, start, end) for expression in self._compiled(rule, rule.unless))

    def match(self, text: str, quantities: Sequence[Quantity], spans: Sequence[Sentence]) -> Matches:
        """The roles and refusals in an abstract text; every span lies in one sentence."""
        slots = [character for character in set(text) if character in NAME_OF]
        claims = self.claims(text, quantities, spans, slots)
        closed = self._closed(text, spans, slots)
        matches = settle_claims(claims, closed)
        matches.closed = closed
        return matches

    def claims(
        self, text: str, quantities: Sequence[Quantity], spans: Sequence[Sentence], slots: Sequence[str]
    ) -> list[Claim]:
        """What each rule wants of an abstract text, before it is settled who gets it."""
        by_start = {quantity.start: quantity for quantity in quantities}
        claims: list[Claim] = []
        found = self._index.matches(text, slots)
        if len(found) > MOST_MATCHES:
            raise TooMuch(f"more than {MOST_MATCHES:,} matches of rules: no sentence of anybody")
        for number, match in found:
            rule = self.rules[number]
            sentence = containing(spans, match.start())
            if sentence is None:
                sentence = containing(spans, match.end() - 1)
            low, high = (sentence.start, sentence.end) if sentence else (match.start(), match.end())
            if self._excused(rule, text, low, max(high, match.end())):
                continue
            claim = _claim(rule, match, self._index.entries[number].pattern.roles, by_start, sentence)
            if claim is not None and (not self._with_units or self._in_unit(claim)):
                claims.append(claim)
        return claims

    def _in_unit(self, claim: Claim) -> bool:
        """Whether every quantity that a declared field wants is said in a unit of that field."""
        return all(self.fields[role].fits(quantity) for role, quantity in claim.wants if role in self._with_units)

    def _closed(self, text: str, spans: Sequence[Sentence], slots: Sequence[str]) -> list[tuple[int, int, Rule]]:
        """The stretches that gates close, as (start, end, rule), in the order of the gates."""
        closed = [
            (self._order[rule.id], start, end, rule)
            for rule in self.questions
            for start, end in self._asking(rule, text, spans)
        ]
        for number, match in self._gate_index.matches(text, slots):
            rule = self.gates[number]
            sentence = containing(spans, match.start())
            if sentence is None or self._excused(rule, text, sentence.start, sentence.end):
                continue
            closed.append((self._order[rule.id], *_scope(rule, match, text, sentence), rule))
        closed.sort(key=lambda entry: entry[0])
        return [entry[1:] for entry in closed]

    def _asking(self, rule: Rule, text: str, spans: Sequence[Sentence]) -> Iterator[tuple[int, int]]:
        """A sentence that opens like a question is one; of any other with a question mark only the last clause is."""
        for sentence in spans:
            if not sentence.asks:
                continue
            start, end = sentence.start, sentence.end
            piece = text[start:end]
            opener = next((m for e in self._compiled(rule, rule.patterns) if (m := e.search(piece))), None)
            if opener is None or opener.start() > len(piece) - len(piece.lstrip()) + 1:
                if len(sentence.clauses) > 1:
                    start = sentence.clauses[-1][0]
                elif opener is not None:
                    start += opener.start()
            yield start, end


_GROUPS = tuple(f"g{number}" for number in range(32))
"""The names of a pattern's groups, in the order of its roles."""


def _telling(rules: RuleSet) -> frozenset[str]:
    """The kinds of quantities that can make a report by a field that a pack declares."""
    alone = {field.name for field in rules.fields if field.alone}
    return frozenset(
        kind
        for rule in (rules.rules if alone else ())
        for pattern in rule.patterns
        for role, kinds in zip(pattern.roles, pattern.kinds, strict=True)
        if role in alone
        for kind in kinds
    )


def _index(rules: Sequence[Rule]) -> PatternIndex:
    return PatternIndex((pattern, rule.where) for rule in rules for pattern in rule.patterns)


def _claim(
    rule: Rule, match: re.Match[str], roles: Sequence[str], by_start: Mapping[int, Quantity], sentence: Sentence | None
) -> Claim | None:
    """What a match wants, or None where a value is missing or out of the rule's bounds."""
    if rule.refuse:
        wants = [("", by_start[i]) for i in range(match.start(), match.end()) if i in by_start]
        return Claim(rule, match.start(), match.end(), wants, sentence)
    wants = []
    for name, role in zip(_GROUPS, roles, strict=False):
        quantity = by_start.get(match.start(name))
        if quantity is not None:
            wants.append((role, quantity))
        elif match.group(name):
            return None
    if wants:
        first = wants[0][1].value
        if (rule.low is not None and first < rule.low) or (rule.high is not None and first > rule.high):
            return None
    return Claim(rule, match.start(), match.end(), wants, sentence)


def _scope(rule: Rule, match: re.Match[str], text: str, sentence: Sentence) -> tuple[int, int]:
    """The stretch that a gate closes around its match."""
    start, end = sentence.start, sentence.end
    if rule.scope == "response":
        return 0, len(text)
    if rule.scope == "clause":
        return next((c for c in sentence.clauses if c[0] <= match.start() < c[1]), (start, end))
    if rule.scope == "rest":
        return match.start(), end
    if rule.scope == "paragraph":
        after = text.find("\n", match.end())
        return text.rfind("\n", 0, match.start()) + 1, len(text) if after < 0 else after
    if rule.scope == "span":
        return match.span()
    return start, end


def settle_claims(claims: list[Claim], closed: Sequence[tuple[int, int, Rule]]) -> Matches:
    """Who wins where several rules want one quantity, and what the gates refuse; see the module's text."""
    result = Matches()
    ordered = sorted(
        claims,
        key=lambda c: (-c.rule.priority, not c.rule.trusted, -len(c.wants), c.start - c.end, c.start, c.rule.id),
    )
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
