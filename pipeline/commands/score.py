"""`crowdfade score`: how well responses are read, measured on labelled ones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import console, print_json, safe

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console
    from rich.table import Table

    from pipeline.score_readings.calibration import Calibration
    from pipeline.score_readings.labelled_run import Scored
    from pipeline.score_readings.misses import Miss
    from pipeline.score_readings.score import Change, Changes, Estimate, FieldScore, Tally
    from pipeline.score_readings.slots import Mode, SlotCounts

MOST_TAGS = 25
"""Tags shown in the table; `--json` gives all of those with at least ten responses."""


@click.command(name="score")
@click.argument("gold", nargs=-1, required=True, metavar="GOLD...", type=click.Path(path_type=Path))
@click.option("--vehicles", type=click.Path(path_type=Path), metavar="LIST.csv", help="A list of vehicles to resolve.")
@click.option("--rules", type=click.Path(path_type=Path), multiple=True, metavar="PACK", help="A rule pack to add.")
@click.option("--misses", metavar="FIELD", help="Show each miss of a field, or of core, silent or all.")
@click.option(
    "--against", type=click.Path(path_type=Path), metavar="OTHER.json", help="Show the change since a saved run."
)
@click.option("--save", type=click.Path(path_type=Path), metavar="FILE.json", help="Save the scores for --against.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.option("--lang", metavar="CODE", help="Read every response as one of this language (BCP 47).")
@debug_option
def score(
    gold: tuple[Path, ...],
    vehicles: Path | None,
    rules: tuple[Path, ...],
    misses: str | None,
    against: Path | None,
    save: Path | None,
    as_json: bool,
    lang: str | None,
) -> None:
    """Read the labelled responses in GOLD (files or folders of JSON lines) and score the readings.

    Each line holds id, text and reports (fields as in the labelling guide); lang, tags and the words of each field are
    used where they are there.  Intervals are 95 % bootstrap intervals over responses.
    """
    from pipeline.find_values.reader import ResponseReader
    from pipeline.score_readings.labelled_run import count, labelled_fields, read_gold, score_gold
    from pipeline.score_readings.misses import check_question, find_misses
    from pipeline.score_readings.saved_run import load_run, save_run
    from pipeline.score_readings.score import changes

    reader = ResponseReader(rules=list(rules), vehicles=vehicles, lang=lang)
    if misses is not None:
        check_question(misses, [field.name for field in reader.declared])
    before = load_run(against) if against is not None else None
    labelled = read_gold(gold, reader.declared)
    declared = labelled_fields(labelled, reader.declared)
    scored = score_gold(labelled, reader, declared)
    counted = count(scored, declared)
    if save is not None:
        save_run(counted, save)
    missed = find_misses(scored, misses) if misses is not None else None
    changed = changes(counted, before) if before is not None else None
    if as_json:
        print_json(_plain(scored, counted, missed, changed))
        return
    screen = console()
    _print_head(screen, counted)
    if missed is None:
        _print_rest(screen, scored, counted)
    if changed is not None:
        _print_changes(screen, changed)
    if missed is not None:
        _print_misses(screen, missed, misses or "")


COMMAND = score
command = COMMAND


def _plain(
    scored: Sequence[Scored], counted: Tally, missed: list[Miss] | None, changed: Changes | None
) -> dict[str, Any]:
    from dataclasses import asdict

    from pipeline.score_readings.labelled_run import calibration_of, groups, slots_of
    from pipeline.score_readings.score import MEASURES, Scorer

    scorer = Scorer(counted)
    slots = slots_of(scored)
    told: dict[str, Any] = {
        "responses": len(counted),
        "reports_wanted": int(counted.mark("reports_wanted").sum()),
        "reports_read": int(counted.mark("reports_got").sum()),
        "measures": {name: scorer.measure(name).plain() for name in MEASURES},
        "fields": {name: asdict(scorer.field(name)) for name in counted.names},
        "slots": slots and {mode: {**asdict(one), **_slot_shares(one)} for mode, one in slots.items()},
        "calibration": asdict(calibration_of(scored)),
    }
    for kind, parts in groups(scored).items():
        told[kind] = {
            name: {
                "responses": len(places),
                **{measure: part.measure(measure).plain() for measure in ("core_f1", "silent", "wholly_right")},
            }
            for name, places in parts.items()
            for part in [Scorer(counted.part(places))]
        }
    if changed is not None:
        told["against"] = asdict(changed)
    if missed is not None:
        told["misses"] = [miss.plain() for miss in missed]
    return told


def _slot_shares(one: SlotCounts) -> dict[str, float | None]:
    return {"precision": one.precision, "recall": one.recall, "f1": one.f1}


def _table(title: str, first: str, *numbers: str) -> Table:
    from rich.table import Table
    from rich.text import Text

    heading = Text(title, style="bold")
    table = Table(title=heading, title_justify="left", box=None, pad_edge=False, collapse_padding=True)
    table.add_column(first, no_wrap=True)
    for name in numbers:
        table.add_column(name, justify="right", no_wrap=True)
    return table


def _show(screen: Console, table: Table) -> None:
    """Prints a table in its natural width: a narrow terminal wraps it, nothing in it is cut off."""
    table.width = screen.measure(table, options=screen.options.update(width=10_000)).maximum
    screen.print(table, "")


def _number(value: float | None, form: str = ".3f") -> str:
    return "-" if value is None else format(value, form)


def _interval(one: Estimate, form: str = ".3f") -> str:
    return "-" if one.low is None or one.high is None else f"{one.low:{form}} to {one.high:{form}}"


def _print_head(screen: Console, counted: Tally) -> None:
    from pipeline.score_readings.score import MEASURES, Scorer

    wanted, got = (int(counted.mark(name).sum()) for name in ("reports_wanted", "reports_got"))
    title = f"{len(counted)} responses, {wanted} reports labelled, {got} read"
    table = _table(title, "measure", "value", "95 %", "responses")
    scorer = Scorer(counted)
    for name in MEASURES:
        one = scorer.measure(name)
        table.add_row(name.replace("_", " "), _number(one.value), _interval(one), str(one.responses))
    _show(screen, table)


def _print_rest(screen: Console, scored: Sequence[Scored], counted: Tally) -> None:
    from pipeline.score_readings.labelled_run import calibration_of, groups, slots_of
    from pipeline.score_readings.score import Scorer

    scorer = Scorer(counted)
    _print_fields(screen, [scorer.field(name) for name in counted.names])
    slots = slots_of(scored)
    if slots is not None:
        _print_slots(screen, slots)
    _print_calibration(screen, calibration_of(scored))
    parts = groups(scored)
    if len(parts["lang"]) > 1:
        _print_parts(screen, "by language", "language", counted, parts["lang"])
    if parts["tag"]:
        shown = dict(list(parts["tag"].items())[:MOST_TAGS])
        _print_parts(screen, "by tag", "tag", counted, shown)


def _print_fields(screen: Console, fields: Sequence[FieldScore]) -> None:
    from pipeline.score_readings.compare import CORE, NAME_FIELD, SCORED

    title = "by field, with 95 % intervals; a wrong value (diff) is missing and spurious too"
    parts = (
        ("core field", [one for one in fields if one.field in CORE]),
        ("other field", [one for one in fields if one.field in SCORED and one.field not in CORE]),
        ("in no sum", [one for one in fields if one.field == NAME_FIELD or one.field not in SCORED]),
    )
    table = _table(title, parts[0][0], "precision", "recall", "F1", "ok", "miss", "spur", "diff")
    for place, (head, lines) in enumerate(parts):
        if place:
            table.add_row("", end_section=True)
            table.add_row(head, style="bold")
        for one in lines:
            shares = [_short_share(part) for part in (one.precision, one.recall, one.f1)]
            table.add_row(
                one.field, *shares, str(one.correct), str(one.missing), str(one.spurious), str(one.wrong)
            )  # fmt: skip
    _show(screen, table)


def _short_share(one: Estimate) -> str:
    """A share and its interval in twelve characters: 0.86 .80-.91."""
    if one.value is None or one.low is None or one.high is None:
        return "-"
    ends = ("1.0" if end >= 0.995 else f"{end:.2f}".lstrip("0") for end in (one.low, one.high))
    return f"{one.value:.2f} {'-'.join(ends)}"


def _share(one: Estimate) -> tuple[str, str]:
    return _number(one.value), _interval(one, ".2f")


def _print_slots(screen: Console, slots: dict[Mode, SlotCounts]) -> None:
    numbers = ("precision", "recall", "F1", "correct", "incorrect", "partial", "missing", "spurious")
    table = _table("words read against the labels' words (SemEval-2013 task 9.1)", "mode", *numbers)
    for mode, one in slots.items():
        shares = [_number(value) for value in (one.precision, one.recall, one.f1)]
        counts = (one.correct, one.incorrect, one.partial, one.missing, one.spurious)
        table.add_row(mode, *shares, *map(str, counts))
    _show(screen, table)


def _print_calibration(screen: Console, told: Calibration) -> None:
    title = f"confidence of {told.rows} rows read"
    if told.rows:
        title += f": Brier score {_number(told.brier)}, expected calibration error {_number(told.expected_error)}"
    table = _table(title, "said", "rows", "mean said", "wholly right")
    for one in told.bins:
        if one.rows:
            name = f"{one.low:.1f} to {one.high:.1f}"
            table.add_row(name, str(one.rows), _number(one.mean_confidence), _number(one.share_right))
    _show(screen, table)


def _print_parts(screen: Console, title: str, first: str, counted: Tally, parts: dict[str, list[int]]) -> None:
    from pipeline.score_readings.score import Scorer

    table = _table(title, first, "responses", "core F1", "95 %", "silent", "wholly right", "95 %")
    for name, places in parts.items():
        part = counted.part(places)
        core, silent, right = (Scorer(part).measure(measure) for measure in ("core_f1", "silent", "wholly_right"))
        # Where no report is labelled, F1 would be 0 after a single spurious value; "silent" tells more.
        told = _share(core) if part.mark("wanted").any() else ("-", "-")
        table.add_row(safe(name), str(len(places)), *told, _number(silent.value), *_share(right))
    _show(screen, table)


def _print_changes(screen: Console, told: Changes) -> None:
    if told.paired:
        title = f"change since the saved run, on the {told.responses} responses in both"
    else:
        title = "change since the saved run (no response in common: each run on its own responses)"
    table = _table(title, "figure", "before", "now", "change", "95 %", "")
    for one in told.lines:
        if one.before is None and one.now is None:
            continue
        change = _number(one.change.value, "+.3f")
        table.add_row(
            one.name.replace("_", " ") if " " not in one.name else one.name,
            _number(one.before),
            _number(one.now),
            change,
            _interval(one.change, "+.3f"),
            _verdict(one),
        )
    _show(screen, table)


def _verdict(one: Change) -> str:
    """Better or worse where the interval leaves out 0."""
    low, high = one.change.low, one.change.high
    if low is None or high is None or low <= 0 <= high:
        return ""
    return "better" if low > 0 else "worse"


def _print_misses(screen: Console, missed: Sequence[Miss], about: str) -> None:
    from rich.rule import Rule
    from rich.text import Text

    for miss in missed:
        labelled, reading = miss.scored.labelled, miss.scored.reading
        head = "  ".join([miss.scored.key, labelled.lang, *(f"#{tag}" for tag in labelled.tags)])
        screen.print(Rule(Text(safe(head)), align="left"))
        screen.print(Text(safe(labelled.text)))
        for outcome in miss.outcomes:
            line = Text(f"  {outcome.kind:<9}", style="bold red").append(f"{outcome.field}: ", style="bold")
            line.append(safe(f"got {_value(outcome.got)}, wanted {_value(outcome.wanted)}"), style="not bold default")
            words = miss.words_wanted(outcome)
            line.append(safe(f"  label's words: {words!r}") if words else "", style="not bold default")
            screen.print(line)
        if len(reading.reports) != len(labelled.reports):
            screen.print(Text(f"  {len(reading.reports)} reports read, {len(labelled.reports)} labelled", style="bold"))
        for number, report in enumerate(reading.reports, 1):
            for name, found in report.values.items():
                told = f"    fired    {number}: {name} = {_value(found.value)} <- {found.raw!r}"
                screen.print(Text(safe(f"{told}  [{found.rule_id}; {found.derivation}]"), style="dim"))
        for refusal in reading.refusals:
            told = f"    refused  {refusal.field}: {refusal.raw!r}  [{refusal.rule_id}; {refusal.reason}]"
            screen.print(Text(safe(told), style="dim"))
    screen.print(f"{len(missed)} responses with misses of {about}")


def _value(value: Any) -> str:
    if value is None:
        return "nothing"
    return f"{value:.10g}" if isinstance(value, float) else str(value)
