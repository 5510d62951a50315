"""`crowdfade runs`: the runs of a ledger, with counts, rules and scores; --prune takes some away for good."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe

if TYPE_CHECKING:
    from pipeline.keep_ledger.list_runs import RunLine


@click.command(name="runs")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.argument("words", nargs=-1, metavar="[RUN]...")
@click.option("--prune", is_flag=True, help="Remove the named RUNs for good, or all but the newest N: --prune keep N.")
@click.option(
    "--score",
    "gold",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="GOLD",
    help="Score RUN and keep it.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@debug_option
def command(ledger: Path, words: tuple[str, ...], prune: bool, gold: tuple[Path, ...], as_json: bool) -> None:
    """List the runs of LEDGER (or the named ones): when, of what, by which rules, counts, score.

    A run is named by its full name, its number, "latest" or "previous".  Nothing is ever removed without --prune, and
    the latest run never is.
    """
    from pipeline.keep_ledger.ledger import open_ledger
    from pipeline.keep_ledger.list_runs import list_runs
    from pipeline.keep_ledger.list_runs import prune as take_away
    from pipeline.keep_ledger.name_runs import named_run
    from pipeline.problems import UsageProblem

    opened = open_ledger(ledger)
    if prune:
        if not words:
            raise UsageProblem("--prune needs to know which runs", todo="name them, or: --prune keep 3")
        removed = take_away(ledger, words)
        if as_json:
            print_json({"removed": [{"run": name, "size_bytes": size} for name, size in removed]})
            return
        for name, size in removed:
            click.echo(f"removed {name} ({size / 1e6:,.1f} MB)")
        click.echo(f"{len(removed)} removed, {len(opened.runs())} left")
        return
    if gold:
        from pipeline.compare_runs.score_run import keep_score

        for name in words or ("latest",):
            keep_score(ledger, named_run(opened, name), gold)
    lines = list_runs(opened)
    if words:
        chosen = {named_run(opened, name) for name in words}
        lines = [line for line in lines if line.folder in chosen]
    if as_json:
        print_json([_plain(line) for line in lines])
    else:
        _print_table(lines)


def _plain(line: RunLine) -> dict[str, Any]:
    from pipeline.compare_runs.score_run import kept_score, measures

    score = kept_score(line.folder)
    return {
        "run": line.folder.name,
        "number": line.number,
        "latest": line.latest,
        "problem": line.problem,
        "started_at": line.record.get("started_at"),
        "inputs": line.inputs,
        "rules": line.rules,
        "counts": line.record.get("counts"),
        "rerun": line.record.get("options", {}).get("rerun"),
        "score": measures(score) if score is not None else None,
    }


def _print_table(lines: list[RunLine]) -> None:
    from rich.table import Table
    from rich.text import Text

    from pipeline.compare_runs.score_run import TELLING, kept_score, measures

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for head in ("run", "made", "responses", "read again", "reports", "usable", "core F1"):
        table.add_column(head, justify="left" if head == "made" else "right", no_wrap=True)
    screen = console()
    for line in lines:
        if line.problem:
            continue
        counts, score = line.record["counts"], kept_score(line.folder)
        told = measures(score)[TELLING] if score is not None else None
        taken = line.record["options"].get("rerun")
        table.add_row(
            str(line.number),
            line.record["started_at"][:16].replace("T", " "),
            f"{counts['responses']:,}",
            "all" if taken is None else f"{taken['read_again']:,}",
            f"{counts['reports']:,}",
            f"{counts['usable']:,}",
            "-" if told is None else f"{told:.3f}",
        )
    screen.print(table)
    screen.print()
    for line in lines:
        sources = line.inputs
        of = ", ".join(sources[:3]) + (f" and {len(sources) - 3} more" if len(sources) > 3 else "")
        said = line.problem or f"{', '.join(line.rules)}; of {of}"
        screen.print(Text(safe(f"{line.number}{' (latest)' if line.latest else ''}: {said}")))
