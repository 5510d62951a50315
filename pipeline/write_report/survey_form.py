"""The survey form that this program reads without a mapping: questions, hints and choices in eight languages.

The questions stand in `survey_form.yaml`.  A form's export has each question as the heading of a column, however the
form is made; headings are recognised by `read_exports.survey_questions`, and answers read with their question.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

from pipeline.declarative_files import parse_yaml
from pipeline.problems import UsageProblem
from pipeline.write_report.report_files import Cell, csv_text

HEADERS = ("number", "question", "hint", "answer", "choices", "required", "field")
BETWEEN = " | "
"""What stands between choices in one cell."""


@dataclass(frozen=True, slots=True)
class FormQuestion:
    """One question: `ask`, `hint` and `choices` by language (BCP 47), `why` it is asked in these words.

    `field` is what the answer gives: a field of the labelling guide, `health_pct`, "unit" or "text".
    """

    field: str
    answer: str
    why: str
    ask: dict[str, str]
    hint: dict[str, str]
    choices: dict[str, tuple[str, ...]]


@cache
def form_questions() -> tuple[FormQuestion, ...]:
    """The questions in the order in which they are asked."""
    where = "write_report/survey_form.yaml"
    data = parse_yaml(resources.files("pipeline.write_report").joinpath("survey_form.yaml").read_text("utf-8"), where)
    return tuple(
        FormQuestion(
            str(entry["field"]),
            str(entry["answer"]),
            str(entry["why"]),
            {str(lang): str(words) for lang, words in entry["ask"].items()},
            {str(lang): str(words) for lang, words in entry["hint"].items()},
            {str(lang): tuple(str(one) for one in words) for lang, words in entry.get("choices", {}).items()},
        )
        for entry in data["questions"]
    )


def form_languages() -> tuple[str, ...]:
    """The languages that the form is there in."""
    return tuple(form_questions()[0].ask)


def form_csv(lang: str) -> str:
    """The form in one language as CSV: a row a question.  Raises `UsageProblem` where it is not there in a language."""
    if lang not in form_languages():
        raise UsageProblem(f"there is no form in {lang!r}", todo="use one of: " + ", ".join(form_languages()))
    rows: list[list[Cell]] = []
    for number, question in enumerate(form_questions(), start=1):
        choices = BETWEEN.join(question.choices.get(lang, ()))
        required = "yes" if question.field in ("odometer_km", "unit") else "no"
        rows.append(
            [number, question.ask[lang], question.hint[lang], question.answer, choices, required, question.field]
        )
    return csv_text(HEADERS, rows)
