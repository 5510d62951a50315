"""Reads responses into reports: the one entrance to extraction.

A response takes a cheap first look, then the steps of the spaCy pipeline of its language (`spacy_pipeline`): typed
quantities, rules, roles, vehicles, reports.  Survey answers are read with their questions and joined with what the
row's free text says.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Literal

from pipeline.dataset_columns import Column
from pipeline.find_values.match_rules import RuleMatcher
from pipeline.find_values.merge_answers import merge_answers
from pipeline.find_values.pack_fields import PackField
from pipeline.find_values.role_model import ReportJudge, RoleModel, shipped_model
from pipeline.find_values.rule_files import PackInfo, RuleSet, languages_with_rules, load_rules, pack_infos
from pipeline.find_values.scene import Scene
from pipeline.find_values.spacy_pipeline import (
    QuantityStep,
    RuleStep,
    extraction_pipeline,
    matcher_of,
    read_scene,
    step_of,
)
from pipeline.find_values.survey_answers import answer_lines, read_answers
from pipeline.group_reports.vehicles import Vehicle
from pipeline.read_text.blanks import evened
from pipeline.read_text.bounds import MOST_CHARACTERS, calm
from pipeline.read_text.first_look import FirstLook
from pipeline.read_text.fold import fold
from pipeline.read_text.language_data import available
from pipeline.response import FoundValue, Reading, Refusal, Response

__all__ = ["LanguageReader", "ResponseReader", "Scene"]
_SAME_PACK = {"no": "nb", "nn": "nb"}


class LanguageReader:
    """Everything that reading one language takes: the first look, and the pipeline for what survives it."""

    def __init__(self, language: str, packs: Sequence[Path], model: RoleModel | ReportJudge | None = None) -> None:
        self.language = language
        self.model = model
        self.nlp = extraction_pipeline(language, packs, model)
        self._quantities = step_of(self.nlp, "crowdfade_quantities", QuantityStep)
        self.matcher: RuleMatcher = step_of(self.nlp, "crowdfade_rules", RuleStep).matcher
        self.first_look = FirstLook(
            self._quantities.scanner, self.matcher.may_set, any_number=bool(self.matcher.telling)
        )

    def scene(self, original: str, answered: tuple[tuple[int, int], ...] = ()) -> Scene:
        """Quantities, sentences and the rules' proposals of a text; `answered` are survey answers, read elsewhere."""
        scene = Scene(original, answered=answered)
        QuantityStep(self._quantities.scanner.language).apply(scene)
        RuleStep(self.matcher).apply(scene)
        return scene

    def possible(
        self, original: str, reply: bool, answered: tuple[tuple[int, int], ...] = ()
    ) -> tuple[Scene, list[tuple[Vehicle, dict[str, FoundValue], list[str]]]]:
        """The scene, and the reports that could be made: vehicle, its fields, the report model's features."""
        scene = Scene(original, reply=reply, answered=answered)
        read_scene(self.nlp, scene)
        return scene, scene.possible

    def read(self, original: str, reply: bool, answered: tuple[tuple[int, int], ...] = ()) -> Reading:
        """What a text reports, and what was turned down in it."""
        cut = len(original) > MOST_CHARACTERS
        if cut:
            original = original[:MOST_CHARACTERS]
        even = evened(original)
        original, answered = even.text, even.inward(answered)
        folded = calm(fold(original))
        if not self.first_look.may_report(folded):
            return Reading()
        scene = Scene(original, reply=reply, answered=answered, folded=folded)
        read_scene(self.nlp, scene)
        refusals = [
            Refusal(one.role, original[one.start : one.end], one.start, one.end, one.rule.id, one.rule.refuse or "")
            for one in scene.matches.refused
        ]
        if cut:
            reason = f"only the first {MOST_CHARACTERS:,} characters of a response are read"
            refusals.append(Refusal("", "", len(original), len(original), "bounds.length", reason))
        refusals.sort(key=lambda refusal: (refusal.start, refusal.end))
        return even.outward(Reading(scene.reports, refusals))


class ResponseReader:
    """Reads responses; `rules` are packs over the built-in one, `vehicles` a vehicle list, `lang` forces a language.

    `declared` are the fields that the packs declare, `fields` their columns.
    """

    def __init__(
        self,
        rules: Sequence[str | Path] = (),
        vehicles: str | Path | None = None,
        lang: str | None = None,
        model: RoleModel | Literal["shipped"] | None = "shipped",
    ) -> None:
        self._recipe = (tuple(rules), vehicles, lang, model)
        self._model = shipped_model() if model == "shipped" else model
        self._packs = [Path(pack) for pack in rules]
        self.packs: list[PackInfo] = pack_infos(self._packs)
        self.declared: tuple[PackField, ...] = tuple(one for pack in self.packs for one in pack.fields)
        self.fields: tuple[Column, ...] = tuple(one.column for one in self.declared)
        self.lang = lang
        self._languages = frozenset(languages_with_rules(self._packs)) & frozenset(available())
        self._readers: dict[str, LanguageReader] = {}

    def __reduce__(self) -> tuple[type[ResponseReader], tuple[object, ...]]:
        """Travels to another process as what it was made from."""
        return ResponseReader, self._recipe

    def _reader(self, language: str) -> LanguageReader:
        if language not in self._readers:
            self._readers[language] = LanguageReader(language, self._packs, self._model_for(language))
        return self._readers[language]

    def _model_for(self, language: str) -> RoleModel | ReportJudge | None:
        """The role model knows English; in other languages rules give the roles and the judge weighs the reports."""
        return self._model if language == "en" or self._model is None else ReportJudge(self._model)

    def read(self, responses: Sequence[Response]) -> list[Reading]:
        """One `Reading` a response, in the order given."""
        with ExitStack() as zones:
            zoned: set[str] = set()
            readings = []
            for response in responses:
                reader, language = self._reader_of(response)
                if reader.language not in zoned:  # the words of a batch are forgotten at its end
                    zones.enter_context(reader.nlp.memory_zone())
                    zoned.add(reader.language)
                readings.append(self._read(response, reader, language))
            return readings

    def read_one(self, response: Response) -> Reading:
        """What one response reports, and what was turned down in it; for many, `read` keeps less in memory."""
        return self._read(response, *self._reader_of(response))

    def language_of(self, lang: str | None) -> str:
        """The language whose rules read a response in `lang`."""
        language = (self.lang or lang or "en").split("-")[0].lower()
        language = _SAME_PACK.get(language, language)
        return language if language in self._languages else "en"

    def rules_of(self, language: str) -> tuple[RuleSet, frozenset[str]]:
        """The rules that read a language, and the kinds of quantities of which declared fields make reports."""
        return load_rules(language, self._packs), matcher_of(language, tuple(map(str, self._packs))).telling

    @property
    def model_name(self) -> str:
        """ "shipped" for the shipped model, "none" for rules alone; any other model is known by its place in memory."""
        if self._model is None:
            return "none"
        return "shipped" if self._model is shipped_model() else f"another {id(self._model)}"

    def _reader_of(self, response: Response) -> tuple[LanguageReader, str]:
        language = (self.lang or response.lang or "en").split("-")[0].lower()
        language = _SAME_PACK.get(language, language)
        return self._reader(language if language in self._languages else "en"), language

    @staticmethod
    def _read(response: Response, reader: LanguageReader, language: str) -> Reading:
        if not response.answers:
            return reader.read(response.text, response.parent_id is not None)
        reading = reader.read(response.text, False, answer_lines(response))
        return merge_answers(reading, *read_answers(response, language), response)
