"""Trains the judge of reports in languages whose words the role model does not know (`role_model.ReportJudge`).

A language's own gates turn down nearly all that is no report in its training texts, so that the judge would meet
hardly any false one, and would learn to trust whatever a gate has missed.  It is therefore trained on the reports that
could be made if no gate were obeyed, and sees the false ones twice: with what the gates say, and without.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from pipeline.find_values.labelled import Labelled
from pipeline.find_values.reader import LanguageReader
from pipeline.find_values.report_features import report_features
from pipeline.find_values.role_model import WORDY, columns
from pipeline.find_values.spacy_pipeline import RoleStep, step_of
from pipeline.group_reports.settle import REPORTABLE

GATED = ("v-gate=", "gate=")
"""Features that say what the gates do."""


def judged(labelled: Iterable[Labelled]) -> tuple[list[list[int]], list[int]]:
    """Hashed features of every report that could be made with the gates open, each twice, and whether it is one."""
    from pipeline.score_readings.compare import agrees, pair_reports

    rows: list[list[int]] = []
    is_report: list[int] = []
    readers: dict[str, LanguageReader] = {}
    for item in labelled:
        if item.lang not in readers:
            readers[item.lang] = open_reader(item.lang)
        reply = item.parent_id is not None
        scene, possible = readers[item.lang].possible(item.text, reply)
        got: list[dict[str, Any]] = [{name: found.value for name, found in values.items()} for _, values, _ in possible]
        wanted = item.wanted()
        partner = {left: right for left, right in pair_reports(got, wanted) if left is not None and right is not None}
        for place, (vehicle, values, _) in enumerate(possible):
            features = report_features(scene, vehicle, values, len(possible), reply)
            plain = [one for one in features if not one.startswith(WORDY)]
            label = wanted[partner[place]] if place in partner else {}
            true = any(
                name in REPORTABLE and agrees(name, got[place][name], label[name]) for name in {*got[place]} & {*label}
            )
            ungated = plain if true else [one for one in plain if not one.startswith(GATED)]
            rows += [columns(plain), columns(ungated)]
            is_report += [int(true)] * 2
    return rows, is_report


def open_reader(language: str) -> LanguageReader:
    """A reader by rules alone that obeys no gate."""
    reader = LanguageReader(language, (), model=None)
    step_of(reader.nlp, "crowdfade_roles", RoleStep).obeys_gates = False
    return reader


def judge_samples(
    others: Sequence[Labelled], examples: Sequence[Labelled], times: int
) -> tuple[list[list[int]], list[int]]:
    """What the judge learns from other languages: their labelled responses `times` over, and the rules' examples."""
    rows, is_report = judged(others)
    more_rows, more = judged(examples)
    return rows * (times // 2) + more_rows, is_report * (times // 2) + more
