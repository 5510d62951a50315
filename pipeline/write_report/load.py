"""Reads a run of a ledger for a report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.keep_ledger.ledger import Ledger
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem, UsageProblem

if TYPE_CHECKING:
    import pyarrow


def run_folder(ledger: Ledger, name: str | None) -> Path:
    """The folder of a run by its name or number ("0003-20261125T101500Z", "3"), or of the latest.

    Raises `UsageProblem` where there is no such run.
    """
    if name is None:
        return ledger.latest()
    runs = ledger.runs()
    for run in runs:
        if name == run.name or (name.isdigit() and int(run.name.split("-")[0]) == int(name)):
            return run
    there = ", ".join(run.name for run in runs[-5:]) or "none"
    raise UsageProblem(f"there is no run {name!r}", where=str(ledger.path), todo=f"the newest runs are: {there}")


def run_table(run: Path, name: str) -> pyarrow.Table:
    """A table of a run, whole.  Raises `LedgerProblem` where it is missing or damaged."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = run / f"{name}.parquet"
    try:
        with ledger_errors(path, "reading a table", todo="build again"):
            return pq.read_table(path)
    except pa.ArrowInvalid as error:
        raise LedgerProblem("this table is damaged", where=str(path), todo="build again") from error
