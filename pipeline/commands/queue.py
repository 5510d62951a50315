"""`crowdfade queue`: the reports most worth a person's look, on the screen or as a sheet to correct them in."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe


@click.command(name="queue")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--limit", type=click.IntRange(min=1), default=25, show_default=True, help="How many reports.")
@click.option(
    "--to", "sheet", type=click.Path(path_type=Path), metavar="FILE", help="Write a sheet: FILE.xlsx, .ods or .csv."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@debug_option
def command(ledger: Path, limit: int, sheet: Path | None, as_json: bool) -> None:
    """Put the reports of LEDGER that are most worth a look first.

    Unsure ones, flagged ones, and those that move a published figure; never those that were looked at already.  The
    sheet is filled in with any office program and taken back with `crowdfade correct`.
    """
    from pipeline.correct_readings.corrections_file import read_corrections
    from pipeline.correct_readings.queue import queue
    from pipeline.keep_ledger.ledger import open_ledger

    folder = open_ledger(ledger).latest()
    decided = read_corrections(ledger).decisions
    waiting = queue(folder, decided, limit=limit)
    if sheet is not None:
        from pipeline.correct_readings.describe import RunView
        from pipeline.correct_readings.sheet import explanation, lines_of
        from pipeline.correct_readings.sheet_files import write_sheet

        view = RunView(folder)
        write_sheet(sheet, lines_of(view, waiting), explanation(view.columns))
    if as_json:
        print_json([{"report": one.report, "priority": one.priority, "because": one.reasons} for one in waiting])
        return
    screen = console()
    if sheet is not None:
        screen.print(
            f"{len(waiting)} reports are in {safe(str(sheet))}; it holds texts: keep it as private as the ledger"
        )
        screen.print(f"fill it in, save it, then: crowdfade correct {safe(str(ledger))} {safe(str(sheet))} --who YOU")
        return
    if not waiting:
        screen.print("nothing waits: every report was looked at")
        return
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for name in ("report", "priority", "look because"):
        table.add_column(name, justify="right" if name == "priority" else "left", overflow="fold")
    for one in waiting:
        table.add_row(one.report, f"{one.priority:.2f}", safe("; ".join(one.reasons)))
    screen.print(table)
