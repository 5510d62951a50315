"""What has changed since the run before, in Markdown."""

from __future__ import annotations

from pathlib import Path

from pipeline.keep_ledger.ledger import open_ledger


def since_last(ledger: Path) -> str:
    """The comparison of a ledger's two newest runs, as Markdown; for the first run, a sentence that says so."""
    runs = open_ledger(ledger).runs()
    if len(runs) < 2:
        return "This is the ledger's first run: there is none to compare it with."
    from pipeline.compare_runs.compare import compare

    return compare(runs[-2], runs[-1]).to_markdown()
