"""The labelled score of the program as it stands: what a gate compares and the field table shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.dataset_columns import FIELD_NAMES


@dataclass(frozen=True, slots=True)
class FieldAccuracy:
    """One field on the labelled responses: F1 with its 95 % interval; None where it is neither labelled nor read."""

    field: str
    f1: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class LabelledScore:
    """Core F1 over the labelled responses, how many they are, and the accuracy of each field."""

    core_f1: float | None
    responses: int
    fields: tuple[FieldAccuracy, ...]


def labelled_score(
    gold: Sequence[Path], *, rules: Sequence[Path] = (), vehicles: Path | None = None, lang: str | None = None
) -> LabelledScore:
    """Reads the labelled responses in `gold` as `crowdfade score` does.  Raises `ExportProblem`."""
    from pipeline.find_values.reader import ResponseReader
    from pipeline.score_readings.labelled_run import count, read_gold, score_gold
    from pipeline.score_readings.score import Scorer

    scored = score_gold(read_gold(gold), ResponseReader(rules=list(rules), vehicles=vehicles, lang=lang))
    scorer = Scorer(count(scored))
    accuracy = []
    for name in FIELD_NAMES:
        f1 = scorer.field(name).f1
        accuracy.append(FieldAccuracy(name, f1.value, f1.low, f1.high))
    return LabelledScore(scorer.measure("core_f1").value, len(scored), tuple(accuracy))
