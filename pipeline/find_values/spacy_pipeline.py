"""Extraction as a spaCy pipeline: a blank language whose components are the steps of reading, each by its factory.

    crowdfade_quantities   typed quantities, quoted passages, sentences
    crowdfade_rules        the rules' proposals and refusals
    crowdfade_roles        what each quantity is: the rules' word, or the role model's judgement of it
    crowdfade_vehicles     which value belongs to which vehicle
    crowdfade_reports      each vehicle's fields settled, and which of the possible reports is one

A document carries its `Scene` in `doc._.scene`; `doc._.reports` gives the reports, and `doc._.found` puts the found
values into `doc.spans["values"]`, one span a value with the field as its label, for displacy and any other tool that
shows spans.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Literal, Protocol, TypeVar

import spacy
from spacy.language import Language
from spacy.tokens import Doc, Span, SpanGroup
from spacy.vocab import Vocab

from pipeline.find_values.decide import Decider
from pipeline.find_values.distance_unit import distance_unit
from pipeline.find_values.match_rules import NEVER_ALONE, Refused, RuleMatcher
from pipeline.find_values.pack_fields import PackField
from pipeline.find_values.report_features import report_features
from pipeline.find_values.role_model import ReportJudge, RoleModel, shipped_model
from pipeline.find_values.rule_files import Rule, RuleSet, load_rules
from pipeline.find_values.scene import Scene
from pipeline.group_reports.settle import Settler, is_report
from pipeline.group_reports.settle_fields import settle_fields
from pipeline.group_reports.vehicles import Vehicle, VehicleTracker
from pipeline.read_text.bounds import LONG_QUOTATION, MOST_QUANTITIES, TooMuch, calm
from pipeline.read_text.language_data import LanguageData, language_data
from pipeline.read_text.quantities import QuantityScanner, abstract
from pipeline.read_text.quotations import blank, find_quotations
from pipeline.read_text.sentences import sentences
from pipeline.read_text.slots import NAME_OF
from pipeline.read_text.uncommon_quantities import uncommon_quantities
from pipeline.read_text.wordings import WORD
from pipeline.response import FoundValue, Report

S = TypeVar("S")
LEAST_SURE_REPORT, LEAST_SURE_JUDGED = 0.5, 0.3
"""A possible report is one from this probability on; the second is that of languages without a role model."""
SPANS = "values"
_SCENE = "crowdfade_scene"
_TOKEN = re.compile(r"(\d+|[^\W\d]+|[^\w\s]|\s)( ?)")
NO_REPORT = Rule(
    id="model.no-report",
    topic="model",
    patterns=(),
    refuse="the response does not seem to report on a vehicle",
    pack="crowdfade model",
)
SILENT_KINDS = frozenset(("other", "duration", "year", "voltage", "charge"))
"""Kinds of quantities of which no report is made: without another kind, only a rule that sets a value can make one."""


class Step(Protocol):
    """The one contract of rules and models: a step reads the scene and adds what it found, or refuses what others did.

    What is found ends as `FoundValue` objects, whoever found it: value, unit, raw words, offsets, rule, derivation,
    confidence.  What is turned down ends as `Refusal` objects with the rule that did it.
    """

    def apply(self, scene: Scene) -> None:
        """One step over one text."""


@dataclass(slots=True)
class Component:
    """A step as a component of a spaCy pipeline."""

    step: Step

    def __call__(self, doc: Doc) -> Doc:
        """Applies the step to the document's scene, unless nothing can come of it any more."""
        scene = doc.user_data.get(_SCENE)
        if scene is None:
            scene = doc.user_data[_SCENE] = Scene(doc.text)
        if not scene.silent:
            try:
                self.step.apply(scene)
            except TooMuch as bound:
                scene.stop(str(bound))
        return doc


class QuantityStep:
    """Finds quantities, quoted passages and sentences; tells when nothing can come of a text."""

    def __init__(self, language: LanguageData, matcher: RuleMatcher | None = None) -> None:
        self.scanner = QuantityScanner(language)
        self.matcher = matcher
        self.silent_kinds = SILENT_KINDS - matcher.telling if matcher is not None else SILENT_KINDS

    def apply(self, scene: Scene) -> None:
        """Fills in everything that is found before the rules."""
        quotations = find_quotations(scene.folded)
        scene.quoted = tuple(sorted((*quotations.quoted, *scene.answered)))
        scene.own = blank(scene.folded, scene.quoted)
        if any(end - start > LONG_QUOTATION for start, end in scene.quoted):
            scene.own = calm(scene.own)
        scene.quantities = uncommon_quantities(scene.own, self.scanner.scan(scene.own))
        if len(scene.quantities) > MOST_QUANTITIES:
            raise TooMuch(f"more than {MOST_QUANTITIES} quantities: a table or a dump")
        scene.text = abstract(scene.own, scene.quantities)
        if self.matcher is not None and all(quantity.kind in self.silent_kinds for quantity in scene.quantities):
            words = {*WORD.findall(scene.text), *(mark for mark in set(scene.text) if mark in NAME_OF)}
            if not self.matcher.may_set(words):
                scene.silent = True
                return
        scene.spans = sentences(scene.text)


@dataclass(slots=True)
class RuleStep:
    """Applies the rules."""

    matcher: RuleMatcher

    def apply(self, scene: Scene) -> None:
        """What the rules take and refuse."""
        scene.matches = self.matcher.match(scene.text, scene.quantities, scene.spans)


class RoleStep:
    """Lets the role model judge what the rules propose; without a model the rules' word stands."""

    def __init__(self, model: RoleModel | None) -> None:
        self.decider = Decider(model)
        self.obeys_gates = True  # training looks at what the gates turn down, too

    def apply(self, scene: Scene) -> None:
        """Settles what is taken and what is refused."""
        if self.decider.model is None:
            if self.obeys_gates:
                scene.matches.obey_gates()
        else:
            self.decider.decide(scene.quantities, scene.matches, scene.features)


@dataclass(slots=True)
class VehicleStep:
    """Gathers what was taken by vehicle and settles each vehicle's fields; `fields` are those that packs declare."""

    tracker: VehicleTracker
    fields: Mapping[str, PackField] = field(default_factory=dict)
    never_alone: frozenset[str] = NEVER_ALONE

    def apply(self, scene: Scene) -> None:
        """The reports that could be made."""
        taken = scene.matches.taken
        if all(one.role in self.never_alone for one in taken):
            return
        unit = distance_unit(scene.own, scene.folded, scene.quantities)
        vehicles = self.tracker.group(scene.original, scene.text, scene.spans, taken, scene.quantities, scene.quoted)
        for vehicle in vehicles:
            settler = Settler(scene.original, vehicle.taken, unit)
            values = settler.settle()
            if self.fields:
                self._declared(scene, vehicle, settler)
            if not is_report(values) and not any(self.fields[name].alone for name in vehicle.declared):
                continue
            for value in vehicle.said:
                values[value.field] = value
            scene.possible.append((vehicle, values, []))

    def _declared(self, scene: Scene, vehicle: Vehicle, settler: Settler) -> None:
        """Settles the declared fields, and takes their places out of what the report model judges by."""
        vehicle.declared, outside = settle_fields(settler, vehicle.taken, self.fields)
        for one in outside:
            rule = replace(one.rule, refuse=f"outside the field's range, {self.fields[one.role].limits}")
            scene.matches.refused.append(Refused(one.start, one.end, rule, one.role))
        vehicle.taken = [one for one in vehicle.taken if one.role not in self.fields]


@dataclass(slots=True)
class ReportStep:
    """Lets the report model judge which possible report is one, and how sure it is.

    It has no say over a report that a trusted rule makes (see `decide`), nor over one that stands on declared fields
    alone, of which it knows nothing.
    """

    model: RoleModel | ReportJudge | None

    def apply(self, scene: Scene) -> None:
        """The reports, with what was turned down among the refusals."""
        count = len(scene.possible)
        for vehicle, values, features in scene.possible:
            features.extend(report_features(scene, vehicle, values, count, scene.reply))
            if self.model is None or not is_report(values):
                scene.reports.append(Report(values | vehicle.declared))
                continue
            chance, right = self.model.of_report(features)
            least = LEAST_SURE_REPORT if isinstance(self.model, RoleModel) else LEAST_SURE_JUDGED
            if chance >= least or self._vouched(vehicle):
                scene.reports.append(Report(values | vehicle.declared, round(right, 4)))
            else:
                self._turn_down(scene, vehicle)

    @staticmethod
    def _vouched(vehicle: Vehicle) -> bool:
        return any(one.rule.trusted and one.role not in NEVER_ALONE for one in vehicle.taken)

    @staticmethod
    def _turn_down(scene: Scene, vehicle: Vehicle) -> None:
        scene.matches.refused.extend(
            Refused(taken.start, taken.end, NO_REPORT, taken.role)
            for taken in vehicle.taken
            if taken.role != "loss_origin"
        )


# -- the components, by factory -------------------------------------------------------------------------------

COMPONENTS = ("crowdfade_quantities", "crowdfade_rules", "crowdfade_roles", "crowdfade_vehicles", "crowdfade_reports")
Shipped = Literal["shipped"]


@cache
def _matcher(rules: RuleSet) -> RuleMatcher:
    return RuleMatcher(rules)


def matcher_of(language: str, packs: tuple[str, ...]) -> RuleMatcher:
    """The rules of a language with packs laid over them, ready to be applied; made once while the packs stay as is."""
    return _matcher(load_rules(language, [Path(pack) for pack in packs]))


def _model(name: str | None) -> RoleModel | None:
    return shipped_model() if name == "shipped" else None


@Language.factory("crowdfade_quantities", default_config={"language": "en", "packs": [], "give_up_early": True})
def _quantities(nlp: Language, name: str, language: str, packs: list[str], give_up_early: bool) -> Component:
    matcher = matcher_of(language, tuple(packs)) if give_up_early else None
    return Component(QuantityStep(language_data(language), matcher))


@Language.factory("crowdfade_rules", default_config={"language": "en", "packs": []})
def _rules(nlp: Language, name: str, language: str, packs: list[str]) -> Component:
    return Component(RuleStep(matcher_of(language, tuple(packs))))


@Language.factory("crowdfade_roles", default_config={"model": "shipped"})
def _roles(nlp: Language, name: str, model: str | None) -> Component:
    return Component(RoleStep(_model(model)))


@Language.factory("crowdfade_vehicles", default_config={"language": "en", "packs": []})
def _vehicles(nlp: Language, name: str, language: str, packs: list[str]) -> Component:
    lexicon = load_rules(language, [Path(pack) for pack in packs]).lexicon
    matcher = matcher_of(language, tuple(packs))
    return Component(VehicleStep(VehicleTracker(lexicon, language), matcher.fields, matcher.never_alone))


@Language.factory("crowdfade_reports", default_config={"model": "shipped"})
def _reports(nlp: Language, name: str, model: str | None) -> Component:
    return Component(ReportStep(_model(model)))


class Tokenizer:
    """Cuts a text into words, numbers and signs, so that every value begins and ends where a token does."""

    def __init__(self, vocab: Vocab) -> None:
        self.vocab = vocab

    def __call__(self, text: str) -> Doc:
        """A document of the text; no character of it is lost."""
        pieces = _TOKEN.findall(text)
        return Doc(self.vocab, [word for word, _ in pieces], [blank == " " for _, blank in pieces])


def extraction_pipeline(
    language: str, packs: Sequence[str | Path] = (), model: RoleModel | ReportJudge | Shipped | None = "shipped"
) -> Language:
    """A blank language with the steps of reading; `model` may be a model of one's own, or None for rules alone."""
    nlp = spacy.blank("xx")
    nlp.vocab.lex_attr_getters = {}  # type: ignore[attr-defined]
    # no step looks at a word's shape or form, and they cost more than the words
    nlp.tokenizer = Tokenizer(nlp.vocab)
    of_language = {"language": language, "packs": [str(pack) for pack in packs]}
    named = {"model": "shipped" if model == "shipped" else None}
    for component in COMPONENTS:
        nlp.add_pipe(component, config=named if component in ("crowdfade_roles", "crowdfade_reports") else of_language)
    if isinstance(model, RoleModel):
        step_of(nlp, "crowdfade_roles", RoleStep).decider = Decider(model)
    if isinstance(model, RoleModel | ReportJudge):
        step_of(nlp, "crowdfade_reports", ReportStep).model = model
    return nlp


def step_of(nlp: Language, name: str, kind: type[S]) -> S:
    """The step inside a component of the pipeline."""
    step: object = getattr(nlp.get_pipe(name), "step", None)
    if not isinstance(step, kind):
        raise TypeError(f"{name} holds a {type(step).__name__}")
    return step


def read_scene(nlp: Language, scene: Scene) -> Doc:
    """Sends a text that has been made ready through the pipeline."""
    doc: Doc = nlp.tokenizer(scene.original)
    doc.user_data[_SCENE] = scene
    return nlp(doc)


# -- what a document says of itself ---------------------------------------------------------------------------


def scene_of(doc: Doc) -> Scene | None:
    """The document's scene, or None where no step of this pipeline has seen it."""
    scene: Scene | None = doc.user_data.get(_SCENE)
    return scene


def reports_of(doc: Doc) -> list[Report]:
    """The reports that were read from the document."""
    scene = scene_of(doc)
    return scene.reports if scene else []


def found_values(doc: Doc) -> list[FoundValue]:
    """The values of the document's reports in the order of their places, also put into `doc.spans["values"]`."""
    found = sorted(
        (value for report in reports_of(doc) for value in report.values.values() if value.start < value.end),
        key=lambda value: (value.start, value.end, value.field),
    )
    spans = []
    for value in found:
        span: Span | None = doc.char_span(
            value.start, value.end, label=value.field, span_id=value.rule_id, alignment_mode="expand"
        )
        if span is not None:
            spans.append(span)
    doc.spans[SPANS] = SpanGroup(doc, name=SPANS, spans=spans)
    return found


for _name, _getter in (("scene", scene_of), ("reports", reports_of), ("found", found_values)):
    Doc.set_extension(_name, getter=_getter, force=True)
