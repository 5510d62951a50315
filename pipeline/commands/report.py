"""`crowdfade report`: what a creator shows and says: a page with estimates, pictures, quotes and cautions."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe

REGULATIONS = ("un-gtr-22", "euro-7")
"""The keys of `write_report.references.REGULATIONS`, said here so that `--help` imports nothing heavy."""


@click.command(name="report")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--to", "folder", required=True, type=click.Path(path_type=Path), metavar="FOLDER",
              help="Where to keep reports; earlier ones stay there.")  # fmt: skip
@click.option("--run", metavar="RUN", help="A run's name or number; the latest where nothing is said.")
@click.option("--title", metavar="TEXT", help="The page's title.")
@click.option("--audience", metavar="TEXT", help='Whose answers these are, for pictures: "Listeners of ...".')
@click.option("--fewest", type=click.IntRange(min=10), default=20, show_default=True,
              help="Draw nothing for groups of fewer people.")  # fmt: skip
@click.option("--reference", "references", type=click.Path(path_type=Path), multiple=True, metavar="FILE.csv",
              help="A series to set beside: columns distance (km), retention (%), label, source.")  # fmt: skip
@click.option("--regulation", "regulations", type=click.Choice(REGULATIONS), multiple=True,
              help="Draw a published minimum line.")  # fmt: skip
@click.option("--show-handles", "handles", type=click.Path(path_type=Path), multiple=True, metavar="EXPORT",
              help="Name the writers of quotes, from these exports; ask them first.")  # fmt: skip
@click.option("--pictures/--no-pictures", default=True, show_default=True, help="Make the SVG and PNG files too.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but problems.")
@debug_option
def command(
    ledger: Path,
    folder: Path,
    run: str | None,
    title: str | None,
    audience: str | None,
    fewest: int,
    references: tuple[Path, ...],
    regulations: tuple[str, ...],
    handles: tuple[Path, ...],
    pictures: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a report of LEDGER's latest run into FOLDER: a page to read, pictures to show, tables to keep.

    The page is one file that asks nothing of the network: FOLDER/latest/index.html.  Its curves are medians of the
    answers with 95 % intervals; groups that are too small are named, not drawn.
    """
    from pipeline.write_report.references import read_references
    from pipeline.write_report.sections import ReportOptions
    from pipeline.write_report.write import require_libraries, write_report

    require_libraries()
    plain = ReportOptions()
    options = ReportOptions(
        fewest=fewest,
        references=tuple(one for path in references for one in read_references(path)),
        regulations=tuple(dict.fromkeys(regulations)),
        handles=handles,
        title=title or plain.title,
        audience=audience or plain.audience,
    )
    with _progress(shown=not quiet) as stage:
        written = write_report(ledger, folder, run=run, options=options, pictures=pictures, stage=stage)
    if as_json:
        print_json(
            {
                "folder": str(written.folder),
                "page": str(written.page),
                "sections": [section.id for section in written.sections],
                "pictures": written.pictures,
                "differences": [one.sentence() for one in written.figures.differences],
            }
        )
    elif not quiet:
        from rich.text import Text

        screen = console()
        for one in written.figures.differences:
            screen.print(Text(safe(f"{one.sentence()} {one.verdict()}")))
        if written.figures.habit is not None and written.figures.habit.too_few:
            screen.print(Text(safe(written.figures.habit.too_few)))
        screen.print(Text(safe(f"The page is {written.page}" + (f"; {written.pictures} pictures" if pictures else ""))))


@contextmanager
def _progress(*, shown: bool) -> Iterator[Callable[[str], Any]]:
    """Tells the stages on the terminal (stderr); where there is none, nothing."""
    if not (shown and sys.stderr.isatty()):
        yield lambda name: None
        return
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    with Progress(
        SpinnerColumn(),
        TextColumn("{task.description}"),
        TimeElapsedColumn(),
        console=console(to_stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task("starting", total=None)
        yield lambda name: bar.update(task, description=name)
