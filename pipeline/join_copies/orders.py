"""What a person has decided about joining: it goes before everything that is found out from texts and values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Orders:
    """Decisions by the ids of responses (copies) and reports (vehicles); each value is the reason that links show.

    `copies` leads from a response to the one that it repeats, `not_copies` from a response to None or the one that it
    was taken for a copy of; `reasons` gives the reason of both by response.  The pairs of `one_vehicle` and
    `two_vehicles` are in sorted order; no pair of `two_vehicles` is joined by a chain of `one_vehicle`.  `decided` are
    the fields of reports whose values a person gave: a copy of the response that is read otherwise is one all the same.
    """

    copies: Mapping[str, str] = field(default_factory=dict)
    not_copies: Mapping[str, str | None] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)
    one_vehicle: Mapping[Pair, str] = field(default_factory=dict)
    two_vehicles: Mapping[Pair, str] = field(default_factory=dict)
    decided: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.copies or self.not_copies or self.one_vehicle or self.two_vehicles or self.decided)


NO_ORDERS = Orders()
