"""`crowdfade forget`: removes a person, or one response, from a ledger for good."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import safe


@click.command(name="forget")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--author", metavar="HANDLE", help="The person, as the exports name them.")
@click.option("--response", metavar="ID", help="One response: its id in the ledger, or the export's own.")
@click.option("--with-copies", is_flag=True, help="Other people's copies of the same words too.")
@click.option("--quiet", is_flag=True, help="Print nothing but problems.")
@debug_option
def command(ledger: Path, author: str | None, response: str | None, with_copies: bool, quiet: bool) -> None:
    """Remove a person or a response from all runs of LEDGER, from corrections, and from every later build of it.

    What stays is a keyed hash, so that the same exports do not bring them back, and a note of how many rows went.
    Without --author and --response, finishes a removal that was cut short.  This cannot be undone.
    """
    from pipeline.problems import UsageProblem
    from pipeline.publish_release.forget import forget

    if author is not None and response is not None:
        raise UsageProblem("both --author and --response are given", todo="give one of them")
    done = forget(ledger, author=author, response=response, with_copies=with_copies)
    if quiet:
        return
    if done.finished_earlier:
        click.echo("an earlier removal was not finished; it is now")
    click.echo(
        f"removed {done.responses} responses and {done.reports} reports from {done.runs} runs, "
        f"{done.decisions} decisions from the corrections"
    )
    if done.copies:
        click.echo(
            safe(f"copies of the same words by others are still there: {', '.join(done.copies)} (--with-copies)")
        )
    if done.mentions:
        click.echo(f"{done.mentions} responses of others still name the person with an @")
    click.echo("Exports, reports and releases that were made before still hold the person: see to them yourself.")
