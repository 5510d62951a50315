"""Looks reports and responses of a run up by their ids, with all that explains them, reading only the rows needed."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem

if TYPE_CHECKING:
    import pyarrow

Record = dict[str, Any]


@dataclass(slots=True)
class Told:
    """One response with everything that is known of it; the records are rows of the tables, column -> value.

    `reports` and `evidence` may be a choice of the response's, `links` are those that name it or its reports.
    """

    response: Record
    reports: list[Record] = field(default_factory=list)
    evidence: list[Record] = field(default_factory=list)
    parts: list[Record] = field(default_factory=list)
    refusals: list[Record] = field(default_factory=list)
    links: list[Record] = field(default_factory=list)
    corrections: list[Record] = field(default_factory=list)


def find_reports(folder: Path, *, report: str | None, with_field: str | None, limit: int) -> list[Told]:
    """The first `limit` reports of a run (in the order of the table) as the responses that hold them.

    `report` chooses by report_id, by the response's id (its own or the export's: all reports of it), or by the
    export's id and the report's number (`17-2`); `with_field` keeps reports that have a value in that column.
    [] where nothing fits.
    """
    import pyarrow.compute as pc
    import pyarrow.dataset as ds

    chosen: Any = None
    if report is not None:
        chosen = ds.field("report_id") == report
        chosen = chosen | (ds.field("response_id") == report) | (ds.field("source_response_id") == report)
        own, dash, number = report.rpartition("-")
        if dash and number.isdigit():
            numbered = pc.ends_with(ds.field("report_id"), f"-{number}")
            chosen = chosen | ((ds.field("source_response_id") == own) & numbered)
    if with_field is not None:
        has = ds.field(with_field).is_valid()
        chosen = has if chosen is None else chosen & has
    reports = _rows(folder, "reports", chosen, limit)
    return _told(folder, [row["response_id"] for row in reports], {row["report_id"] for row in reports})


def find_responses(folder: Path, response: str, limit: int) -> list[Told]:
    """The responses with that response_id or source_response_id (of several exports, perhaps), explained in full."""
    import pyarrow.dataset as ds

    chosen = (ds.field("response_id") == response) | (ds.field("source_response_id") == response)
    found = _rows(folder, "responses", chosen, limit, ["response_id"])
    return _told(folder, [row["response_id"] for row in found], None)


def _told(folder: Path, response_ids: list[str], report_ids: set[str] | None) -> list[Told]:
    import pyarrow.dataset as ds

    wanted = list(dict.fromkeys(response_ids))
    if not wanted:
        return []
    of_responses = ds.field("response_id").isin(wanted)
    told = {row["response_id"]: Told(row) for row in _rows(folder, "responses", of_responses)}
    for name in ("reports", "evidence", "parts", "refusals", "corrections"):
        if name == "corrections" and not (folder / "corrections.parquet").exists():
            continue  # a run from before there were corrections
        for row in _rows(folder, name, of_responses):
            whole = name == "refusals" or row["report_id"] is None  # about the response
            if report_ids is None or whole or row["report_id"] in report_ids:
                getattr(told[row["response_id"]], name).append(row)
    owner = {row["report_id"]: one for one in told.values() for row in one.reports}
    owner |= told
    named = list(owner)
    for row in _rows(folder, "links", ds.field("id").isin(named) | ds.field("other_id").isin(named)):
        holders = [owner[name] for name in (row["id"], row["other_id"]) if name in owner]
        for one in holders if holders[0] is not holders[-1] else holders[:1]:
            one.links.append(row)
    return [told[response_id] for response_id in wanted if response_id in told]


def _rows(
    folder: Path, table: str, chosen: Any, limit: int | None = None, columns: list[str] | None = None
) -> list[Record]:
    import pyarrow as pa
    import pyarrow.dataset as ds

    path = folder / f"{table}.parquet"
    try:
        with ledger_errors(path, "reading a table", todo="build again"):
            data = ds.dataset(path, format="parquet")
            if limit is None:
                found: pyarrow.Table = data.to_table(filter=chosen, columns=columns)
            else:
                found = data.head(limit, filter=chosen, columns=columns, use_threads=False)
    except pa.ArrowInvalid as error:
        raise LedgerProblem("this table is damaged", where=str(path), todo="build again") from error
    rows: list[Record] = found.to_pylist()
    return rows
