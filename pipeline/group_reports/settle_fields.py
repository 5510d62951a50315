"""From the values taken for one vehicle to the fields that rule packs declare (`find_values.pack_fields`).

Of several values the field's own policy chooses (`several`); what one match gives in two quantities is a range
("18 to 20 kWh/100 km"), of which the midpoint counts.  A correction outranks what it corrects, as in every field.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.find_values.match_rules import Taken
from pipeline.find_values.pack_fields import PackField
from pipeline.group_reports.settle import CORRECTION, Settler
from pipeline.response import FoundValue


@dataclass(frozen=True, slots=True)
class _Said:
    """One statement of a field: its value and how it was made; `others` are the further places of a range."""

    value: float | str
    derivation: str
    taken: Taken
    others: tuple[Taken, ...] = ()


def settle_fields(
    settler: Settler, taken: Sequence[Taken], fields: Mapping[str, PackField]
) -> tuple[dict[str, FoundValue], list[Taken]]:
    """Field -> value of the declared fields, and what was left out because the field's range excludes it."""
    values: dict[str, FoundValue] = {}
    outside: list[Taken] = []
    for field in fields.values():
        said: list[_Said] = []
        for one in _statements(settler, [t for t in taken if t.role == field.name], field):
            if isinstance(one.value, str) or _within(field, one.value):
                said.append(one)
            else:
                outside += [one.taken, *one.others]
        if said:
            values[field.name] = _chosen(settler.text, said, field)
    return values, outside


def _within(field: PackField, value: float) -> bool:
    low, high = field.low, field.high
    return math.isfinite(value) and (low is None or value >= low) and (high is None or value <= high)


def _statements(settler: Settler, taken: Sequence[Taken], field: PackField) -> list[_Said]:
    """The statements of a field, in the order of the text."""
    claims: dict[int, list[Taken]] = {}
    for one in sorted(taken, key=lambda t: t.start):
        claims.setdefault(one.claim, []).append(one)
    said = []
    for places in claims.values():
        first = places[0]
        if not field.is_number:
            words = first.text or ""
            said.append(_Said(words, f"{settler.text[first.start : first.end]} -> {words}", first))
            continue
        made = [_number(settler, place, places, field) for place in places]
        known = [one for one in made if one is not None]
        if not known:
            continue
        value = sum(value for value, _ in known) / len(known)
        derivation = known[0][1]
        if len(known) > 1:
            derivation = f"({' + '.join(how for _, how in known)}) / {len(known)}"
        if field.column.type == "int32":
            whole = round(value) if math.isfinite(value) else value
            derivation += f" -> {whole}" if whole != value else ""
            value = whole
        said.append(_Said(value, derivation, first, tuple(places[1:])))
    return said


def _number(settler: Settler, taken: Taken, beside: Sequence[Taken], field: PackField) -> tuple[float, str] | None:
    """A statement's value in the field's unit and how it was made; None where a distance's unit cannot be told."""
    quantity = taken.quantity
    if quantity is None:
        return taken.value, f"{settler.text[taken.start : taken.end]} -> {taken.value:g}"
    if field.column.unit == "km" and quantity.kind in ("distance", "stretch", "thousands", "big"):
        return settler.distance(taken)
    unit = next((unit for t in (taken, *beside) if t.quantity and (unit := field.unit_of(t.quantity))), None)
    ends = []
    for end in (taken.low,) if taken.low == taken.high else (taken.low, taken.high):
        ends.append(unit.convert(end) if unit is not None else (end, f"{end:g}"))
    how = ends[0][1] if len(ends) == 1 else f"({ends[0][1]} + {ends[1][1]}) / 2"
    return sum(value for value, _ in ends) / len(ends), how


def _chosen(text: str, said: Sequence[_Said], field: PackField) -> FoundValue:
    """The value that the field's policy chooses, as evidence keeps it."""
    said = [one for one in said if one.taken.rule.priority >= CORRECTION] or said
    one = said[-1] if field.several == "latest" else said[0]
    value, derivation, others = one.value, one.derivation, one.others
    numbers = [other.value for other in said if not isinstance(other.value, str)]
    if numbers and field.several in ("largest", "smallest"):
        wanted = max(numbers) if field.several == "largest" else min(numbers)
        one = next(other for other in said if other.value == wanted)
        value, derivation, others = one.value, one.derivation, one.others
    elif field.several == "mean" and len(numbers) > 1:
        value = sum(numbers) / len(numbers)
        value = round(value) if field.column.type == "int32" else value
        derivation = f"({' + '.join(f'{number:g}' for number in numbers)}) / {len(numbers)}"
        others = tuple(place for other in said for place in (other.taken, *other.others) if place is not one.taken)
    taken = one.taken
    return FoundValue(
        field.name,
        value if isinstance(value, str | int) else round(value, 4),
        field.column.unit or None,
        text[taken.start : taken.end],
        taken.start,
        taken.end,
        taken.rule.id,
        taken.rule.pack,
        derivation,
        confidence=round(min(place.sure for place in (taken, *others)), 4),
        parts=tuple((text[place.start : place.end], place.start, place.end) for place in others),
    )
