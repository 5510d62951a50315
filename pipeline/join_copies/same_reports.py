"""Pairs the reports of a repeated response with those of the responses that it repeats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.dataset_columns import FIELD_NAMES

_NUMBERS_AGREE = 0.01
"""Two readings of the same words differ by rounding at most."""

Row = Mapping[str, Any]


NOTHING: frozenset[str] = frozenset()


def pair_reports(
    members: Sequence[Sequence[Row]], decided: Mapping[str, frozenset[str]] | None = None
) -> dict[str, tuple[str, float]]:
    """For each repeated report its original and the share of values that agree.

    `members` are the reports of each response of one group of copies, the original response first.  A report that
    none before it matches (a mended typo made it readable) is an original itself, for the copies behind it.  Fields
    that by `decided` (report -> fields) a person gave do not count: they are right where the copy's are still as read.
    """
    decided = decided or {}
    originals: list[Row] = []
    found: dict[str, tuple[str, float]] = {}
    for reports in members:
        taken: set[str] = set()
        pairs = [
            (-score, place, report["report_id"], other["report_id"])
            for report in reports
            for place, other in enumerate(originals)
            if (score := agreement(report, other, _of_both(decided, report, other))) is not None
        ]
        for score, _, report_id, other_id in sorted(pairs):
            if report_id not in found and other_id not in taken:
                found[report_id] = (other_id, -score)
                taken.add(other_id)
        originals += [report for report in reports if report["report_id"] not in found]
    return found


def copy_all(left: Sequence[Row], originals: Sequence[Row], found: dict[str, str]) -> None:
    """Makes the reports of a response that a person calls a copy repeat the originals, by their place in it."""
    for place, row in enumerate(left):
        if not originals:
            return
        report, original = str(row["report_id"]), str(originals[min(place, len(originals) - 1)]["report_id"])
        original = found.get(original, original)
        if original == report:
            continue
        found[report] = original
        for copy in [copy for copy, of in found.items() if of == report]:
            found[copy] = original


def _of_both(decided: Mapping[str, frozenset[str]], one: Row, two: Row) -> frozenset[str]:
    return decided.get(one["report_id"], NOTHING) | decided.get(two["report_id"], NOTHING)


def agreement(one: Row, two: Row, leaving_out: frozenset[str] = NOTHING) -> float | None:
    """The share of the fields said in either report that agree, or None where two values contradict each other."""
    said = same = 0
    for name in FIELD_NAMES:
        if name in leaving_out:
            continue
        left, right = one.get(name), two.get(name)
        if left is None and right is None:
            continue
        said += 1
        if left is None or right is None:
            continue
        if _equal(name, left, right):
            same += 1
        elif name != "vehicle_text":
            return None
    return same / said if said else 1.0


def _equal(name: str, left: Any, right: Any) -> bool:
    if name == "vehicle_text":
        return bool(str(left).casefold() == str(right).casefold())
    if isinstance(left, int | float) and isinstance(right, int | float):
        return bool(abs(left - right) <= _NUMBERS_AGREE * max(abs(left), abs(right)))
    return bool(left == right)
