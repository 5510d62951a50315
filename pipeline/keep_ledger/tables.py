"""Writes the tables: one schema a table, settings fixed, row groups cut by the rows alone.

The same rows give the same bytes, however they were handed over: a row group ends after `GROUP_ROWS` rows or once its
words reach `GROUP_CHARACTERS`, whichever comes first, never where a batch happened to end.

While a run is being made, rows whose last columns are not known yet are staged as Arrow files, which are mapped into
memory when they are read again, so that a million responses do not have to fit in it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from pipeline.dataset_columns import Column, arrow_schema, columns_of, declared_fields
from pipeline.problems import LedgerProblem

if TYPE_CHECKING:
    import pyarrow

GROUP_ROWS = 32_768
GROUP_CHARACTERS = 16 * 1024 * 1024
LONG = frozenset(("text", "raw", "value", "vehicle_text", "question", "detail"))
"""Where a row group ends: its rows, or the characters in its columns of any length (one row may pass the mark)."""

PARQUET_SETTINGS: dict[str, Any] = {
    "version": "2.6",
    "data_page_version": "1.0",
    "compression": "zstd",
    "compression_level": 3,
    "use_dictionary": True,
    "write_statistics": True,
    "data_page_size": 1024 * 1024,
    "dictionary_pagesize_limit": 1024 * 1024,
    "store_schema": True,
    "write_page_index": False,
}
"""Set in full, so that a new default of the library does not change the bytes."""

Row = Sequence[Any]

NO_ROOM = "make room or give the right to write there; what was there before is untouched"


@contextmanager
def ledger_errors(place: Path, doing: str, *, todo: str = NO_ROOM) -> Iterator[None]:
    """Turns the system's refusals (disk full, read-only, file too large, no permission) into a `LedgerProblem`."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error).splitlines()[0]
        raise LedgerProblem(
            f"{doing} failed ({reason})",
            where=str(place),
            todo=todo,
        ) from error


class TableWriter:
    """Takes the rows of one table one by one and writes them in row groups.

    `path` ends in `.parquet` for a finished table or `.arrow` for a staged one.  Rows are sequences along the table's
    columns; `more` are the fields that rule packs declare.  Raises `LedgerProblem` where the file cannot be written,
    and pyarrow's `ArrowInvalid` or `TypeError` for a row that does not fit the schema (a mistake in the program).
    """

    def __init__(self, table: str, path: Path, more: Sequence[Column] = ()) -> None:
        import pyarrow as pa

        self.table = table
        self.path = path
        self.rows = 0
        columns = columns_of(table, more)
        self._width = len(columns)
        self._words = [place for place, column in enumerate(columns) if column.name in LONG]
        self._schema = arrow_schema(table, more)
        self._waiting: list[Row] = []
        self._characters = 0
        with ledger_errors(path, "writing a table"):
            self._sink = pa.OSFile(str(path), "wb")
            self._writer = _writer(path, self._sink, self._schema)

    def append(self, row: Row) -> None:
        """Adds one row."""
        if len(row) != self._width:
            raise TypeError(f"a row of {self.table} has {self._width} values, not {len(row)}")
        self._waiting.append(row)
        self._characters += sum(len(row[place] or "") for place in self._words)
        self.rows += 1
        if len(self._waiting) >= GROUP_ROWS or self._characters >= GROUP_CHARACTERS:
            self._flush()

    def _flush(self) -> None:
        import pyarrow as pa

        if not self._waiting:
            return
        columns = zip(*self._waiting, strict=True)
        arrays = [pa.array(values, field.type) for values, field in zip(columns, self._schema, strict=True)]
        batch = pa.RecordBatch.from_arrays(arrays, schema=self._schema)
        batch.validate()
        self._waiting = []
        self._characters = 0
        with ledger_errors(self.path, "writing a table"):
            self._writer.write_batch(batch)

    def close(self) -> None:
        """Writes what is waiting and closes the file, which is closed even where that fails."""
        try:
            self._flush()
            with ledger_errors(self.path, "writing a table"):
                self._writer.close()
        except BaseException:
            self._give_up()
            raise
        with ledger_errors(self.path, "writing a table"):
            self._sink.close()

    def _give_up(self) -> None:
        # The run is lost already; a second error from a half-written file would hide the first.
        for part in (self._writer, self._sink):
            with suppress(Exception):
                part.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
            return
        self._give_up()


def _writer(path: Path, sink: Any, schema: pyarrow.Schema) -> Any:
    if path.suffix == ".arrow":
        import pyarrow as pa

        return pa.ipc.new_file(sink, schema)
    import pyarrow.parquet as pq

    return pq.ParquetWriter(sink, schema, **PARQUET_SETTINGS)


def open_staged(path: Path) -> pyarrow.Table:
    """A staged table, mapped into memory; its chunks are the row groups that it was written in."""
    import pyarrow as pa

    with ledger_errors(path, "reading a staged table"):
        return pa.ipc.open_file(pa.memory_map(str(path), "r")).read_all()


def write_table(name: str, table: pyarrow.Table, path: Path, more: Sequence[Column] = ()) -> int:
    """Writes a whole table to Parquet and gives its rows; row groups end where `TableWriter` would end them.

    The columns must be the table's, in any order; they are cast to its schema.  How the table is cut into chunks does
    not show in the file.  `more` are the fields that rule packs declare; those that the table holds are kept anyway,
    told by their metadata.
    """
    import pyarrow as pa

    schema = arrow_schema(name, more or (declared_fields(table.schema) if name == "reports" else ()))
    fitted = table.select(schema.names).cast(schema)
    with ledger_errors(path, "writing a table"), pa.OSFile(str(path), "wb") as sink:
        writer = _writer(path, sink, schema)
        start = 0
        for end in _group_ends(fitted):
            for batch in fitted.slice(start, end - start).combine_chunks().to_batches():
                writer.write_batch(batch)
            start = end
        writer.close()
    return int(table.num_rows)


def _group_ends(table: pyarrow.Table) -> list[int]:
    """The row after each row group's last: a group is full with `GROUP_ROWS` rows, or by its words' characters."""
    import numpy as np
    import pyarrow.compute as pc

    characters = np.zeros(table.num_rows, np.int64)
    for name in LONG.intersection(table.column_names):
        characters += pc.fill_null(pc.utf8_length(table[name]), 0).to_numpy()
    so_far = np.cumsum(characters)
    ends: list[int] = []
    start = before = 0
    while start < table.num_rows:
        full = int(np.searchsorted(so_far, before + GROUP_CHARACTERS)) + 1
        start = min(full, start + GROUP_ROWS, table.num_rows)
        before = int(so_far[start - 1])
        ends.append(start)
    return ends


def looked_up(ids: pyarrow.ChunkedArray, found: Mapping[str, str]) -> pyarrow.ChunkedArray:
    """For each id its value in `found`, or null: the way copies and vehicle keys become a column."""
    import pyarrow as pa
    import pyarrow.compute as pc

    values = pa.array(list(found.values()), pa.string())
    return pc.take(values, pc.index_in(ids, value_set=pa.array(list(found), pa.string())))


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, as hex digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
