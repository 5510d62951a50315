"""`crowdfade compare`: two runs side by side; one look says whether the later one is better."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe

if TYPE_CHECKING:
    from rich.console import Console

    from pipeline.compare_runs.compare import Comparison

FEW = 12
MOST_LINES = 8


@click.command(name="compare")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.argument("runs", nargs=-1, metavar="[RUN_A RUN_B]")
@click.option("--gold", type=click.Path(path_type=Path), multiple=True, metavar="GOLD", help="Score both on labels.")
@click.option("--field", metavar="FIELD", help="Show single values of this field only.")
@click.option("--limit", type=click.IntRange(0), metavar="N", help=f"Show at most N single values [{FEW}; files: all].")
@click.option(
    "--to", "file", type=click.Path(path_type=Path), metavar="FILE", help="Write it: .parquet, .csv, .html or .md."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@debug_option
def command(
    ledger: Path,
    runs: tuple[str, ...],
    gold: tuple[Path, ...],
    field: str | None,
    limit: int | None,
    file: Path | None,
    as_json: bool,
) -> None:
    """Set RUN_A beside RUN_B: rows and values gained, lost and changed, by which rule, and what it does to the figures.

    Without RUNs the previous and the latest run of LEDGER are compared, with one RUN that one and the latest.  A RUN is
    a full name, a number, "latest" or "previous"; a run of another ledger is named by the path of its folder.
    """
    from pipeline.compare_runs.compare import compare
    from pipeline.compare_runs.tell import write
    from pipeline.problems import UsageProblem

    if len(runs) > 2:
        raise UsageProblem("two runs are compared, not more", todo="crowdfade compare LEDGER RUN_A RUN_B")
    names = runs if len(runs) == 2 else (*runs, "latest") if runs else ("previous", "latest")
    before, after = (_folder(ledger, name) for name in names)
    told = compare(before, after, gold=gold)
    known = [one.field for one in told.fields] + ["usable", "flags", "copy_of"]
    if field is not None and field not in known:
        raise UsageProblem(f"there is no field {field!r}", todo="one of " + ", ".join(known))
    if file is not None:
        write(told, file, limit=limit, field=field)
    if as_json:
        from dataclasses import asdict

        values = [asdict(one) for one in told.values if field is None or one.field == field][:limit]
        print_json({**told.summary(), "values": values})
        return
    _print(console(), told, FEW if limit is None else limit, field)
    if file is not None:
        click.echo(f"written to {file}")


def _folder(ledger: Path, name: str) -> Path:
    """The folder of a run that is named, or whose path is given (a run's folder, or a ledger's `latest`)."""
    from pipeline.keep_ledger.name_runs import find_run

    given = Path(name)
    if (given / "run.json").is_file():
        return given.resolve()
    if (given / "ledger.json").is_file():
        return find_run(given)
    return find_run(ledger, name)


def _print(screen: Console, told: Comparison, limit: int, field: str | None) -> None:
    from rich.table import Table
    from rich.text import Text

    from pipeline.compare_runs.tell import sections, title

    screen.print(Text(title(told), style="bold"))
    screen.print(Text(safe(told.verdict), style="bold"))
    for name, about, heads, rows in sections(told, limit, field):
        screen.print()
        screen.print(Text(f"{name}{': ' + safe(about) if about else ''}", style="bold" if rows else ""))
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=len(heads) > 1)
        numbers = name not in ("Value by value", "What changed")
        for place, head in enumerate(heads):
            table.add_column(head, justify="right" if numbers and place else "left", overflow="fold")
        most = MOST_LINES if name == "What changed" else len(rows)
        for row in rows[:most]:
            table.add_row(*(Text(safe(cell)) for cell in row))
        if rows:
            screen.print(table)
        if len(rows) > most:
            screen.print(Text(f"and {len(rows) - most} more (--to FILE.html shows all)"))
