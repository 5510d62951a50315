"""What Prefect's pages show: log lines, tables, Markdown and links."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from prefect import get_run_logger
from prefect.artifacts import create_link_artifact, create_markdown_artifact, create_table_artifact

from pipeline.build import Built
from pipeline.guard_publication.labelled_score import LabelledScore
from pipeline.guard_publication.publish import Publication
from pipeline.take_in import Watch


class LogWatch(Watch):
    """A line in the task's log for every stage and every export."""

    def __init__(self) -> None:
        self._log = get_run_logger()

    def stage(self, name: str) -> None:
        """A stage begins."""
        self._log.info("stage: %s", name)

    def export(self, source: str, size_bytes: int | None) -> None:
        """The reading of an export begins."""
        self._log.info("reading %s (%s bytes)", source, size_bytes)


def counts(built: Built) -> None:
    """A table of the records read, kept and rejected, an export a row and all of them in the last; a log line too."""
    rows: list[dict[str, Any]] = [
        {"export": one.source, "read": one.read, "kept": one.kept, "rejected": one.rejected, "problem": one.problem}
        for one in built.record.inputs
    ]
    whole = built.record.counts
    rows.append({"export": "all", **whole["records"], "problem": ""})
    create_table_artifact(rows, key="counts", description=f"Records of run {built.folder.name}")
    numbers = ", ".join(f"{name} {value}" for name, value in whole.items() if isinstance(value, int))
    get_run_logger().info("run %s: %s", built.folder.name, numbers)


def fields(run: str, filled: dict[str, int], score: LabelledScore | None) -> None:
    """A table of the fields: how many reports have each, and how well it is read on the labelled responses."""
    accuracy = {one.field: one for one in score.fields} if score is not None else {}
    rows = []
    for name, count in filled.items():
        known = accuracy.get(name)
        rows.append(
            {
                "field": name,
                "reports": count,
                "f1": known and _rounded(known.f1),
                "low": known and _rounded(known.low),
                "high": known and _rounded(known.high),
            }
        )
    told = f"core F1 {score.core_f1:.3f} on {score.responses} labelled responses" if score and score.core_f1 else ""
    create_table_artifact(rows, key="fields", description=f"Fields of run {run}" + (f"; {told}" if told else ""))
    get_run_logger().info("fields: %s", told or "no labelled responses were given")


def comparison(markdown: str) -> None:
    """What has changed since the run before."""
    create_markdown_artifact(markdown, key="comparison", description="What has changed since the run before")


def publication(made: Publication) -> None:
    """The gates' verdicts, and links to the report and the release that stand now."""
    rows = [{"gate": one.gate, "passes": one.passes, "seen": one.seen} for one in made.verdicts]
    create_table_artifact(rows, key="gates", description=f"Gates before publishing run {made.run}")
    for name, folder in (("report", made.report), ("release", made.release)):
        if folder:
            page = (Path(folder) / "index.html").resolve()
            create_link_artifact(page.as_uri(), link_text=f"{name} of run {made.run}", key=name)
    log = get_run_logger()
    for reason in made.held:
        log.warning("held back: %s", reason)
    if not made.held:
        log.info("published run %s: %s and %s", made.run, made.report, made.release)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
