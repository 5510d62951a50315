"""The sources of a run under names of the release: file names may say who kept them, so none leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import FIELD_NAMES

if TYPE_CHECKING:
    import pandas


@dataclass(frozen=True, slots=True)
class Source:
    """One source: its name in the release, its kind, and its records."""

    name: str
    kind: str
    read: int
    kept: int
    rejected: int


@dataclass(frozen=True, slots=True)
class Sources:
    """`every` source, and `told` ones: those with too few people are one line there."""

    every: list[Source]
    told: list[Source]

    @property
    def summed_up(self) -> bool:
        """Whether sources were summed up because they have too few people."""
        return len(self.told) < len(self.every)


def alias_sources(frame: pandas.DataFrame, record: dict[str, Any], k: int) -> tuple[pandas.DataFrame, Sources]:
    """The reports with their sources renamed ("survey 1", "comments 2"), and the sources; `record` is run.json.

    A source is a survey where some of its columns answer a question about a field.
    """
    numbers: dict[str, int] = {}
    names: dict[str, str] = {}
    every = []
    for one in record["inputs"]:
        if one["problem"] or one["source"] in names:
            continue
        kind = "survey" if any(f"{name} = " in one["roles"] for name in _answered()) else "comments"
        numbers[kind] = numbers.get(kind, 0) + 1
        names[one["source"]] = f"{kind} {numbers[kind]}"
        every.append(Source(names[one["source"]], kind, one["read"], one["kept"], one["rejected"]))
    for name in sorted(set(frame["source"]) - names.keys()):
        names[name] = f"other {len(names) + 1}"
        every.append(Source(names[name], "other", 0, 0, 0))
    renamed = frame.assign(source=frame["source"].map(names))
    people = renamed["author_key"].fillna(renamed["report_id"]).groupby(renamed["source"]).nunique()
    large = [one for one in every if people.get(one.name, 0) >= k]
    small = [one for one in every if people.get(one.name, 0) < k]
    told = list(large)
    if small:
        told.append(
            Source(
                "other sources",
                "any",
                *(sum(getattr(one, part) for one in small) for part in ("read", "kept", "rejected")),
            )
        )
    return renamed, Sources(every, told)


def _answered() -> tuple[str, ...]:
    return (*FIELD_NAMES, "range_new", "range_now", "energy_new", "energy_now", "health_pct", "ac_share_pct")
