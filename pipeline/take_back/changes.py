"""What has changed between the readings of a kept run and those of a new one, and how far each change can reach."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache

from pipeline.read_text.slots import SLOT_CHARACTERS
from pipeline.read_text.wordings import phrases_of
from pipeline.take_back.fingerprints import LanguagePrint, Readings, RulePrint

Phrases = tuple[tuple[str, ...], ...]
"""Wordings as the words that each cannot do without: one wording at least must be in a text, with all of its words."""

_SLOTS = frozenset(SLOT_CHARACTERS)
NEWER_OR_OLDER = "the kept run does not say what its readings hang on"


@dataclass(frozen=True, slots=True)
class RuleChange:
    """One rule that was added, changed or removed; a text that meets none of `needs` reads the same without it.

    `needs` are those of the old and the new rule together: one entry a pattern, the phrases of each of its
    parts, of which one at least must be in a text.
    """

    language: str
    rule: str
    how: str
    needs: tuple[tuple[Phrases, ...], ...]

    @property
    def bounded(self) -> bool:
        """Whether its reach can be told from words: every pattern needs some."""
        return all(self.needs)


@dataclass(slots=True)
class Changes:
    """How the new readings differ.  `everything` and `languages` say why all, or all of a language, are read again.

    `vehicles` says that another vehicle list counts, which can touch responses with reports alone.
    """

    everything: str = ""
    languages: dict[str, str] = field(default_factory=dict)
    rules: list[RuleChange] = field(default_factory=list)
    vehicles: bool = False

    def __bool__(self) -> bool:
        return bool(self.everything or self.languages or self.rules or self.vehicles)

    def told(self) -> list[str]:
        """One line a change, for people."""
        if self.everything:
            return [f"everything is read again: {self.everything}"]
        out = [f"every response in {code} is read again: {why}" for code, why in sorted(self.languages.items())]
        out += [f"rule {change.rule} ({change.language}) {change.how}" for change in self.rules]
        if self.vehicles:
            out.append("the vehicle list is another: every response with a report is read again")
        return out


def changes_between(old: Readings | None, new: Readings) -> Changes:
    """What has to be read again where `old` was read and `new` is wanted; None: nothing is known of the old."""
    found = Changes()
    if old is None:
        found.everything = NEWER_OR_OLDER
        return found
    found.vehicles = old.vehicles != new.vehicles
    if old.program != new.program:
        changed = sorted(
            name for name in {*old.program, *new.program} if old.program.get(name) != new.program.get(name)
        )
        found.everything = "other " + ", ".join(_PROGRAM.get(name, name) for name in changed)
        return found
    fields = {name for name in {*old.fields, *new.fields} if old.fields.get(name) != new.fields.get(name)}
    for code, now in new.languages.items():
        before = old.languages.get(code)
        if before is None:
            continue  # no response was read in it: those that now are have changed their language
        if before.lexicon != now.lexicon:
            found.languages[code] = "its word classes have changed"
        elif before.telling != now.telling:
            found.languages[code] = "a declared field makes reports of other kinds of quantities"
        else:
            _compare_rules(code, before, now, fields, found)
    return found


_PROGRAM = {
    "code": "program (the part that reads)",
    "model": "model",
    "reader": "reader",
    "built-in": "version of the built-in rules",
    "python": "version of Python",
    **{name: f"version of {name}" for name in ("spacy", "quantulum3", "regex", "numpy", "scipy")},
}


def _compare_rules(code: str, before: LanguagePrint, now: LanguagePrint, fields: set[str], found: Changes) -> None:
    moved = _moved_gates(before, now)
    for name in sorted({*before.rules, *now.rules}):
        old, new = before.rules.get(name), now.rules.get(name)
        both = [one for one in (old, new) if one is not None]
        if old is None:
            how = "added"
        elif new is None:
            how = "removed"
        elif old.sha256 != new.sha256 or old.gate != new.gate:
            how = "changed"
        elif fields.intersection(new.roles):
            how = "unchanged, but its field is declared otherwise"
        elif name in moved:
            how = "moved among the gates"
        else:
            continue
        change = RuleChange(code, name, how, (*_needs(old, before), *_needs(new, now)))
        if any(one.everywhere for one in both) or not change.bounded:
            found.languages.setdefault(code, f"rule {name} was {how}, and what it can touch cannot be told")
        found.rules.append(change)


def _needs(rule: RulePrint | None, language: LanguagePrint) -> Iterator[tuple[Phrases, ...]]:
    for numbers in rule.needs if rule is not None else ():
        parts = {phrases_needed(*language.parts[number]) for number in numbers}
        yield tuple(sorted(part for part in parts if part))


@lru_cache(maxsize=4096)
def phrases_needed(expression: str, whole: bool) -> Phrases:
    """What a part of a pattern needs; () where that is not known.

    Quantities are left out: what stands for one in a text is not known before it has been read.
    """
    phrases = {phrase - _SLOTS for phrase in phrases_of(expression, whole)}
    if frozenset() in phrases:
        return ()
    # "not an" needs nothing that "not" does not
    shortest = sorted(phrases, key=len)
    least: list[frozenset[str]] = []
    single: set[str] = set()
    for phrase in shortest:
        if single.isdisjoint(phrase) and not any(other < phrase for other in least if len(other) > 1):
            least.append(phrase)
            if len(phrase) == 1:
                single |= phrase
    return tuple(sorted(tuple(sorted(phrase)) for phrase in least))


def _moved_gates(before: LanguagePrint, now: LanguagePrint) -> set[str]:
    """Gates whose order among each other has changed: where two close one place, the first is named."""
    old = [name for name, rule in before.rules.items() if rule.gate and name in now.rules]
    new = [name for name, rule in now.rules.items() if rule.gate and name in before.rules]
    return set() if old == new else set(new)
