"""The tables of a release: the anonymised reports, their classes, and the figures and counts drawn from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import Column
from pipeline.publish_release.anonymise import Anonymised
from pipeline.publish_release.hierarchies import WITHHELD
from pipeline.publish_release.small_cells import grid_lines, protect
from pipeline.sum_up.cross_section import DISTANCE_EDGES_KM
from pipeline.sum_up.headline import EVERY, Figure

if TYPE_CHECKING:
    import pandas

KINDS = {"integer": "Int64", "number": "float64", "string": "object", "boolean": "bool"}
NOT_SAID_WORD = "not said"
COUNTED = ("make", "chemistry", "whose", "source", "lang", "charge_habit", "loss_origin", "chemistry_origin")
"""Columns whose values are counted in `counts`."""


@dataclass(frozen=True, slots=True)
class Told:
    """One published column: `kind` is a Data Package type; `role` says how it was treated (key, open ...)."""

    name: str
    kind: str
    meaning: str
    role: str = ""
    unit: str = ""
    values: tuple[str, ...] = ()
    required: bool = False
    unique: bool = False
    least: float | None = None
    most: float | None = None


@dataclass(slots=True)
class Table:
    """One published table; `key` is its primary key, `refers` is column -> (table, column)."""

    name: str
    title: str
    one_row: str
    columns: list[Told]
    frame: pandas.DataFrame
    key: tuple[str, ...]
    refers: dict[str, tuple[str, str]] = field(default_factory=dict)


def make_tables(anonymised: Anonymised, columns: dict[str, Column], figures: Sequence[Figure], k: int) -> list[Table]:
    """The four tables of a release, ready to be written; `columns` are the run's entries of the column list."""
    reports = Table(
        "reports", "Reports", "one answer about one vehicle's battery", _report_columns(anonymised, columns),
        anonymised.reports, ("row",), {"class": ("classes", "class")},
    )  # fmt: skip
    tables = [reports, _classes(anonymised.reports), _figures(figures, k), _counts(anonymised.reports, k)]
    for table in tables:
        frame = table.frame[[column.name for column in table.columns]].copy()
        for column in table.columns:
            frame[column.name] = frame[column.name].astype(KINDS[column.kind])  # type: ignore[call-overload]
        table.frame = frame.reset_index(drop=True)
    return tables


def _report_columns(anonymised: Anonymised, columns: dict[str, Column]) -> list[Told]:
    known = {column.name: column for column in columns.values()}
    told = [
        Told("row", "integer", "number of the row in this release; in another release it is another", "key",
             required=True, unique=True, least=1),
        Told("class", "integer", "the class: rows that share every generalised column", "key", required=True, least=1),
        Told("person", "string", "key of the person, of this release alone; blank where the row's joint to others of "
             "the person was cut", "key"),
        Told("vehicle", "string", "key of the vehicle, of this release alone; rows of a vehicle at different times "
             "share it; blank where the joint was cut", "key"),
        Told("latest", "boolean", "true for the row that figures take: the latest usable one of its vehicle", "open",
             required=True),
    ]  # fmt: skip
    for name in anonymised.reports.columns[len(told) :]:
        told.append(_told(str(name), known))
    return told


def _told(name: str, known: dict[str, Column]) -> Told:
    if name in known:
        column = known[name]
        role = {"quasi": "generalised", "sensitive": "sensitive"}.get(column.privacy, "open")
        kind = {"string": "string", "strings": "string", "bool": "boolean"}.get(column.type, "number")
        values = column.values
        if role == "generalised":
            kind, values = "string", ((*values, WITHHELD) if values else ())
        meaning = column.meaning + (' (codes joined by "; ")' if column.type == "strings" else "")
        if name == "source":
            meaning, values = "the source, by its kind and a number of this release, or its kind alone", ()
        required = not column.nullable and name != "flags" and role == "open"
        least, most = (0.0, 1.0) if name == "confidence" else (None, None)
        return Told(name, kind, meaning, role, column.unit, values, required, least=least, most=most)
    if name == "posted":
        return Told(
            name, "string", "when it was posted: a month (2025-03), quarter (2025-Q1) or year (UTC)", "generalised"
        )
    column_name, part = name.rsplit("_", 1)
    column = known[column_name]
    meaning = {
        "band": f"{column.meaning}: the band from low to high, or one number",
        "low": f"{column.meaning}: low end of the band, in it",
        "high": f"{column.meaning}: high end of the band, {'in it' if column.unit == 'a' else 'not in it'}; "
        "blank in a band without end",
        "mid": f"{column.meaning}: middle of the band, its low end where it has no other; what figures are made of",
    }[part]
    return Told(name, "string" if part == "band" else "number", meaning, "generalised", column.unit)


def _classes(reports: pandas.DataFrame) -> Table:
    grouped = reports.groupby("class", sort=True)
    frame = grouped.agg(rows=("row", "size"), people=("person", "nunique")).reset_index()
    return Table(
        "classes", "Classes", "one class: the rows of `reports` that share every generalised column",
        [Told("class", "integer", "number of the class", "key", required=True, unique=True, least=1),
         Told("rows", "integer", "rows of the class", "count", required=True, least=1),
         Told("people", "integer", "people of the class: never fewer than k", "count", required=True, least=1)],
        frame, ("class",),
    )  # fmt: skip


def _figures(figures: Sequence[Figure], k: int) -> Table:
    import pandas as pd

    bands = [EVERY, *_band_names()]
    chemistries = [EVERY, *sorted({one.chemistry for one in figures} - {EVERY})]
    there = {(one.chemistry, one.band): one for one in figures}
    cells = [there.get((chemistry, band)) for chemistry in chemistries for band in bands]
    counts = [one.vehicles if one else 0 for one in cells]
    totals = [place for place in range(len(cells)) if place < len(bands) or place % len(bands) == 0]
    small = [one is not None and one.people < k for one in cells]
    hidden = protect(counts, grid_lines(len(chemistries), len(bands)), small, k, totals)
    rows = []
    for one, hide in zip(cells, hidden, strict=True):
        if one is not None and one.vehicles:
            told = (None,) * 5 if hide else (one.vehicles, one.people, one.median, one.low, one.high)
            rows.append((one.chemistry, one.band, hide, *told))
    names = ["chemistry", "band", "hidden", "vehicles", "people", "median", "low", "high"]
    return Table(
        "figures", "Figures", "the median loss of one chemistry in one distance band",
        [Told("chemistry", "string", "group of chemistries; unknown: not said; all: every one", "key", required=True),
         Told("band", "string", "distance band in thousand km, or all", "key", "1000 km", required=True),
         Told("hidden", "boolean", "true where the group is too small to be told, or would give one away", "open",
              required=True),
         Told("vehicles", "integer", "vehicles with a distance and a loss", "count", least=1),
         Told("people", "integer", "people they belong to", "count", least=1),
         Told("median", "number", "median loss", "figure", "%"),
         Told("low", "number", "low end of the 95 % interval (bootstrap over people)", "figure", "%"),
         Told("high", "number", "high end of the 95 % interval", "figure", "%")],
        pd.DataFrame(rows, columns=names), ("chemistry", "band"),
    )  # fmt: skip


def _band_names() -> list[str]:
    starts = [edge // 1000 for edge in DISTANCE_EDGES_KM]
    return [f"{low}-{high}" for low, high in pairwise(starts)] + [f"{starts[-1]}+"]


def _counts(reports: pandas.DataFrame, k: int) -> Table:
    import pandas as pd

    rows: list[tuple[Any, ...]] = []
    for name in [one for one in COUNTED if one in reports.columns]:
        values = reports[name].fillna(NOT_SAID_WORD)
        grouped = reports.assign(value=values).groupby("value", sort=True)
        found = grouped.agg(rows=("row", "size"), people=("person", "nunique"))
        counts = [len(reports), *found["rows"].tolist()]
        small = [False, *(found["people"] < k).tolist()]
        hidden = protect(counts, [list(range(len(counts)))], small, k, [0])
        people = [reports["person"].nunique(), *found["people"].tolist()]
        for value, hide, number, who in zip([EVERY, *found.index], hidden, counts, people, strict=True):
            rows.append((name, value, hide, None if hide else number, None if hide else who))
    return Table(
        "counts", "Counts", "how often one value of one column is in `reports`",
        [Told("column", "string", "column of `reports`", "key", required=True),
         Told("value", "string", f"its value; {WITHHELD}: not told; {EVERY}: every one", "key", required=True),
         Told("hidden", "boolean", "true where the value is too rare to be told, or would give one away", "open",
              required=True),
         Told("rows", "integer", "rows with the value", "count", least=1),
         Told("people", "integer", "people (keys) with the value", "count", least=1)],
        pd.DataFrame(rows, columns=["column", "value", "hidden", "rows", "people"]), ("column", "value"),
    )  # fmt: skip
