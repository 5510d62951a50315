"""Reads a release's tables by its own descriptor and says where they are not what it promises."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas

TYPES = {"integer": "Int64", "number": "float64", "string": "object", "boolean": "boolean"}


@dataclass(frozen=True, slots=True)
class Package:
    """The tables of a release as its Parquet and CSV files hold them, and what datapackage.json says of them."""

    folder: Path
    resources: dict[str, dict[str, Any]]
    tables: dict[str, pandas.DataFrame]
    csv: dict[str, pandas.DataFrame]

    @property
    def fields(self) -> dict[str, list[dict[str, Any]]]:
        """Table -> its fields."""
        return {name: self.resources[name]["schema"]["fields"] for name in self.tables}


def read_package(folder: Path) -> Package:
    """Reads datapackage.json and the files that it names; any error of a damaged file is the caller's to catch."""
    import pandas as pd

    described = json.loads((folder / "datapackage.json").read_text("utf-8"))
    resources = {one["name"]: one for one in described["resources"]}
    tables, csv = {}, {}
    for name, one in resources.items():
        path = (folder / one["path"]).resolve()
        if not path.is_relative_to(folder.resolve()):
            raise ValueError(f"{one['path']} leads out of the folder")
        if one["format"] == "csv":
            kinds = {field["name"]: TYPES[field["type"]] for field in one["schema"]["fields"]}
            csv[name] = pd.read_csv(path, dtype=kinds, keep_default_na=False, na_values=[""], encoding="utf-8")
        else:
            tables[name.removesuffix("-parquet")] = pd.read_parquet(path)
    return Package(folder, resources, tables, csv)


def schema_faults(package: Package) -> list[str]:
    """Every place where a table is not as described, the first of each kind a column."""
    faults: list[str] = []
    for name, one in package.resources.items():
        content = (package.folder / one["path"]).read_bytes()
        if "hash" in one and one["hash"] != f"sha256:{hashlib.sha256(content).hexdigest()}":
            faults.append(f"{one['path']}: is not the file that datapackage.json describes")
        frame = package.csv[name] if name in package.csv else package.tables[name.removesuffix("-parquet")]
        faults += [f"{one['path']}: {fault}" for fault in _table_faults(frame, one["schema"], package)]
    for name, frame in package.csv.items():
        if name not in package.tables:
            faults.append(f"{name}: has no Parquet file")
        elif not _alike(frame, package.tables[name]):
            faults.append(f"{name}: the CSV and the Parquet file differ")
    return faults


def _table_faults(frame: pandas.DataFrame, schema: dict[str, Any], package: Package) -> Iterator[str]:
    names = [field["name"] for field in schema["fields"]]
    if list(frame.columns) != names:
        yield "has other columns than described"
        return
    for field in schema["fields"]:
        column, limits = frame[field["name"]], field.get("constraints", {})
        known = column.dropna()
        if limits.get("required") and len(known) < len(column):
            yield f"{field['name']}: is empty in row {int(column.isna().argmax()) + 1}"
        if limits.get("unique") and known.duplicated().any():
            yield f"{field['name']}: holds {known[known.duplicated()].iloc[0]} twice"
        if "enum" in limits and not known.isin(limits["enum"]).all():
            yield f"{field['name']}: holds {known[~known.isin(limits['enum'])].iloc[0]!r}"
        if "minimum" in limits and (known < limits["minimum"]).any():
            yield f"{field['name']}: holds {known.min()}"
        if "maximum" in limits and (known > limits["maximum"]).any():
            yield f"{field['name']}: holds {known.max()}"
    if frame.duplicated(schema["primaryKey"]).any():
        yield f"two rows have the same {', '.join(schema['primaryKey'])}"
    for key in schema.get("foreignKeys", ()):
        reference = key["reference"]
        there = package.tables[reference["resource"]][reference["fields"][0]]
        if not frame[key["fields"][0]].dropna().isin(there).all():
            yield f"{key['fields'][0]}: holds a value that {reference['resource']} has not"


def _alike(one: pandas.DataFrame, other: pandas.DataFrame) -> bool:
    if list(one.columns) != list(other.columns) or len(one) != len(other):
        return False
    for name in one.columns:
        first, second = one[name], other[name]
        if not (first.isna().to_numpy() == second.isna().to_numpy()).all():
            return False
        there = first.notna().to_numpy()
        if not (first[there].astype(object).to_numpy() == second[there].astype(object).to_numpy()).all():
            return False
    return True
