"""Checks a rule pack whole: files, rules, their tests, what they want of each other's words, and how fast they are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pipeline.check_rules.findings import Finding, Progress, about, of_problem, silent
from pipeline.check_rules.slow_patterns import find_slow
from pipeline.check_rules.try_claims import Attempts, idle, overlaps
from pipeline.check_rules.try_examples import Trial
from pipeline.find_values.patterns import parts_of
from pipeline.find_values.reader import ResponseReader
from pipeline.find_values.rule_files import (
    BUILT_IN,
    Rule,
    RuleParsers,
    all_rules,
    languages_of,
    languages_with_rules,
    lexicon_of,
    pack_infos,
    read_entries,
    rule_paths,
)
from pipeline.problems import RuleProblem
from pipeline.read_text.language_data import available

BUILT_IN_NAME = "built-in"
"""What the built-in pack is called where a pack is asked for."""


@dataclass(slots=True)
class Checked:
    """What a check found; `counts` says how much was tried: languages, rules, tests, patterns."""

    pack: str
    folder: str
    findings: list[Finding] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def errors(self) -> list[Finding]:
        """The findings that fail the check."""
        return [finding for finding in self.findings if finding.level == "error"]

    def plain(self) -> dict[str, Any]:
        """The check for JSON."""
        return {
            "pack": self.pack,
            "folder": self.folder,
            "fine": not self.errors,
            "counts": self.counts,
            "findings": [finding.plain() for finding in self.findings],
        }


def check_pack(
    folder: Path,
    *,
    over: Sequence[Path] = (),
    languages: Sequence[str] = (),
    slow: bool = True,
    progress: Progress = silent,
) -> Checked:
    """Checks the pack in `folder` (`BUILT_IN` for the built-in one), laid over the built-in pack and those in `over`.

    `languages` are codes to stay with, all where none is given; `slow=False` leaves out the search for slow patterns.
    What is wrong is in the findings; only a folder that is no pack at all raises `RuleProblem`.
    """
    packs = [*over] if folder == BUILT_IN else [*over, folder]
    try:
        info = pack_infos(packs)[0 if folder == BUILT_IN else -1]
    except RuleProblem as problem:
        if not (folder / "pack.yaml").is_file():
            raise
        return Checked(folder.name, str(folder), [of_problem(problem)])
    checked = Checked(info.label, str(folder))
    spoken = [code for code in languages_of(folder) if not languages or code in languages]
    checked.findings += _structure(folder, packs, spoken)
    checked.counts["languages"] = len(spoken)
    if checked.errors:
        return checked
    checked.findings += _unread(folder, packs, spoken)
    spoken = [code for code in spoken if code in available()]
    rules = {code: _of_pack(info.label, code, packs) for code in spoken}
    every = [(code, rule) for code, of in rules.items() for rule, later in of if later is None and not rule.off]
    checked.counts |= {
        "rules": len(every),
        "tests": sum(len(r.examples) + len(r.look_alikes) + len(r.absent) + len(r.known_misses) for _, r in every),
        "patterns": sum(len(rule.patterns) + len(rule.unless) for _, rule in every),
    }
    for code, of in rules.items():
        checked.findings += _against_others(of, all_rules(code, packs))
    checked.findings += _fields_without_rules(info.fields, packs)
    checked.findings += _tests(every, packs, rules, info.label, progress)
    if slow:
        checked.findings += _slow(every, progress)
    if folder == BUILT_IN:
        checked.findings += [finding for _, rule in every for finding in _glued(rule)]
    return checked


def _of_pack(label: str, language: str, packs: Sequence[Path]) -> list[tuple[Rule, Rule | None]]:
    return [(rule, later) for rule, later in all_rules(language, packs) if rule.pack == label]


# -- files ----------------------------------------------------------------------------------------------------


def _structure(folder: Path, packs: Sequence[Path], languages: Sequence[str]) -> Iterator[Finding]:
    """Every file and every rule that does not hold together, not the first only."""
    infos = pack_infos(packs)
    info = infos[0 if folder == BUILT_IN else -1]
    for code in languages:
        try:
            lexicon_of(folder, code)
            parsers = RuleParsers(code, packs)
        except RuleProblem as problem:
            yield of_problem(problem)
            continue
        seen: dict[str, Path] = {}
        for path in rule_paths(folder, code):
            try:
                entries, lines = read_entries(path)
            except RuleProblem as problem:
                yield of_problem(problem)
                continue
            parser = parsers.of(path, info, check=folder != BUILT_IN)
            for entry in entries:
                try:
                    rule = parser.parse(entry, lambda name, lines=lines: lines.get(name, 0))  # type: ignore[misc]
                except RuleProblem as problem:
                    yield of_problem(problem)
                    continue
                if rule.id in seen:
                    what = f"the id {rule.id} is used twice for this language"
                    yield about(rule, "malformed", what, got=f"see {seen[rule.id]}", todo="give one another id")
                seen.setdefault(rule.id, path)


def _unread(folder: Path, packs: Sequence[Path], languages: Sequence[str]) -> Iterator[Finding]:
    """Files that nothing reads, and languages that no response is read in."""
    for path in sorted([*folder.rglob("*.yaml"), *folder.rglob("*.yml")]):
        place = path.relative_to(folder)
        if place.as_posix() != "pack.yaml" and (len(place.parts) != 2 or path.suffix == ".yml"):
            yield Finding(
                "malformed", "nothing reads this file", str(path), expected="<topic>/<language>.yaml", todo="move it"
            )
    for code in languages:
        if code in available() and code in languages_with_rules(packs):
            continue
        missing = "word list" if code not in available() else "lexicon"
        known = ", ".join(sorted(set(available()) & set(languages_with_rules(packs))))
        yield Finding(
            "no-language",
            f"there is no {missing} for the language {code!r}: its responses are read as English",
            file=str(folder),
            todo=f"name the files by one of {known}; DEVELOPERS.md says how to add a language",
        )


def _glued(rule: Rule) -> Iterator[Finding]:
    for pattern in (*rule.patterns, *rule.unless):
        try:
            parts_of(pattern.source, rule.where)
        except RuleProblem as problem:
            yield about(rule, "glued", problem.what, todo=problem.todo)


# -- rules beside each other ----------------------------------------------------------------------------------


def _against_others(
    mine: Sequence[tuple[Rule, Rule | None]], everyone: Sequence[tuple[Rule, Rule | None]]
) -> Iterator[Finding]:
    """What `off` and an id that another pack has mean."""
    for rule, _ in mine:
        earlier = [other for other, later in everyone if later is not None and _place(later) == _place(rule)]
        if rule.off and not earlier:
            near = sorted({other.id for other, _ in everyone if other.topic == rule.topic and other.pack != rule.pack})
            yield about(
                rule,
                "off-nothing",
                f"there is no rule {rule.id} of this language to switch off",
                todo=f"in this topic there are: {', '.join(near) or 'none'}",
            )
        for other in earlier:
            if not rule.off and (set(rule.gives) != set(other.gives) or bool(rule.refuse) != bool(other.refuse)):
                yield about(
                    rule,
                    "unlike",
                    f"it replaces {other.id} of {other.pack}, which does something else",
                    expected=_does(other),
                    got=_does(rule),
                    todo="give it an id of its own if that is not meant",
                )


def _place(rule: Rule) -> tuple[str, str, str]:
    return rule.pack, rule.file, rule.id


def _does(rule: Rule) -> str:
    return f"refuses ({rule.refuse})" if rule.refuse else f"gives {', '.join(rule.gives)}"


def _fields_without_rules(fields: Sequence[Any], packs: Sequence[Path]) -> Iterator[Finding]:
    given = {
        role
        for folder in packs
        for code in languages_of(folder)
        if code in available()
        for rule, later in all_rules(code, packs)
        if later is None and not rule.off
        for role in rule.gives
    }
    for one in fields:
        if one.name not in given:
            yield Finding(
                "not-fed",
                f"no rule gives the field {one.name}",
                file=f"{packs[-1]}/pack.yaml",
                expected=f"a pattern with {{{one.name}:kind}}, or `set: {{{one.name}: ...}}`",
                todo="add a rule",
            )


# -- tests and patterns ---------------------------------------------------------------------------------------


def _tests(
    every: Sequence[tuple[str, Rule]],
    packs: Sequence[Path],
    rules: dict[str, list[tuple[Rule, Rule | None]]],
    label: str,
    progress: Progress,
) -> Iterator[Finding]:
    trial = Trial(ResponseReader(rules=list(packs)))
    attempts = {code: Attempts(code, packs) for code in rules}
    for done, (code, rule) in enumerate(every):
        progress(f"tests of {code}", done, len(every))
        for finding in trial.findings(rule, code):
            seen = attempts[code].on(finding.text).seen if finding.code == "example" else ""
            yield replace(finding, got=f"{finding.got}; what patterns see of it: {seen!r}") if seen else finding
        yield from idle(rule, attempts[code])
    for code in rules:
        progress(f"overlaps of {code}", len(every), len(every))
        active = [rule for rule, later in all_rules(code, packs) if later is None and not rule.off]
        mine = {rule.id for rule in active if rule.pack == label}
        yield from overlaps(active, mine, attempts[code])
        for other in active:
            for text, wanted in other.examples if other.id not in mine else ():
                if differs := trial.differences(trial.read(text, code), wanted):
                    by = ", ".join(sorted(attempts[code].on(text).did & mine))
                    what = f"an example of {other.pack} {other.id} is read otherwise: {text!r}"
                    yield Finding("changes", what, rule=by, expected=str(wanted), got=", ".join(differs))


def _slow(every: Sequence[tuple[str, Rule]], progress: Progress) -> Iterator[Finding]:
    tried: set[str] = set()
    for done, (code, rule) in enumerate(every):
        progress(f"speed of {code}", done, len(every))
        for pattern in (*rule.patterns, *rule.unless):
            if pattern.expression in tried:
                continue
            tried.add(pattern.expression)
            slow = find_slow(pattern, rule.where)
            if slow is not None:
                yield about(
                    rule,
                    "slow",
                    f"the pattern {pattern.source!r} takes long on long texts",
                    expected="time that grows as the text does",
                    got=slow.told(),
                    todo="use .. or ... for a gap; put no part that may repeat beside one that takes the same words",
                )
    progress("speed", len(every), len(every))
