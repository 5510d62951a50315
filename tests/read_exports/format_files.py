"""Helpers of the format tests: an `ExportFile` over bytes or a fixture, and everything a module makes of it."""

from __future__ import annotations

import io
from pathlib import Path
from types import ModuleType
from typing import Any

from pipeline.read_exports.raw_table import ExportFile, RawTable
from pipeline.response import Reject

FIXTURES = Path(__file__).parents[2] / "fixtures" / "formats"
Row = dict[str, Any] | Reject


def export(data: bytes, name: str = "export") -> ExportFile:
    return ExportFile(name, name, lambda: io.BytesIO(data), len(data))


def fixture(name: str) -> bytes:
    return (FIXTURES / name).read_bytes()


def tables(module: ModuleType, data: bytes | str, name: str = "export") -> list[tuple[RawTable, list[Row]]]:
    raw = data.encode("utf-8") if isinstance(data, str) else data
    out: list[tuple[RawTable, list[Row]]] = []
    for table in module.read_tables(export(raw, name)):
        rows: list[Row] = []
        for row in table.rows:
            if isinstance(row, Reject):
                rows.append(row)
            else:
                assert len(row.cells) == len(table.columns)
                rows.append({"record": row.record, **dict(zip(table.columns, row.cells, strict=True))})
        out.append((table, rows))
    return out


def rows(module: ModuleType, data: bytes | str, name: str = "export") -> list[Row]:
    """All rows of a file that has one table; rejects among them."""
    (found,) = tables(module, data, name)
    return found[1]


def good(found: list[Row]) -> list[dict[str, Any]]:
    return [row for row in found if not isinstance(row, Reject)]


def column(found: list[Row], name: str) -> list[Any]:
    return [row[name] for row in good(found)]


def rejects(found: list[Row]) -> list[tuple[str, str]]:
    return [(row.record, row.reason) for row in found if isinstance(row, Reject)]
