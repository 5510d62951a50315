"""The names by which a person may call a run: its full name, its number, "latest", "previous"."""

from __future__ import annotations

from pathlib import Path

from pipeline.keep_ledger.ledger import LATEST, Ledger, open_ledger
from pipeline.problems import LedgerProblem

PREVIOUS = "previous"
"""The run before the one that is the latest."""


def find_run(ledger: Path, name: str = LATEST) -> Path:
    """The folder of a run of the ledger at `ledger`.  Raises `LedgerProblem` where there is none of that name."""
    return named_run(open_ledger(ledger), name)


def named_run(ledger: Ledger, name: str = LATEST) -> Path:
    """The folder of a run: by full name, by number ("3", "0003"), "latest", or "previous" (the run before it).

    Raises `LedgerProblem` where there is none of that name.
    """
    if name == LATEST:
        return ledger.latest()
    runs = ledger.runs()
    if name == PREVIOUS:
        before = [run for run in runs if run.name < ledger.latest().name]
        if before:
            return before[-1]
        raise LedgerProblem(
            "there is no run before the latest", where=str(ledger.path), todo=f"crowdfade runs {ledger.path}"
        )
    for run in runs:
        if run.name == name or (name.isdigit() and number_of(run) == int(name)):
            return run
    known = ", ".join(run.name for run in runs[-5:]) or "none"
    raise LedgerProblem(f"there is no run {name!r} (the last ones are {known})", where=str(ledger.path))


def number_of(run: Path) -> int:
    """The number of a run, from its folder's name."""
    return int(run.name.split("-")[0])
