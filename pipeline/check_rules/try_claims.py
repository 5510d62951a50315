"""What rules want of their own and of each other's tests: rules that never do anything, and words that two want."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.check_rules.findings import Finding, about
from pipeline.check_rules.try_examples import texts_of
from pipeline.find_values.match_rules import Claim
from pipeline.find_values.reader import LanguageReader
from pipeline.find_values.rule_files import Rule
from pipeline.read_text.bounds import TooMuch
from pipeline.read_text.slots import NAME_OF, SLOT_CHARACTERS


@dataclass(frozen=True, slots=True)
class Attempt:
    """What the rules did on one text: every claim, and by rule id who took, refused or closed something.

    `seen` is the text as patterns see it: small letters, quantities as `{kind}`.
    """

    text: str
    seen: str
    claims: tuple[Claim, ...]
    did: frozenset[str]


def shown(text: str) -> str:
    """An abstract text with its quantities as `{kind}`."""
    return re.sub(rf"([{SLOT_CHARACTERS}])\1*", lambda match: "{" + NAME_OF[match[1]] + "}", text)


class Attempts:
    """The rules of a language with packs laid over them, tried on texts without the role model."""

    def __init__(self, language: str, packs: Sequence[Path]) -> None:
        self._reader = LanguageReader(language, packs, None)
        self._known: dict[str, Attempt] = {}

    def on(self, text: str) -> Attempt:
        """What the rules did on a text."""
        if text not in self._known:
            scene = self._reader.scene(text)
            slots = [sign for sign in set(scene.text) if sign in NAME_OF]
            try:
                claims = self._reader.matcher.claims(scene.text, scene.quantities, scene.spans, slots)
            except TooMuch:
                claims = []
            matches = scene.matches
            did = {one.rule.id for one in matches.taken} | {one.rule.id for one in matches.refused}
            did |= {rule.id for _, _, rule in matches.closed}
            self._known[text] = Attempt(text, shown(scene.text), tuple(claims), frozenset(did))
        return self._known[text]


def idle(rule: Rule, attempts: Attempts) -> Iterator[Finding]:
    """A rule that does nothing on its own tests, or is always beaten there; one without tests."""
    texts = texts_of(rule)
    if not texts:
        kind = "look-alikes" if rule.refuse is not None else "examples"
        yield about(rule, "untested", f"no {kind}: nobody can tell whether it works", todo=f"add `{kind}`")
        return
    tried = [attempts.on(text) for text in texts]
    if any(rule.id in attempt.did for attempt in tried):
        return
    wanting = [(attempt, claim) for attempt in tried for claim in attempt.claims if claim.rule.id == rule.id]
    if not wanting:
        yield about(
            rule,
            "dead",
            f"none of its patterns matches any of its own {len(texts)} tests, the first {texts[0]!r}",
            expected=f"words like {rule.patterns[0].source!r}",
            got=f"what patterns see of it: {tried[0].seen!r}",
            todo="mend the pattern, or give the rule an example of its own",
        )
        return
    attempt, claim = wanting[0]
    beside = [one for one in attempt.claims if one.start < claim.end and claim.start < one.end]
    winners = {one.rule.id for one in beside if one.rule.id in attempt.did and one.rule.id != rule.id}
    yield about(
        rule,
        "beaten",
        f"it never gets the words that it matches: {attempt.text[claim.start : claim.end]!r} in {attempt.text!r}",
        expected=f"a value by {rule.id} (priority {rule.priority})",
        got=f"taken by {', '.join(_with_priority(attempt, sorted(winners))) or 'none'}",
        todo="give it a higher priority, or a longer pattern, or leave it out",
    )


def _with_priority(attempt: Attempt, names: Collection[str]) -> list[str]:
    rules = {claim.rule.id: claim.rule for claim in attempt.claims}
    return [f"{name} (priority {rules[name].priority})" for name in names]


def _shared(one: Claim, other: Claim) -> bool:
    """Whether two claims of different rules want a quantity, or a stretch of words, for different things."""
    if one.rule.id == other.rule.id:
        return False
    mine, theirs = ({quantity.start: role for role, quantity in claim.wants} for claim in (one, other))
    if mine and theirs:
        return any(theirs.get(start, role) != role for start, role in mine.items())
    roles = ({role for role, _ in claim.rule.set} for claim in (one, other))
    overlap = one.start < other.end and other.start < one.end
    return overlap and not mine and not theirs and bool(set.intersection(*roles))


def overlaps(rules: Sequence[Rule], of: Collection[str], attempts: Attempts) -> Iterator[Finding]:
    """Pairs of rules that want the same words of an example for different things; at least one is among `of`.

    A pair is told once, with the first text that shows it and how many do.
    """
    seen: dict[tuple[str, str], list[tuple[Attempt, Claim, Claim]]] = {}
    for rule in rules:
        for text in texts_of(rule):
            attempt = attempts.on(text)
            for place, one in enumerate(attempt.claims):
                for other in attempt.claims[place + 1 :]:
                    if (one.rule.id in of or other.rule.id in of) and _shared(one, other):
                        first, second = sorted((one, other), key=lambda claim: claim.rule.id)
                        seen.setdefault((first.rule.id, second.rule.id), []).append((attempt, first, second))
    for pair, found in seen.items():
        attempt, one, other = found[0]
        mine, theirs = (one, other) if one.rule.id in of else (other, one)
        texts = len({attempt.text for attempt, _, _ in found})
        yield about(
            mine.rule,
            "overlap",
            f"{pair[0]} and {pair[1]} want the same words, as in {attempt.text!r}"
            + (f" and {texts - 1} more" if texts > 1 else ""),
            got=_who_wins(mine, theirs),
        )


def _who_wins(one: Claim, other: Claim) -> str:
    left, right = one.rule, other.rule
    if left.priority != right.priority:
        first, second = (left, right) if left.priority > right.priority else (right, left)
        return f"{first.id} goes first (priority {first.priority} before {second.priority})"
    if left.trusted != right.trusted:
        return f"{(left if left.trusted else right).id} goes first (a pack's rule, both priority {left.priority})"
    return f"both have priority {left.priority}: the one that takes more quantities or words goes first"
