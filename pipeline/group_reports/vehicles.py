"""Which statement belongs to which vehicle, whose it is, and what it is called.

The tracker walks through a response from anchor to anchor (see `anchors`) and keeps the vehicles met so far.  A value
belongs to the vehicle that the talk was about when it was said; what is said of "both" belongs to all.  A second
vehicle needs evidence: another owner, an order word, or another name.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from pipeline.find_values.match_rules import Taken
from pipeline.find_values.rule_files import built_in_name
from pipeline.group_reports.anchors import AnchorFinder, tracker_data
from pipeline.group_reports.model_names import settle_names
from pipeline.group_reports.names import NameFinder
from pipeline.group_reports.walk import Vehicle, Walk
from pipeline.read_text.quantities import Quantity
from pipeline.read_text.sentences import Sentence
from pipeline.response import FoundValue

__all__ = ["Vehicle", "VehicleTracker"]


class VehicleTracker:
    """Follows the vehicles of a response from sentence to sentence."""

    def __init__(self, lexicon: Mapping[str, Sequence[str]], language: str) -> None:
        data = tracker_data(language) or tracker_data("en")
        self.language = language
        self.finder = AnchorFinder(data)
        self.names = NameFinder(data, language)
        self.on = re.compile(rf"\s(?:{'|'.join(data.get('on_words') or ['on', 'in', 'for'])})\s(?:\w+\s)?$")

    def group(
        self,
        original: str,
        text: str,
        spans: Sequence[Sentence],
        taken: Sequence[Taken],
        quantities: Sequence[Quantity] = (),
        blanked: Sequence[tuple[int, int]] = (),
    ) -> list[Vehicle]:
        """The vehicles, in the order in which they are first spoken of; each with its `said` fields filled."""
        folded = original.lower() if len(original.lower()) == len(original) else text
        years = [(q.start, q.end) for q in quantities if q.kind == "year"]
        serving = {value.quantity.start for value in taken if value.quantity is not None}
        bare = ("other", "number", "big", "hundred")
        blocked = [
            (q.start, q.end)
            for q in quantities
            if q.start in serving or q.unit is not None or q.kind not in bare or (q.kind == "other" and len(q.said) > 6)
        ]
        blocked += list(blanked)
        names = self.names.find(original, folded, years, blocked)
        anchors = self.finder.find(text, folded)
        walk = Walk(text, list(spans), anchors, names, taken, self.on, self.finder)
        vehicles = walk.vehicles()
        if self.language == "en":  # elsewhere the name model's gain is within noise
            settle_names(original, vehicles, blanked, self.names)
        for vehicle in vehicles:
            self._say(original, vehicle)
        return vehicles

    @staticmethod
    def _say(original: str, vehicle: Vehicle) -> None:
        start, end = vehicle.owner_words or (0, 0)
        whose = vehicle.whose or "own"
        rule = "whose.said" if vehicle.owner_words else "whose.own-by-default"
        vehicle.said.append(
            FoundValue("whose", whose, None, original[start:end], start, end, rule, built_in_name(), whose)
        )
        if vehicle.name is not None:
            name = vehicle.name
            vehicle.said.append(
                FoundValue(
                    "vehicle_text",
                    name.text,
                    None,
                    name.text,
                    name.start,
                    name.end,
                    "vehicle.name",
                    built_in_name(),
                    name.text,
                )
            )
