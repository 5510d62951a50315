"""A run's tables as views of an in-memory DuckDB, for questions that a person writes in SQL.

The tables are handed over as Arrow; then access to anything outside (files, the web, extensions) is switched off and
the settings are locked, so that a question can only read what the views show.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import TABLES
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem, Problem, UsageProblem

if TYPE_CHECKING:
    import duckdb
    import pyarrow

WORDS_IN_QUESTIONS = 60
_PLACE = re.compile(r"^LINE (\d+):\s?(.*)\n(\s*)\^", re.M)


@contextmanager
def opened(folder: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection in which every table of the run in `folder` is a view of its name.

    Raises `LedgerProblem` for a missing or damaged table, `Problem` where DuckDB is not installed.
    """
    try:
        import duckdb
    except ImportError:
        raise Problem("this needs DuckDB, which is not installed", todo="pip install duckdb") from None
    with duckdb.connect(":memory:") as connection:
        for name in TABLES:
            if (folder / f"{name}.parquet").is_file():
                connection.register(name, _dataset(folder / f"{name}.parquet"))
        connection.execute("SET enable_external_access = false")
        connection.execute("SET autoinstall_known_extensions = false")
        connection.execute("SET autoload_known_extensions = false")
        connection.execute("SET python_enable_replacements = false")
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET lock_configuration = true")
        yield connection


def _dataset(path: Path) -> Any:
    import pyarrow as pa
    import pyarrow.dataset as ds

    try:
        with ledger_errors(path, "reading a table", todo="build again"):
            return ds.dataset(path, format="parquet")
    except pa.ArrowInvalid as error:
        raise LedgerProblem("this table is damaged", where=str(path), todo="build again") from error


def ask(connection: duckdb.DuckDBPyConnection, question: str) -> pyarrow.Table:
    """The answer to one SELECT over the views.  Raises `UsageProblem` with the place of what is not understood."""
    import duckdb

    with _told(question):
        statements = duckdb.extract_statements(question)
        if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
            raise UsageProblem(
                "one SELECT is asked for: a question reads, it changes nothing",
                where=_short(question),
                todo="the views are " + ", ".join(TABLES),
            )
        return connection.sql(question).to_arrow_table()


def matching_reports(connection: duckdb.DuckDBPyConnection, condition: str) -> list[str]:
    """Ids of the reports for which a condition over their columns holds, in the order of the table.

    The condition is put in as an expression of its own: it cannot end the question and begin another.
    """
    import duckdb

    with _told(condition):
        relation = connection.table("reports").filter(duckdb.SQLExpression(condition))
        return [row[0] for row in relation.project("report_id").fetchall()]


@contextmanager
def _told(said: str) -> Iterator[None]:
    """Turns what DuckDB says of a question into a `UsageProblem`."""
    import duckdb

    try:
        yield
    except duckdb.Error as error:
        message = str(error)
        what = message.split("\n\n")[0].splitlines()[0]
        place = _PLACE.search(message)
        where = _short(said)
        if place:
            shown, column = place[2], len(place[3]) - len(f"LINE {place[1]}: ")
            near = shown[max(0, column) :][:30].strip()
            where += f" (line {place[1]}, near {near!r})" if near else f" (line {place[1]})"
        todo = _hint(message, what)
        raise UsageProblem(what, where=where, todo=todo) from None


def _hint(message: str, what: str) -> str:
    if what.startswith("Permission"):
        return "a question reads the run's tables and nothing else"
    found = re.search(r"(?:Candidate bindings|Did you mean)[:\s]*(.+)", message)
    if found:
        return "did you mean " + found[1].strip().rstrip("?") + "?"
    return "conditions are SQL over the columns of reports, as in: chemistry = 'LFP' AND odometer_km < 80000"


def _short(said: str) -> str:
    line = " ".join(said.split())
    return line if len(line) <= WORDS_IN_QUESTIONS else line[: WORDS_IN_QUESTIONS - 3] + "..."
