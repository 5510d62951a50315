"""Small cells: none is shown, and none can be worked out from the others; linear programming plays the reader."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from pipeline.publish_release.small_cells import grid_lines, protect


def with_totals(body: np.ndarray) -> list[int]:
    """A table read row by row, its totals in the first row and column."""
    rows = np.vstack([body.sum(axis=0), body])
    return np.hstack([rows.sum(axis=1, keepdims=True), rows]).ravel().tolist()


def signed_lines(rows: int, columns: int) -> list[list[tuple[int, int]]]:
    """Each line with the sign of each place: a total minus its parts is zero."""
    return [
        [(place, 1 if number == 0 else -1) for number, place in enumerate(line)] for line in grid_lines(rows, columns)
    ]


def known_exactly(counts: list[int], hidden: list[bool], rows: int, columns: int) -> list[int]:
    """The hidden places that a reader who knows all the others can work out."""
    places = [place for place, one in enumerate(hidden) if one]
    if not places:
        return []
    equations, sums = [], []
    for line in signed_lines(rows, columns):
        equations.append([dict(line).get(place, 0) for place in places])
        sums.append(-sum(sign * counts[place] for place, sign in line if not hidden[place]))
    exact = []
    for number, place in enumerate(places):
        aim = np.zeros(len(places))
        aim[number] = 1
        low = linprog(aim, A_eq=equations, b_eq=sums, bounds=(0, None))
        high = linprog(-aim, A_eq=equations, b_eq=sums, bounds=(0, None))
        if low.status == 0 and high.status == 0 and -high.fun - low.fun < 0.5:
            exact.append(place)
    return exact


def test_total_100_and_93_shown_give_the_7_away_and_so_93_goes_too() -> None:
    """The CMS cell size policy (ResDAC 2024): 1 to 10 are hidden, and nothing stays that gives them away."""
    counts = [100, 93, 7]
    hidden = protect(counts, [[0, 1, 2]], [False, False, True], 11, totals=[0])
    assert hidden == [False, True, True]


def test_a_table_without_small_cells_hides_nothing() -> None:
    counts = with_totals(np.array([[20, 30], [0, 50]]))
    assert not any(protect(counts, grid_lines(3, 3), [False] * 9, 5))


def test_one_small_cell_takes_its_circle_along_and_no_total() -> None:
    counts = with_totals(np.array([[2, 30, 9], [40, 50, 8], [60, 70, 80]]))
    small = [place == 5 for place in range(16)]
    hidden = protect(counts, grid_lines(4, 4), small, 5, totals=[0, 1, 2, 3, 4, 8, 12])
    assert [place for place, one in enumerate(hidden) if one] == [5, 7, 9, 11]
    assert known_exactly(counts, small, 4, 4) == [5]
    assert known_exactly(counts, hidden, 4, 4) == []


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 4), st.integers(2, 4), st.data())
def test_no_small_cell_can_be_worked_out(rows: int, columns: int, data: st.DataObject) -> None:
    fewest = 5
    body = np.array(
        data.draw(
            st.lists(st.lists(st.integers(0, 25), min_size=columns, max_size=columns), min_size=rows, max_size=rows)
        )
    )
    counts = with_totals(body)
    small = [0 < count < fewest for count in counts]
    lines = grid_lines(rows + 1, columns + 1)
    totals = [place for line in (lines[0], lines[rows + 1]) for place in line]
    hidden = protect(counts, lines, small, fewest, totals)
    assert all(hide for hide, one in zip(hidden, small, strict=True) if one)
    assert not any(hide for hide, count in zip(hidden, counts, strict=True) if not count)
    # A small count may be known only where nothing else is left to hide: a table that is one count.
    for place in known_exactly(counts, hidden, rows + 1, columns + 1):
        assert not small[place] or np.count_nonzero(body) == 1


def test_a_count_in_no_line_is_refused() -> None:
    with pytest.raises(ValueError, match="one or two lines"):
        protect([1, 2], [[0]], [True, False], 5)
