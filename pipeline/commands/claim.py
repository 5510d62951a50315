"""`crowdfade claim`: headlines that are pinned with the figure they rest on, and whether they still hold."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe
from pipeline.problems import UsageProblem

if TYPE_CHECKING:
    from pipeline.write_report.claims import Claim

BROKEN = 1
"""Exit code of `claim check --strict` where a claim does not hold."""


@click.group(name="claim", context_settings={"help_option_names": ["-h", "--help"]})
@debug_option
def command() -> None:
    """Pin a headline with the figure that it rests on, and see whether it still holds.

    \b
    crowdfade claim add LEDGER "LFP loses less than nickel" --median loss_pct \\
        --where "chemistry_group = 'LFP'" --minus "chemistry_group = 'nickel'"
    crowdfade claim check LEDGER
    """


@command.command(name="add")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.argument("text")
@click.option("--median", metavar="COLUMN", help="The figure is the median of a column (loss_pct).")
@click.option("--mean", metavar="COLUMN", help="The figure is the mean of a column.")
@click.option("--share", metavar="CONDITION", help="The figure is the share of vehicles for which this is so.")
@click.option("--where", default="", metavar="CONDITION", help="Which vehicles: SQL over reports.parquet.")
@click.option("--minus", metavar="CONDITION", help="The figure is a difference: less that of these vehicles.")
@click.option("--tolerance", type=float, metavar="N", help="How far it may move. [default: within its interval]")
@click.option("--fewest", type=click.IntRange(min=1), default=5, show_default=True, help="Vehicles that it needs.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@debug_option
def add(
    ledger: Path,
    text: str,
    median: str | None,
    mean: str | None,
    share: str | None,
    where: str,
    minus: str | None,
    tolerance: float | None,
    fewest: int,
    as_json: bool,
) -> None:
    """Pin TEXT, as it is said in public, with its figure on LEDGER's latest run.

    Conditions are SQL over one row a vehicle: "chemistry_group = 'LFP' and odometer_km between 60000 and 80000".
    """
    from dataclasses import asdict

    from pipeline.write_report.claim_query import Query
    from pipeline.write_report.claims import add_claim

    given = [(name, of) for name, of in (("median", median), ("mean", mean), ("share", share)) if of is not None]
    if len(given) != 1:
        raise UsageProblem("a claim rests on one figure", todo="give one of --median, --mean and --share")
    ((name, of),) = given
    query = Query(name, of, where, minus)  # type: ignore[arg-type]
    claim = add_claim(ledger, text, query, tolerance=tolerance, fewest=fewest)
    if as_json:
        print_json(asdict(claim))
        return
    _tell(claim, "pinned")


@command.command(name="list")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@debug_option
def list_(ledger: Path, as_json: bool) -> None:
    """List the headlines that are pinned in LEDGER, as they were pinned."""
    from dataclasses import asdict

    from pipeline.keep_ledger.ledger import open_ledger
    from pipeline.write_report.claims import read_claims

    open_ledger(ledger)
    claims = read_claims(ledger)
    if as_json:
        print_json([asdict(claim) for claim in claims])
        return
    if not claims:
        console().print('nothing is pinned yet (crowdfade claim add LEDGER "WORDS" --median loss_pct ...)')
    for claim in claims:
        _tell(claim, "pinned")


@command.command(name="check")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--run", "run", metavar="NAME", help="Check against this run. [default: the latest]")
@click.option("--strict", is_flag=True, help=f"Exit with {BROKEN} where one does not hold.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@debug_option
def check(ledger: Path, run: str | None, strict: bool, as_json: bool) -> None:
    """Say of each pinned headline whether it still holds on LEDGER's latest run."""
    from rich.text import Text

    from pipeline.keep_ledger.ledger import open_ledger
    from pipeline.keep_ledger.name_runs import find_run
    from pipeline.write_report.claim_query import told_measured
    from pipeline.write_report.claims import check_claims

    open_ledger(ledger)
    states = check_claims(ledger, find_run(ledger, run or "latest"))
    if as_json:
        print_json([state.plain() for state in states])
    else:
        screen = console()
        if not states:
            screen.print('nothing is pinned yet (crowdfade claim add LEDGER "WORDS" --median loss_pct ...)')
        for state in states:
            colour = "green" if state.holds else "bold red"
            line = Text(f"{state.claim.name}  ").append(state.state, style=colour).append(f"  {safe(state.claim.text)}")
            screen.print(line)
            screen.print(Text(f"   {safe(state.why)}", style="dim"))
            if state.measured is not None:
                screen.print(Text(f"   now {told_measured(state.measured, state.claim.query)}", style="dim"))
            if not state.holds:
                screen.print(Text(f"   crowdfade correction {ledger} {state.claim.name}", style="dim"))
    if strict and not all(state.holds for state in states):
        raise click.exceptions.Exit(BROKEN)


@command.command(name="remove")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.argument("claim")
@debug_option
def remove(ledger: Path, claim: str) -> None:
    """Take a headline off LEDGER's list; CLAIM is its number, or some of its words."""
    from pipeline.write_report.claims import remove_claim

    _tell(remove_claim(ledger, claim), "removed")


def _tell(claim: Claim, what: str) -> None:
    from rich.text import Text

    from pipeline.write_report.claim_query import told_measured

    screen = console()
    screen.print(Text(f"{claim.name}  {what}: {safe(claim.text)}"))
    screen.print(Text(f"   {safe(claim.query.words())}", style="dim"))
    when = claim.pinned_at[:10]
    screen.print(Text(f"   {told_measured(claim.measured, claim.query)}, run {claim.run}, {when}", style="dim"))
