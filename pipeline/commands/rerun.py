"""`crowdfade rerun`: a new run of what a ledger holds, reading again only what a change can touch."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command_line import debug_option
from pipeline.commands.build import print_summary
from pipeline.commands.console import console, print_json, safe
from pipeline.commands.progress import progress
from pipeline.commands.runner_options import runner_options

if TYPE_CHECKING:
    from pipeline.build import Built
    from pipeline.run_partitions.partition import Runner

MOST_REASONS = 8


@click.command(name="rerun")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--run", default="latest", show_default=True, metavar="RUN", help="The run to start from.")
@click.option("--rules", type=click.Path(path_type=Path), multiple=True, metavar="PACK", help="Read with this pack.")
@click.option("--no-rules", is_flag=True, help="Read with the built-in rules alone.")
@click.option("--vehicles", type=click.Path(path_type=Path), metavar="LIST.csv", help="Another list of vehicles.")
@click.option("--lang", metavar="CODE", help="Take this for every response's language (BCP 47).")
@click.option("--full", is_flag=True, help="Read every response again.")
@click.option(
    "--score",
    "gold",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="GOLD",
    help="Score the new run too.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the run's record as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but problems.")
@runner_options
@debug_option
def command(
    ledger: Path,
    run: str,
    rules: tuple[Path, ...],
    no_rules: bool,
    vehicles: Path | None,
    lang: str | None,
    full: bool,
    gold: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
    runner: Runner | None,
) -> None:
    """Make a new run of what LEDGER holds, without its exports, and make it the latest.

    Rules, vehicle list and language are those of the run that is started from, where none are given; rule packs are
    read as they are now.  Only responses that the difference can touch are read again; the tables are, byte for byte,
    what a build of the same exports would give.
    """
    from pipeline.build import rerun
    from pipeline.problems import UsageProblem

    if rules and no_rules:
        raise UsageProblem("--rules and --no-rules say two things", todo="give one of them")
    chosen = rules or (() if no_rules else None)
    with progress(shown=not quiet) as watch:
        built = rerun(
            ledger, run=run, rules=chosen, vehicles=vehicles, lang=lang, full=full, watch=watch, runner=runner
        )
    if gold:
        from pipeline.compare_runs.score_run import keep_score

        keep_score(ledger, built.folder, gold)
    if as_json:
        print_json({**built.record.plain(), "folder": str(ledger / "latest")})
    elif not quiet:
        _print_taken_over(built)
        print_summary(built, ledger)
        click.echo(f"What it changed: crowdfade compare {ledger}")


def _print_taken_over(built: Built) -> None:
    from rich.text import Text

    told: dict[str, Any] = built.record.options["rerun"]
    screen = console()
    screen.print(Text(f"{told['read_again']:,} of {told['responses']:,} responses of {told['of']} were read again"))
    for line in told["why"][:MOST_REASONS]:
        screen.print(Text(f"  - {safe(line)}"))
    if len(told["why"]) > MOST_REASONS:
        screen.print(Text(f"  - and {len(told['why']) - MOST_REASONS} further changes (run.json names them)"))
