"""What there is: every rule of every pack with what it does, how it is tested, and what became of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.find_values.roles import field_of
from pipeline.find_values.rule_files import BUILT_IN, Rule, all_rules, languages_of, pack_infos
from pipeline.read_text.language_data import available


@dataclass(frozen=True, slots=True)
class Listed:
    """One rule.  `does` says what it sets or refuses; `state` is active, or which pack replaced or switched it off."""

    id: str
    topic: str
    language: str
    priority: int
    does: str
    fields: tuple[str, ...]
    examples: int
    look_alikes: int
    known_misses: int
    pack: str
    file: str
    line: int
    trusted: bool
    state: str

    def plain(self) -> dict[str, Any]:
        """The rule for JSON."""
        return asdict(self)


def list_rules(packs: Sequence[Path] = (), topic: str | None = None, language: str | None = None) -> list[Listed]:
    """The rules of the built-in pack and `packs`, by language, topic and place; those of one topic or language only.

    Raises `RuleProblem` where a pack does not hold together.
    """
    pack_infos(packs)
    codes = sorted({code for folder in (BUILT_IN, *packs) for code in languages_of(folder)} & set(available()))
    rows = [
        row for code in codes if language in (None, code) for row in _rows(code, packs) if topic in (None, row.topic)
    ]
    return sorted(rows, key=lambda row: (row.language, row.topic))


def _rows(language: str, packs: Sequence[Path]) -> Iterator[Listed]:
    for rule, later in all_rules(language, packs):
        fields = tuple(dict.fromkeys(field for role in rule.gives if (field := field_of(role))))
        yield Listed(
            rule.id,
            rule.topic,
            language,
            rule.priority,
            does(rule),
            () if rule.refuse else fields,
            len(rule.examples),
            len(rule.look_alikes) + len(rule.absent),
            len(rule.known_misses),
            rule.pack,
            rule.file,
            rule.line,
            rule.trusted,
            _state(rule, later),
        )


def _state(rule: Rule, later: Rule | None) -> str:
    if later is not None:
        return f"{'switched off' if later.off else 'replaced'} by {later.pack}"
    return "switches off" if rule.off else "active"


def does(rule: Rule) -> str:
    """What a rule does, in a few words."""
    if rule.off:
        return "switches the rule off"
    if rule.refuse:
        reach = f" (gate over the {rule.scope})" if rule.scope else ""
        return f"refuses: {rule.refuse}{reach}"
    constants = dict(rule.set)
    return ", ".join(f"{role} = {constants[role]}" if role in constants else role for role in rule.gives)
