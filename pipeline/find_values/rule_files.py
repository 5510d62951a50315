"""Loads rule files: what a rule reads, how it is written, its examples, and which language it is for.

A pack is a folder with `pack.yaml` (name, version), and per language `lexicon/<code>.yaml` (word classes) and
`<topic>/<code>.yaml` (rules).  Rules of a later pack replace those of an earlier one with the same id;
`off: true` switches one off.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.declarative_files import parse_yaml
from pipeline.find_values.patterns import Pattern, PatternCompiler
from pipeline.problems import RuleProblem
from pipeline.read_text.language_data import raw_language

BUILT_IN = Path(__file__).parent / "rules"

KEYS = {
    "id", "patterns", "pattern", "priority", "set", "examples", "look_alikes", "known_misses", "off", "refuse", "final", "scope", "roles", "unless", "min", "max",  # noqa: E501
    "min_km", "max_km", "why",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of one language.

    `set` gives roles constant values ("full_charges: 0").  `refuse` turns the quantities it names down, with that
    reason.  `scope` (of a gate) is sentence, clause, rest (of the sentence), paragraph or response: everything in it is
    refused; the role model may overrule a gate unless it is `final`.  `low` and `high` bound the first role's value.
    """

    id: str
    topic: str
    patterns: tuple[Pattern, ...]
    priority: int = 50
    set: tuple[tuple[str, Any], ...] = ()
    refuse: str | None = None
    scope: str | None = None
    final: bool = False
    roles: frozenset[str] = frozenset()
    unless: tuple[Pattern, ...] = ()
    low: float | None = None
    high: float | None = None
    pack: str = ""
    file: str = ""
    examples: tuple[tuple[str, Any], ...] = ()
    look_alikes: tuple[str, ...] = ()
    known_misses: tuple[tuple[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class PackInfo:
    """A pack as it stands in run.json."""

    name: str
    version: str
    sha256: str
    folder: str


@dataclass(frozen=True)
class RuleSet:
    """All rules of one language, gates apart, and the lexicon that they were compiled with."""

    language: str
    rules: tuple[Rule, ...]
    gates: tuple[Rule, ...]
    lexicon: dict[str, tuple[str, ...]] = field(default_factory=dict)


def _load(path: Path) -> Any:
    try:
        text = path.read_text("utf8")
    except OSError as error:
        raise RuleProblem(f"cannot be read: {error.strerror}", where=str(path)) from None
    return parse_yaml(text, str(path))


def pack_info(folder: Path) -> PackInfo:
    """Name, version and content hash of a pack; `RuleProblem` where `pack.yaml` is missing or thin."""
    path = folder / "pack.yaml"
    if not path.is_file():
        raise RuleProblem(
            "no pack.yaml in this folder", where=str(folder), todo="a pack needs pack.yaml with name and version"
        )
    data = _load(path) or {}
    if not isinstance(data, dict) or "name" not in data or "version" not in data:
        raise RuleProblem("pack.yaml needs `name` and `version`", where=str(path))
    digest = hashlib.sha256()
    for file in sorted(folder.rglob("*.yaml")):
        digest.update(file.relative_to(folder).as_posix().encode() + b"\0" + file.read_bytes() + b"\0")
    return PackInfo(str(data["name"]), str(data["version"]), digest.hexdigest(), str(folder))


@cache
def built_in_name() -> str:
    """Name and version of the built-in pack, as they stand in evidence."""
    data = _load(BUILT_IN / "pack.yaml")
    return f"{data['name']} {data['version']}"


def _pairs(value: Any, where: str) -> tuple[tuple[str, Any], ...]:
    pairs: list[tuple[str, Any]] = []
    for entry in value or []:
        if not isinstance(entry, dict) or len(entry) != 1:
            raise RuleProblem(f"an example is one `text: readings` pair, not {entry!r}", where=where)
        pairs.extend(entry.items())
    return tuple(pairs)


def _rule(entry: dict[str, Any], topic: str, compiler: PatternCompiler, pack: PackInfo, path: Path) -> Rule:
    where = f"{path}, rule {entry.get('id', '?')}"
    if "id" not in entry:
        raise RuleProblem("a rule without an id", where=str(path))
    unknown = set(entry) - KEYS
    if unknown:
        raise RuleProblem(
            f"unknown key {', '.join(sorted(unknown))}", where=where, todo=f"known: {', '.join(sorted(KEYS))}"
        )
    sources = entry.get("patterns") or ([entry["pattern"]] if "pattern" in entry else [])
    if not sources and not entry.get("off"):
        raise RuleProblem("a rule needs `pattern` or `patterns`", where=where)
    unless = entry.get("unless") or []
    return Rule(
        id=str(entry["id"]),
        topic=topic,
        patterns=tuple(compiler.compile(str(source), where) for source in sources),
        priority=int(entry.get("priority", 50)),
        set=tuple((entry.get("set") or {}).items()),
        refuse=entry.get("refuse"),
        scope=entry.get("scope"),
        final=bool(entry.get("final")),
        roles=frozenset(entry.get("roles") or ()),
        unless=tuple(
            compiler.compile(str(source), where) for source in ([unless] if isinstance(unless, str) else unless)
        ),
        low=entry.get("min"),
        high=entry.get("max"),
        pack=f"{pack.name} {pack.version}",
        file=path.name,
        examples=_pairs(entry.get("examples"), where),
        look_alikes=tuple(str(text) for text in entry.get("look_alikes") or ()),
        known_misses=_pairs(entry.get("known_misses"), where),
    )


def load_rules(language: str, packs: Sequence[Path] = ()) -> RuleSet:
    """The built-in rules of a language with `packs` laid over them, in order."""
    return _load_rules(language, tuple(packs))


@cache
def _load_rules(language: str, packs: tuple[Path, ...]) -> RuleSet:
    folders = [BUILT_IN, *packs]
    lexicon: dict[str, list[str]] = {}
    for folder in folders:
        path = folder / "lexicon" / f"{language}.yaml"
        if path.is_file():
            for name, words in (_load(path) or {}).items():
                lexicon.setdefault(name, []).extend(str(word) for word in words or [])
    approximately = [str(word) for word in raw_language(language).get("approximately") or []]
    trusted = PatternCompiler(lexicon, approximately, check=False)
    checking = PatternCompiler(lexicon, approximately)
    rules: dict[str, Rule] = {}
    for folder in folders:
        pack = pack_info(folder)
        for path in sorted(folder.glob(f"*/{language}.yaml")):
            if path.parent.name == "lexicon":
                continue
            data = _load(path) or {}
            for entry in data.get("rules") or []:
                rule = _rule(entry, path.parent.name, trusted if folder is BUILT_IN else checking, pack, path)
                if entry.get("off"):
                    rules.pop(rule.id, None)
                elif folder is not BUILT_IN or rule.id not in rules:
                    rules[rule.id] = rule
                else:
                    raise RuleProblem(f"the id {rule.id} is used twice", where=str(path))
    return RuleSet(
        language,
        tuple(rule for rule in rules.values() if rule.scope is None),
        tuple(rule for rule in rules.values() if rule.scope is not None),
        {name: tuple(words) for name, words in lexicon.items()},
    )


def languages_with_rules(packs: Iterable[Path] = ()) -> list[str]:
    """Codes of the languages that any of the packs has a lexicon for."""
    return sorted({path.stem for folder in (BUILT_IN, *packs) for path in (folder / "lexicon").glob("*.yaml")})
