"""Reads responses into reports: the one entrance to extraction.

The data's way through one response: fold the characters, blank quoted passages, find quantities, cut sentences, apply
the rules of the response's language, gather what was taken by vehicle, settle each vehicle's fields.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.find_values.decide import Decider
from pipeline.find_values.match_rules import Matches, Refused, RuleMatcher
from pipeline.find_values.merge_answers import merge_answers
from pipeline.find_values.report_features import report_features
from pipeline.find_values.role_features import FeatureMaker
from pipeline.find_values.role_model import RoleModel, shipped_model
from pipeline.find_values.rule_files import BUILT_IN, PackInfo, Rule, languages_with_rules, load_rules, pack_info
from pipeline.find_values.survey_answers import answer_lines, read_answers
from pipeline.group_reports.settle import Settler, is_report
from pipeline.group_reports.vehicles import Vehicle, VehicleTracker
from pipeline.read_text.first_look import FirstLook
from pipeline.read_text.fold import fold
from pipeline.read_text.language_data import available, language_data
from pipeline.read_text.quantities import Quantity, QuantityScanner, abstract
from pipeline.read_text.quotations import blank, find_quotations
from pipeline.read_text.sentences import Sentence, sentences
from pipeline.response import FoundValue, Reading, Refusal, Report, Response

_MILES_WORD = re.compile(r"(?<!\w)(?:miles|mile|mi|mls|mph|meilen|millas|milhas|miglia|mijlen)(?!\w)")
LEAST_SURE_REPORT = 0.5
NO_REPORT = Rule(
    id="model.no-report",
    topic="model",
    patterns=(),
    refuse="the response does not seem to report on a vehicle",
    pack="crowdfade model",
)
_SAME_PACK = {"no": "nb", "nn": "nb"}
_KM_WORD = re.compile(r"(?<![a-z])(?:km|kms|kilomet\w+|klicks|km/h|kilómet\w+|quilómet\w+|chilomet\w+)(?!\w)")


@dataclass(slots=True)
class Scene:
    """One text made ready: what was found in it before anything is decided."""

    original: str
    own: str
    text: str
    quantities: list[Quantity]
    spans: list[Sentence]
    matches: Matches
    quoted: tuple[tuple[int, int], ...]
    features: FeatureMaker


class LanguageReader:
    """Everything that reading one language takes."""

    def __init__(self, language: str, packs: Sequence[Path], model: RoleModel | None = None) -> None:
        rules = load_rules(language, packs)
        self.scanner = QuantityScanner(language_data(language))
        self.matcher = RuleMatcher(rules)
        self.first_look = FirstLook(language, self.scanner.language.number_words, self.matcher.may_set)
        self.tracker = VehicleTracker(rules.lexicon, language)
        self.language = language
        self.model = model
        self.decider = Decider(model)

    def scene(self, original: str, answered: tuple[tuple[int, int], ...] = ()) -> Scene:
        """Quantities, sentences and the rules' proposals of a text; `answered` are survey answers, read elsewhere."""
        folded = fold(original)
        quotations = find_quotations(folded)
        quoted = tuple(sorted((*quotations.quoted, *answered)))
        own = blank(folded, quoted)
        quantities = self.scanner.scan(own)
        text = abstract(own, quantities)
        spans = sentences(text)
        matches = self.matcher.match(text, quantities, spans)
        return Scene(
            original, own, text, quantities, spans, matches, quoted, FeatureMaker(text, quantities, spans, matches, folded, quoted)
        )

    def possible(
        self, original: str, reply: bool, answered: tuple[tuple[int, int], ...] = ()
    ) -> tuple[Scene, list[tuple[Vehicle, dict[str, FoundValue], list[str]]]]:
        """The scene, and the reports that could be made: vehicle, its fields, the report model's features."""
        scene = self.scene(original, answered)
        self.decider.decide(scene.quantities, scene.matches, scene.features)
        unit = distance_unit(scene.own, fold(original), scene.quantities)
        vehicles = self.tracker.group(
            original, scene.text, scene.spans, scene.matches.taken, scene.quantities, scene.quoted
        )
        made = []
        for vehicle in vehicles:
            values = Settler(original, vehicle.taken, unit).settle()
            if not is_report(values):
                continue
            for value in vehicle.said:
                values[value.field] = value
            made.append((vehicle, values))
        return scene, [
            (vehicle, values, report_features(scene, vehicle, values, len(made), reply)) for vehicle, values in made
        ]


def distance_unit(own: str, whole: str, quantities: Sequence[Quantity]) -> str | None:
    """The unit that a response uses for distances; a quoted question's unit serves where the answer has none."""
    counts = {"km": 0, "mi": 0}
    for quantity in quantities:
        if quantity.unit in counts and quantity.kind in ("distance", "stretch", "rate"):
            counts[quantity.unit] += 3
    for text in (own, whole):
        counts["mi"] += len(_MILES_WORD.findall(text))
        counts["km"] += len(_KM_WORD.findall(text))
        if counts["km"] != counts["mi"]:
            return "km" if counts["km"] > counts["mi"] else "mi"
    return None


class ResponseReader:
    """Reads responses; `rules` are packs laid over the built-in one, `vehicles` a vehicle list, `lang` forces a language."""

    def __init__(
        self,
        rules: Sequence[str | Path] = (),
        vehicles: str | Path | None = None,
        lang: str | None = None,
        model: RoleModel | Literal["shipped"] | None = "shipped",
    ) -> None:
        self._model = shipped_model() if model == "shipped" else model
        self._packs = [Path(pack) for pack in rules]
        self.packs: list[PackInfo] = [pack_info(folder) for folder in (BUILT_IN, *self._packs)]
        self.lang = lang
        self._languages = frozenset(languages_with_rules(self._packs)) & frozenset(available())
        self._readers: dict[str, LanguageReader] = {}

    def _reader(self, language: str) -> LanguageReader:
        if language not in self._readers:
            self._readers[language] = LanguageReader(language, self._packs, self._model if language == "en" else None)
        return self._readers[language]

    def read(self, responses: Sequence[Response]) -> list[Reading]:
        """One `Reading` a response, in the order given."""
        return [self.read_one(response) for response in responses]

    def read_one(self, response: Response) -> Reading:
        """What one response reports, and what was turned down in it."""
        language = (self.lang or response.lang or "en").split("-")[0].lower()
        language = _SAME_PACK.get(language, language)
        reader = self._reader(language if language in self._languages else "en")
        if not response.answers:
            return self._read_text(response.text, reader, response.parent_id is not None)
        reading = self._read_text(response.text, reader, False, answer_lines(response))
        return merge_answers(reading, *read_answers(response, language), response)

    @staticmethod
    def _read_text(
        original: str, reader: LanguageReader, reply: bool, answered: tuple[tuple[int, int], ...] = ()
    ) -> Reading:
        reading = Reading()
        scene, possible = reader.possible(original, reply, answered)
        for vehicle, values, features in possible:
            chance, right = reader.model.of_report(features) if reader.model else (1.0, 1.0)
            if chance < LEAST_SURE_REPORT:
                scene.matches.refused.extend(
                    Refused(taken.start, taken.end, NO_REPORT, taken.role)
                    for taken in vehicle.taken
                    if taken.role != "loss_origin"
                )
                continue
            reading.reports.append(Report(values, round(right, 4)))
        for refused in scene.matches.refused:
            raw = original[refused.start : refused.end]
            reading.refusals.append(
                Refusal(refused.role, raw, refused.start, refused.end, refused.rule.id, refused.rule.refuse or "")
            )
        reading.refusals.sort(key=lambda refusal: (refusal.start, refusal.end))
        return reading
