"""What came of each decision in a run: the codes, the rows of `corrections.parquet`, the sums for run.json."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.correct_readings.decisions import Decision
from pipeline.dataset_columns import arrow_schema

if TYPE_CHECKING:
    import pyarrow

OUTCOMES: dict[str, str] = {
    "applied": "it counts in this run",
    "already-so": "it is so without it by now; it could be removed",
    "superseded": "a later decision about the same counts instead",
    "not-sound": "the row misses something or holds what is not accepted",
    "gone": "neither the id nor the text is in the ledger",
    "text-changed": "the response's text is another one than when it was decided",
    "unclear": "the id is gone and several responses have the text",
    "no-report": "the response has no such report any more",
    "contradicted": "another decision of the same time, or a chain of them, says the opposite",
    "overruled": "it cannot be so while another decision or a copy says otherwise",
}
"""Every outcome and its meaning."""

APPLYING = ("applied", "already-so", "superseded")
"""The outcomes that need nobody's attention."""


@dataclass(slots=True)
class Outcome:
    """One decision and what came of it: the response, report and other row that it was attached to, or None."""

    decision: Decision
    line: int
    outcome: str = ""
    response: str | None = None
    report: str | None = None
    other: str | None = None
    detail: str = ""

    def end(self, outcome: str, detail: str = "") -> None:
        """Says what came of it; an outcome that is there already stays, a further remark is added."""
        self.outcome = self.outcome or outcome
        if detail and detail not in self.detail:
            self.detail = f"{self.detail}; {detail}" if self.detail else detail


def table_of(outcomes: Iterable[Outcome]) -> pyarrow.Table:
    """The rows of `corrections.parquet`, sorted by their content: the order of the file plays no part."""
    import pyarrow as pa

    rows = sorted(
        (
            one.response or "", one.report or "", one.decision.field, one.decision.kind, one.decision.when,
            one.decision.value, one.decision.was, one.other or "", one.decision.who, one.decision.why, one.outcome,
            one.detail,
        )
        for one in outcomes
    )  # fmt: skip
    names = ("response_id", "report_id", "field", "kind", "decided_at", "value", "was", "other_id", "who", "why",
             "outcome", "detail")  # fmt: skip
    schema = arrow_schema("corrections")
    may_miss = {field.name for field in schema if field.nullable}
    columns = dict(zip(names, zip(*rows, strict=True), strict=True)) if rows else dict.fromkeys(names, ())
    return pa.table(
        {
            name: [cell or None if name in may_miss else cell for cell in columns[name]]
            for name in schema.names
        },
        schema=schema,
    )  # fmt: skip


def summed_up(outcomes: Sequence[Outcome], sha256: str, most: int = 50) -> dict[str, Any]:
    """What run.json says: the file's hash, how many decisions came to what, and those that do not apply (`most`)."""
    failing = [one for one in outcomes if one.outcome not in APPLYING]
    return {
        "sha256": sha256 or None,
        "decisions": len(outcomes),
        "outcomes": dict(sorted(Counter(one.outcome for one in outcomes).items())),
        "not_applying": [
            {
                "row": one.line,
                "kind": one.decision.kind,
                "about": one.decision.report or one.decision.response,
                "field": one.decision.field,
                "outcome": one.outcome,
                "detail": one.detail or OUTCOMES[one.outcome],
            }
            for one in sorted(failing, key=lambda one: (one.line, one.decision.kind))[:most]
        ],
    }


def told_line(summed: Mapping[str, Any]) -> str:
    """One line for a person about what `summed_up` gave, "" where no decision was made."""
    total = summed.get("decisions", 0)
    if not total:
        return ""
    counts = summed["outcomes"]
    parts = [f"{counts.get('applied', 0)} of {total} applied"]
    parts += [f"{counts[name]} {name.replace('-', ' ')}" for name in OUTCOMES if name != "applied" and name in counts]
    return "corrections: " + ", ".join(parts)
