"""`crowdfade release`: an anonymised, documented dataset of a ledger in a new folder."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe

if TYPE_CHECKING:
    from pipeline.publish_release.release import Released

LEVELS = {"distinct": 2.0, "entropy": 2.0, "closeness": 0.3}
"""The level of each kind of diversity where none is given."""


@click.command(name="release")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--to", "folder", required=True, type=click.Path(path_type=Path), metavar="FOLDER", help="A new folder.")
@click.option("--run", metavar="RUN", help="The run to publish; the latest where none is named.")
@click.option(
    "--k", type=click.IntRange(2), default=5, show_default=True, help="Least people a group; offices use 3, 5 or 11."
)
@click.option(
    "--diversity",
    type=click.Choice(list(LEVELS)),
    default="distinct",
    show_default=True,
    help="How the losses of a group must differ.",
)
@click.option("--level", type=float, metavar="L", help="l of distinct (2) and entropy (2), t of closeness (0.3).")
@click.option(
    "--suppress",
    type=click.FloatRange(0, 1),
    default=0.1,
    show_default=True,
    help="Most rows that may be left out, as a share.",
)
@click.option("--licence", default="CC-BY-4.0", show_default=True, metavar="SPDX", help="Licence of the dataset.")
@click.option("--title", default="Answers on electric vehicles' batteries", show_default=True, help="Title.")
@click.option("--creator", default="Unnamed creator", help="Who made the dataset.")
@click.option("--publisher", help="Who publishes it; the creator where nobody is named.")
@click.option("--question", default="", help="The question that was asked, word for word.")
@click.option("--sponsor", default="", help="Who paid for it.")
@click.option("--contact", default="", help="Where to write to.")
@click.option("--address", default="", metavar="URL", help="Where the release will stand on the web.")
@click.option("--date", "issued", metavar="YYYY-MM-DD", help="The release's date; today where none is given.")
@click.option(
    "--linkable",
    type=click.Path(path_type=Path),
    metavar="KEYFILE",
    help="Make the keys with this file, so that releases can be joined.",
)
@click.option(
    "--before", type=click.Path(path_type=Path), metavar="FOLDER", help="The release before, for the changelog."
)
@click.option(
    "--accuracy",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Measured accuracy: what `crowdfade score --save` wrote.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the release's record as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but problems.")
@debug_option
def command(ledger: Path, folder: Path, as_json: bool, quiet: bool, **options: Any) -> None:
    """Publish LEDGER as an anonymised dataset in FOLDER, which must be new; the ledger is only read.

    Only columns that the column list allows leave, in groups of at least k people.  Look at FOLDER/method.html before
    you hand it on: an anonymised file is still to be judged by the one who publishes it.
    """
    from pipeline.publish_release.keys import ReleaseKey
    from pipeline.publish_release.measures import Diversity
    from pipeline.publish_release.release import release
    from pipeline.publish_release.split_classes import Rules

    level = LEVELS[options["diversity"]] if options["level"] is None else options["level"]
    rules = Rules(options["k"], Diversity(options["diversity"], level), options["suppress"])
    key = ReleaseKey.from_file(options["linkable"]) if options["linkable"] else ReleaseKey.fresh()
    with _progress(shown=not quiet and not as_json) as told:
        done = release(
            ledger, folder, _about(options), rules=rules, key=key, run=options["run"], before=options["before"],
            accuracy=options["accuracy"], told=told,
        )  # fmt: skip
    if as_json:
        print_json({**done.record, "folder": str(folder)})
    elif not quiet:
        _print_summary(done)


def _about(options: dict[str, Any]) -> Any:
    from pipeline.problems import UsageProblem
    from pipeline.publish_release.descriptors import About
    from pipeline.publish_release.licences import licence_of

    issued = date.today()
    if options["issued"]:
        try:
            issued = datetime.strptime(options["issued"], "%Y-%m-%d").date()
        except ValueError:
            raise UsageProblem(f"{options['issued']!r} is no date", todo="write it as 2026-03-31") from None
    creator = options["creator"].strip() or "Unnamed creator"
    return About(
        options["title"].strip() or "Untitled", creator, (options["publisher"] or creator).strip(), issued,
        licence_of(options["licence"]), options["question"], options["sponsor"], options["contact"], options["address"],
    )  # fmt: skip


def _print_summary(done: Released) -> None:
    from rich.table import Table
    from rich.text import Text

    cost, screen = done.anonymised.cost, console()
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    for name, value in (
        ("rows published", f"{len(done.anonymised.reports)} of {cost.rows}"),
        ("rows left out", f"{cost.rows_left_out} ({100 * cost.share_left_out:.1f} %)"),
        ("people", f"{cost.people - cost.people_left_out} of {cost.people}"),
        ("groups", f"{cost.classes}, each of at least {done.record['k']} people"),
        ("medians moved by", f"at most {done.anonymised.moved:.2f} points (a distance band and chemistry)"),
        ("information lost", f"{cost.information_loss:.2f} (0 none, 1 all)"),
        ("greatest risk", f"{cost.risk.prosecutor:.3f}, mean {cost.risk.mean:.3f}"),
    ):
        table.add_row(name, value)
    screen.print(table)
    screen.print(Text(safe(f"{done.folder}/index.html")))
    screen.print(Text("An anonymised file is still to be judged by the one who publishes it: see method.html."))


class _Quiet:
    def __enter__(self) -> Any:
        return lambda done, total: None

    def __exit__(self, *_: object) -> None:
        return None


class _Bar:
    def __enter__(self) -> Any:
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TimeElapsedColumn(),
            console=console(to_stderr=True),
            transient=True,
        )
        self._progress.start()
        task = self._progress.add_task("looking for groups", total=None)
        return lambda done, total: self._progress.update(task, completed=done, total=total)

    def __exit__(self, *_: object) -> None:
        self._progress.stop()


def _progress(*, shown: bool) -> Any:
    import sys

    return _Bar() if shown and sys.stderr.isatty() else _Quiet()
