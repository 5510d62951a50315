"""Looks for the classes: from one class that tells nothing, each class is split as long as everybody stays hidden.

Top-down specialisation with local recoding (Fung, Wang and Yu 2005; LeFevre, DeWitt and Ramakrishnan 2006): a class is
split by one attribute into the labels of its next finer level.  Labels with too few people stay together under the
label that they have, with the rows that say nothing or with the smallest other label, or are left out while the limit
on rows left out allows it, whichever costs least.  Every class holds at least k people and diverse values at every
step, so the result does too.

Where no finer label holds enough people, none inside it does either, and it is not tried again further down.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pipeline.publish_release.hierarchies import NOT_SAID, Ladder
from pipeline.publish_release.measures import Diversity, diverse

if TYPE_CHECKING:
    import numpy

    Array = numpy.ndarray[Any, Any]


@dataclass(frozen=True, slots=True)
class Rules:
    """What must hold: `k` people a class, diversity of the main sensitive values, `suppress` as a share of the rows."""

    k: int = 5
    diversity: Diversity = field(default_factory=Diversity)
    suppress: float = 0.1


@dataclass(slots=True, eq=False)
class Class:
    """Rows that share their labels: `levels` is the level of each attribute, `closed` what is not split further.

    Of a `whole` class no row is ever left out: it is a cell of the headline, whose median would move.
    """

    rows: Array
    levels: tuple[int, ...]
    closed: frozenset[int] = frozenset()
    whole: bool = False


@dataclass(slots=True, eq=False)
class Split:
    """One way to split a class: the parts, the rows left out, and how much less information is lost by it."""

    parts: list[Class]
    left_out: list[Array]
    gain: float

    @property
    def rows_out(self) -> int:
        """How many rows it leaves out."""
        return sum(len(rows) for rows in self.left_out)


class Splitter:
    """Splits n rows of `people` (n) into classes; `main` (n, categories; 0 is the null) are the sensitive values."""

    def __init__(self, ladders: Sequence[Ladder], people: Array, main: Array, rules: Rules) -> None:
        import numpy as np

        self.ladders = ladders
        self.people = people
        self.main = main
        self.rules = rules
        self._whole = np.bincount(main, minlength=1)
        self._weights = [ladder.attribute.weight for ladder in ladders]
        self._room = int(rules.suppress * len(people))
        self._order = sorted(
            (ladder.attribute.first, number) for number, ladder in enumerate(ladders) if ladder.attribute.first
        )

    def passes(self, rows: Array) -> bool:
        """Whether these rows may be a class."""
        # Python's sets are several times faster than NumPy here: most of the groups that are looked at are small.
        if len(rows) < self.rules.k or len(set(self.people[rows].tolist())) < self.rules.k:
            return False
        values = self.main[rows]
        return diverse(values, values > 0, self.rules.diversity, self._whole)

    def run(self, told: Callable[[int, int], None] = lambda done, total: None) -> tuple[list[Class], Array]:
        """The classes, and the rows (indices) that are left out; ([], all rows) where even all rows are too few."""
        import numpy as np

        total = len(self.people)
        everything = np.arange(total)
        if not total or not self.passes(everything):
            return [], everything
        waiting = self._cells(everything)
        finished: list[Class] = []
        out: list[Array] = []
        done = 0
        while waiting:
            one = waiting.pop()
            split = self._best(one)
            if split is None:
                finished.append(one)
                done += len(one.rows)
                told(done, total)
                continue
            self._room -= split.rows_out
            out += split.left_out
            waiting += split.parts
        finished.sort(key=lambda one: int(one.rows[0]))
        return finished, np.sort(np.concatenate(out)) if out else np.zeros(0, dtype=np.int64)

    def _cells(self, rows: Array) -> list[Class]:
        """The cells of the attributes that go first, each at its `until`, and the rows of all cells that are too small.

        What the headline is told for is a cell here: its class then holds its rows and no others.
        """
        import numpy as np

        tops = tuple(len(ladder.labels) - 1 for ladder in self.ladders)
        levels = list(tops)
        cell = np.zeros(len(rows), dtype=np.int64)
        for _, number in self._order:
            ladder = self.ladders[number]
            levels[number] = ladder.attribute.until
            cell = cell * len(ladder.labels[levels[number]]) + ladder.codes[levels[number]]
        if not self._order:
            return [Class(rows, tops)]
        order = np.argsort(cell, kind="stable")
        starts = np.unique(cell[order], return_index=True)[1]
        cells = np.split(order, starts[1:])
        good = [Class(np.sort(one), tuple(levels), whole=True) for one in cells if self.passes(one)]
        small = [one for one in cells if not self.passes(one)]
        if not small:
            return good
        rest = np.sort(np.concatenate(small))
        while not self.passes(rest):  # the smallest cells give up their place until the rest is one class
            smallest = min(good, key=lambda one: (len(one.rows), int(one.rows[0])))
            good.remove(smallest)
            rest = np.sort(np.concatenate([rest, smallest.rows]))
        return [*good, Class(rest, tops)]

    def _best(self, one: Class) -> Split | None:
        for _, number in self._order:
            ladder = self.ladders[number]
            if number not in one.closed and one.levels[number] > ladder.attribute.until:
                split = self._try(one, number)
                if split is not None:
                    return split
        best = None
        for number in range(len(self.ladders)):
            if number in one.closed or not one.levels[number]:
                continue
            split = self._try(one, number)
            if split is not None and (best is None or split.gain > best.gain):
                best = split
        return best

    def _try(self, one: Class, number: int) -> Split | None:
        """The best way to split a class by an attribute, or None where no way gains anything."""
        import numpy as np

        ladder, level = self.ladders[number], one.levels[number] - 1
        codes = ladder.codes[level][one.rows]
        order = np.argsort(codes, kind="stable")
        found, starts = np.unique(codes[order], return_index=True)
        groups = dict(zip(found.tolist(), np.split(one.rows[order], starts[1:]), strict=True))
        good = {code: rows for code, rows in groups.items() if self.passes(rows)}
        rest = [rows for code, rows in groups.items() if code not in good]
        if not good:
            one.closed |= {number}
            return None
        saved = self._saved(one, number, level)
        if not rest:
            return self._made(one, number, level, good, None, [], saved)
        return self._with_rest(one, number, level, good, rest, saved)

    def _saved(self, one: Class, number: int, level: int) -> dict[int, float]:
        """For each finer label, what a row gains by being told it."""
        ladder = self.ladders[number]
        now = float(ladder.share[one.levels[number]][ladder.codes[one.levels[number]][one.rows[0]]])
        weight = self._weights[number]
        # A hair more than nothing, so that a class of one label is told that label.
        return {
            code: weight * (now - float(ladder.share[level][code])) + 1e-9 for code in range(len(ladder.labels[level]))
        }

    def _with_rest(
        self, one: Class, number: int, level: int, good: dict[int, Array], rest: list[Array], saved: dict[int, float]
    ) -> Split | None:
        import numpy as np

        together = np.sort(np.concatenate(rest))
        ways = []
        if self.passes(together):
            ways.append(self._made(one, number, level, good, together, [], saved))
        else:
            labels = self.ladders[number].labels[level]
            silent = [code for code in good if set(labels[code].split("\x1f")) <= {NOT_SAID}]
            for code in [*silent, *sorted(good, key=lambda code: (saved[code] * len(good[code]), code))[:3]]:
                pooled = np.sort(np.concatenate([together, good[code]]))
                if len(good) > 1 and self.passes(pooled):
                    others = {key: rows for key, rows in good.items() if key != code}
                    ways.append(self._made(one, number, level, others, pooled, [], saved))
        # Leaving rows out costs all that they still tell and could tell.
        if len(together) <= self._room and not one.whole:
            ways.append(self._made(one, number, level, good, None, [together], saved))
        ways = [way for way in ways if way.gain > 0]
        return max(ways, key=lambda way: way.gain, default=None)

    def _made(
        self, one: Class, number: int, level: int, good: dict[int, Array], rest: Array | None, out: list[Array],
        saved: dict[int, float],
    ) -> Split:  # fmt: skip
        finer = (*one.levels[:number], level, *one.levels[number + 1 :])
        parts = [Class(rows, finer, one.closed, one.whole) for _, rows in sorted(good.items())]
        if rest is not None:
            parts.append(Class(rest, one.levels, one.closed | {number}, one.whole))
        gain = sum(saved[code] * len(rows) for code, rows in good.items())
        return Split(parts, out, gain - sum(len(rows) for rows in out) * sum(self._weights))
