"""One response's reports, evidence and parts as rows that decisions change; see `Held`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pipeline.correct_readings.attach import number_of
from pipeline.correct_readings.decisions import Decision
from pipeline.correct_readings.values import Given
from pipeline.dataset_columns import Column
from pipeline.group_reports.vehicle_list import VehicleList
from pipeline.keep_ledger.rows import value_text
from pipeline.response import FoundValue, Reading, Report

if TYPE_CHECKING:
    import pyarrow

Row = dict[str, Any]

RULE = "correction"
PACK = "corrections"
"""`rule_id` and `rule_pack` of every value that a person gave."""

NAMED = ("vehicle_text", "model_year", "chemistry", "make", "model")
"""Fields that what the vehicle list fills in hangs on."""

_RESPONSE_COLUMNS = ("response_id", "source_response_id", "source", "posted_at", "lang", "author_key", "text")
_OF_RESPONSE = ("response_id", "source_response_id", "source", "posted_at", "lang", "author_key")


@dataclass(slots=True)
class Held:
    """A response, its reports (rows of `reports`), and evidence and parts by report; `changed` once a row differs.

    `decided` are the fields of each report that a person changed, and those that hang on them.
    """

    response: Row
    reports: list[Row] = field(default_factory=list)
    evidence: dict[str, list[Row]] = field(default_factory=dict)
    parts: dict[str, list[Row]] = field(default_factory=dict)
    changed: bool = False
    decided: dict[str, set[str]] = field(default_factory=dict)

    def places(self) -> dict[str, list[tuple[int, int]]]:
        """Where the words of each report stand."""
        return {row["report_id"]: places_of(self._rows(row["report_id"])) for row in self.reports}

    def _rows(self, report: str) -> list[Row]:
        return [*self.evidence.get(report, ()), *self.parts.get(report, ())]

    def report_ids(self) -> list[str]:
        """The reports that are there."""
        return [row["report_id"] for row in self.reports]

    def report(self, report: str) -> Row:
        """The row of a report that is there."""
        return next(row for row in self.reports if row["report_id"] == report)

    def evidence_of(self, report: str, name: str) -> Row | None:
        """The evidence of a value, or None."""
        return next((row for row in self.evidence.get(report, ()) if row["field"] == name), None)

    # -- rows ------------------------------------------------------------------------------------------------------

    def remove(self, report: str) -> None:
        """Takes a report out, with all that belongs to it."""
        self.reports = [row for row in self.reports if row["report_id"] != report]
        self.evidence.pop(report, None)
        self.parts.pop(report, None)
        self.changed = True

    def new_report(self, columns: Iterable[str], wanted: int = 0) -> str:
        """Adds an empty report under the number `wanted` where it is free, else under the next one; gives its id."""
        numbers = {number_of(row["report_id"]) for row in self.reports}
        number = wanted if wanted > 0 and wanted not in numbers else max(numbers, default=0) + 1
        row: Row = dict.fromkeys(columns)
        row |= {name: self.response[name] for name in _OF_RESPONSE}
        row |= {"report_id": f"{self.response['response_id']}-{number}", "confidence": 1.0, "flags": [], "usable": True}
        self.reports = sorted([*self.reports, row], key=lambda report: number_of(report["report_id"]))
        self.changed = True
        return str(row["report_id"])

    def move(self, source: str, target: str, names: Sequence[str]) -> list[str]:
        """Moves values from one report to another that lacks them; gives the names of those that were moved."""
        moved = []
        there, here = self.report(source), self.report(target)
        for name in names:
            if there[name] is None or here[name] is not None:
                continue
            here[name], there[name] = there[name], None
            if name == "chemistry":
                here["chemistry_origin"], there["chemistry_origin"] = there["chemistry_origin"], None
            for table in (self.evidence, self.parts):
                rows = [row for row in table.get(source, ()) if row["field"] == name]
                table[source] = [row for row in table.get(source, ()) if row["field"] != name]
                table.setdefault(target, []).extend({**row, "report_id": target} for row in rows)
            moved.append(name)
        self.changed = self.changed or bool(moved)
        return moved

    # -- values ----------------------------------------------------------------------------------------------------

    def take_out(self, report: str, name: str) -> None:
        """Makes a field absent."""
        self.report(report)[name] = None
        for table in (self.evidence, self.parts):
            if report in table:
                table[report] = [row for row in table[report] if row["field"] != name]
        if name == "chemistry":
            self.report(report)["chemistry_origin"] = None
        self.changed = True

    def put(self, report: str, column: Column, given: Given, decision: Decision, verb: str) -> str:
        """Gives a field a person's value, with its evidence; gives a remark, or "".

        The words are the corrector's where they stand in the text, else those of the old value, else none.
        """
        name = column.name
        row, old = self.report(report), self.evidence_of(report, name)
        was = row[name]
        raw, start, end, remark = self._words(decision.words, old)
        told = [f"{verb} by {decision.told()}", given.how, "" if was is None else f"was {value_text(was)}"]
        place = self.evidence.get(report, []).index(old) if old is not None else None
        self.take_out(report, name)
        row[name] = given.value
        if name == "chemistry":
            row["chemistry_origin"] = "stated"
        new = {
            "report_id": report, "response_id": row["response_id"], "field": name, "value": value_text(given.value),
            "unit": column.unit or None, "raw": raw, "start": start, "end": end, "rule_id": RULE, "rule_pack": PACK,
            "derivation": "; ".join(filter(None, told)), "confidence": 1.0, "origin": "correction",
        }  # fmt: skip
        rows = self.evidence.setdefault(report, [])
        rows.insert(len(rows) if place is None else place, new)
        return remark

    def _words(self, words: str, old: Row | None) -> tuple[str, int, int, str]:
        text = self.response["text"] or ""
        near = old["start"] if old is not None and old["start"] is not None else 0
        if words:
            places = []
            at = text.find(words)
            while at >= 0:
                places.append(at)
                at = text.find(words, at + 1)
            if places:
                start = min(places, key=lambda place: (abs(place - near), place))
                return words, start, start + len(words), ""
        remark = f"the words {words!r} do not stand in the text" if words else ""
        if old is not None and old["raw"]:
            return old["raw"], old["start"], old["end"], remark
        return "", 0, 0, remark

    def note(self, report: str, name: str) -> None:
        """Notes that a person changed a field."""
        self.decided.setdefault(report, set()).update({name}, HANG_ON.get(name, ()))

    def sure(self, report: str, name: str) -> None:
        """Notes that a person found a value right."""
        row = self.evidence_of(report, name)
        if row is not None and row["confidence"] != 1.0:
            row["confidence"] = 1.0
            self.changed = True

    def sure_of_row(self, report: str) -> None:
        """Notes that a person found the whole row right."""
        for row in self.evidence.get(report, ()):
            self.sure(report, row["field"])
        if self.report(report)["confidence"] != 1.0:
            self.report(report)["confidence"] = 1.0
            self.changed = True

    def fill_from_list(self, report: str, listed: VehicleList, decided: Sequence[str]) -> None:
        """Fills make, model and chemistry in anew from the vehicle list; what a person decided stays."""
        row = self.report(report)
        for old in [old for old in self.evidence.get(report, ()) if old["origin"] == "list"]:
            self.take_out(report, old["field"])
        rows = self.evidence.get(report, [])
        values = {
            one["field"]: FoundValue(
                one["field"], row[one["field"]], one["unit"], one["raw"], one["start"], one["end"], one["rule_id"],
                one["rule_pack"], one["derivation"], one["confidence"], one["origin"],
            )
            for one in rows
        }  # fmt: skip
        before = set(values)
        listed.fill(Reading([Report(values)]))
        for name, found in values.items():
            if name in before or name in decided:
                continue
            row[name] = found.value
            rows.append(
                {
                    "report_id": report, "response_id": row["response_id"], "field": name,
                    "value": value_text(found.value), "unit": found.unit, "raw": found.raw, "start": found.start,
                    "end": found.end, "rule_id": found.rule_id, "rule_pack": found.rule_pack,
                    "derivation": found.derivation, "confidence": found.confidence, "origin": found.origin,
                }
            )  # fmt: skip
            if name == "chemistry":
                row["chemistry_origin"] = "listed"
        self.evidence[report] = rows


HANG_ON = {"loss_pct": {"loss_origin"}, "vehicle_text": {"chemistry"}, "model_year": {"chemistry"}}
"""A field -> others that may change with it."""


def places_of(rows: Iterable[Row]) -> list[tuple[int, int]]:
    """The places of words of some rows of evidence and parts."""
    return [(row["start"], row["end"]) for row in rows if row["start"] is not None and row["start"] < row["end"]]


def hold(tables: Mapping[str, pyarrow.Table], names: Iterable[str]) -> dict[str, Held]:
    """The responses of these ids with what `tables` (responses, reports, evidence, parts) hold of them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    wanted = pa.array(sorted(names), pa.string())

    def rows(table: str, columns: Sequence[str] | None = None) -> list[Row]:
        data = tables[table]
        found = data.filter(pc.is_in(data["response_id"], wanted))
        told: list[Row] = (found.select(list(columns)) if columns else found).to_pylist()
        return told

    held = {row["response_id"]: Held(row) for row in rows("responses", _RESPONSE_COLUMNS)}
    for row in rows("reports"):
        held[row["response_id"]].reports.append(row)
    for one in held.values():
        one.reports.sort(key=lambda row: number_of(row["report_id"]))
    for row in rows("evidence"):
        held[row["response_id"]].evidence.setdefault(row["report_id"], []).append(row)
    for row in rows("parts"):
        held[row["response_id"]].parts.setdefault(row["report_id"], []).append(row)
    return held
