"""What a person should look at first after a build: what was lost, what is doubtful, and where it stands."""

from __future__ import annotations

from pathlib import Path
from typing import Any

FEW = 3
DOUBTFUL = 0.5
"""Confidence below which a report is more likely wrong than right."""


def what_to_look_at(folder: Path, counts: dict[str, Any]) -> list[str]:
    """Lines for a person, the weightiest first: files not read, rejects, findings, the least sure reports.

    `folder` is a run's folder, `counts` what its run.json holds under that name.  Empty where all is well.
    """
    lines = []
    if failed := counts["files"]["failed"]:
        lines.append(f"{failed} {_plural(failed, 'export')} could not be read (run.json and rejects.parquet say why)")
    if rejected := counts["records"]["rejected"]:
        lines.append(f"{rejected} {_plural(rejected, 'record')} rejected: {_most(counts['rejects'])}")
    if not counts["reports"]:
        lines.append("no response held a report: is it the right column, and the right export?")
    if flagged := counts["flagged"]:
        lines.append(f"{flagged} flagged {_plural(flagged, 'report')}: {_most(counts['flags'])}")
    if failing := counts.get("corrections", {}).get("not_applying"):
        first = "; ".join(
            f"row {one['row']}, {one['kind']} of {one['about']}: {one['detail']}" for one in failing[:FEW]
        )
        more = " ..." if len(failing) > FEW else ""
        lines.append(
            f"{len(failing)} {_plural(len(failing), 'correction')} in corrections.csv not applied ({first}{more})"
        )
    number, least_sure = _least_sure(folder)
    if least_sure:
        lines.append(
            f"{number} {_plural(number, 'report')} more likely wrong than right, first of all {', '.join(least_sure)} "
            "(crowdfade show LEDGER --report ID)"
        )
    return lines


def _least_sure(folder: Path) -> tuple[int, list[str]]:
    """How many usable reports are doubtful, and the ids of those that are doubtful most."""
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    reports = pq.read_table(folder / "reports.parquet", columns=["report_id", "confidence", "usable"])
    doubtful = reports.filter(pc.and_(reports["usable"], pc.less(reports["confidence"], DOUBTFUL)))
    first = doubtful.sort_by([("confidence", "ascending"), ("report_id", "ascending")]).slice(0, FEW)
    return doubtful.num_rows, first["report_id"].to_pylist()


def _most(counted: dict[str, int]) -> str:
    most = sorted(counted.items(), key=lambda entry: (-entry[1], entry[0]))
    return ", ".join(f"{name} {count}" for name, count in most[:FEW]) + (" ..." if len(most) > FEW else "")


def _plural(count: int, word: str) -> str:
    return word if count == 1 else word + "s"
