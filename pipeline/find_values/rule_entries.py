"""One rule of a rule file: what it may hold, and the checks that it holds together.

Every mistake is a `RuleProblem` with file, line, rule, what was found and what was expected.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.dataset_columns import FIELD_NAMES, FIELDS
from pipeline.find_values.pack_fields import PackField, is_number, short
from pipeline.find_values.patterns import Pattern, PatternCompiler
from pipeline.find_values.roles import NOT_READ, ROLES
from pipeline.problems import RuleProblem

KEYS = {
    "id", "patterns", "pattern", "priority", "set", "examples", "look_alikes", "known_misses", "off", "refuse", "final",
    "scope", "roles", "unless", "min", "max",
}  # fmt: skip
SCOPES = ("span", "clause", "rest", "sentence", "paragraph", "response", "question")
"""How far a gate reaches; a `question` gate names the words that open a question."""

Pairs = tuple[tuple[str, dict[str, Any]], ...]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of one language.

    `set` gives roles constant values ("full_charges: 0").  `refuse` turns the quantities it names down, with that
    reason.  `scope` (of a gate) is one of `SCOPES`: everything in it is refused; the role model may overrule a gate
    unless it is `final`.  `low` and `high` bound the first role's value.  `trusted` is a rule of a user's pack, whose
    word the role model does not weigh.  `absent` holds look-alikes that name the fields which must not be read; the
    others, in `look_alikes`, must give no report at all.
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
    absent: tuple[tuple[str, tuple[str, ...]], ...] = ()
    trusted: bool = False
    off: bool = False
    line: int = 0

    @property
    def where(self) -> str:
        """The rule's place as messages name it."""
        return place(self.file, self.line, self.id)

    @property
    def gives(self) -> tuple[str, ...]:
        """The roles that the rule gives, each once."""
        return tuple(dict.fromkeys([*(r for p in self.patterns for r in p.roles), *(role for role, _ in self.set)]))


def place(file: str, line: int, rule: str) -> str:
    """File, line and rule as messages name them."""
    return f"{file}{f', line {line}' if line else ''}, rule {rule}"


@dataclass(frozen=True, slots=True)
class RuleParser:
    """Makes rules of one file's entries; `fields` are all that packs declare."""

    topic: str
    compiler: PatternCompiler
    pack: str
    file: str
    trusted: bool
    fields: Mapping[str, PackField]

    def parse(self, entry: Any, line_of: Callable[[str], int]) -> Rule:
        """The rule of an entry.  Raises `RuleProblem`."""
        if not isinstance(entry, dict):
            raise RuleProblem(f"a rule is a mapping that begins with `- id: ...`, not {short(entry)}", where=self.file)
        name = entry.get("id")
        if not isinstance(name, str) or not name or any(sign.isspace() for sign in name):
            raise RuleProblem(
                "a rule without an id" if name is None else f"an id is one word, not {short(name)}",
                where=self.file,
                todo=f"begin the rule with `- id: {self.topic}.something` (rule: {short(entry)})",
            )
        line = line_of(name)
        where = place(self.file, line, name)
        unknown = {str(key) for key in entry} - KEYS
        if unknown:
            raise RuleProblem(
                f"unknown key {', '.join(sorted(unknown))}", where=where, todo=f"known: {', '.join(sorted(KEYS))}"
            )
        off, final = (self._flag(entry, key, where) for key in ("off", "final"))
        sources = self._sources(entry, "pattern", where) + self._sources(entry, "patterns", where)
        if not sources and not off:
            raise RuleProblem("a rule needs `pattern` or `patterns`", where=where)
        rule = Rule(
            id=name,
            topic=self.topic,
            patterns=tuple(self.compiler.compile(source, where) for source in sources),
            priority=self._priority(entry, where),
            set=self._set(entry, where),
            refuse=self._refuse(entry, where),
            scope=self._scope(entry, where),
            final=final,
            roles=self._roles(entry, where),
            unless=tuple(self.compiler.compile(source, where) for source in self._sources(entry, "unless", where)),
            low=self._bound(entry, "min", where),
            high=self._bound(entry, "max", where),
            pack=self.pack,
            file=self.file,
            examples=self._readings(entry, "examples", where),
            look_alikes=self._look_alikes(entry, where)[0],
            known_misses=self._readings(entry, "known_misses", where),
            absent=self._look_alikes(entry, where)[1],
            trusted=self.trusted,
            off=off,
            line=line,
        )
        if not off:
            self._check(rule, where)
        return rule

    # -- the parts of an entry ------------------------------------------------------------------------------------

    @staticmethod
    def _flag(entry: Mapping[str, Any], key: str, where: str) -> bool:
        value = entry.get(key, False)
        if not isinstance(value, bool):
            raise RuleProblem(f"`{key}` is true or false, not {short(value)}", where=where)
        return value

    @staticmethod
    def _sources(entry: Mapping[str, Any], key: str, where: str) -> list[str]:
        value = entry.get(key)
        found = [] if value is None else [value] if isinstance(value, str) and key != "patterns" else value
        if not isinstance(found, list) or not all(isinstance(one, str) and one.strip() for one in found):
            kind = "one pattern in quotes" if key == "pattern" else "a list of patterns, each in quotes"
            raise RuleProblem(f"`{key}` is {kind}, not {short(value)}", where=where)
        return found

    @staticmethod
    def _priority(entry: Mapping[str, Any], where: str) -> int:
        value = entry.get("priority", 50)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= 100:
            raise RuleProblem(f"`priority` is a whole number from 0 to 100, not {short(value)}", where=where)
        return value

    @staticmethod
    def _bound(entry: Mapping[str, Any], key: str, where: str) -> float | None:
        value = entry.get(key)
        if value is not None and not is_number(value):
            raise RuleProblem(f"`{key}` is a number, not {short(value)}", where=where)
        return value

    @staticmethod
    def _refuse(entry: Mapping[str, Any], where: str) -> str | None:
        value = entry.get("refuse")
        if value is not None and (not isinstance(value, str) or not value.strip()):
            raise RuleProblem(f"`refuse` is the reason in words, not {short(value)}", where=where)
        return value

    @staticmethod
    def _scope(entry: Mapping[str, Any], where: str) -> str | None:
        value = entry.get("scope")
        if value is not None and value not in SCOPES:
            raise RuleProblem(f"scope: {short(value)}", where=where, todo=f"use one of: {', '.join(SCOPES)}")
        return value

    def _known_roles(self) -> list[str]:
        return [*ROLES, *NOT_READ, *self.fields]

    def _role(self, role: Any, where: str) -> str:
        if not isinstance(role, str) or role not in self._known_roles():
            said = f"no role is called {short(role)}"
            if role in FIELD_NAMES:
                feeds = ", ".join(name for name, (field, _) in ROLES.items() if field == role)
                said += f" (that is a field{f'; its roles are {feeds}' if feeds else ', which rules do not read'})"
            known = ", ".join(self._known_roles())
            todo = f"known: {known}; a new one is declared in pack.yaml under `fields`"
            raise RuleProblem(said, where=where, todo=todo)
        return role

    def _roles(self, entry: Mapping[str, Any], where: str) -> frozenset[str]:
        value = entry.get("roles") or []
        if not isinstance(value, list):
            raise RuleProblem(f"`roles` is a list, not {short(value)}", where=where)
        return frozenset(self._role(role, where) for role in value)

    def _set(self, entry: Mapping[str, Any], where: str) -> tuple[tuple[str, Any], ...]:
        value = entry.get("set") or {}
        if not isinstance(value, dict):
            raise RuleProblem(f"`set` is `{{role: value}}`, not {short(value)}", where=where)
        for role, constant in value.items():
            field = self.fields.get(self._role(role, where))
            if not isinstance(constant, str) and not is_number(constant):
                raise RuleProblem(f"`set` gives {role} {short(constant)}, no word and no number", where=where)
            if field is not None:
                self._fits(field, constant, where)
        return tuple(value.items())

    @staticmethod
    def _fits(field: PackField, value: Any, where: str) -> None:
        """Refuses a constant or a wanted value that the declared field cannot hold."""
        values = field.column.values
        whole = field.column.type == "int32"
        if field.is_number != is_number(value) or (whole and not float(value).is_integer()):
            kind = "a whole number" if whole else "a number" if field.is_number else "text"
            raise RuleProblem(f"{field.name} is {kind}, not {short(value)}", where=where)
        if values and value not in values:
            todo = f"one of: {', '.join(values)}"
            raise RuleProblem(f"{field.name} cannot be {short(value)}", where=where, todo=todo)

    def _readings(self, entry: Mapping[str, Any], key: str, where: str) -> Pairs:
        pairs = []
        for text, wanted in _pairs(entry.get(key), key, where):
            if not isinstance(wanted, dict) or not wanted:
                raise RuleProblem(
                    f"an example says which fields are read, not {short(wanted)}",
                    where=where,
                    todo=f"- {text!r}: {{odometer_km: 74000}}",
                )
            for name, value in wanted.items():
                self._wanted(name, value, where)
            pairs.append((text, wanted))
        return tuple(pairs)

    def _wanted(self, name: Any, value: Any, where: str) -> None:
        self._field(name, where)
        if name in self.fields:
            self._fits(self.fields[name], value, where)
            return
        column = next(column for column in FIELDS if column.name == name)
        if (column.type == "string") != isinstance(value, str) or (column.type != "string" and not is_number(value)):
            kind = "text" if column.type == "string" else "a number"
            raise RuleProblem(f"an example wants {name} = {short(value)}, which is {kind}", where=where)
        if column.values and value not in column.values:
            raise RuleProblem(
                f"an example wants {name} = {value!r}", where=where, todo=f"one of: {', '.join(column.values)}"
            )

    def _field(self, name: Any, where: str) -> str:
        if name not in FIELD_NAMES and name not in self.fields:
            raise RuleProblem(
                f"no field is called {short(name)}",
                where=where,
                todo=f"known: {', '.join([*FIELD_NAMES, *self.fields])}",
            )
        return str(name)

    def _look_alikes(
        self, entry: Mapping[str, Any], where: str
    ) -> tuple[tuple[str, ...], tuple[tuple[str, tuple[str, ...]], ...]]:
        plain: list[str] = []
        absent: list[tuple[str, tuple[str, ...]]] = []
        for one in _list(entry.get("look_alikes"), "look_alikes", where):
            if isinstance(one, str):
                plain.append(one)
                continue
            ((text, fields),) = _pairs([one], "look_alikes", where)
            fields = [fields] if isinstance(fields, str) else fields
            if not isinstance(fields, list) or not fields:
                raise RuleProblem(
                    "a look-alike is a text, or a text and the fields that must not be read",
                    where=where,
                    todo=f"- {text!r}: [loss_pct]",
                )
            absent.append((text, tuple(self._field(field, where) for field in fields)))
        return tuple(plain), tuple(absent)

    def _check(self, rule: Rule, where: str) -> None:
        """What the parts of a rule have to say together."""
        if rule.scope is not None and rule.refuse is None:
            raise RuleProblem("a gate (`scope`) needs `refuse`, the reason", where=where)
        if rule.refuse is not None and rule.set:
            raise RuleProblem("a rule that refuses sets nothing", where=where, todo="make two rules of it")
        if rule.refuse is None and not rule.gives:
            raise RuleProblem(
                "the rule reads nothing", where=where, todo="name a role: {loss:percent}; or use `set` or `refuse`"
            )
        for pattern in rule.patterns:
            for role, kinds in zip(pattern.roles, pattern.kinds, strict=True):
                field = self.fields.get(self._role(role, where))
                if field is None:
                    continue
                if not field.is_number:
                    todo = f"use `set: {{{role}: ...}}`"
                    raise RuleProblem(f"{role} is text: it takes no quantity", where=where, todo=todo)
                if "other" in kinds and not field.units:
                    raise RuleProblem(
                        f"{{{role}:other}} takes units that are of no kind, and the field {role} names none",
                        where=where,
                        todo="say in pack.yaml how they are written, under `units` of the field",
                    )


def _list(value: Any, key: str, where: str) -> list[Any]:
    if value is None:
        return []
    if not isinstance(value, list):
        raise RuleProblem(f"`{key}` is a list, not {short(value)}", where=where, todo="begin each entry with `- `")
    return value


def _pairs(value: Any, key: str, where: str) -> list[tuple[str, Any]]:
    pairs: list[tuple[str, Any]] = []
    for entry in _list(value, key, where):
        if not isinstance(entry, dict) or len(entry) != 1:
            raise RuleProblem(f"an example is one `text: readings` pair, not {short(entry)}", where=where)
        ((text, wanted),) = entry.items()
        if not isinstance(text, str) or not text.strip():
            raise RuleProblem(f"the text of an example is {short(text)}", where=where, todo="put it in quotes")
        pairs.append((text, wanted))
    return pairs
