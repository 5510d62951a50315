"""Corrected and verified responses as labelled examples, in the format of `find_values.labelled`."""

from __future__ import annotations

import json
import os
from collections import defaultdict
from pathlib import Path
from typing import Any

from pipeline.correct_readings.describe import RunView
from pipeline.correct_readings.held import Held
from pipeline.correct_readings.outcomes import APPLYING
from pipeline.dataset_columns import FIELD_NAMES
from pipeline.keep_ledger.tables import ledger_errors

WRITER = "corrected by hand"
"""What the examples hold as their writer where the author is not known; else it is the author's key."""


def labelled_examples(view: RunView) -> list[dict[str, Any]]:
    """The responses of a run that a person corrected or found right, as labelled examples, in the order of the table.

    Tags tell how far they were looked at: `verified` where every report was found right as a whole, else `corrected`.
    Responses without a text, dropped ones and copies are left out, and of values that the vehicle list gave nothing
    is said, since nobody said them.
    """
    import pyarrow.parquet as pq

    decided: dict[str, set[tuple[str, str, str]]] = defaultdict(set)
    for row in pq.read_table(view.folder / "corrections.parquet").to_pylist():
        if row["response_id"] and row["outcome"] in APPLYING and row["outcome"] != "superseded":
            decided[row["response_id"]].add((row["kind"], row["report_id"] or "", row["field"] or ""))
    wanted = {
        one for one, kinds in decided.items() if {kind for kind, _, _ in kinds} & _TELLING and not _dropped(kinds)
    }
    responses = view.tables["responses"]
    view.hold(wanted)
    examples = []
    for row in responses.to_pylist() if wanted else ():
        home = view.response(row["response_id"]) if row["response_id"] in wanted else None
        if home is None or row["text"] is None or row["copy_of"] is not None:
            continue
        right = {report for kind, report, field in decided[row["response_id"]] if kind == "verified" and not field}
        whole = set(home.report_ids()) <= right
        examples.append(
            {
                "id": row["response_id"],
                "lang": row["lang"] or "en",
                "writer": row["author_key"] or WRITER,
                "posted_at": None if row["posted_at"] is None else row["posted_at"].strftime("%Y-%m-%dT%H:%M:%SZ"),
                "parent_id": None,
                "text": row["text"],
                "tags": ["verified" if whole else "corrected"],
                "reports": [_labelled(home, report) for report in home.report_ids()],
            }
        )
    return examples


_TELLING = frozenset(("value", "absent", "verified", "not-a-report", "split", "one-vehicle"))
"""The kinds of decisions that say what a response says."""


def _dropped(kinds: set[tuple[str, str, str]]) -> bool:
    return any(kind == "drop" for kind, _, _ in kinds)


def _labelled(home: Held, report: str) -> dict[str, Any]:
    row = home.report(report)
    values: dict[str, Any] = {}
    words: dict[str, Any] = {}
    for name in FIELD_NAMES:
        evidence = home.evidence_of(report, name)
        if row[name] is None or (evidence is not None and evidence["origin"] == "list"):
            continue
        values[name] = row[name]
        said = [evidence["raw"]] if evidence is not None and evidence["raw"] else []
        said += [part["raw"] for part in home.parts.get(report, ()) if part["field"] == name]
        if said and name not in ("whose", "loss_origin"):
            words[name] = said[0] if len(said) == 1 else said
    return {**values, "words": words}


def write_gold(path: Path, examples: list[dict[str, Any]]) -> None:
    """Writes the examples as JSON lines, in one step; the file is for its owner alone, since it holds texts."""
    draft = path.with_name(f".{path.name}-new")
    with ledger_errors(path, "writing the labelled examples"):
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            for example in examples:
                file.write(json.dumps(example, ensure_ascii=False) + "\n")
        os.replace(draft, path)
