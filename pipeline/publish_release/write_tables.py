"""Writes the tables of a release, each as CSV and as Parquet; the same rows give the same bytes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.keep_ledger.tables import PARQUET_SETTINGS
from pipeline.publish_release.published_tables import Table

if TYPE_CHECKING:
    import pandas
    import pyarrow

DATA = "data"


def write_tables(tables: list[Table], folder: Path) -> None:
    """Writes data/NAME.csv and data/NAME.parquet of each table into `folder`."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    (folder / DATA).mkdir()
    for table in tables:
        frame = table.frame
        csv = frame.copy()
        for column in table.columns:
            if column.kind == "boolean":
                csv[column.name] = csv[column.name].map({True: "true", False: "false"})
        csv.to_csv(folder / DATA / f"{table.name}.csv", index=False, lineterminator="\n", encoding="utf-8")
        schema = arrow_schema_of(table)
        arrow = pa.Table.from_pandas(frame, schema=schema, preserve_index=False).replace_schema_metadata(None)
        pq.write_table(arrow, folder / DATA / f"{table.name}.parquet", **PARQUET_SETTINGS)


def arrow_schema_of(table: Table) -> pyarrow.Schema:
    """The Arrow schema of a published table, with unit and meaning in each field's metadata."""
    import pyarrow as pa

    types = {"integer": pa.int64(), "number": pa.float64(), "string": pa.string(), "boolean": pa.bool_()}
    return pa.schema(
        [
            pa.field(
                column.name,
                types[column.kind],
                nullable=not column.required,
                metadata={"unit": column.unit, "description": column.meaning},
            )
            for column in table.columns
        ]
    )


def read_table(folder: Path, name: str) -> pandas.DataFrame:
    """A published table as `write_tables` wrote it, from its Parquet file."""
    import pandas as pd

    return pd.read_parquet(folder / DATA / f"{name}.parquet")
