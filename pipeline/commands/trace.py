"""`crowdfade trace`: which rows, words, conversions and corrections stand behind a figure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe

if TYPE_CHECKING:
    import pyarrow
    from rich.console import Console

    from pipeline.trace_figures.trace import Trace, Traced

FEW = 20


@click.command(name="trace")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--where", "condition", metavar="SQL", help="Which reports: an SQL condition over their columns.")
@click.option("--of", default="loss_pct", show_default=True, metavar="FIELD", help="The field of the figure.")
@click.option("--sql", "question", metavar="SELECT", help="Any SELECT over the run's tables instead.")
@click.option("--run", default="latest", show_default=True, metavar="RUN", help="The run to look at.")
@click.option("--limit", type=click.IntRange(0), default=FEW, show_default=True, metavar="N", help="Show N rows.")
@click.option("--to", "file", type=click.Path(path_type=Path), metavar="FILE", help="Write all rows: .csv or .parquet.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@debug_option
def command(
    ledger: Path,
    condition: str | None,
    of: str,
    question: str | None,
    run: str,
    limit: int,
    file: Path | None,
    as_json: bool,
) -> None:
    """Show what stands behind a figure of LEDGER: the rows, their words, how each value was made, who corrected it.

    The figure is the median of FIELD over the usable reports for which the condition holds, one a vehicle, with an
    interval that resamples people.  --sql answers any SELECT over the views responses, reports, evidence, links,
    refusals, parts, rejects, marks and corrections; it can read nothing else and change nothing.
    """
    from pipeline.keep_ledger.name_runs import find_run
    from pipeline.problems import UsageProblem
    from pipeline.trace_figures.trace import flat, select, trace, write

    if question is not None and condition is not None:
        raise UsageProblem("--where and --sql are two questions", todo="ask one of them")
    folder = find_run(ledger, run)
    if question is not None:
        answer = select(folder, question)
        if file is not None:
            write(answer, file)
        if as_json:
            print_json(answer.to_pylist())
        else:
            _print_table(console(), answer, limit)
    else:
        told = trace(folder, condition or "true", of=of)
        if file is not None:
            write(flat(told), file)
        if as_json:
            print_json(_plain(told))
        else:
            _print_trace(console(), told, limit)
    if file is not None and not as_json:
        click.echo(f"written to {file}")


def _plain(told: Trace) -> dict[str, Any]:
    figure = {
        name: getattr(told, name) for name in ("field", "condition", "vehicles", "people", "median", "low", "high")
    }
    rows = [{"counts": one.counts, "why": one.why, **one.report, "evidence": one.evidence} for one in told.rows]
    return {**figure, "spread": told.spread, "rows": rows}


def _print_trace(screen: Console, told: Trace, limit: int) -> None:
    from rich.text import Text

    out = [one for one in told.rows if not one.counts]
    screen.print(Text(safe(_headline(told)), style="bold"))
    screen.print(Text(f"{told.vehicles:,} reports count, one a vehicle; {len(out):,} that match do not"))
    for one in told.rows[:limit]:
        screen.print()
        _print_row(screen, one)
    if len(told.rows) > limit:
        screen.print()
        screen.print(Text(f"{len(told.rows) - limit:,} more rows (--limit N, or --to FILE.csv for all of them)"))


def _headline(told: Trace) -> str:
    of = f"{told.vehicles:,} vehicles of {told.people:,} people"
    if told.spread:
        return f"{told.field}: " + ", ".join(f"{name} {count:,}" for name, count in told.spread.items()) + f" ({of})"
    if told.median is None:
        return f"no usable report has {told.field} where this holds"
    interval = "" if told.low is None or told.high is None else f", 95 % {told.low:.4g} to {told.high:.4g}"
    return f"median {told.field} {told.median:.4g}{interval} ({of})"


def _print_row(screen: Console, one: Traced) -> None:
    from rich.text import Text

    row = one.report
    head = f"{row['report_id']}  {row['source']} {row['source_response_id']}"
    screen.print(Text(safe(head) + ("" if one.counts else f"  does not count: {safe(one.why)}"), style="bold"))
    for value in one.evidence:
        said = " ".join((value["raw"] or "").split())
        unit = f" {value['unit']}" if value["unit"] else ""
        by = "corrected" if value["origin"] == "correction" else value["rule_id"]
        line = f"  {value['field']} = {value['value']}{unit}"
        line += f'  "{said}"' if said else ""
        if value["derivation"] and value["derivation"] not in (said, value["value"]):
            line += f"  = {value['derivation']}"
        screen.print(Text(safe(f"{line}  [{by}]")))


def _print_table(screen: Console, answer: pyarrow.Table, limit: int) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for name in answer.column_names:
        table.add_column(Text(safe(str(name))), overflow="fold")
    for row in answer.slice(0, limit).to_pylist():
        table.add_row(*(Text(safe("-" if value is None else str(value))) for value in row.values()))
    screen.print(table)
    if answer.num_rows > limit:
        screen.print(Text(f"{answer.num_rows - limit:,} more rows (--limit N, or --to FILE.csv for all of them)"))
