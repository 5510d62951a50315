"""A survey export, from its cells to the flags of the reports: what cannot be is left out, refused and flagged."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pyarrow.parquet as pq

Run = Callable[..., "subprocess.CompletedProcess[str]"]

SURVEY = """Nickname,Odometer (km),Loss in %,Model year,Anything else?
wren,60000,idk,2021,It drives very well
moss,70000,2,22,So does this one
skerry,80000,don't know,2022,And this
heron,1234567,3,2022,And that
"""


def test_entries_that_cannot_be_are_absent_refused_and_flagged(run: Run, tmp_path: Path) -> None:
    (tmp_path / "survey.csv").write_text(SURVEY, encoding="utf-8")
    assert run("build", "survey.csv", "--to", "ledger", "--quiet", real=True).returncode == 0
    latest = tmp_path / "ledger" / "latest"
    reports = {row["source_response_id"]: row for row in pq.read_table(latest / "reports.parquet").to_pylist()}
    values = {
        row: tuple(report[name] for name in ("odometer_km", "loss_pct", "model_year"))
        for row, report in reports.items()
    }
    assert values == {
        "2": (60_000, None, 2021),
        "3": (70_000, 2, None),
        "4": (80_000, None, 2022),
        "5": (None, 3, 2022),
    }
    flagged = {row for row, report in reports.items() if "survey-impossible-entry" in report["flags"]}
    assert flagged == {"2", "3", "5"}
    refusals = {(row["field"], row["raw"]) for row in pq.read_table(latest / "refusals.parquet").to_pylist()}
    assert {("loss_pct", "idk"), ("model_year", "22"), ("odometer_km", "1234567")} <= refusals
