"""One response's reports beside the labelled ones: which fields agree, by the labelling guide's tolerances and pairing.

A report here is plain: field -> value, absent fields left out (a value of None counts as absent).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal, Protocol

from pipeline.dataset_columns import FIELD_NAMES

Plain = Mapping[str, Any]


class Declared(Protocol):
    """A field that a rule pack declares (`find_values.pack_fields.PackField`), with its own tolerance."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def is_number(self) -> bool: ...  # noqa: D102
    def agrees(self, got: Any, wanted: Any) -> bool: ...  # noqa: D102


Kind = Literal["correct", "missing", "spurious", "wrong"]

ODOMETER_SHARE = 0.01
"""An odometer may be off by this share of the labelled distance."""

TOLERANCES: dict[str, float] = {
    "age_months": 1.0,
    "loss_pct": 0.1,
    "loss_max_pct": 0.1,
    "charge_limit_pct": 1.0,
    "charge_floor_pct": 1.0,
    "dc_fast_share_pct": 1.0,
    "full_charges_per_week": 0.05,
    "pack_kwh": 0.1,
}
"""Field -> how far a number may be from the labelled one, in the field's own unit (labelling guide, last part)."""

EXACT = ("model_year", "chemistry", "whose", "charge_habit", "loss_origin")
"""Fields that have to be equal."""

NAME_FIELD = "vehicle_text"
"""The guide gives the vehicle's name no tolerance: it is scored on its own row and is in none of the sums."""

SCORED = tuple(name for name in FIELD_NAMES if name in TOLERANCES or name in EXACT or name == "odometer_km")
"""The fields that the guide gives a tolerance for, in the order of the dataset's columns."""

CORE = (
    "odometer_km",
    "loss_pct",
    "model_year",
    "chemistry",
    "charge_limit_pct",
    "charge_habit",
    "full_charges_per_week",
    "age_months",
)
"""The fields that the core F1 is counted over."""

_ROUNDING = 1e-9
"""What floating-point arithmetic may add to a difference that stands exactly at its bound."""


def present(report: Plain) -> dict[str, Any]:
    """The report without its absent fields."""
    return {name: value for name, value in report.items() if value is not None}


def agrees(field: str, got: Any, wanted: Any) -> bool:
    """Whether a value is right by the guide's tolerances; a vehicle's name, apart from case and white space, equal."""
    if field == NAME_FIELD:
        return " ".join(str(got).split()).casefold() == " ".join(str(wanted).split()).casefold()
    if field != "odometer_km" and field not in TOLERANCES:
        return bool(got == wanted)
    if not (_is_number(got) and _is_number(wanted)):
        return False
    bound = ODOMETER_SHARE * abs(wanted) if field == "odometer_km" else TOLERANCES[field]
    return bool(abs(got - wanted) <= bound + _ROUNDING)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One field of one pair of reports; `got_report` and `wanted_report` are indices, None where there is none."""

    field: str
    kind: Kind
    got: Any
    wanted: Any
    got_report: int | None
    wanted_report: int | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """All fields of all reports of one response; `pairs` holds (index in got, index in wanted)."""

    outcomes: tuple[Outcome, ...]
    pairs: tuple[tuple[int | None, int | None], ...]
    got: int
    wanted: int

    def counts(self, field: str) -> tuple[int, int, int, int]:
        """Correct, missing, spurious, wrong of one field; a wrong value is also a missing and a spurious one."""
        kinds = [outcome.kind for outcome in self.outcomes if outcome.field == field]
        wrong = kinds.count("wrong")
        return kinds.count("correct"), kinds.count("missing") + wrong, kinds.count("spurious") + wrong, wrong

    def report_right(self, index: int) -> bool:
        """Whether every scored field of the report that was read, and nothing else, is in the labelled one."""
        paired = any(got == index and wanted is not None for got, wanted in self.pairs)
        return paired and all(
            outcome.kind == "correct"
            for outcome in self.outcomes
            if outcome.got_report == index and outcome.field in SCORED
        )

    @property
    def wholly_right(self) -> bool:
        """Whether the response has as many reports as labelled, and every scored field of each is right."""
        return self.got == self.wanted and all(
            outcome.kind == "correct" for outcome in self.outcomes if outcome.field in SCORED
        )

    @property
    def name_right(self) -> bool:
        """Whether it is wholly right and the vehicles' names are right too."""
        return self.wholly_right and all(
            outcome.kind == "correct" for outcome in self.outcomes if outcome.field == NAME_FIELD
        )


def compare(got: Sequence[Plain], wanted: Sequence[Plain], declared: Sequence[Declared] = ()) -> Comparison:
    """A response's reports beside the labelled ones; the order of either changes nothing but the indices.

    `declared` are fields of rule packs: they have outcomes of their own, and neither pair reports nor decide whether
    one is right, since the labels of the guide know nothing of them.
    """
    packs = {field.name: field for field in declared}
    mine, labelled = [present(report) for report in got], [present(report) for report in wanted]
    pairs = pair_reports(mine, labelled)
    outcomes: list[Outcome] = []
    for here, there in pairs:
        read = mine[here] if here is not None else {}
        label = labelled[there] if there is not None else {}
        for field in (*FIELD_NAMES, *packs):
            if field in read and field in label:
                check = packs[field].agrees if field in packs else partial(agrees, field)
                kind: Kind = "correct" if check(read[field], label[field]) else "wrong"
            elif field in read:
                kind = "spurious"
            elif field in label:
                kind = "missing"
            else:
                continue
            outcomes.append(Outcome(field, kind, read.get(field), label.get(field), here, there))
    return Comparison(tuple(outcomes), tuple(pairs), len(mine), len(labelled))


def pair_reports(got: Sequence[Plain], wanted: Sequence[Plain]) -> list[tuple[int | None, int | None]]:
    """Pairs (index in `got`, index in `wanted`) such that the most scored fields agree; what is left over has None.

    Among pairings with as many agreeing fields, the one in which more vehicle names agree, then the one in which
    more fields stand on both sides, then a fixed one by content: the order of the reports never decides.  Solved
    exactly for any number of reports (assignment problem, Hungarian method: Kuhn 1955, Munkres 1957).
    """
    rows = sorted(range(len(got)), key=lambda index: _content(got[index]))
    columns = sorted(range(len(wanted)), key=lambda index: _content(wanted[index]))
    swapped = len(rows) > len(columns)
    short, long = (columns, rows) if swapped else (rows, columns)
    weights = [[_likeness(got[b], wanted[a]) if swapped else _likeness(got[a], wanted[b]) for b in long] for a in short]
    chosen = best_assignment(weights)
    taken = {long[place] for place in chosen}
    linked = [(short[row], long[place]) for row, place in enumerate(chosen)]
    pairs: list[tuple[int | None, int | None]] = [(b, a) if swapped else (a, b) for a, b in linked]
    rest = sorted(index for index in long if index not in taken)
    left: list[tuple[int | None, int | None]] = [(index, None) if swapped else (None, index) for index in rest]
    return sorted(pairs, key=lambda pair: (pair[1] or 0, pair[0] or 0)) + left


def _content(report: Plain) -> str:
    return json.dumps(report, sort_keys=True, default=str)


def _likeness(got: Plain, wanted: Plain) -> int:
    agreeing = sum(field in got and field in wanted and agrees(field, got[field], wanted[field]) for field in SCORED)
    named = NAME_FIELD in got and NAME_FIELD in wanted and agrees(NAME_FIELD, got[NAME_FIELD], wanted[NAME_FIELD])
    both = sum(field in got and field in wanted for field in FIELD_NAMES)
    # A response holds far fewer than 1,000 reports of 15 fields, so the steps cannot overtake one another.
    return agreeing * 10**9 + named * 10**5 + both


def best_assignment(weights: Sequence[Sequence[int]]) -> list[int]:
    """For each row the column it is given, such that the summed weight is greatest.

    `weights` has shape (rows, columns) with rows <= columns; every row gets a column of its own.  Shortest augmenting
    paths with potentials, O(rows^2 columns), exact in integers.
    """
    count = len(weights)
    width = len(weights[0]) if weights else 0
    assert count <= width or not count, "more rows than columns"
    row_potential, column_potential = [0] * (count + 1), [0] * (width + 1)
    row_of = [0] * (width + 1)  # 1-based row that holds each 1-based column; 0: free
    for row in range(1, count + 1):
        row_of[0] = row
        column = 0
        least: list[int | None] = [None] * (width + 1)
        before = [0] * (width + 1)
        done = [False] * (width + 1)
        while row_of[column]:
            done[column] = True
            here, step, best = row_of[column], None, 0
            for other in range(1, width + 1):
                if done[other]:
                    continue
                cost = -weights[here - 1][other - 1] - row_potential[here] - column_potential[other]
                known = least[other]
                if known is None or cost < known:
                    least[other], before[other], known = cost, column, cost
                if step is None or known < step:
                    step, best = known, other
            assert step is not None
            for other in range(width + 1):
                if done[other]:
                    row_potential[row_of[other]] += step
                    column_potential[other] -= step
                else:
                    known = least[other]
                    least[other] = known - step if known is not None else None
            column = best
        while column:
            row_of[column] = row_of[before[column]]
            column = before[column]
    chosen = [0] * count
    for column in range(1, width + 1):
        if row_of[column]:
            chosen[row_of[column] - 1] = column - 1
    return chosen
