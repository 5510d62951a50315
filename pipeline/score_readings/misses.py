"""What was read wrongly, with everything that explains it: the text, got and wanted, rules that fired and refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.problems import UsageProblem
from pipeline.response import FoundValue
from pipeline.score_readings.compare import CORE, SCORED, Outcome
from pipeline.score_readings.labelled_run import Scored

GROUPS: dict[str, tuple[str, ...]] = {"core": CORE, "all": SCORED, "silent": SCORED}
"""What `--misses` takes beside a field's name; `silent`: responses without a report in which one was read."""


@dataclass(frozen=True, slots=True)
class Miss:
    """One response and the outcomes in it that are not right, of the fields asked for."""

    scored: Scored
    outcomes: tuple[Outcome, ...]

    def words_wanted(self, outcome: Outcome) -> str:
        """The words that the label was read from, or ""."""
        if outcome.wanted_report is None:
            return ""
        words = (self.scored.labelled.reports[outcome.wanted_report].get("words") or {}).get(outcome.field) or ""
        return " + ".join(map(str, words)) if isinstance(words, list) else str(words)

    def found(self, outcome: Outcome) -> FoundValue | None:
        """The value that was read, or None."""
        if outcome.got_report is None:
            return None
        return self.scored.reading.reports[outcome.got_report].values.get(outcome.field)

    def plain(self) -> dict[str, Any]:
        """The miss for JSON."""
        labelled, reading = self.scored.labelled, self.scored.reading
        return {
            "key": self.scored.key,
            "lang": labelled.lang,
            "tags": labelled.tags,
            "text": labelled.text,
            "misses": [{**asdict(outcome), "words": self.words_wanted(outcome) or None} for outcome in self.outcomes],
            "fired": [
                {"report": place, "field": name, "value": one.value, "raw": one.raw, "rule_id": one.rule_id}
                for place, report in enumerate(reading.reports)
                for name, one in report.values.items()
            ],
            "refused": [asdict(refusal) for refusal in reading.refusals],
        }


def check_question(about: str, more: Sequence[str] = ()) -> str:
    """`about` as it is, if it is a field (`more` are those of rule packs) or one of `GROUPS`; else `UsageProblem`."""
    if about not in GROUPS and about not in FIELD_NAMES and about not in more:
        names = ", ".join((*GROUPS, *FIELD_NAMES, *more))
        raise UsageProblem(f"there are no misses of {about!r}", todo=f"--misses takes one of: {names}")
    return about


def find_misses(scored: Sequence[Scored], about: str) -> list[Miss]:
    """The responses in which something that was asked for is not right, in the order of the files."""
    more = sorted({outcome.field for one in scored for outcome in one.comparison.outcomes})
    fields = GROUPS.get(check_question(about, more), (about,))
    misses = []
    for one in scored:
        if about == "silent" and one.comparison.wanted:
            continue
        outcomes = tuple(
            outcome for outcome in one.comparison.outcomes if outcome.field in fields and outcome.kind != "correct"
        )
        # A report without a single value is still a report that should not be there.
        if outcomes or (about in ("silent", "all") and one.comparison.got != one.comparison.wanted):
            misses.append(Miss(one, outcomes))
    return misses
