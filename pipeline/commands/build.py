"""`crowdfade build`: exports in, a dataset at LEDGER/latest out, and a short table of what is in it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe
from pipeline.commands.progress import progress
from pipeline.commands.runner_options import runner_options

if TYPE_CHECKING:
    from pipeline.build import Built
    from pipeline.read_exports.column_mapping import ColumnMapping
    from pipeline.run_partitions.partition import Runner


@click.command(name="build")
@click.argument("exports", nargs=-1, required=True, metavar="EXPORT...")
@click.option(
    "--to", "ledger", required=True, type=click.Path(path_type=Path), metavar="LEDGER", help="Where to keep it."
)
@click.option("--vehicles", type=click.Path(path_type=Path), metavar="LIST.csv", help="A list of vehicles to resolve.")
@click.option("--rules", type=click.Path(path_type=Path), multiple=True, metavar="PACK", help="A rule pack to add.")
@click.option("--columns", metavar="ROLE=NAME,...", help="Which column is what: text=Answer,author=Name,...")
@click.option(
    "--mapping", type=click.Path(path_type=Path), metavar="FILE", help="A file that says which column is what."
)
@click.option("--keep-text/--no-keep-text", default=True, show_default=True, help="Keep the responses' text.")
@click.option("--lang", metavar="CODE", help="Take this for every response's language (BCP 47).")
@click.option("--add", is_flag=True, help="Add the exports to those that the ledger's latest run holds.")
@click.option("--json", "as_json", is_flag=True, help="Print the run's record as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but problems.")
@runner_options
@debug_option
def command(
    exports: tuple[str, ...],
    ledger: Path,
    vehicles: Path | None,
    rules: tuple[Path, ...],
    columns: str | None,
    mapping: Path | None,
    keep_text: bool,
    lang: str | None,
    add: bool,
    as_json: bool,
    quiet: bool,
    runner: Runner | None,
) -> None:
    """Read EXPORTs (files, folders, globs or URLs) and make the dataset at LEDGER/latest of them.

    Kinds of files: tables (CSV, spreadsheets), JSON, Atom, mbox, ActivityStreams, web pages, pasted text; compressed
    or not.  An export that cannot be read is told and left out; the others are read all the same.

    With --add the dataset is that of all exports so far: what the ledger holds stays and is not read again, an export
    that is held with the same bytes is left out, and one of the same place with other bytes replaces what is held.
    Vehicle list, rules and language are then those of the latest run, where none are given.
    """
    from pipeline.build import build
    from pipeline.keep_ledger.look_first import what_to_look_at

    with progress(shown=not quiet) as watch:
        built = build(
            exports,
            ledger,
            vehicles=vehicles,
            rules=rules,
            mapping=_column_mapping(columns, mapping),
            keep_text=keep_text,
            lang=lang,
            add=add,
            watch=watch,
            runner=runner,
        )
    if as_json:
        print_json(
            {
                **built.record.plain(),
                "folder": str(ledger / "latest"),
                "look_first": what_to_look_at(built.folder, built.record.counts),
            }
        )
    elif not quiet:
        print_summary(built, ledger)
    for one in built.record.inputs:
        if one.problem:
            click.echo(f"crowdfade: not read: {safe(one.problem)}", err=True)


def _column_mapping(columns: str | None, file: Path | None) -> ColumnMapping | None:
    """The `ColumnMapping` that the options give, or None where neither is given."""
    if columns is None and file is None:
        return None
    from pipeline.read_exports.column_mapping import ColumnMapping

    kept = ColumnMapping.from_file(file) if file is not None else ColumnMapping()
    if columns is None:
        return kept
    said = ColumnMapping.from_option(columns).columns
    # What is said now goes before what the file says, for each of its file patterns too.
    files = {pattern: {**names, **said} for pattern, names in kept.files.items()}
    return ColumnMapping({**kept.columns, **said}, files)


def print_summary(built: Built, ledger: Path) -> None:
    """What a new run holds, what changed hands, and what to look at first."""
    from rich.table import Table
    from rich.text import Text

    from pipeline.correct_readings.outcomes import told_line
    from pipeline.keep_ledger.look_first import what_to_look_at

    counts = built.record.counts
    screen = console()
    for one in built.record.inputs:
        if not one.problem:
            told = f"{one.source} ({one.kind}): {one.kept:,} of {one.read:,} records kept"
            screen.print(Text(safe(told + (f"; {one.roles}" if one.roles else ""))))
    table = Table(show_header=False, box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(justify="left")
    table.add_column(justify="right")
    table.add_column(justify="left")
    records = counts["records"]
    table.add_row(
        "records read", f"{records['read']:,}", f"= {records['kept']:,} kept + {records['rejected']:,} rejected"
    )
    table.add_row("responses", f"{counts['responses']:,}", f"of them copies {counts['response_copies']:,}")
    table.add_row(
        "reports",
        f"{counts['reports']:,}",
        f"of them copies {counts['report_copies']:,}, flagged {counts['flagged']:,}, usable {counts['usable']:,}",
    )
    for name, count in counts["fields"].items():
        if count:
            table.add_row(f"  {name}", f"{count:,}", "")
    screen.print()
    screen.print(table)
    if decided := told_line(counts.get("corrections", {})):
        screen.print(Text(decided))
    lines = what_to_look_at(built.folder, counts)
    if lines:
        screen.print()
        screen.print(Text("Look first at", style="bold"))
        for line in lines:
            screen.print(Text(f"  - {safe(line)}"))
    screen.print()
    screen.print(Text(f"The dataset is in {ledger / 'latest'}; read it with: crowdfade show {ledger}"))
