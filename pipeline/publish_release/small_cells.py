"""Protects small cells of a table of counts, and the cells that would give them away.

A table is a list of counts and a list of *lines*: the places of counts that add up to each other (a row with its total,
a column with its total; the total is one of the places).  Every count stands in one or two lines.  A hidden count can
be worked out exactly if, seen as an edge between its lines, it is a bridge among the hidden ones: so each small count
gets company along the cheapest circle of positive counts.  Around such a circle every count can go up or down by one,
so none of them is known (Cox 1995, on suppression as circles; CMS asks that a small cell be not derivable).
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence

FREE = -1
"""The other line of a count that stands in one line only."""


def protect(
    counts: Sequence[int],
    lines: Sequence[Sequence[int]],
    small: Sequence[bool],
    fewest: int,
    totals: Sequence[int] = (),
) -> list[bool]:
    """Which counts (n) to hide: the `small` ones and as little else as protects them.

    No line may hide fewer than `fewest` in all, either.  `totals` are the places of sums, hidden only where nothing
    else serves.  Zero counts are shown, so they protect nothing.
    """
    ends = _ends(len(counts), lines)
    dear = set(totals)
    most = sum(counts) + 1
    price = [count + (most if place in dear else 0) for place, count in enumerate(counts)]
    hidden = [bool(one) and count > 0 for one, count in zip(small, counts, strict=True)]
    while True:
        before = sum(hidden)
        for place in [place for place, one in enumerate(hidden) if one]:
            for other in _circle(place, ends, counts, price, hidden):
                hidden[other] = True
        _fill_lines(counts, lines, price, hidden, fewest, dear)
        if sum(hidden) == before:
            return hidden


def _ends(number: int, lines: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    found: list[list[int]] = [[] for _ in range(number)]
    for line, places in enumerate(lines):
        for place in places:
            found[place].append(line)
    if any(len(one) not in (1, 2) for one in found):
        raise ValueError("every count must stand in one or two lines")
    return [(one[0], one[1] if len(one) == 2 else FREE) for one in found]


def _circle(
    place: int, ends: Sequence[tuple[int, int]], counts: Sequence[int], price: Sequence[int], hidden: Sequence[bool]
) -> list[int]:
    """The cheapest way between a count's two lines that does not use the count itself; hidden counts cost nothing."""
    start, goal = ends[place]
    reached: dict[int, tuple[int, list[int]]] = {}
    heap: list[tuple[int, int, list[int]]] = [(0, start, [])]
    while heap:
        cost, line, way = heapq.heappop(heap)
        if line in reached:
            continue
        reached[line] = (cost, way)
        if line == goal:
            return way
        for other, (one, two) in enumerate(ends):
            if other != place and counts[other] > 0 and line in (one, two):
                heapq.heappush(
                    heap, (cost + (0 if hidden[other] else price[other]), two if line == one else one, [*way, other])
                )
    return []


def _fill_lines(
    counts: Sequence[int], lines: Sequence[Sequence[int]], price: Sequence[int], hidden: list[bool], fewest: int,
    dear: set[int],
) -> None:  # fmt: skip
    for places in lines:
        while 0 < sum(counts[place] for place in places if hidden[place]) < fewest:
            others = [place for place in places if not hidden[place] and counts[place] > 0]
            if not others:
                break
            hidden[min(others, key=lambda place: (place in dear, price[place], place))] = True


def grid_lines(rows: int, columns: int) -> list[list[int]]:
    """The lines of a table that is read row by row and has its totals in the first row and the first column."""
    across = [[row * columns + column for column in range(columns)] for row in range(rows)]
    down = [[row * columns + column for row in range(rows)] for column in range(columns)]
    return across + down
