"""`crowdfade build`: exports in, a dataset at LEDGER/latest out, and a short table of what is in it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe
from pipeline.take_in import Watch

if TYPE_CHECKING:
    from pipeline.build import Built
    from pipeline.read_exports.column_mapping import ColumnMapping


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
@click.option("--json", "as_json", is_flag=True, help="Print the run's record as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but problems.")
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
    as_json: bool,
    quiet: bool,
) -> None:
    """Read EXPORTs (files, folders, globs or URLs) and make the dataset at LEDGER/latest of them.

    Kinds of files: tables (CSV, spreadsheets), JSON, Atom, mbox, ActivityStreams, web pages, pasted text; compressed
    or not.  An export that cannot be read is told and left out; the others are read all the same.
    """
    from pipeline.build import build
    from pipeline.keep_ledger.look_first import what_to_look_at

    with _progress(shown=not quiet) as watch:
        built = build(
            exports,
            ledger,
            vehicles=vehicles,
            rules=rules,
            mapping=_column_mapping(columns, mapping),
            keep_text=keep_text,
            lang=lang,
            watch=watch,
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
        _print_summary(built, ledger)
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


@contextmanager
def _progress(*, shown: bool) -> Iterator[Watch]:
    """A watch that draws a bar on the terminal (stderr); where there is none, or none is wanted, a silent one."""
    if not (shown and sys.stderr.isatty()):
        yield Watch()
        return
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    with Progress(
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[told]}"),
        TimeElapsedColumn(),
        console=console(to_stderr=True),
        transient=True,
    ) as bar:
        yield _Bar(bar)


class _Bar(Watch):
    """Draws how far a build is: a pulse for a stage, for an export a bar by the size of what has been read."""

    def __init__(self, bar: Any) -> None:
        self._bar = bar
        self._task = bar.add_task("starting", total=None, told="")
        self._source = ""
        self._size: int | None = None
        self._done = 0
        self._count = 0

    def stage(self, name: str) -> None:
        self._bar.update(self._task, description=name, total=None, told=self._told())

    def export(self, source: str, size_bytes: int | None) -> None:
        self._size, self._done = size_bytes, 0
        self._bar.update(
            self._task, description=f"reading {safe(source)}", total=size_bytes, completed=0, told=self._told()
        )

    def records(self, count: int, characters: int) -> None:
        self._count += count
        self._done += characters
        # A text is smaller than its record and may be larger than its compressed file: the bar is a near guess.
        done = min(self._done, int(self._size * 0.99)) if self._size else self._done
        self._bar.update(self._task, completed=done, told=self._told())

    def _told(self) -> str:
        return f"{self._count:,} responses" if self._count else ""


def _print_summary(built: Built, ledger: Path) -> None:
    from rich.table import Table
    from rich.text import Text

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
    lines = what_to_look_at(built.folder, counts)
    if lines:
        screen.print()
        screen.print(Text("Look first at", style="bold"))
        for line in lines:
            screen.print(Text(f"  - {safe(line)}"))
    screen.print()
    screen.print(Text(f"The dataset is in {ledger / 'latest'}; read it with: crowdfade show {ledger}"))
