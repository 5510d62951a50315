"""`crowdfade rules`: what rules there are, whether a pack holds together, and a pack to begin from."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe
from pipeline.problems import RuleProblem, UsageProblem

if TYPE_CHECKING:
    from rich.console import Console

    from pipeline.check_rules.check import Checked
    from pipeline.check_rules.findings import Finding, Progress

MOST_NOTES = 8
"""Notes of one kind that are shown; `--all` and `--json` give them all."""

rules_option = click.option(
    "--rules", type=click.Path(path_type=Path), multiple=True, metavar="PACK", help="A rule pack over the built-in one."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.group(name="rules")
@debug_option
def command() -> None:
    """List the rules, check a rule pack, or begin one.

    A pack is a folder of YAML files that adds, replaces or switches off rules, and may declare new fields.
    """


@command.command(name="list")
@rules_option
@click.option("--topic", metavar="TOPIC", help="Only rules of this topic (a folder's name).")
@click.option("--lang", "language", metavar="CODE", help="Only rules of this language.")
@json_option
@debug_option
def list_command(rules: tuple[Path, ...], topic: str | None, language: str | None, as_json: bool) -> None:
    """Print every rule with its priority, what it sets or refuses, and its tests.

    For example: crowdfade rules list --topic loss --lang en
    """
    from pipeline.check_rules.list_rules import list_rules

    found = list_rules(rules, topic, language)
    if not found:
        rows = list_rules(rules)
        topics, codes = sorted({row.topic for row in rows}), sorted({row.language for row in rows})
        raise UsageProblem("there is no such rule", todo=f"topics: {', '.join(topics)}; languages: {', '.join(codes)}")
    if as_json:
        print_json([row.plain() for row in found])
        return
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("lang", "topic", "id"):
        table.add_column(name, no_wrap=True)
    table.add_column("priority", justify="right")
    table.add_column("sets or refuses", overflow="fold")
    table.add_column("tests", justify="right")
    table.add_column("pack", no_wrap=True)
    table.add_column("state", overflow="fold")
    for row in found:
        tests = row.examples + row.look_alikes + row.known_misses
        said = (row.language, row.topic, row.id, str(row.priority), row.does, str(tests), row.pack, row.state)
        table.add_row(*(Text(safe(word)) for word in said), style="" if row.state == "active" else "dim")
    screen = console()
    if not screen.is_terminal:
        table.width = screen.measure(table, options=screen.options.update(width=10_000)).maximum
    screen.print(table)
    screen.print(f"\n{len(found):,} rules")


@command.command(name="check")
@click.argument("pack", metavar="PACK", type=click.Path(path_type=Path))
@rules_option
@click.option("--lang", "languages", multiple=True, metavar="CODE", help="Check this language only.")
@click.option("--no-speed", is_flag=True, help="Do not look for slow patterns.")
@click.option("--all", "everything", is_flag=True, help="Show every note.")
@json_option
@debug_option
def check_command(
    pack: Path, rules: tuple[Path, ...], languages: tuple[str, ...], no_speed: bool, everything: bool, as_json: bool
) -> int:
    """Try everything in PACK (a folder, or `built-in`): its tests, its rules beside all others, its speed.

    Errors fail the check (exit code 4), notes do not.  --rules names packs that PACK is to be laid over.
    """
    from pipeline.check_rules.check import BUILT_IN_NAME, check_pack
    from pipeline.find_values.rule_files import BUILT_IN

    folder = BUILT_IN if str(pack) == BUILT_IN_NAME and not pack.exists() else pack
    with _progress() as progress:
        checked = check_pack(folder, over=rules, languages=languages, slow=not no_speed, progress=progress)
    if as_json:
        print_json(checked.plain())
    else:
        _print_checked(console(), checked, everything=everything)
    return RuleProblem.exit_code if checked.errors else 0


@command.command(name="new")
@click.argument("field", metavar="FIELD")
@click.option("--lang", "language", default="en", show_default=True, metavar="CODE", help="The language of its rule.")
@click.option("--to", type=click.Path(path_type=Path), metavar="FOLDER", help="Where the pack goes.")
@debug_option
def new_command(field: str, language: str, to: Path | None) -> None:
    """Write a commented pack with one rule for FIELD: a new field, or one of the dataset's.

    It passes `crowdfade rules check` as it is, with words that nobody says; change what is marked CHANGE.
    """
    from pipeline.check_rules.new_pack import default_folder, new_pack

    folder = to if to is not None else default_folder(field)
    file = new_pack(field, language, folder)
    click.echo(f"written: {folder / 'pack.yaml'} and {file}")
    click.echo(f"change what is marked CHANGE, then: crowdfade rules check {folder}")


@contextmanager
def _progress() -> Iterator[Progress]:
    """Draws how far the check is on a terminal (stderr); elsewhere it is silent."""
    from pipeline.check_rules.findings import silent

    if not sys.stderr.isatty():
        yield silent
        return
    from rich.progress import Progress as Bar

    with Bar(console=console(to_stderr=True), transient=True) as bar:
        task = bar.add_task("loading", total=None)

        def progress(doing: str, done: int, total: int) -> None:
            bar.update(task, description=doing, completed=done, total=total or None)

        yield progress


def _print_checked(screen: Console, checked: Checked, *, everything: bool) -> None:
    from rich.text import Text

    from pipeline.check_rules.findings import CODES

    counts = ", ".join(f"{count:,} {name}" for name, count in checked.counts.items())
    screen.print(Text(safe(f"{checked.pack}: {counts}" if counts else checked.pack), style="bold"))
    ordered = sorted(checked.findings, key=lambda finding: (finding.level, list(CODES).index(finding.code)))
    shown: Counter[str] = Counter()
    for finding in ordered:
        shown[finding.code] += 1
        if finding.level == "error" or everything or shown[finding.code] <= MOST_NOTES:
            _print_finding(screen, finding)
    hidden = {code: count - MOST_NOTES for code, count in shown.items() if CODES[code][0] == "note"}
    left = [f"{count} more {code}" for code, count in hidden.items() if count > 0 and not everything]
    if left:
        screen.print(Text(f"... and {', '.join(left)} (--all shows them)", style="dim"))
    notes = len(checked.findings) - len(checked.errors)
    screen.print(Text(_verdict(len(checked.errors), notes), style="bold"))


def _verdict(errors: int, notes: int) -> str:
    noted = f", {notes} note{'s' * (notes != 1)}" if notes else ""
    return f"{errors} error{'s' * (errors != 1)}{noted}" if errors else f"fine{noted}"


def _print_finding(screen: Console, finding: Finding) -> None:
    from rich.text import Text

    colour = "red" if finding.level == "error" else "yellow"
    line = Text(f"{finding.level} {finding.code}", style=colour)
    screen.print(line.append(safe(f"  {finding.where}" if finding.where else ""), style="default"))
    for name, words in (("", finding.what), ("expected: ", finding.expected), ("got: ", finding.got)):
        if words:
            screen.print(Text(safe(f"    {name}{words}")))
    if finding.todo:
        screen.print(Text(safe(f"    -> {finding.todo}"), style="dim"))
