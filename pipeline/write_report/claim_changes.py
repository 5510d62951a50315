"""What became of the rows behind a claim between two runs: which came, which went, which changed, and why.

Each change has one reason, and each reason an effect: what the figure would be now, had the rows of that reason stayed
as they were.  Effects of several reasons need not add up (a median is no sum).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.keep_ledger.run_record import read_run_record
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem
from pipeline.write_report.claim_query import Query, measure, select
from pipeline.write_report.claims import vehicles_of

if TYPE_CHECKING:
    import pandas

REASONS: dict[str, str] = {
    "corrected by hand": "a person corrected the reading",
    "answer edited": "the words of the answer are others in the newer export",
    "read by another rule": "the same words are read by another rule, or by another version of it",
    "read anew": "the same rule gives another value, because the program or the list of vehicles changed",
    "new answer": "the answer came with a later export",
    "answer gone": "the answer is no longer in the exports, or is no longer read as a report",
    "left out": "a finding or a copy keeps the row out of the figures now",
    "taken in": "a finding or a copy kept the row out, and does no more",
    "later reading": "a later reading of the same vehicle took its place, or stands behind the figures now",
}
"""Every reason for a change and what it means."""

Value = str | float | int | None
_MADE_FROM = {"chemistry_group": "chemistry", "distance_band": "odometer_km", "person": "author_key"}
"""Columns that the figures add -> the column of reports.parquet that they are made from."""


@dataclass(frozen=True, slots=True)
class RowChange:
    """One row behind the claim that is not as it was: `kind` is "gained", "lost" or "changed".

    `fields` are the values of the query that changed, field -> (before, after); `rules` the rules that gave them.
    """

    report_id: str
    source: str
    source_response_id: str
    kind: str
    reason: str
    fields: dict[str, tuple[Value, Value]] = field(default_factory=dict)
    rules: dict[str, tuple[str, str]] = field(default_factory=dict)
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Changes:
    """All that changed behind a claim from one run to another.

    `effects` are reason -> the change of the figure that those rows make (None where it cannot be told); `around` are
    sentences on what changed around the rows: rules, program, exports, list of vehicles.
    """

    before: str
    after: str
    rows: tuple[RowChange, ...]
    effects: dict[str, float | None]
    around: tuple[str, ...]


def changes_behind(query: Query, before: Path, after: Path) -> Changes:
    """What changed behind a query between two run folders.  Raises `LedgerProblem`, `UsageProblem`."""
    old, new = _Side(before, query), _Side(after, query)
    words = set(re.findall(r"\w+", " ".join(filter(None, (query.of, query.where, query.minus)))))
    words |= {real for made, real in _MADE_FROM.items() if made in words}
    columns = set.intersection(*(set(next(iter(side.rows.values()), {})) for side in (old, new)))
    used = sorted(words & columns)
    changed = (_row_change(report_id, old, new, used) for report_id in sorted(old.ids | new.ids))
    rows = [change for change in changed if change is not None]
    ordered = sorted(rows, key=lambda row: (list(REASONS).index(row.reason), row.report_id))
    effects = {
        reason: _effect(reason, ordered, old, new, query) for reason in dict.fromkeys(row.reason for row in ordered)
    }
    return Changes(before.name, after.name, tuple(ordered), effects, tuple(_around(before, after)))


class _Side:
    """One run as the comparison needs it: the rows behind the query, all rows, and what gave each value."""

    def __init__(self, run: Path, query: Query) -> None:
        import pyarrow.parquet as pq

        self.chosen = select(vehicles_of(run), query)
        self.ids = frozenset(str(report_id) for report_id in self.chosen.index)
        with ledger_errors(run, "reading the run's tables", todo="build again"):
            reports = pq.read_table(run / "reports.parquet").to_pylist()
            evidence = pq.read_table(
                run / "evidence.parquet", columns=["report_id", "field", "rule_id", "rule_pack", "origin"]
            )
            responses = pq.read_table(run / "responses.parquet", columns=["response_id", "text"])
        self.rows: dict[str, dict[str, Any]] = {row["report_id"]: row for row in reports}
        self.rules: dict[tuple[str, str], tuple[str, str]] = {}
        for row in evidence.to_pylist():
            rule = (f"{row['rule_pack']} {row['rule_id']}".strip(), row["origin"])
            self.rules.setdefault((row["report_id"], row["field"]), rule)
        self.texts: dict[str, str | None] = dict(
            zip(responses["response_id"].to_pylist(), responses["text"].to_pylist(), strict=True)
        )

    def rule(self, report_id: str, name: str) -> tuple[str, str]:
        """The rule (with its pack) that gave a value, and where it comes from; "" where there is none."""
        return self.rules.get((report_id, name), ("", ""))

    def text(self, report_id: str) -> str | None:
        """The words of the report's response, None where they are not kept."""
        return self.texts.get(self.rows[report_id]["response_id"])


def _row_change(report_id: str, old: _Side, new: _Side, used: list[str]) -> RowChange | None:
    was, there = report_id in old.ids, report_id in new.ids
    before, after = old.rows.get(report_id), new.rows.get(report_id)
    fields: dict[str, tuple[Value, Value]] = {}
    flags: tuple[str, ...] = ()
    if before is not None and after is not None:
        fields = {name: (before[name], after[name]) for name in used if _differ(before[name], after[name])}
        flags = tuple(sorted(set(before["flags"]) ^ set(after["flags"])))
    if was and there and not fields:
        return None
    kind = "changed" if was and there else "lost" if was else "gained"
    rules = {name: (old.rule(report_id, name)[0], new.rule(report_id, name)[0]) for name in fields}
    row = after or before
    assert row is not None, "a row that was chosen is in its table"
    reason = _reason(report_id, old, new, fields, rules)
    return RowChange(report_id, row["source"], row["source_response_id"], kind, reason, fields, rules, flags)


def _reason(
    report_id: str,
    old: _Side,
    new: _Side,
    fields: Mapping[str, tuple[Value, Value]],
    rules: Mapping[str, tuple[str, str]],
) -> str:
    before, after = old.rows.get(report_id), new.rows.get(report_id)
    if after is None:
        return "answer gone"
    if before is None:
        return "new answer"
    if any("correction" in (old.rule(report_id, name)[1], new.rule(report_id, name)[1]) for name in fields):
        return "corrected by hand"
    if before["usable"] != after["usable"]:
        return "taken in" if after["usable"] else "left out"
    if not fields:
        return "later reading"
    texts = old.text(report_id), new.text(report_id)
    if None not in texts and texts[0] != texts[1]:
        return "answer edited"
    return "read by another rule" if any(one != other for one, other in rules.values()) else "read anew"


def _differ(before: Value, after: Value) -> bool:
    if isinstance(before, float) and isinstance(after, float):
        return abs(before - after) > 1e-9 * max(1.0, abs(before))
    return before != after


def _effect(reason: str, rows: list[RowChange], old: _Side, new: _Side, query: Query) -> float | None:
    """The figure now, less the figure had the rows of that reason stayed as they were."""
    import pandas as pd

    ids = [row.report_id for row in rows if row.reason == reason]
    as_were: pandas.DataFrame = old.chosen[old.chosen.index.isin(ids)]
    mixed = pd.concat([new.chosen[~new.chosen.index.isin(ids)], as_were])
    without = measure(mixed, query, resamples=0).value
    now = measure(new.chosen, query, resamples=0).value
    return None if now is None or without is None else now - without


def _around(before: Path, after: Path) -> list[str]:
    """What changed around the rows between two runs, from their run.json."""
    old, new = read_run_record(before), read_run_record(after)
    told = []
    packs_old = {str(pack["name"]): pack for pack in old.get("rules", [])}
    packs_new = {str(pack["name"]): pack for pack in new.get("rules", [])}
    for name in sorted(packs_old.keys() | packs_new.keys()):
        one, other = packs_old.get(name), packs_new.get(name)
        if one is None and other is not None:
            told.append(f"the rule pack {name} {other['version']} was added")
        elif other is None and one is not None:
            told.append(f"the rule pack {name} {one['version']} is no longer used")
        elif one is not None and other is not None and one["sha256"] != other["sha256"]:
            told.append(f"the rule pack {name} changed ({one['version']} to {other['version']})")
    versions = [str(one.get("program", {}).get("version", "")) for one in (old, new)]
    if versions[0] != versions[1]:
        told.append(f"the program changed (crowdfade {versions[0]} to {versions[1]})")
    lists = [(one.get("vehicles") or {}).get("sha256") for one in (old, new)]
    if lists[0] != lists[1]:
        told.append("the list of vehicles changed")
    inputs_old = {str(one["source"]): one["sha256"] for one in old.get("inputs", [])}
    inputs_new = {str(one["source"]): one["sha256"] for one in new.get("inputs", [])}
    both = inputs_old.keys() & inputs_new.keys()
    # Names of exports are the publisher's own; the text that this goes into is for everybody.
    for number, what in (
        (len(inputs_new.keys() - both), "added"),
        (len(inputs_old.keys() - both), "no longer read"),
        (sum(inputs_old[source] != inputs_new[source] for source in both), "exchanged for a newer one"),
    ):
        if number:
            told.append(f"{number} {'export was' if number == 1 else 'exports were'} {what}")
    return told


def run_folder(ledger: Path, name: str) -> Path | None:
    """The folder of a run by its name, or None where the ledger does not hold it (any more)."""
    folder = ledger / "runs" / name
    if not name or Path(name).name != name:
        raise LedgerProblem("is no name of a run", where=name, todo="mend claims.json")
    return folder if folder.is_dir() else None
