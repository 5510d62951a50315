"""Writes a comparison for people and tools: Markdown, one HTML page without anything outside it, CSV, Parquet."""

from __future__ import annotations

import csv
import html
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from pipeline.compare_runs.compare import Comparison, FigureChange, ValueChange
from pipeline.problems import UsageProblem
from pipeline.sum_up.headline import Figure

COLUMNS = tuple(column.name for column in fields(ValueChange))
KINDS = (".parquet", ".csv", ".html", ".md")

Section = tuple[str, str, list[str], list[list[str]]]
"""Title, a line below it, the heads of a table, its rows."""


def sections(told: Comparison, limit: int | None = None, field: str | None = None) -> list[Section]:
    """The comparison as titled tables of words, the weightiest first; at most `limit` single values (of `field`)."""
    values = told.values if field is None else [one for one in told.values if one.field == field]
    shown = values if limit is None else values[:limit]
    left = len(values) - len(shown)
    moved = [one for one in told.figures if one.moved or (one.before is None) != (one.after is None)]
    rows = [
        [name.replace("_", " "), f"{one:,}", f"{two:,}", f"{two - one:+,}" if two != one else ""]
        for name, (one, two) in told.counts.items()
    ]
    came = ", ".join(f"{count:,} {kind}" for kind, count in told.rows.items() if count) or "none differ"
    read = f"; responses only in the later run {told.new_responses:,}" if told.new_responses else ""
    read += f"; only in the earlier {told.gone_responses:,}" if told.gone_responses else ""
    out: list[Section] = [("Counts", f"reports: {came}{read}", ["", "before", "after", "change"], rows)]
    if told.score.changes is not None:
        out.append(("Labelled score", told.score.about, ["figure", "before", "after", "change", "95 %"], _scores(told)))
    changed = [one for one in told.fields if one.gained or one.lost or one.changed]
    out.append(
        (
            "Values a field",
            "" if changed else "no value differs",
            ["field", "before", "after", "gained", "lost", "changed"],
            [
                [one.field, *(f"{number:,}" for number in (one.before, one.after, one.gained, one.lost, one.changed))]
                for one in changed
            ],
        )
    )
    out.append(
        (
            "Median loss (%), by chemistry and thousand km",
            "" if moved else "no headline figure moved",
            ["chemistry", "thousand km", "before", "after", "moved", ""],
            [_figure_row(one) for one in moved],
        )
    )
    out.append(("What changed", "", ["rules, program, lists"], [[line] for line in told.rules]))
    about = f"{left:,} more are not shown" if left > 0 else ""
    heads = ["response", "field", "before", "after", "words", "rule", "why not"]
    out.append(("Value by value", about, heads, [value_row(one) for one in shown]))
    return [section for section in out if section[3] or section[1]]


def value_row(one: ValueChange) -> list[str]:
    """A single value as words: before -> after, with the words and the rule behind each."""
    same = one.words_before == one.words_after and one.rule_before == one.rule_after
    words, rules = (
        first if same or not second else second if not first else f"{first} -> {second}"
        for first, second in ((one.words_before, one.words_after), (one.rule_before, one.rule_after))
    )
    return [
        f"{one.source} {one.source_response_id}",
        one.field,
        shown_value(one.before),
        shown_value(one.after),
        " ".join(words.split()),
        rules,
        one.why,
    ]


def shown_value(value: Any) -> str:
    """A value for people; a dash for none."""
    if value is None or value == "":
        return "-"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _scores(told: Comparison) -> list[list[str]]:
    assert told.score.changes is not None
    rows = []
    for one in told.score.changes.lines:
        if one.before is None and one.now is None:
            continue
        low, high = one.change.low, one.change.high
        interval = "" if low is None or high is None else f"{low:+.3f} to {high:+.3f}"
        known = ["-" if value is None else f"{value:.3f}" for value in (one.before, one.now)]
        rows.append([one.name.replace("_", " "), *known, f"{one.change.value:+.3f}", interval])
    return rows


def _figure_row(one: FigureChange) -> list[str]:
    moved = "" if one.moved is None else f"{one.moved:+.2f}"
    told = "outside the interval" if one.apart else ""
    return [one.chemistry, one.band, _figure(one.before), _figure(one.after), moved, told]


def _figure(one: Figure | None) -> str:
    if one is None:
        return "-"
    if one.median is None or one.low is None or one.high is None:
        return f"n = {one.vehicles}"
    return f"{one.median:.2f} ({one.low:.2f} to {one.high:.2f}; n = {one.vehicles})"


def title(told: Comparison) -> str:
    """Which runs are compared."""
    return f"{told.before['run']} -> {told.after['run']}"


def markdown(told: Comparison, limit: int | None = 20) -> str:
    """The comparison as Markdown."""
    out = [f"# Runs {title(told)}", "", f"**{_cell(told.verdict)}**", ""]
    for name, about, heads, rows in sections(told, limit):
        out += [f"## {name}", ""]
        if about:
            out += [about, ""]
        if rows:
            out.append("| " + " | ".join(heads) + " |")
            out.append("|" + " --- |" * len(heads))
            out += ["| " + " | ".join(_cell(cell) for cell in row) + " |" for row in rows]
            out.append("")
    return "\n".join(out)


def _cell(text: str) -> str:
    plain = html.escape(" ".join(text.split()), quote=False)
    return "".join("\\" + sign if sign in "\\|*_`[]" else sign for sign in plain)


_STYLE = """
:root { color-scheme: light dark; }
body { font: 16px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 72rem; padding: 0 1rem; }
.verdict { font-size: 1.15rem; font-weight: 600; border-left: .3rem solid; padding-left: .8rem; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
th, td { text-align: left; vertical-align: top; padding: .25rem .9rem .25rem 0; border-bottom: 1px solid #8886; }
"""


def page(told: Comparison, limit: int | None = None, field: str | None = None) -> str:
    """The comparison as one HTML page that needs nothing outside it."""
    out = [
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Runs {html.escape(title(told))}</title><style>{_STYLE}</style></head><body>",
        f"<h1>Runs {html.escape(title(told))}</h1>",
        f'<p class="verdict">{html.escape(told.verdict)}</p>',
    ]
    for name, about, heads, rows in sections(told, limit, field):
        out.append(f"<h2>{html.escape(name)}</h2>")
        if about:
            out.append(f"<p>{html.escape(about)}</p>")
        if rows:
            out.append('<div class="scroll"><table><thead><tr>')
            out += [f'<th scope="col">{html.escape(head)}</th>' for head in heads]
            out.append("</tr></thead><tbody>")
            out += ["<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows]
            out.append("</tbody></table></div>")
    out.append("</body></html>\n")
    return "\n".join(out)


def write(told: Comparison, file: Path, *, limit: int | None = None, field: str | None = None) -> None:
    """Writes the comparison; the ending says how: .parquet and .csv hold the single values, .html and .md all of it.

    Raises `UsageProblem` for another ending, or where the file cannot be written; what stood there then stays.
    """
    values = [one for one in told.values if field is None or one.field == field][:limit]
    draft = file.with_name(f".{file.name}-new")
    try:
        if file.suffix == ".parquet":
            _write_parquet(values, draft)
        elif file.suffix == ".csv":
            _write_csv(values, draft)
        elif file.suffix == ".html":
            draft.write_text(page(told, limit, field), "utf-8")
        elif file.suffix == ".md":
            draft.write_text(markdown(told, limit), "utf-8")
        else:
            raise UsageProblem(
                f"a comparison is not written as {file.suffix or 'a file without an ending'}",
                where=str(file),
                todo="end the name with " + ", ".join(KINDS),
            )
        os.replace(draft, file)
    except OSError as error:
        raise UsageProblem(
            f"cannot be written ({error.strerror})", where=str(file), todo="choose another place"
        ) from None


def _write_csv(values: Iterable[ValueChange], file: Path) -> None:
    with file.open("w", encoding="utf-8-sig", newline="") as stream:
        out = csv.writer(stream)
        out.writerow(COLUMNS)
        for one in values:
            out.writerow([_harmless(value) for value in asdict(one).values()])


def _harmless(value: Any) -> Any:
    """A text that a spreadsheet would take for a formula with a quote before it: the words are strangers'."""
    return "'" + value if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t") else value


def _write_parquet(values: Sequence[ValueChange], file: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    def text(value: Any) -> str | None:
        return None if value is None else f"{value:.17g}" if isinstance(value, float) else str(value)

    columns = {name: [text(getattr(one, name)) for one in values] for name in COLUMNS}
    pq.write_table(pa.table({name: pa.array(column, pa.string()) for name, column in columns.items()}), file)
