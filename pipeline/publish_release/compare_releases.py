"""A release beside the one before: what the changelog tells, and how many small groups of rows a comparison shows."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.problems import UsageProblem
from pipeline.publish_release.anonymise import KEY_COLUMNS, Anonymised
from pipeline.publish_release.published_tables import Table
from pipeline.publish_release.write_tables import read_table

if TYPE_CHECKING:
    import pandas


@dataclass(frozen=True, slots=True)
class Compared:
    """What changed since `version`; `thin` counts the classes of which 1 to k - 1 rows are in one release only."""

    version: str
    counts: list[tuple[str, Any, Any]]
    columns_added: list[str]
    columns_gone: list[str]
    figures: list[tuple[str, str, str, str]]
    rows_changed: int
    thin: int
    earlier: str


def compare_releases(before: Path, made: Anonymised, tables: Sequence[Table]) -> Compared:
    """Compares a finished release folder with one that is being made.  Raises `UsageProblem` where it is none."""
    try:
        record = json.loads((before / "release.json").read_text("utf-8"))
        if record["what"] != "crowdfade release":
            raise ValueError(record["what"])
        old = {name: read_table(before, name) for name in ("reports", "figures")}
        log = (before / "CHANGELOG.md").read_text("utf-8")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageProblem(
            "is no release that can be compared with", where=str(before), todo="give the folder of the release before"
        ) from error
    new = {table.name: table.frame for table in tables}
    counts = [(f"rows of {name}", record["tables"].get(name, 0), len(frame)) for name, frame in new.items()]
    counts += [
        ("people", record["cost"]["people"] - record["cost"]["people_left_out"],
         made.cost.people - made.cost.people_left_out),
        ("classes", record["cost"]["classes"], made.cost.classes),
    ]  # fmt: skip
    names_before, names_now = list(old["reports"].columns), list(new["reports"].columns)
    changed, thin = _changed_rows(old["reports"], new["reports"], record["quasi"], made.quasi, int(record["k"]))
    return Compared(
        record["version"], counts,
        [name for name in names_now if name not in names_before],
        [name for name in names_before if name not in names_now],
        _moved(old["figures"], new["figures"]), changed, thin, _entries(log),
    )  # fmt: skip


def _changed_rows(
    before: pandas.DataFrame, now: pandas.DataFrame, quasi_before: list[str], quasi_now: list[str], k: int
) -> tuple[int, int]:
    """How many rows only one of the two has, and in how many classes those are 1 to k - 1."""

    def counted(frame: pandas.DataFrame) -> Counter[tuple[str, ...]]:
        names = [name for name in frame.columns if name not in KEY_COLUMNS]
        return Counter(zip(*(frame[name].astype(str) for name in names), strict=True))

    changed = thin = 0
    first, second = counted(before), counted(now)
    for frame, quasi, more in ((before, quasi_before, first - second), (now, quasi_now, second - first)):
        names = [name for name in frame.columns if name not in KEY_COLUMNS]
        places = [names.index(name) for name in quasi]
        of_class: Counter[tuple[str, ...]] = Counter()
        for row, times in more.items():
            of_class[tuple(row[place] for place in places)] += times
        changed += sum(of_class.values())
        thin += sum(1 for times in of_class.values() if times < k)
    return changed, thin


def _moved(before: pandas.DataFrame, now: pandas.DataFrame) -> list[tuple[str, str, str, str]]:
    def medians(frame: pandas.DataFrame) -> dict[tuple[str, str], str]:
        rows = zip(frame["chemistry"], frame["band"], frame["median"].astype(float), strict=True)
        return {(str(one), str(band)): "hidden" if math.isnan(value) else f"{value:.2f}" for one, band, value in rows}

    first, second = medians(before), medians(now)
    return [
        (*place, first.get(place, "-"), second.get(place, "-"))
        for place in dict.fromkeys([*second, *first])
        if first.get(place) != second.get(place)
    ]


def _entries(log: str) -> str:
    """The entries of a changelog, without its heading."""
    return log.split("\n", 1)[1].strip() if "\n" in log else ""
