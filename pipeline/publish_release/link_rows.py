"""Which rows of one person stay joined: a pattern of joined rows is told only where k people share it.

Two rows that share a key tell more than each by itself: who knows both odometer readings of a car looks for the one
person who is in both classes.  A person's keys therefore stay whole only where at least k people have rows in just the
same classes, equally often.  Elsewhere the joint is cut: the person's latest row in each class keeps a key of its own,
and the others have none.  A class then still holds as many keys as people, so that k can be counted in the release.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.publish_release.keys import ReleaseKey

if TYPE_CHECKING:
    import numpy

    Array = numpy.ndarray[Any, Any]

Pattern = tuple[tuple[int, int], ...]
"""(class, rows in it) of every class that a key is in, in order."""


@dataclass(frozen=True, slots=True)
class Linked:
    """The published keys of n rows (None where a joint was cut), and how many people's joints were cut."""

    person: list[str | None]
    vehicle: list[str | None]
    people_cut: int
    rows_cut: int


def link_rows(
    classes: Array, people: Sequence[str], vehicles: Sequence[str], order: Sequence[int], key: ReleaseKey, k: int
) -> Linked:
    """Keys for n rows in `classes` (n) of `people` and `vehicles` (n names each); `order` sorts rows, old to new."""
    rows_of: dict[str, list[int]] = defaultdict(list)
    for row in order:
        rows_of[people[row]].append(row)
    cut = _cut({name: _pattern(classes, rows) for name, rows in rows_of.items()}, k)
    person: list[str | None] = [None] * len(people)
    vehicle: list[str | None] = [None] * len(people)
    rows_cut = 0
    for name, rows in rows_of.items():
        if name not in cut:
            for row in rows:
                person[row] = key.of("person", name)
                vehicle[row] = key.of("vehicle", vehicles[row])
            continue
        newest = {int(classes[row]): row for row in rows}
        rows_cut += len(rows) - len(newest)
        for number, row in newest.items():
            # The class's place among the others would do as well; the row's number is never published with the key.
            person[row] = key.of("person", name, str(number))
            vehicle[row] = key.of("vehicle", vehicles[row], str(number))
    return Linked(person, vehicle, len(cut), rows_cut)


def _pattern(classes: Array, rows: Sequence[int]) -> Pattern:
    return tuple(sorted(Counter(int(classes[row]) for row in rows).items()))


def _cut(patterns: dict[str, Pattern], k: int) -> set[str]:
    """The people whose joints are cut, so that each pattern that is left has k people.

    Cutting makes more single rows, never fewer; a class whose single rows are fewer than k then takes in the people of
    the rarest joined pattern that touches it, until no class is left like that.
    """
    sharing = Counter(patterns.values())
    cut = {name for name, pattern in patterns.items() if sharing[pattern] < k and not _single(pattern)}
    while True:
        singles: Counter[int] = Counter()
        joined: Counter[Pattern] = Counter()
        for name, pattern in patterns.items():
            if name in cut or _single(pattern):
                singles.update(number for number, _ in pattern)
            else:
                joined[pattern] += 1
        thin = {number for number, count in singles.items() if count < k}
        touching = [pattern for pattern in joined if thin & {number for number, _ in pattern}]
        if not touching:
            return cut
        rarest = min(touching, key=lambda pattern: (joined[pattern], pattern))
        cut |= {name for name, pattern in patterns.items() if pattern == rarest}


def _single(pattern: Pattern) -> bool:
    return len(pattern) == 1 and pattern[0][1] == 1


def linked_patterns(classes: Sequence[int], keys: Sequence[str | None]) -> Counter[Pattern]:
    """How many keys have each pattern of joined rows in a release: what `verify` holds against k."""
    numbers: dict[str, Counter[int]] = defaultdict(Counter)
    for number, name in zip(classes, keys, strict=True):
        if name is not None:
            numbers[name][int(number)] += 1
    return Counter(tuple(sorted(counted.items())) for counted in numbers.values())
