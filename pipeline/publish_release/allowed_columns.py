"""What may leave: only columns of the one column list, each as its privacy class says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import get_args

from pipeline.dataset_columns import FIELD_NAMES, REPORTS, Column, Privacy
from pipeline.problems import ReleaseProblem
from pipeline.publish_release.hierarchies import Attribute, Sensitive, plain_attribute

HANDLED = ("posted_at", "author_key", "vehicle_key")
"""Private columns and keys that are read to make the release: told as a period, and as new keys."""

PRESENT = {column.name: column for column in REPORTS}


@dataclass(frozen=True, slots=True)
class Allowed:
    """The columns of reports that leave, by how: attributes (generalised), sensitive, open; and each one's entry."""

    attributes: tuple[Attribute, ...]
    sensitive: tuple[Sensitive, ...]
    open: tuple[str, ...]
    columns: dict[str, Column]


def allowed_columns(
    columns: Sequence[Column], there: Sequence[str], attributes: Sequence[Attribute], rules: dict[str, Sensitive]
) -> Allowed:
    """Sorts a run's columns by privacy class; `there` are the names that the run's table really has.

    Raises `ReleaseProblem` for a column that is not in the list, has no privacy class, or is a quasi-identifier of the
    guide without a hierarchy.
    """
    known = {column.name: column for column in columns}
    for name in there:
        privacy = known[name].privacy if name in known else None
        if privacy not in get_args(Privacy):
            raise ReleaseProblem(
                f"the column {name!r} has no privacy class",
                where="reports.parquet",
                todo="declare it in its rule pack as open, quasi, sensitive, pseudonym or private",
            )
    here = {name: known[name] for name in there}
    covered = {column for attribute in attributes for column in attribute.columns}
    used = [one for one in attributes if set(one.columns) <= here.keys()]
    for name, column in here.items():
        if column.privacy != "quasi" or name in covered:
            continue
        if name in PRESENT and name in FIELD_NAMES:
            raise ReleaseProblem(
                f"{name!r} is a quasi-identifier without a hierarchy", todo="add it to hierarchies.yaml"
            )
        used.append(plain_attribute(name, column.type, column.unit))
    for attribute in used:
        for name in attribute.columns:
            if here[name].privacy != "quasi" and name not in HANDLED:
                raise ReleaseProblem(
                    f"{name!r} has a hierarchy, but its privacy class is {here[name].privacy}",
                    todo="make it quasi, or take it out of hierarchies.yaml",
                )
    sensitive = tuple(rules.get(name, Sensitive(name)) for name, one in here.items() if one.privacy == "sensitive")
    return Allowed(tuple(used), sensitive, tuple(name for name, one in here.items() if one.privacy == "open"), here)
