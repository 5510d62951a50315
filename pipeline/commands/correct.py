"""`crowdfade correct`: takes a sheet of decisions back, or one decision, into the ledger's corrections file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, safe
from pipeline.problems import UsageProblem

if TYPE_CHECKING:
    from pipeline.correct_readings.decisions import Decision
    from pipeline.correct_readings.describe import RunView

CHOICES = (
    "value", "absent", "verified", "as-read", "not-a-report", "drop", "split", "one-vehicle", "two-vehicles", "copy-of",
    "not-a-copy",
)  # fmt: skip
"""The kinds of decisions; `correct_readings.decisions.KINDS` says what they mean (a test compares)."""

OF_RESPONSES = ("drop", "copy-of", "not-a-copy")


@click.command(name="correct")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.argument("sheet", required=False, type=click.Path(path_type=Path), metavar="[FILE]")
@click.option("--report", metavar="ID", help="One decision about this report.")
@click.option("--response", metavar="ID", help="One decision about this response (drop, copy-of, not-a-copy).")
@click.option(
    "--field", "field_name", metavar="FIELD", help="The field that is decided; for a split several, with commas."
)
@click.option("--value", metavar="VALUE", help="The right value, in the field's unit or with its own: 62000 mi.")
@click.option("--decision", type=click.Choice(CHOICES), help="What is decided, where it is no value.")
@click.option("--other", metavar="ID", help="The other report or response.")
@click.option("--words", default="", metavar="TEXT", help="The words of the text that say the value.")
@click.option("--why", default="", metavar="TEXT", help="The reason.")
@click.option("--who", default="", metavar="NAME", help="Who decides.")
@click.option(
    "--to-gold",
    type=click.Path(path_type=Path),
    metavar="FILE.jsonl",
    help="Write what was decided as labelled examples.",
)
@click.option("--rerun", "then_rerun", is_flag=True, help="Make the new run at once, as `crowdfade rerun` does.")
@debug_option
def command(
    ledger: Path,
    sheet: Path | None,
    report: str | None,
    response: str | None,
    field_name: str | None,
    value: str | None,
    decision: str | None,
    other: str | None,
    words: str,
    why: str,
    who: str,
    to_gold: Path | None,
    then_rerun: bool,
) -> None:
    """Correct readings of LEDGER by hand: take a sheet of `crowdfade queue` back, or decide one thing.

    Decisions are kept in LEDGER/corrections.csv.  They go before rules and models and stay when the ledger is built or
    read again; tables and figures change with the next build or rerun.

    A cell that is not accepted is named with its place, and all others are taken; mend it and give the sheet again.
    """
    from pipeline.correct_readings.describe import RunView
    from pipeline.keep_ledger.ledger import open_ledger

    one = any(given is not None for given in (report, response, field_name, value, decision, other))
    if one == (sheet is not None) and (one or to_gold is None):
        raise UsageProblem(
            "give a sheet, or one decision" + (", not both" if one else ""),
            todo="crowdfade correct LEDGER FILE, or --report ID --field FIELD --value VALUE --why TEXT --who NAME",
        )
    view = RunView(open_ledger(ledger).latest())
    bad: UsageProblem | None = None
    if sheet is not None:
        bad = _take_sheet(ledger, sheet, view, who, then_rerun)
    elif one:
        if not who.strip() or not why.strip():
            raise UsageProblem("a decision says who made it and why", todo="give --who and --why")
        kind = decision or ("value" if value is not None else "")
        if not kind or (value is not None and kind != "value"):
            raise UsageProblem("say what is decided", todo="give --value, or --decision " + "|".join(CHOICES[1:]))
        made = _one(view, kind, report, response, field_name or "", value or "", other or "", words, who, why)
        _keep(ledger, [made])
        about = made.field and f" of {made.field}" if made.kind != "split" else ""
        console().print(f"kept: {made.kind}{about} for {made.report or made.response}{_next(ledger, then_rerun)}")
    if then_rerun:
        _rerun(ledger)
        view = RunView(open_ledger(ledger).latest())
    if to_gold is not None:
        _write_gold(to_gold, view)
    if bad is not None:
        raise bad


def _one(
    view: RunView, kind: str, report: str | None, response: str | None, field: str, value: str, other: str, words: str,
    who: str, why: str,
) -> Decision:  # fmt: skip
    from pipeline.correct_readings.describe import Refused, now

    try:
        if kind in OF_RESPONSES:
            if report is not None and response is None:
                report_id = view.find(report, report=True)
                response = report_id.rpartition("-")[0]
            target = {"response": view.find(response or "", report=False)}
            partner = view.find(other, report=False) if other else ""
        else:
            home = view.response(view.find(response, report=False)) if response is not None and report is None else None
            if home is not None and kind == "value" and not home.report_ids():
                target = {"report": f"{home.response['response_id']}-1"}  # a report that was not seen
            else:
                target = {"report": view.find(report or response or "", report=True)}
            partner = view.find(other, report=True) if other else ""
        return view.decide(
            kind, field=field, value=value, other=partner, words=words, who=who, why=why, when=now(), **target
        )  # fmt: skip
    except Refused as refused:
        raise UsageProblem(
            f"--{refused.column} {refused.given!r} is not accepted"
            if refused.given
            else f"--{refused.column} is missing",
            todo=f"accepted: {refused.accepted}",
        ) from None


def _take_sheet(ledger: Path, sheet: Path, view: RunView, who: str, then_rerun: bool) -> UsageProblem | None:
    """Keeps the decisions of a sheet; gives the problem that names its bad cells, or None."""
    from pipeline.correct_readings.corrections_file import add_corrections, read_corrections
    from pipeline.correct_readings.describe import now
    from pipeline.correct_readings.take_back import take_back
    from pipeline.keep_ledger.ledger import writing_to

    with writing_to(ledger):
        taken = take_back(sheet, view, read_corrections(ledger).decisions, who=who, when=now())
        add_corrections(ledger, taken.decisions)
    already = f", {taken.already} were so already" if taken.already else ""
    told = f"{len(taken.decisions)} {'decision' if len(taken.decisions) == 1 else 'decisions'} kept{already}"
    console().print(safe(told) + (_next(ledger, then_rerun) if taken.decisions else ""))
    if not taken.bad:
        return None
    count = "1 cell is" if len(taken.bad) == 1 else f"{len(taken.bad)} cells are"
    return UsageProblem(
        "\n".join([f"{count} not accepted:", *(f"  {bad}" for bad in taken.bad)]),
        where=str(sheet),
        todo="mend them and give the sheet again; what was kept is not doubled",
    )


def _keep(ledger: Path, decisions: list[Decision]) -> None:
    from pipeline.correct_readings.corrections_file import add_corrections
    from pipeline.keep_ledger.ledger import writing_to

    with writing_to(ledger):
        add_corrections(ledger, decisions)


def _rerun(ledger: Path) -> None:
    from pipeline.build import rerun
    from pipeline.commands.progress import progress
    from pipeline.correct_readings.outcomes import told_line

    with progress(shown=True) as watch:
        built = rerun(ledger, watch=watch)
    line = told_line(built.record.counts["corrections"])
    console().print(safe(f"run {built.record.run} is the latest now; {line or 'no corrections'}"))


def _next(ledger: Path, then_rerun: bool) -> str:
    return "" if then_rerun else f"; tables and figures change with: crowdfade rerun {safe(str(ledger))}"


def _write_gold(path: Path, view: RunView) -> None:
    from pipeline.correct_readings.to_gold import labelled_examples, write_gold

    examples = labelled_examples(view)
    write_gold(path, examples)
    console().print(
        f"{len(examples)} labelled examples are in {safe(str(path))} (of decisions that the latest run knows); "
        "they hold people's texts: keep them as private as the ledger"
    )
