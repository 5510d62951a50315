"""The columns of a run as its tables hold them: those of every ledger, and the fields that its rule packs declared."""

from __future__ import annotations

from pathlib import Path

from pipeline.dataset_columns import TABLES, Column, columns_of, declared_fields
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem

__all__ = ["columns_of_run", "declared_fields", "fields_of_run"]


def columns_of_run(folder: Path) -> dict[str, tuple[Column, ...]]:
    """Table -> its columns, in order, of the run in `folder` (the folder with the run's Parquet files).

    `reports` holds the fields that the run's packs declared behind the guide's; all else is as in every ledger.
    Raises `LedgerProblem` where the table cannot be read.
    """
    more = fields_of_run(folder)
    return {table: columns_of(table, more) for table in TABLES}


def fields_of_run(folder: Path) -> tuple[Column, ...]:
    """The fields that the run's packs declared, in the order of their columns; () without such a pack."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = folder / "reports.parquet"
    try:
        with ledger_errors(path, "reading a table", todo="build again"):
            return declared_fields(pq.read_schema(path))
    except pa.ArrowInvalid as error:
        raise LedgerProblem("this table is damaged", where=str(path), todo="build again") from error
