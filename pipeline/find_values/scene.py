"""One text on its way through the steps of reading: what each step found in it, for the next."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

from pipeline.find_values.match_rules import Matches, Refused
from pipeline.find_values.role_features import FeatureMaker
from pipeline.find_values.rule_files import Rule
from pipeline.read_text.bounds import calm
from pipeline.read_text.fold import fold

if TYPE_CHECKING:
    from pipeline.read_text.quantities import Quantity
    from pipeline.read_text.sentences import Sentence
    from pipeline.response import FoundValue, Report


SHOWN = 80
"""Characters of an overlong response that its refusal shows."""


def over_bound(reason: str) -> Rule:
    """The rule that refuses what goes over a bound of `read_text.bounds`."""
    return Rule(id="bounds.response", topic="bounds", patterns=(), refuse=reason, pack="crowdfade")


class Scene:
    """A text and what was found in it.

    `original` is the text as exported; all other texts have its length, so that every offset is one into it: `folded`
    in plain characters, `own` with quoted passages blanked, `text` with quantities as slots (see
    `read_text.quantities`).  `answered` are the places of survey answers, which are read elsewhere.  `silent` says
    that the text can hold no report, so that later steps need not look.  `possible` holds the reports that could be
    made: vehicle, its fields, and the report model's features; `reports` those that were.
    """

    def __init__(
        self,
        original: str,
        *,
        reply: bool = False,
        answered: tuple[tuple[int, int], ...] = (),
        folded: str | None = None,
    ) -> None:
        self.original = original
        self.reply = reply
        self.answered = answered
        self.folded = calm(fold(original)) if folded is None else folded
        self.own = self.folded
        self.text = self.folded
        self.quoted: tuple[tuple[int, int], ...] = answered
        self.quantities: list[Quantity] = []
        self.spans: list[Sentence] = []
        self.matches = Matches()
        self.silent = False
        self.reports: list[Report] = []
        self.possible: list[tuple[Any, dict[str, FoundValue], list[str]]] = []

    def stop(self, reason: str) -> None:
        """Nothing more is read: the response goes over a bound, which is among its refusals."""
        self.silent = True
        self.matches = Matches(refused=[Refused(0, min(SHOWN, len(self.original)), over_bound(reason))])

    @cached_property
    def features(self) -> FeatureMaker:
        """What the role model sees of this scene, once the rules have been applied."""
        return FeatureMaker(self.text, self.quantities, self.spans, self.matches, self.folded, self.quoted)
