"""Loads rule files: what a rule reads, how it is written, its examples, and which language it is for.

A pack is a folder with `pack.yaml` (name, version), and per language `lexicon/<code>.yaml` (word classes) and
`<topic>/<code>.yaml` (rules).  Rules of a later pack replace those of an earlier one with the same id and language;
`off: true` switches one off.  A pack may declare fields (`pack_fields`).

Whose word counts: the rules of a user's pack are *trusted*, the role model does not weigh them.  A pack that says
`trust: weighed` lets the model weigh its rules as it weighs the built-in ones (see `decide`).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.declarative_files import parse_yaml
from pipeline.find_values.pack_fields import PackField, parse_fields, short
from pipeline.find_values.patterns import PatternCompiler
from pipeline.find_values.rule_entries import KEYS as KEYS
from pipeline.find_values.rule_entries import Rule as Rule
from pipeline.find_values.rule_entries import RuleParser
from pipeline.problems import RuleProblem
from pipeline.read_text.language_data import available, raw_language

BUILT_IN = Path(__file__).parent / "rules"
PACK_KEYS = frozenset(("name", "version", "description", "trust", "fields"))
TRUST = ("full", "weighed")


@dataclass(frozen=True, slots=True)
class PackInfo:
    """A pack as it stands in run.json; `trusted`: the model does not weigh its rules; `fields`: what it declares."""

    name: str
    version: str
    sha256: str
    folder: str
    trusted: bool = False
    fields: tuple[PackField, ...] = ()

    @property
    def label(self) -> str:
        """Name and version, as evidence shows the pack."""
        return f"{self.name} {self.version}"


@dataclass(frozen=True, eq=False)
class RuleSet:
    """All rules of one language, gates apart, the lexicon that they were compiled with, and the declared fields."""

    language: str
    rules: tuple[Rule, ...]
    gates: tuple[Rule, ...]
    lexicon: dict[str, tuple[str, ...]] = field(default_factory=dict)
    fields: tuple[PackField, ...] = ()


def _load(path: Path) -> Any:
    try:
        text = path.read_text("utf8")
    except OSError as error:
        raise RuleProblem(f"cannot be read: {error.strerror}", where=str(path)) from None
    except UnicodeDecodeError as error:
        raise RuleProblem(f"byte {error.start} is no UTF-8", where=str(path), todo="save the file as UTF-8") from None
    return parse_yaml(text, str(path))


def pack_info(folder: Path) -> PackInfo:
    """Name, version, content hash and fields of a pack; `RuleProblem` where `pack.yaml` is missing or wrong."""
    path = folder / "pack.yaml"
    if not path.is_file():
        there = "this folder" if folder.is_dir() else "this place: there is no such folder"
        raise RuleProblem(
            f"no pack.yaml in {there}", where=str(folder), todo="a pack needs pack.yaml with name and version"
        )
    data = _load(path)
    if not isinstance(data, dict):
        raise RuleProblem("pack.yaml needs `name` and `version`", where=str(path))
    for key in ("name", "version"):
        value = data.get(key)
        if not isinstance(value, str | int | float) or isinstance(value, bool) or not str(value).strip():
            todo = f"say `{key}: ...` in words"
            raise RuleProblem("pack.yaml needs `name` and `version`", where=str(path), todo=todo)
    unknown = set(map(str, data)) - PACK_KEYS
    if unknown:
        raise RuleProblem(
            f"unknown key {', '.join(sorted(unknown))}", where=str(path), todo=f"known: {', '.join(sorted(PACK_KEYS))}"
        )
    trust = data.get("trust", "full")
    if trust not in TRUST:
        raise RuleProblem(f"trust: {short(trust)}", where=str(path), todo=f"use one of: {', '.join(TRUST)}")
    digest = hashlib.sha256()
    for file in sorted(folder.rglob("*.yaml")):
        digest.update(file.relative_to(folder).as_posix().encode() + b"\0" + file.read_bytes() + b"\0")
    name, version = str(data["name"]), str(data["version"])
    trusted = trust == "full" and folder != BUILT_IN
    fields = parse_fields(data.get("fields"), f"{name} {version}", str(path))
    return PackInfo(name, version, digest.hexdigest(), str(folder), trusted, fields)


@cache
def built_in_name() -> str:
    """Name and version of the built-in pack, as they stand in evidence."""
    data = _load(BUILT_IN / "pack.yaml")
    return f"{data['name']} {data['version']}"


@cache
def _built_in() -> PackInfo:
    return pack_info(BUILT_IN)


def pack_infos(packs: Iterable[Path] = ()) -> list[PackInfo]:
    """The built-in pack and those laid over it; `RuleProblem` where two declare one field."""
    infos = [_built_in(), *(pack_info(Path(folder)) for folder in packs)]
    seen: dict[str, str] = {}
    for info in infos:
        for one in info.fields:
            if one.name in seen:
                raise RuleProblem(
                    f"the field {one.name} is declared by {seen[one.name]} too",
                    where=f"{info.folder}/pack.yaml",
                    todo="declare it in one of the packs only",
                )
            seen[one.name] = info.label
    return infos


def fields_of(packs: Iterable[Path] = ()) -> tuple[PackField, ...]:
    """The fields that packs declare, in their order."""
    return tuple(one for info in pack_infos(packs) for one in info.fields)


def lexicon_of(folder: Path, language: str) -> dict[str, list[str]]:
    """The word classes that a pack gives a language: name -> entries.  `RuleProblem` where the file holds none."""
    path = folder / "lexicon" / f"{language}.yaml"
    if not path.is_file():
        return {}
    data = _load(path) or {}
    if not isinstance(data, dict):
        raise RuleProblem("a lexicon is a mapping of word classes", where=str(path), todo="class: [word, word]")
    out: dict[str, list[str]] = {}
    for name, words in data.items():
        if not isinstance(name, str) or not re.fullmatch(r"[\w-]+", name):
            raise RuleProblem(f"a word class cannot be called {short(name)}", where=str(path))
        if not isinstance(words, list | None) or any(isinstance(word, dict | list | None) for word in words or ()):
            raise RuleProblem(f"the word class {name} is a list of words", where=str(path), todo="class: [word, word]")
        out[name] = [str(word) for word in words or ()]
        for word in out[name] if folder != BUILT_IN else ():
            try:
                re.compile(word)
            except (re.error, RecursionError, OverflowError) as error:
                raise RuleProblem(
                    f"the word {word!r} of the class {name} is not understood: {error}",
                    where=str(path),
                    todo="entries are regular expressions: put a backslash before . ( ) ? + *",
                ) from None
    return out


@cache
def _built_in_lexicon(language: str) -> dict[str, list[str]]:
    return lexicon_of(BUILT_IN, language)


def whole_lexicon(language: str, packs: Iterable[Path]) -> dict[str, tuple[str, ...]]:
    """The word classes of the built-in pack with those of `packs` added."""
    lexicon: dict[str, list[str]] = {}
    for found in (_built_in_lexicon(language), *(lexicon_of(Path(folder), language) for folder in packs)):
        for name, words in found.items():
            lexicon.setdefault(name, []).extend(words)
    return {name: tuple(words) for name, words in lexicon.items()}


def rule_paths(folder: Path, language: str) -> list[Path]:
    """The rule files of a pack for a language, by topic."""
    return [path for path in sorted(folder.glob(f"*/{language}.yaml")) if path.parent.name != "lexicon"]


def languages_of(folder: Path) -> list[str]:
    """Codes of the languages that a pack has rules or word classes for."""
    return sorted({path.stem for path in folder.glob("*/*.yaml")})


class RuleParsers:
    """The word classes and fields of all packs, and the parser of a rule file with them."""

    def __init__(self, language: str, packs: Sequence[Path]) -> None:
        self.infos = pack_infos(packs)
        self.fields = {one.name: one for info in self.infos for one in info.fields}
        self.lexicon = whole_lexicon(language, packs)
        known = language in available()
        approximately = [str(word) for word in (raw_language(language) if known else {}).get("approximately") or []]
        # the tests try every pattern of the built-in pack; to compile them all at each start would be waste
        self._unchecked = PatternCompiler(self.lexicon, approximately, check=False)
        self._checking = PatternCompiler(self.lexicon, approximately)

    def of(self, path: Path, pack: PackInfo, *, check: bool) -> RuleParser:
        """The parser of one file."""
        compiler = self._checking if check else self._unchecked
        name = f"{path.parent.name}/{path.name}" if Path(pack.folder) == BUILT_IN else str(path)
        return RuleParser(path.parent.name, compiler, pack.label, name, pack.trusted, self.fields)


_ID = re.compile(r"""^[ \t]*-?[ \t]*(?:\{[ \t]*)?["']?id["']?[ \t]*:[ \t]*["']?([^\s"',}#]+)""", re.M)


def read_entries(path: Path) -> tuple[list[Any], dict[str, int]]:
    """The entries of a rule file as YAML gives them, and the line of each id (its first, where it stands twice)."""
    data = _load(path)
    if data is None:
        return [], {}
    if not isinstance(data, dict) or not isinstance(data.get("rules"), list | None):
        raise RuleProblem("a rule file holds a list under `rules`", where=str(path), todo="rules:\n       - id: ...")
    unknown = set(map(str, data)) - {"rules"}
    if unknown:
        raise RuleProblem(f"unknown key {', '.join(sorted(unknown))} beside `rules`", where=str(path))
    text = path.read_text("utf8")
    lines: dict[str, int] = {}
    for match in _ID.finditer(text):
        lines.setdefault(match[1], text.count("\n", 0, match.start(1)) + 1)
    return data.get("rules") or [], lines


def rules_of_file(path: Path, parser: RuleParser) -> Iterator[Rule]:
    """The rules of a file in order; `RuleProblem` for the first that does not hold together."""
    entries, lines = read_entries(path)
    seen: set[str] = set()
    for entry in entries:
        rule = parser.parse(entry, lambda name: lines.get(name, 0))
        if rule.id in seen:
            raise RuleProblem(f"the id {rule.id} is used twice", where=str(path), todo="give one of them another id")
        seen.add(rule.id)
        yield rule


def all_rules(language: str, packs: Sequence[Path] = ()) -> list[tuple[Rule, Rule | None]]:
    """Every rule of every pack in order, with the later rule that replaces it or switches it off, or None."""
    parsers = RuleParsers(language, packs)
    out: list[tuple[Rule, Rule | None]] = []
    places: dict[str, int] = {}
    for folder, pack in zip((BUILT_IN, *packs), parsers.infos, strict=True):
        here: dict[str, Path] = {}
        for path in rule_paths(folder, language):
            for rule in rules_of_file(path, parsers.of(path, pack, check=folder != BUILT_IN)):
                if rule.id in here:
                    raise RuleProblem(
                        f"the id {rule.id} is used twice in this pack", where=rule.where, todo=f"see {here[rule.id]}"
                    )
                here[rule.id] = path
                if rule.id in places:
                    out[places[rule.id]] = (out[places[rule.id]][0], rule)
                places[rule.id] = len(out)
                out.append((rule, None))
    return out


def load_rules(language: str, packs: Sequence[Path] = ()) -> RuleSet:
    """The built-in rules of a language with `packs` laid over them, in order."""
    return _load_rules(language, tuple(packs), tuple(pack_info(pack).sha256 for pack in packs))


@cache
def _load_rules(language: str, packs: tuple[Path, ...], digests: tuple[str, ...]) -> RuleSet:
    rules: dict[str, Rule] = {}
    for rule, _ in all_rules(language, packs):
        if rule.off:
            rules.pop(rule.id, None)
        else:
            rules[rule.id] = rule  # where it replaces another, it keeps the other's place
    return RuleSet(
        language,
        tuple(rule for rule in rules.values() if rule.scope is None),
        tuple(rule for rule in rules.values() if rule.scope is not None),
        whole_lexicon(language, packs),
        fields_of(packs),
    )


def languages_with_rules(packs: Iterable[Path] = ()) -> list[str]:
    """Codes of the languages that any of the packs has a lexicon for."""
    return sorted({path.stem for folder in (BUILT_IN, *packs) for path in (folder / "lexicon").glob("*.yaml")})
