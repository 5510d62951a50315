"""A ledger in a folder with its exports: built, corrected and looked at the way the tests need it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from pipeline.build import build
from pipeline.correct_readings.corrections_file import add_corrections, read_corrections
from pipeline.correct_readings.decisions import Decision
from pipeline.correct_readings.describe import RunView

WHEN = "2026-11-25T10:00:00Z"


@dataclass
class CorrectedLedger:
    folder: Path

    @property
    def path(self) -> Path:
        return self.folder / "ledger"

    @property
    def latest(self) -> Path:
        return self.path / "latest"

    def build(self, *exports: str, **options: Any) -> None:
        given = [str(self.folder / name) for name in exports or ("thread.csv",)]
        build(given, self.path, **{"vehicles": self.folder / "vehicles.csv", **options})

    def rows(self, table: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = pq.read_table(self.latest / f"{table}.parquet").to_pylist()
        return found

    def id_of(self, own: str) -> str:
        """The response's id in the ledger, by the export's own."""
        return next(row["response_id"] for row in self.rows("responses") if row["source_response_id"] == own)

    def report_id(self, own: str) -> str:
        """ "c3-2" -> the id of the second report of c3."""
        response, _, number = own.partition("-")
        return f"{self.id_of(response)}-{number or 1}"

    def report(self, own: str) -> dict[str, Any]:
        wanted = self.report_id(own)
        return next(row for row in self.rows("reports") if row["report_id"] == wanted)

    def reports_of(self, own: str) -> list[dict[str, Any]]:
        return [row for row in self.rows("reports") if row["source_response_id"] == own]

    def evidence(self, own: str, field: str) -> dict[str, Any] | None:
        wanted = self.report_id(own)
        found = (row for row in self.rows("evidence") if (row["report_id"], row["field"]) == (wanted, field))
        return next(found, None)

    def decision(self, kind: str, own: str, *, when: str = WHEN, **said: Any) -> Decision:
        """A decision about a report ("c3-2") or, of the kinds about responses, a response ("c3")."""
        view = RunView(self.latest.resolve())
        said = {"who": "ana", "why": "read it again", **said}
        if kind in ("drop", "copy-of", "not-a-copy"):
            if "other" in said:
                said["other"] = self.id_of(said["other"])
            return view.decide(kind, response=self.id_of(own.partition("-")[0]), when=when, **said)
        if "other" in said:
            said["other"] = self.report_id(said["other"])
        return view.decide(kind, report=self.report_id(own), when=when, **said)

    def decide(self, kind: str, own: str, **said: Any) -> None:
        add_corrections(self.path, [self.decision(kind, own, **said)])

    def outcomes(self) -> list[str]:
        """What came of the decisions, in the order of the file."""
        rows = self.rows("corrections")
        found = []
        for decision in read_corrections(self.path).decisions:
            (one,) = [
                row
                for row in rows
                if (row["kind"], row["decided_at"], row["field"] or "", row["value"] or "", row["why"])
                == (decision.kind, decision.when, decision.field, decision.value, decision.why)
            ]
            found.append(one["outcome"])
        return found

    def record(self) -> dict[str, Any]:
        told: dict[str, Any] = json.loads((self.latest / "run.json").read_text("utf-8"))["counts"]["corrections"]
        return told
