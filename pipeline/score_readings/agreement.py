"""How far two labellings of the same responses agree: the pairwise F1, which needs no count of true negatives.

With a values that both labellings hold and that agree, b that only the first holds and c that only the second holds,
the F1 of either against the other is the positive specific agreement 2a / (2a + b + c); kappa tends to it as the
unlabelled negatives grow without bound.  Source: G. Hripcsak and A. S. Rothschild, "Agreement, the F-measure, and
reliability in information retrieval", JAMIA 12 (2005) 296-298.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.score_readings.compare import CORE, SCORED, compare


def specific_agreement(both: int, only_first: int, only_second: int) -> float | None:
    """2a / (2a + b + c); None where neither labelling holds anything."""
    whole = 2 * both + only_first + only_second
    return 2 * both / whole if whole else None


@dataclass(frozen=True, slots=True)
class Counts:
    """Values that both labellings hold alike, and those that one alone holds; a differing value is in both of these."""

    both: int
    only_first: int
    only_second: int

    @property
    def f1(self) -> float | None:
        """The pairwise F1 of these counts."""
        return specific_agreement(self.both, self.only_first, self.only_second)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two labellings of `responses` responses: counts a field, and over the core and all scored fields."""

    responses: int
    fields: dict[str, Counts]
    core: Counts
    scored: Counts
    same_silence: float | None
    wholly_alike: float | None
    """Share of responses in which the labellings agree whether there is a report; in which they agree in all."""


def agreement(
    first: Mapping[str, Sequence[Mapping[str, Any]]], second: Mapping[str, Sequence[Mapping[str, Any]]]
) -> Agreement:
    """The agreement of two labellings (response id -> its reports, without words) on the responses that both hold."""
    shared = [name for name in first if name in second]
    compared = [compare(second[name], first[name]) for name in shared]
    fields: dict[str, Counts] = {}
    for field in FIELD_NAMES:
        counts = [one.counts(field) for one in compared]
        both, missing, spurious = (sum(count[place] for count in counts) for place in range(3))
        fields[field] = Counts(both, missing, spurious)
    alike = sum(one.wholly_right for one in compared)
    silence = sum((one.got == 0) == (one.wanted == 0) for one in compared)
    number = len(compared)
    return Agreement(
        number,
        fields,
        _sum(fields, CORE),
        _sum(fields, SCORED),
        silence / number if number else None,
        alike / number if number else None,
    )


def _sum(fields: Mapping[str, Counts], names: Sequence[str]) -> Counts:
    return Counts(
        sum(fields[name].both for name in names),
        sum(fields[name].only_first for name in names),
        sum(fields[name].only_second for name in names),
    )
