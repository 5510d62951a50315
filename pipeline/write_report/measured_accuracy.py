"""How well each field is read: the figures that ship with the program, and which fields of a report are weak.

A person who installed the program has no labelled responses to measure with; the figures and their date are therefore
data of the program.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.declarative_files import parse_yaml

if TYPE_CHECKING:
    import pandas

LOW_F1 = 0.85
"""Below this F1 a field is named on the page (project's choice: about one value in six is then wrong or missing)."""


@dataclass(frozen=True, slots=True)
class FieldAccuracy:
    """Of 100 values read `right` are right, of 100 said `found` are found; `f1` from 0 to 1, on `labelled` values."""

    right: int
    found: int
    f1: float
    labelled: int


@dataclass(frozen=True, slots=True)
class MeasuredPart:
    """What was measured on one labelled part; `languages` (BCP 47, primary part) is () for all that no part names."""

    words: str
    languages: tuple[str, ...]
    part: str
    responses: int
    fields: dict[str, FieldAccuracy]


@dataclass(frozen=True, slots=True)
class LowField:
    """A field of a report that is read less well: how many of the report's values are in these languages."""

    field: str
    words: str
    values: int
    accuracy: FieldAccuracy


@cache
def measured_parts() -> tuple[str, tuple[MeasuredPart, ...]]:
    """The day of the measurement (ISO 8601) and its parts."""
    where = "write_report/measured_accuracy.yaml"
    data = parse_yaml(
        resources.files("pipeline.write_report").joinpath("measured_accuracy.yaml").read_text("utf-8"), where
    )
    parts = tuple(
        MeasuredPart(
            str(part["words"]),
            tuple(str(code) for code in part["languages"]),
            str(part["part"]),
            int(part["responses"]),
            {str(name): FieldAccuracy(**figures) for name, figures in part["fields"].items()},
        )
        for part in data["parts"]
    )
    return str(data["measured"]), parts


def kept_accuracy(run: Path) -> MeasuredPart | None:
    """What a score that is kept with a run says (`crowdfade runs --score`), or None; it is preferred."""
    from pipeline.compare_runs.score_run import kept_score
    from pipeline.score_readings.score import Scorer

    counted = kept_score(run)
    if counted is None:
        return None
    scorer = Scorer(counted)
    fields = {}
    for name in FIELD_NAMES:
        field = scorer.field(name)
        right, found, f1 = field.precision.value, field.recall.value, field.f1.value
        labelled = field.correct + field.missing
        if labelled and f1 is not None:
            shares = [round(100 * (share or 0.0)) for share in (right, found)]
            fields[name] = FieldAccuracy(shares[0], shares[1], f1, labelled)
    return MeasuredPart("all languages", (), "the score kept with this run", len(counted), fields)


def low_fields(
    vehicles: pandas.DataFrame,
    read: pandas.DataFrame,
    least: float = LOW_F1,
    parts: Sequence[MeasuredPart] | None = None,
) -> list[LowField]:
    """The fields of these vehicles that are read less well than `least`, the worst first.

    `read` is evidence.parquet: values from survey columns, lists and corrections are not measured and do not count.
    `parts` are what was measured, the shipped figures where it is not given.
    """
    parts = measured_parts()[1] if parts is None else parts
    from_words = read[read["origin"].isin(["rule", "model"])]
    pairs = set(zip(from_words["report_id"], from_words["field"], strict=True))
    named = {code for part in parts for code in part.languages}
    primary = vehicles["lang"].fillna("en").str.split("-").str[0]
    found = []
    for part in parts:
        chosen = vehicles[primary.isin(part.languages) if part.languages else ~primary.isin(named)]
        for name, accuracy in part.fields.items():
            values = sum((report_id, name) in pairs for report_id in chosen["report_id"])
            if values and accuracy.f1 < least:
                found.append(LowField(name, part.words, values, accuracy))
    return sorted(found, key=lambda one: (one.accuracy.f1, one.field))
