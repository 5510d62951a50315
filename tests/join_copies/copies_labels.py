"""Reads the labelled copies and scores a joining against them, pair by pair."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipeline.dataset_columns import FIELD_NAMES, arrow_schema

FOLDER = Path(__file__).parents[2] / "fixtures" / "labelled" / "copies"


@dataclass(frozen=True)
class PairScore:
    """Pairwise precision, recall and F1 of a grouping (each pair of rows in one group counts once)."""

    right: int
    found: int
    wanted: int
    wrong: list[tuple[str, str]]
    missed: list[tuple[str, str]]

    @property
    def precision(self) -> float:
        return self.right / self.found if self.found else 1.0

    @property
    def recall(self) -> float:
        return self.right / self.wanted if self.wanted else 1.0

    @property
    def f1(self) -> float:
        return 2 * self.right / (self.found + self.wanted) if self.found + self.wanted else 1.0


def read_labels(folder: Path = FOLDER) -> list[dict[str, Any]]:
    lines = [line for path in sorted(folder.glob("*.jsonl")) for line in path.read_text("utf-8").splitlines()]
    return [json.loads(line) for line in lines]


def tables(labels: Iterable[Mapping[str, Any]]) -> tuple[pa.Table, pa.Table, pa.Table]:
    """Responses, reports and evidence as the joining is given them, with the labels as the readings."""
    responses: list[dict[str, Any]] = []
    reports: list[dict[str, Any]] = []
    for row in labels:
        common = {
            "response_id": row["id"],
            "source_response_id": row["id"],
            "source": row["source"],
            "author_key": author_key(row["author"]),
            "posted_at": datetime.fromisoformat(row["posted_at"]) if row["posted_at"] else None,
            "lang": None,
        }
        responses.append(common | {name: row[name] for name in ("text", "thread_id", "parent_id")})
        for number, report in enumerate(row["reports"], start=1):
            fields = {name: report.get(name) for name in FIELD_NAMES}
            settled = {"confidence": 1.0, "flags": [], "usable": True}
            reports.append(common | fields | settled | {"report_id": f"{row['id']}-{number}"})
    return (
        table_of("responses", responses),
        table_of("reports", reports),
        arrow_schema("evidence").empty_table(),
    )


def table_of(name: str, rows: list[dict[str, Any]]) -> pa.Table:
    schema = arrow_schema(name)
    return pa.Table.from_pylist([{column: row.get(column) for column in schema.names} for row in rows], schema=schema)


def author_key(author: str | None) -> str | None:
    return hashlib.sha256(author.encode()).hexdigest()[:24] if author else None


def score(found: Mapping[str, str], wanted: Mapping[str, str]) -> PairScore:
    """Both lead from a row to the name of its group."""
    ours, theirs = _pairs(found), _pairs(wanted)
    return PairScore(len(ours & theirs), len(ours), len(theirs), sorted(ours - theirs), sorted(theirs - ours))


def _pairs(groups: Mapping[str, str]) -> set[tuple[str, str]]:
    members: dict[str, list[str]] = defaultdict(list)
    for row, group in groups.items():
        members[group].append(row)
    return {pair for rows in members.values() for pair in combinations(sorted(rows), 2)}


def copy_groups(ids: Iterable[str], copy_of: Mapping[str, str | None]) -> dict[str, str]:
    def root(one: str) -> str:
        while (before := copy_of.get(one)) is not None:
            one = before
        return one

    return {one: root(one) for one in ids}
