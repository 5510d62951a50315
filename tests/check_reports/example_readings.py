"""Runs the examples of findings.yaml: values as YAML in, the codes that a report of them carries out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipeline.check_reports.check import check_reports
from pipeline.check_reports.findings import Finding
from pipeline.dataset_columns import arrow_schema
from pipeline.find_values.reader import ResponseReader
from pipeline.join_copies.join import join_copies
from pipeline.response import Response, SurveyAnswer


def table(*rows: Mapping[str, Any]) -> pa.Table:
    """Reports of July 2025 with these values, as the checks are given them."""
    schema = arrow_schema("reports")
    fixed = {"report_id": "r-1", "response_id": "r", "source_response_id": "1", "source": "s", "confidence": 1.0}
    fixed |= {"flags": [], "usable": True, "posted_at": datetime(2025, 7, 1, tzinfo=UTC), "lang": "en"}
    whole = [{name: {**fixed, **row}.get(name) for name in schema.names} for row in rows]
    return pa.Table.from_pylist(whole, schema=schema).drop_columns(["usable"])


def responses(texts: Mapping[str, str | None], **columns: Any) -> pa.Table:
    schema = arrow_schema("responses")
    filled = [
        {"response_id": one, "source": "s", "source_response_id": one, "text": text} for one, text in texts.items()
    ]
    rows = [{name: {**row, **columns}.get(name) for name in schema.names} for row in filled]
    return pa.Table.from_pylist(rows, schema=schema)


def codes_of(finding: Finding, values: Sequence[Mapping[str, Any]], vehicles: Path) -> set[str]:
    """The codes that an example's reports carry."""
    if finding.raised_by == "reading":
        return _survey_codes(values[0])
    if finding.raised_by == "join_copies":
        return _series_codes(values)
    (row,) = values
    flags, _ = check_reports(table(row), vehicles, responses({"r": row.get("text")}))
    return set(flags[0])


def _survey_codes(cell: Mapping[str, Any]) -> set[str]:
    line = f"{cell['question']}: {cell['answer']}"
    start = len(line) - len(cell["answer"])
    answer = SurveyAnswer("odometer_km", cell["question"], start, len(line), "km")
    more = "\nBattery lost (%): 3"
    loss = SurveyAnswer("loss_pct", "Battery lost (%)", len(line) + len(more) - 1, len(line) + len(more), "%")
    reading = ResponseReader().read_one(Response("r", "s", "1", line + more, answers=(answer, loss), lang="en"))
    return {code for report in reading.reports for code in report.flags}


def _series_codes(values: Sequence[Mapping[str, Any]]) -> set[str]:
    """What is raised for these readings of one author, in responses of their own."""
    rows, said = [], []
    for number, value in enumerate(values):
        at = datetime.fromisoformat(str(value["posted_at"])).replace(tzinfo=UTC)
        own = {"report_id": f"r{number}-1", "response_id": f"r{number}", "author_key": "a", "posted_at": at}
        rows.append({"whose": "own", **value, **own})
        text = str(value.get("text") or value)
        said.append(responses({f"r{number}": text}, author_key="a", posted_at=at))
    evidence = arrow_schema("evidence").empty_table()
    joined = join_copies(pa.concat_tables(said), table(*rows), evidence)
    return {code for codes in joined.flags.values() for code in codes}
