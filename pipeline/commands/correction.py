"""`crowdfade correction`: the text of a correction for a headline that no longer holds."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe


@click.command(name="correction")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.argument("claim")
@click.option("--rows", "with_rows", is_flag=True, help="Also list the rows behind it, for your own files (CSV).")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, rows included.")
@debug_option
def command(ledger: Path, claim: str, with_rows: bool, as_json: bool) -> None:
    """Write the correction of a pinned headline: what was said, what is right, what changed it, when.

    CLAIM is its number (`crowdfade claim list`) or some of its words. The text names nobody and shows no single
    answer; --rows adds those, which are not for publication.
    """
    import csv
    import io

    from pipeline.write_report.correction_text import correct_claim, rows_table

    correction = correct_claim(ledger, claim)
    if as_json:
        print_json(correction.plain())
        return
    click.echo(safe(correction.text), nl=False)
    if with_rows:
        if correction.changes is None:
            console(to_stderr=True).print("the rows cannot be told: one of the two runs is gone, or the query fails")
            return
        headers, rows = rows_table(correction.changes)
        lines = io.StringIO()
        csv.writer(lines, lineterminator="\n").writerows([headers, *rows])
        click.echo("\nNot for publication:\n\n" + safe(lines.getvalue()), nl=False)
