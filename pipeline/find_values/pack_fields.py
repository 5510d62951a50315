"""Fields that a rule pack declares: name, type, unit, meaning, privacy class, and how a value is made of what is said.

In `pack.yaml`:

    fields:
      - name: winter_kwh_per_100km
        type: number                 # number, whole number, text, or one of
        values: []                   # of `one of`: the words that it may hold
        unit: kWh/100 km             # of a number; "" where it has none
        description: consumption in winter
        privacy: sensitive           # open, quasi, sensitive or private (see `dataset_columns`)
        range: [8, 60]               # what is outside is not taken
        tolerance: 0.5               # how far a right reading may be off: a number, or a share such as "1 %"
        several: latest              # of several values: latest, first, largest, smallest or mean
        alone: true                  # whether the field by itself makes a report; without this it does not
        units:                       # units that the scanner knows no kind of, as they are written
          - {written: [kwh/100 km, kwh per 100 km], times: 1}
          - {written: [mi/kwh], per: 62.137119}      # 62.137119 / value
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pipeline.dataset_columns import FIELD_NAMES, TABLES, Column, Privacy, Type
from pipeline.find_values.roles import NOT_READ, ROLES
from pipeline.problems import RuleProblem
from pipeline.read_text.quantities import Quantity

TYPES: dict[str, Type] = {"number": "double", "whole number": "int32", "text": "string", "one of": "string"}
SEVERAL = ("latest", "first", "largest", "smallest", "mean")
PRIVACY = tuple(name for name in get_args(Privacy) if name != "pseudonym")
KEYS = frozenset(
    ("name", "type", "values", "unit", "description", "privacy", "range", "tolerance", "several", "alone", "units")
)
_NAME = re.compile(r"[a-z][a-z0-9_]{1,59}")
_SHARE = re.compile(r"(\d+(?:\.\d+)?) ?%")


@dataclass(frozen=True, slots=True)
class Unit:
    """Spellings of a unit and how it becomes the field's: `value x times`, or `per / value`."""

    written: tuple[str, ...]
    times: float | None
    per: float | None
    expression: re.Pattern[str]

    def convert(self, value: float) -> tuple[float, str]:
        """The value in the field's unit, and how it was made; not a number where it cannot be."""
        if self.times is not None:
            said = f"{value:g}" if self.times == 1 else f"{value:g} x {self.times:g}"
            return value * self.times, said
        assert self.per is not None
        return (self.per / value if value else math.nan), f"{self.per:g} / {value:g}"


@dataclass(frozen=True, slots=True)
class PackField:
    """One declared field.  `share` says that `tolerance` is a share of the labelled value, not in the field's unit."""

    column: Column
    pack: str
    several: str = "latest"
    low: float | None = None
    high: float | None = None
    tolerance: float = 0.0
    share: bool = False
    alone: bool = False
    units: tuple[Unit, ...] = ()

    @property
    def name(self) -> str:
        """The field's name: the column's, and the role's."""
        return self.column.name

    @property
    def is_number(self) -> bool:
        """Whether its values are numbers."""
        return self.column.type != "string"

    @property
    def limits(self) -> str:
        """Its range in words."""
        ends = ("any" if end is None else f"{end:g}" for end in (self.low, self.high))
        return f"{' to '.join(ends)} {self.column.unit}".strip()

    def unit_of(self, quantity: Quantity) -> Unit | None:
        """The declared unit that a quantity is said in, or None."""
        said = quantity.said
        return next((unit for unit in self.units if unit.expression.search(said)), None)

    def fits(self, quantity: Quantity) -> bool:
        """Whether the field can be said with this quantity: one of no known kind must have a declared unit."""
        return quantity.kind != "other" or self.unit_of(quantity) is not None

    def agrees(self, got: Any, wanted: Any) -> bool:
        """Whether a reading is right by the field's tolerance."""
        if not self.is_number:
            return bool(got == wanted)
        bound = self.tolerance * abs(wanted) if self.share else self.tolerance
        return bool(abs(got - wanted) <= bound + 1e-9)

    def plain(self) -> dict[str, Any]:
        """The field as run.json records it."""
        column = self.column
        kind = next(name for name, of in TYPES.items() if of == column.type and (name != "text" or not column.values))
        return {
            "name": column.name,
            "pack": self.pack,
            "type": kind,
            "values": list(column.values),
            "unit": column.unit,
            "description": column.meaning,
            "privacy": column.privacy,
            "range": None if self.low is None and self.high is None else [self.low, self.high],
            "tolerance": f"{100 * self.tolerance:g} %" if self.share else self.tolerance,
            "several": self.several,
            "alone": self.alone,
        }


def parse_fields(entries: Any, pack: str, where: str) -> tuple[PackField, ...]:
    """The fields of a pack.yaml; `RuleProblem` names the field and what was expected."""
    if entries is None:
        return ()
    if not isinstance(entries, list):
        raise RuleProblem("`fields` is a list", where=where, todo="begin each field with `- name: ...`")
    fields = tuple(_field(entry, pack, where) for entry in entries)
    names = [field.name for field in fields]
    for name in names:
        if names.count(name) > 1:
            raise RuleProblem(f"the field {name} is declared twice", where=where)
    return fields


def _field(entry: Any, pack: str, where: str) -> PackField:
    if not isinstance(entry, dict) or not isinstance(entry.get("name"), str):
        raise RuleProblem(f"a field is a mapping with a name, not {short(entry)}", where=where)
    name = entry["name"]
    where = f"{where}, field {name}"
    if not _NAME.fullmatch(name):
        raise RuleProblem(
            f"a field cannot be called {name!r}", where=where, todo="use small letters, digits and _, a letter first"
        )
    taken = {column.name for columns in TABLES.values() for column in columns}
    if name in taken or name in FIELD_NAMES or name in ROLES or name in NOT_READ:
        raise RuleProblem(f"there is a column or role {name!r} already", where=where, todo="give it another name")
    unknown = set(map(str, entry)) - KEYS
    if unknown:
        raise _expected(f"unknown key {', '.join(sorted(unknown))}", where, sorted(KEYS))
    for key in ("type", "description", "privacy"):
        if not isinstance(entry.get(key), str) or not entry[key].strip():
            raise RuleProblem(f"a field needs `{key}` (in words)", where=where)
    kind, privacy = entry["type"], entry["privacy"]
    if kind not in TYPES:
        raise _expected(f"type: {kind!r}", where, TYPES)
    if privacy not in PRIVACY:
        raise _expected(f"privacy: {privacy!r}", where, PRIVACY)
    values = _words(entry, "values", where)
    if (kind == "one of") != bool(values):
        raise RuleProblem("`values` lists the words of a field of type `one of`, and of no other", where=where)
    is_number = TYPES[kind] != "string"
    unit = entry.get("unit", "" if not is_number else None)
    if not isinstance(unit, str) or (unit and not is_number):
        raise RuleProblem('a number needs `unit` ("" where it has none); text has none', where=where)
    several = entry.get("several", "latest")
    allowed = SEVERAL if is_number else SEVERAL[:2]
    if several not in allowed:
        raise _expected(f"several: {several!r}", where, allowed)
    alone = entry.get("alone", False)
    if not isinstance(alone, bool):
        raise RuleProblem("`alone` is true or false", where=where)
    for key in ("range", "tolerance", "units"):
        if key in entry and not is_number:
            raise RuleProblem(f"`{key}` is for numbers", where=where)
    low, high = _range(entry.get("range"), where)
    tolerance, share = _tolerance(entry.get("tolerance", 0), where)
    column = Column(name, TYPES[kind], entry["description"].strip(), privacy, unit, values)
    return PackField(column, pack, several, low, high, tolerance, share, alone, _units(entry.get("units"), where))


def _expected(what: str, where: str, known: Any) -> RuleProblem:
    return RuleProblem(what, where=where, todo=f"use one of: {', '.join(map(str, known))}")


def _words(entry: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
    words = entry.get(key) or []
    if not isinstance(words, list) or not all(isinstance(word, str) and word.strip() for word in words):
        raise RuleProblem(f"`{key}` is a list of words", where=where, todo="put numbers and true/false in quotes")
    return tuple(words)


def is_number(value: Any) -> bool:
    """Whether a YAML value is a finite number (true and false are none)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def short(value: Any) -> str:
    """A YAML value as a message shows it."""
    said = repr(value)
    return said if len(said) <= 60 else said[:57] + "..."


def _range(value: Any, where: str) -> tuple[float | None, float | None]:
    if value is None:
        return None, None
    if not isinstance(value, list) or len(value) != 2 or not all(map(is_number, value)) or value[0] > value[1]:
        raise RuleProblem(f"`range` is [least, most], not {short(value)}", where=where)
    return float(value[0]), float(value[1])


def _tolerance(value: Any, where: str) -> tuple[float, bool]:
    if is_number(value) and value >= 0:
        return float(value), False
    share = _SHARE.fullmatch(value) if isinstance(value, str) else None
    if share is None:
        raise RuleProblem(f'`tolerance` is a number or a share such as "1 %", not {short(value)}', where=where)
    return float(share[1]) / 100, True


def _units(entries: Any, where: str) -> tuple[Unit, ...]:
    if entries is None:
        return ()
    if not isinstance(entries, list):
        raise RuleProblem("`units` is a list", where=where, todo="- {written: [kwh/100 km], times: 1}")
    units: list[Unit] = []
    for entry in entries:
        known = isinstance(entry, dict) and set(entry) <= {"written", "times", "per"}
        if not known or ("times" in entry) == ("per" in entry):
            raise RuleProblem(
                f"a unit has `written` and either `times` or `per`, not {short(entry)}",
                where=where,
                todo="- {written: [kwh/100 km], times: 1}",
            )
        factor = entry.get("times", entry.get("per"))
        if not is_number(factor) or factor <= 0:
            raise RuleProblem(f"`times` or `per` is a number above 0, not {short(factor)}", where=where)
        written = _words(entry, "written", where)
        if not written:
            raise RuleProblem("a unit needs `written`", where=where)
        units.append(Unit(written, entry.get("times"), entry.get("per"), _spelled(written)))
    return tuple(units)


def _spelled(written: Sequence[str]) -> re.Pattern[str]:
    """Any of the spellings at the end of a quantity as it was said; blanks may be absent, and more may stand."""
    sources = (r"\s*".join(re.escape(piece) for piece in _PIECE.findall(word.casefold())) for word in written)
    return re.compile(rf"(?<![^\W\d_])(?<!/)(?:{'|'.join(sources)})\s*$")


_PIECE = re.compile(r"\w+|[^\w\s]")
