"""A figure and everything that stands behind it: its rows with their words, rules, conversions and corrections."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.problems import UsageProblem
from pipeline.sum_up.cross_section import cross_section
from pipeline.sum_up.headline import FEWEST, median_interval
from pipeline.trace_figures.query import ask, matching_reports, opened

if TYPE_CHECKING:
    import pyarrow

DEFAULT = "loss_pct"
SHOWN = ("vehicle_text", "model_year", "chemistry", "odometer_km", "age_months", "loss_pct")
"""The values of a row that are always shown, where it has them; the traced field, and what it is asked for, besides."""


@dataclass(frozen=True, slots=True)
class Traced:
    """One row behind a figure: its report, what stands behind each value, and whether the figure takes it.

    `counts` is False for a row that statistics leave out, `why` then says why.
    """

    report: dict[str, Any]
    evidence: list[dict[str, Any]]
    counts: bool
    why: str = ""

    @property
    def corrected(self) -> list[str]:
        """The fields that a person has corrected."""
        return [one["field"] for one in self.evidence if one["origin"] == "correction"]


@dataclass(frozen=True, slots=True)
class Trace:
    """The median of `field` over `vehicles` vehicles of `people` people, with its 95 % interval, and its rows.

    `median` is None without a value, `low` and `high` below `FEWEST` vehicles or where the field holds words; `spread`
    then counts the words.
    """

    field: str
    condition: str
    vehicles: int
    people: int
    median: float | None
    low: float | None
    high: float | None
    spread: dict[str, int]
    rows: list[Traced]


def trace(folder: Path, condition: str = "true", *, of: str = DEFAULT) -> Trace:
    """What stands behind the median of the field `of` over the reports of a run for which `condition` (SQL) holds.

    The figure is made as every headline is (`sum_up.headline`): of usable rows, one a vehicle (its latest), with an
    interval that resamples people.  Rows that match and do not count are given too, with the reason.  Raises
    `UsageProblem` for a condition or a field that is not understood.
    """
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    with opened(folder) as connection:
        names = [row[0] for row in connection.execute("SELECT column_name FROM (DESCRIBE reports)").fetchall()]
        if of not in names:
            raise UsageProblem(f"there is no field {of!r}", todo="one of " + ", ".join(names))
        matching = matching_reports(connection, condition)
        wanted = pa.table({"wanted": pa.array(matching, pa.string())})
        connection.register("wanted", wanted)
        reports = ask(connection, "SELECT reports.* FROM reports SEMI JOIN wanted ON report_id = wanted")
        reports = reports.filter(reports[of].is_valid())
        columns = "report_id, author_key, vehicle_key, posted_at, odometer_km, chemistry, copy_of, usable"
        everyone = ask(connection, f"SELECT {columns} FROM reports")
        evidence = ask(
            connection,
            "SELECT evidence.* FROM evidence SEMI JOIN wanted ON report_id = wanted ORDER BY report_id, field",
        )
    people = cross_section(everyone).set_index("report_id")["person"]
    latest = reports.to_pandas()
    latest = latest[latest["report_id"].isin(people.index)]
    latest = latest.assign(person=latest["report_id"].map(people))
    taken = set(latest["report_id"])
    number = pa.types.is_floating(reports.schema.field(of).type) or pa.types.is_integer(reports.schema.field(of).type)
    median = low = high = None
    spread: dict[str, int] = {}
    if number and len(latest):
        values = latest[of].to_numpy(float)
        median = float(np.median(values))
        if len(latest) >= FEWEST:
            low, high = median_interval(values, latest["person"].to_numpy())
    elif not number:
        spread = {str(name): int(count) for name, count in latest[of].astype(str).value_counts().sort_index().items()}
    behind: dict[str, list[dict[str, Any]]] = {}
    for row in evidence.to_pylist():
        behind.setdefault(row["report_id"], []).append(row)
    ordered = (
        reports.take(pc.sort_indices(reports, [(of, "ascending"), ("report_id", "ascending")])) if number else reports
    )
    rows = [
        Traced(row, behind.get(row["report_id"], []), row["report_id"] in taken, _why_not(row, taken))
        for row in ordered.to_pylist()
    ]
    rows.sort(key=lambda one: not one.counts)
    return Trace(of, condition, len(latest), int(latest["person"].nunique()), median, low, high, spread, rows)


def _why_not(row: dict[str, Any], taken: set[str]) -> str:
    if row["report_id"] in taken:
        return ""
    if row["copy_of"] is not None:
        return f"a copy of {row['copy_of']}"
    if not row["usable"]:
        return "not usable: " + (", ".join(row["flags"]) or "left out")
    return "not the latest reading of its vehicle"


def select(folder: Path, question: str) -> pyarrow.Table:
    """The answer to a SELECT over the tables of the run in `folder`.  Raises `UsageProblem`."""
    with opened(folder) as connection:
        return ask(connection, question)


def flat(told: Trace) -> pyarrow.Table:
    """The rows behind a figure as one table: a row a value, with its words and how it was made."""
    import pyarrow as pa

    columns: dict[str, list[Any]] = {name: [] for name in _FLAT}
    for row in told.rows:
        for one in row.evidence:
            for name, value in _flat_row(row, one).items():
                columns[name].append(value)
    types = {"counts": pa.bool_(), "confidence": pa.float64(), "start": pa.int64(), "end": pa.int64()}
    return pa.table({name: pa.array(values, types.get(name, pa.string())) for name, values in columns.items()})


_FLAT = (
    "report_id", "source", "source_response_id", "counts", "why_not", "field", "value", "unit", "raw", "start", "end",
    "derivation", "rule_id", "rule_pack", "origin", "confidence",
)  # fmt: skip


def _flat_row(row: Traced, one: dict[str, Any]) -> dict[str, Any]:
    own = {"source": row.report["source"], "source_response_id": row.report["source_response_id"]}
    own |= {"counts": row.counts, "why_not": row.why}
    return {name: own[name] if name in own else one[name] for name in _FLAT}


def write(table: pyarrow.Table, file: Path) -> None:
    """Writes a table: .csv (for spreadsheets) or .parquet.  Raises `UsageProblem`; what stood there then stays."""
    import pyarrow.parquet as pq

    draft = file.with_name(f".{file.name}-new")
    try:
        if file.suffix == ".parquet":
            pq.write_table(table, draft)
        elif file.suffix == ".csv":
            with draft.open("w", encoding="utf-8-sig", newline="") as stream:
                out = csv.writer(stream)
                out.writerow(table.column_names)
                for batch in table.to_batches(8192):
                    out.writerows(_harmless(row.values()) for row in batch.to_pylist())
        else:
            raise UsageProblem(
                f"this is not written as {file.suffix or 'a file without an ending'}",
                where=str(file),
                todo="end the name with .csv or .parquet",
            )
        os.replace(draft, file)
    except OSError as error:
        what = f"cannot be written ({error.strerror})"
        raise UsageProblem(what, where=str(file), todo="choose another place") from None


def _harmless(values: Iterable[Any]) -> list[Any]:
    """Texts that a spreadsheet would take for formulas get a quote before them: the words are strangers'."""
    return ["'" + one if isinstance(one, str) and one[:1] in ("=", "+", "-", "@", "\t") else one for one in values]
