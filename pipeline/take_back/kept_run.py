"""A kept run, taken back as it was read: what corrections, copies and checks made of its rows is taken off again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import Column, arrow_schema
from pipeline.finish_run import AS_READ, CHANGED, FOR_RERUN, VEHICLES, with_column
from pipeline.join_copies.join import Joined
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem, UsageProblem
from pipeline.response import Response, SurveyAnswer
from pipeline.take_back.fingerprints import Readings, read_readings
from pipeline.take_back.put_together import put_in_order, without

if TYPE_CHECKING:
    import pyarrow

KEPT = ("responses", *AS_READ, "rejects", "marks")


@dataclass(slots=True)
class KeptRun:
    """A run of a ledger to start from: `record` is run.json, `readings` what its readings hang on (None: not known).

    `tables` are those of `rows.STAGED` as they were read, once `load` has been called.
    """

    folder: Path
    record: dict[str, Any]
    readings: Readings | None
    tables: dict[str, pyarrow.Table] = field(default_factory=dict)

    @property
    def packs(self) -> list[Path]:
        """The folders of the packs that it was read with, over the built-in one.

        Raises `UsageProblem` where one is not there any more.
        """
        folders = [Path(pack["folder"]) for pack in (self.readings.packs if self.readings else [])[1:]]
        for folder in folders:
            if not (folder / "pack.yaml").is_file():
                raise UsageProblem(
                    "the run was read with this rule pack, which is not there any more",
                    where=str(folder),
                    todo="name the packs to use with --rules, or say --no-rules",
                )
        return folders

    @property
    def lang(self) -> str | None:
        """The language that was taken for every response, if one was."""
        said = self.record["options"].get("lang")
        return str(said) if said else None

    def vehicle_list(self) -> Path | None:
        """The vehicle list that the run was made with, as it was then; None where there was none."""
        folder = self.folder / FOR_RERUN / VEHICLES
        if self.record.get("vehicles") is None:
            return None
        found = sorted(folder.iterdir()) if folder.is_dir() else []
        if not found:
            raise LedgerProblem(
                "the run did not keep its vehicle list", where=str(self.folder), todo="give it with --vehicles"
            )
        return found[0]

    def load(self, fields: Sequence[Column] = ()) -> None:
        """Loads the tables as they were read, with the columns of packs that declare `fields`.

        Raises `LedgerProblem`.
        """
        beside = self.folder / FOR_RERUN
        tables = {name: _fitted(_table(self.folder / f"{name}.parquet"), name, fields) for name in KEPT}
        tables["responses"] = _emptied(tables["responses"], "copy_of")
        tables["reports"] = _unsettled(tables["reports"])
        changed = _table(beside / f"{CHANGED}.parquet")["response_id"].combine_chunks()
        for name in AS_READ if len(changed) else ():
            as_read = _fitted(_table(beside / f"{name}.parquet"), name, fields)
            tables[name] = _concat([without(tables[name], changed), as_read])
        for name in AS_READ:
            tables[name] = put_in_order(tables[name], tables["responses"]["response_id"])
        self.tables = tables

    def changed(self) -> set[str]:
        """Ids of the responses whose rows were changed after they were read, by corrections or findings."""
        return set(_table(self.folder / FOR_RERUN / f"{CHANGED}.parquet")["response_id"].to_pylist())

    def joined(self) -> Joined:
        """What the run's tables say was joined."""
        tables = [
            _table(self.folder / f"{name}.parquet", columns)
            for name, columns in (
                ("responses", ["response_id", "copy_of"]),
                ("reports", ["report_id", "copy_of", "vehicle_key", "flags"]),
                ("links", None),
            )
        ]
        return Joined.from_tables(*tables)

    def responses(self, rows: Sequence[int]) -> Iterator[Response]:
        """The responses at these rows of the table, in the given order, as they were when they were read."""
        import pyarrow as pa
        import pyarrow.compute as pc

        for start in range(0, len(rows), 8192):
            some = self.tables["responses"].take(pa.array(rows[start : start + 8192], pa.int64()))
            marks = self.tables["marks"]
            marks = marks.filter(pc.is_in(marks["response_id"], some["response_id"].combine_chunks()))
            answers: dict[str, list[SurveyAnswer]] = {}
            profiles: dict[str, int] = {}
            for mark in marks.to_pylist():
                if mark["kind"] == "profile":
                    profiles[mark["response_id"]] = mark["start"]
                else:
                    answer = SurveyAnswer(mark["field"], mark["question"], mark["start"], mark["end"], mark["unit"])
                    answers.setdefault(mark["response_id"], []).append(answer)
            for row in some.to_pylist():
                name = row["response_id"]
                yield Response(
                    response_id=name,
                    source=row["source"],
                    source_response_id=row["source_response_id"],
                    text=row["text"],
                    thread_id=row["thread_id"],
                    parent_id=row["parent_id"],
                    posted_at=row["posted_at"],
                    lang=row["lang"],
                    likes=row["likes"],
                    link=row["link"],
                    answers=tuple(answers.get(name, ())),
                    profile_start=profiles.get(name),
                )


def open_kept(folder: Path) -> KeptRun:
    """The run in `folder`, to be taken back.

    Raises `LedgerProblem` where it is damaged, did not keep its texts, or is of a crowdfade that kept too little.
    """
    record = read_run_record(folder)
    if not record.get("options", {}).get("keep_text", True):
        raise LedgerProblem(
            "this run did not keep the responses' text (--no-keep-text), so nothing can be read again from it",
            where=str(folder),
            todo="build again from the exports, with --keep-text",
        )
    if not (folder / FOR_RERUN).is_dir():
        raise LedgerProblem(
            "this run was made by an older crowdfade, which kept too little for a rerun",
            where=str(folder),
            todo="build again from the exports",
        )
    return KeptRun(folder, record, read_readings(folder / FOR_RERUN))


def _table(path: Path, columns: list[str] | None = None) -> pyarrow.Table:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with ledger_errors(path, "reading a table", todo="build again"):
            return pq.read_table(path, memory_map=True, columns=columns)
    except pa.ArrowInvalid as error:
        raise LedgerProblem("this table is damaged", where=str(path), todo="build again") from error


def _fitted(table: pyarrow.Table, name: str, fields: Sequence[Column]) -> pyarrow.Table:
    """The table with the columns that the new run will have: what it lacks is empty, what is gone is left out."""
    import pyarrow as pa

    schema = arrow_schema(name, fields)
    columns = [
        table[one.name].cast(one.type)
        if one.name in table.column_names and _same_type(table.schema.field(one.name), one)
        else pa.chunked_array([pa.nulls(table.num_rows, one.type)])
        for one in schema
    ]
    return pa.table(columns, schema=schema)


def _same_type(one: Any, other: Any) -> bool:
    # a declared field of another type is read again wherever a rule speaks of it, so no value of it is kept
    return bool(one.type == other.type)


def _unsettled(reports: pyarrow.Table) -> pyarrow.Table:
    """Reports without what copies and checks have added; reports that the reader itself flagged are kept beside."""
    import numpy as np
    import pyarrow as pa

    rows = reports.num_rows
    reports = _emptied(_emptied(reports, "copy_of"), "vehicle_key")
    none = pa.ListArray.from_arrays(np.zeros(rows + 1, np.int32), pa.array([], pa.string()))
    reports = with_column(reports, "flags", none.cast(reports.schema.field("flags").type))
    return with_column(reports, "usable", pa.array(np.ones(rows, bool)))


def _emptied(table: pyarrow.Table, column: str) -> pyarrow.Table:
    import pyarrow as pa

    return with_column(table, column, pa.nulls(table.num_rows, table.schema.field(column).type))


def _concat(tables: list[pyarrow.Table]) -> pyarrow.Table:
    import pyarrow as pa

    return pa.concat_tables(tables)
