"""What runs a ledger holds, and the explicit taking away of some."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.keep_ledger.ledger import writing_to
from pipeline.keep_ledger.name_runs import named_run, number_of
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem, UsageProblem


@dataclass(frozen=True, slots=True)
class RunLine:
    """One run for a list: its folder, whether it is the latest, its record, or why that cannot be read."""

    folder: Path
    latest: bool
    record: dict[str, Any]
    problem: str = ""

    @property
    def number(self) -> int:
        """The run's number."""
        return number_of(self.folder)

    @property
    def rules(self) -> list[str]:
        """Its rule packs, name and version."""
        return [f"{pack['name']} {pack['version']}" for pack in self.record.get("rules", ())]

    @property
    def inputs(self) -> list[str]:
        """The sources that it holds."""
        return [one["source"] for one in self.record.get("inputs", ())]


def list_runs(ledger: Any) -> list[RunLine]:
    """The runs of an open `Ledger`, oldest first; one that is damaged is listed with its problem."""
    latest = ledger.latest() if ledger.runs() else None
    out = []
    for folder in ledger.runs():
        try:
            out.append(RunLine(folder, folder.resolve() == latest, read_run_record(folder)))
        except LedgerProblem as problem:
            out.append(RunLine(folder, folder.resolve() == latest, {}, str(problem)))
    return out


def prune(path: Path, which: Sequence[str]) -> list[tuple[str, int]]:
    """Removes runs of the ledger at `path` for good, never the latest; gives each one's name and bytes.

    `which` is either one word "keep N" split in two (["keep", "N"]: the N newest stay), or names of runs.  Raises
    `UsageProblem` where the latest is named or a number is none, `LedgerProblem` for an unknown name; then nothing is
    removed.
    """
    with writing_to(path) as ledger:
        latest = ledger.latest()
        if which[0] == "keep":
            if len(which) != 2 or not which[1].isdigit() or int(which[1]) < 1:
                raise UsageProblem("--prune keep needs a number of runs, 1 or more", todo="--prune keep 3")
            folders = [run for run in ledger.runs()[: -int(which[1])] if run.resolve() != latest]
        else:
            folders = list(dict.fromkeys(named_run(ledger, name) for name in which))
            if any(folder.resolve() == latest for folder in folders):
                raise UsageProblem("the latest run is never removed", where=latest.name, todo="make another run first")
        removed = []
        for folder in folders:
            size = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
            with ledger_errors(folder, "removing a run", todo="give the right to write there"):
                # out of the list first, so that a run that is half removed is never taken for one
                away = ledger.path / f".staging-removed-{folder.name}"
                folder.rename(away)
                shutil.rmtree(away)
            removed.append((folder.name, size))
        return removed
