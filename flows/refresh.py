"""One flow: a ledger is built anew from exports, with the run's counts as an artifact that Prefect's pages show.

Prefect's usage reports are switched off before it is imported.
"""

from __future__ import annotations

import os
from pathlib import Path

os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")

from prefect import flow, get_run_logger, task
from prefect.artifacts import create_table_artifact

from pipeline.build import Built, build


@task(name="build", task_run_name="build {ledger}")
def build_ledger(exports: list[str], ledger: Path, vehicles: Path | None) -> Built:
    """A new run of the ledger, made the latest in one atomic step; a `Problem` fails the task with its message."""
    return build(exports, ledger, vehicles=vehicles)


@task(name="counts")
def show_counts(built: Built) -> None:
    """The run's counts as a table artifact, and a line a count in the log."""
    counts = {name: value for name, value in built.record.counts.items() if isinstance(value, int)}
    create_table_artifact([{"what": name, "count": value} for name, value in counts.items()], key="counts")
    get_run_logger().info("built %s: %s", built.folder.name, ", ".join(f"{k} {v}" for k, v in counts.items()))


@flow(name="refresh")
def refresh(exports: list[str], ledger: Path, vehicles: Path | None = None) -> str:
    """Builds LEDGER from the exports (files, folders, globs, URLs) and gives the finished run's name."""
    built = build_ledger(exports, ledger, vehicles)
    show_counts(built)
    return built.folder.name
