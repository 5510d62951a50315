"""`crowdfade show`: reports with the words that each value was read from; one response explained in full."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe
from pipeline.dataset_columns import FIELDS, REPORTS
from pipeline.problems import UsageProblem

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from pipeline.keep_ledger.look_up import Told

LONG_TEXT = 600
"""Characters above which a list of reports shows only the neighbourhood of the words, not the whole text."""

AROUND = 80
"""Characters shown on each side of the words in a long text."""

COLOURS = ("green", "cyan", "magenta", "yellow", "blue", "bright_red", "bright_green", "bright_cyan")
_COLOUR = {column.name: COLOURS[place % len(COLOURS)] for place, column in enumerate(FIELDS)}
_OF_PACKS = "bright_magenta"
_KNOWN = frozenset(column.name for column in REPORTS)


def _shown(columns: Iterable[str]) -> list[str]:
    """The columns of a report that are printed: the guide's fields, those that packs declared, make and model."""
    return [*(column.name for column in FIELDS), *(name for name in columns if name not in _KNOWN), "make", "model"]


@click.command(name="show")
@click.argument("ledger", type=click.Path(path_type=Path))
@click.option("--response", metavar="ID", help="Explain one response: what was read, what was not, and why.")
@click.option("--report", metavar="ID", help="Show one report.")
@click.option("--limit", type=click.IntRange(min=1), default=20, show_default=True, help="How many reports to show.")
@click.option("--field", "field_name", metavar="FIELD", help="Only reports that have a value of this field.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@debug_option
def command(
    ledger: Path, response: str | None, report: str | None, limit: int, field_name: str | None, as_json: bool
) -> None:
    """Print reports of LEDGER's latest run with the words that each value was read from.

    An ID is the ledger's own (response_id, report_id) or the export's (source_response_id).
    """
    from pipeline.keep_ledger.ledger import open_ledger
    from pipeline.keep_ledger.look_up import find_reports, find_responses
    from pipeline.keep_ledger.run_columns import columns_of_run

    if response is not None and (report is not None or field_name is not None):
        raise UsageProblem("--response explains a whole response", todo="leave out --report and --field")
    folder = open_ledger(ledger).latest()
    if field_name is not None and field_name not in _KNOWN:
        columns = [column.name for column in columns_of_run(folder)["reports"]]
        if field_name not in columns:
            raise UsageProblem(f"there is no field {field_name!r}", todo="use one of: " + ", ".join(_shown(columns)))
    if response is not None:
        told = find_responses(folder, response, limit)
    else:
        told = find_reports(folder, report=report, with_field=field_name, limit=limit)
    if not told and (response or report):
        kind = "response" if response else "report"
        raise UsageProblem(
            f"there is no {kind} {response or report!r} in this ledger",
            where=str(ledger),
            todo="rejects.parquet lists the records that could not be read",
        )
    if as_json:
        print_json([_plain(one, full=response is not None) for one in told])
        return
    screen = console()
    for one in told:
        _print_response(screen, one, full=response is not None)
    if not told:
        screen.print("no such report")


def _plain(one: Told, *, full: bool) -> dict[str, Any]:
    shown = {"response": one.response, "reports": one.reports, "evidence": one.evidence, "parts": one.parts}
    shown["corrections"] = one.corrections
    return {**shown, "refusals": one.refusals, "links": one.links} if full else shown


def _print_response(screen: Console, one: Told, *, full: bool) -> None:
    from rich.rule import Rule
    from rich.text import Text

    row = one.response
    head = [f"{row['source']} #{row['source_response_id']}"]
    head += [f"{row['posted_at']:%Y-%m-%d}"] if row["posted_at"] else []
    head += [row["lang"]] if row["lang"] else []
    screen.print(Rule(Text(safe("  ".join([row["response_id"], *head]))), align="left"))
    if row["text"] is None:
        screen.print(Text("(the text was not kept)", style="dim"))
    else:
        screen.print(_highlighted(one, marks=not screen.color_system, whole=full))
    if row["copy_of"]:
        screen.print(Text(safe(f"copy of {row['copy_of']}"), style="bold"))
    for report in one.reports:
        _print_report(screen, one, report)
    decided = [row for row in one.corrections if row["report_id"] not in {row["report_id"] for row in one.reports}]
    for row in decided:
        screen.print(Text(safe(_decision(row)), style="bold"))
    if not full:
        _print_links(screen, one)
        return
    if not one.reports:
        screen.print(Text("no report was read from this response", style="bold"))
    if one.refusals:
        screen.print(Text("not taken", style="bold"))
        for refusal in one.refusals:
            told = f"  {refusal['field']}: {refusal['raw']!r} - {refusal['reason']} ({refusal['rule_id']})"
            screen.print(Text(safe(told)))
    _print_links(screen, one)


def _print_links(screen: Console, one: Told) -> None:
    """Why the response and its reports were joined with others, or kept apart."""
    from rich.text import Text

    if one.links:
        screen.print(Text("joined", style="bold"))
        for link in one.links:
            score = f", {link['score']:.2f} alike" if link["score"] is not None else ""
            screen.print(Text(safe(f"  {link['kind']}: {link['id']} -> {link['other_id']}{score}: {link['reason']}")))


def _decision(row: dict[str, Any]) -> str:
    """A person's decision and what came of it, in one line."""
    about = " ".join(filter(None, (row["kind"], row["field"], row["value"] and f"= {row['value']}")))
    with_other = f" with {row['other_id']}" if row["other_id"] else ""
    detail = f" ({row['detail']})" if row["detail"] else ""
    told = f"{row['who']} on {row['decided_at'][:10]}: {row['why']}"
    return f"  decided: {about}{with_other} by {told} - {row['outcome']}{detail}"


def _print_report(screen: Console, one: Told, report: dict[str, Any]) -> None:
    from rich.text import Text

    from pipeline.check_reports.findings import told_flag
    from pipeline.keep_ledger.rows import value_text

    told = [f"confidence {report['confidence']:.2f}", "usable" if report["usable"] else "not usable"]
    told += [f"copy of {report['copy_of']}"] if report["copy_of"] else []
    told += [f"flags: {', '.join(report['flags'])}"] if report["flags"] else []
    told += [f"vehicle {report['vehicle_key']}"] if report["vehicle_key"] else []
    screen.print(Text(safe(f"report {report['report_id']}  {'; '.join(told)}"), style="bold"))
    evidence = {row["field"]: row for row in one.evidence if row["report_id"] == report["report_id"]}
    for name in _shown(report):
        if report[name] is None:
            continue
        line = Text("  ").append(name, style=_COLOUR.get(name, _OF_PACKS if name not in _KNOWN else ""))
        value = report[name]
        rounded = round(value, 3) if isinstance(value, float) else value
        line.append(f" = {safe(value_text(rounded))}")
        row = evidence.get(name)
        if row is not None:
            words = [row["raw"]] if row["raw"] else []
            words += [
                part["raw"] for part in one.parts if part["report_id"] == report["report_id"] and part["field"] == name
            ]
            unit = f" {row['unit']}" if row["unit"] and name != "model_year" else ""
            said = f" <- {' + '.join(repr(safe(word)) for word in words)}" if words else ""
            rule = f"{row['rule_pack']} {row['rule_id']}".strip()
            how = f"  [{rule}; {row['derivation']}; {row['confidence']:.2f}]"
            line.append(unit).append(said).append(safe(how), style="dim")
        screen.print(line)
    for code in report["flags"]:
        if told_code := told_flag(code, report):
            screen.print(Text(safe(f"  flag {code}: {told_code}")))
    for row in one.corrections:
        if row["report_id"] == report["report_id"]:
            screen.print(Text(safe(_decision(row))))


def _highlighted(one: Told, *, marks: bool, whole: bool) -> Text:
    """The text with the words of each value in its field's colour, and between [[ and ]] where there are no colours.

    Of a long text only the neighbourhood of the words is given, unless `whole`.
    """
    from rich.text import Text

    text = Text(safe(one.response["text"]))
    length = len(text)
    spans = [(row["start"], row["end"], row["field"]) for row in (*one.evidence, *one.parts)]
    for start, end, name in spans:
        text.stylize(f"bold reverse {_COLOUR.get(name, _OF_PACKS if name not in _KNOWN else 'white')}", start, end)
    places = _merged([(start, end) for start, end, _ in spans if start < end])
    windows = [(0, length)]
    if not whole and length > LONG_TEXT:
        near = [(max(0, start - AROUND), min(length, end + AROUND)) for start, end in places]
        windows = _merged(near) or [(0, LONG_TEXT)]
    opening, closing = ("[[", "]]") if marks else ("", "")
    shown = Text("")
    for begin, finish in windows:
        shown.append("[...] " if begin else "")
        at = begin
        for start, end in places:
            if begin <= start < finish:
                shown.append_text(text[at:start]).append(opening).append_text(text[start:end]).append(closing)
                at = end
        shown.append_text(text[at:finish])
        shown.append(" " if finish < length else "")
    if windows[-1][1] < length:
        shown.append("[...]")
    return shown


def _merged(places: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The places in order, those that overlap or touch as one."""
    merged: list[tuple[int, int]] = []
    for start, end in sorted(places):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged
