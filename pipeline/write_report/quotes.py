"""The page's quotes: the words with what was read from them marked, and a file of them to take along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any
from urllib.parse import urlsplit

from pipeline.correct_readings.corrections_file import read_corrections
from pipeline.dataset_columns import FIELDS, KM_PER_MILE
from pipeline.keep_ledger.pseudonym import load_key
from pipeline.problems import KeyProblem, UsageProblem
from pipeline.write_report.choose_quotes import Quote, choose_quotes
from pipeline.write_report.handles import handles_of
from pipeline.write_report.highlight import Span, highlighted
from pipeline.write_report.report_files import Cell, csv_text, plain_cell
from pipeline.write_report.sections import ReportContext, Section, escaped
from pipeline.write_report.typical_curve import against_curve

FILE = "quotes.csv"
_COLUMNS = ("kind", "why", "text", "lang", "likes", "link", "verified", "confidence")
NAMES = {
    "odometer_km": "driven",
    "loss_pct": "lost",
    "loss_max_pct": "lost less than",
    "age_months": "age",
    "charge_limit_pct": "charged to",
    "charge_floor_pct": "plugged in at",
    "full_charges_per_week": "full charges a week",
    "dc_fast_share_pct": "fast charging",
    "pack_kwh": "pack",
    "model_year": "model year",
    "chemistry": "chemistry",
    "charge_habit": "habit",
    "vehicle_text": "vehicle",
    "whose": "whose",
    "loss_origin": "loss told as",
}
"""Field -> what it is called beside a quote."""


def make(context: ReportContext) -> Section | None:
    """The section with `quotes.csv`; a note where the ledger keeps no texts, None where it holds no answers."""
    responses = context.table("responses")
    if not len(context.vehicles):
        return None
    if responses["text"].isna().all():
        body = '<p class="note">This ledger keeps no texts (--no-keep-text), so there is nothing to quote.</p>'
        return Section("quotes", "Quotes", body)
    quotes = _chosen(context)
    if not quotes:
        body = '<p class="note">No answer is whole, short and sure enough to be read out yet.</p>'
        return Section("quotes", "Quotes", body)
    handles = _handles(context, quotes)
    usual = [quote for quote in quotes if quote.kind == "usual"]
    unusual = [quote for quote in quotes if quote.kind == "outlier"]
    parts = [
        '<p class="lede">Answers that can be read out, chosen by rule: each tells a lot, stands alone and is no copy, '
        "and no chemistry or vehicle speaks for all. Marked words are those that values were read from.</p>",
        _reminder(context, len(quotes), len(handles)),
    ]
    if usual:
        parts += ["<h3>Usual answers</h3>", *(_shown(quote, context, handles) for quote in usual)]
    if unusual:
        parts += [
            "<h3>Honest outliers</h3>",
            "<p>These lie far from what others say at the same distance. They carry no flag and were read with "
            "confidence or verified by hand. Say that they are unusual when you read them out.</p>",
            *(_shown(quote, context, handles) for quote in unusual),
        ]
    parts.append(f'<p class="files"><a href="{FILE}">{FILE}</a>: the same, for your own files</p>')
    return Section("quotes", "Quotes", "\n".join(parts), {FILE: _file(quotes, handles)})


def verified_reports(context: ReportContext) -> frozenset[str]:
    """The report_ids that a person has looked at whole and found right (and has not taken back since)."""
    newest: dict[str, tuple[str, str]] = {}
    for decision in read_corrections(context.ledger).decisions:
        if decision.report and not decision.field and (decision.when, "") >= newest.get(decision.report, ("", "")):
            newest[decision.report] = (decision.when, decision.kind)
    return frozenset(report for report, (_, kind) in newest.items() if kind == "verified")


def _chosen(context: ReportContext) -> list[Quote]:
    reports = context.reports
    marks = context.table("marks")
    return choose_quotes(
        context.vehicles,
        context.table("responses"),
        against_curve(context.vehicles),
        reports_of=reports["response_id"].value_counts(),
        answered=frozenset(marks.loc[marks["kind"] == "answer", "response_id"]),
        verified=verified_reports(context),
    )


def _handles(context: ReportContext, quotes: Sequence[Quote]) -> dict[str, str]:
    if not context.options.handles:
        return {}
    from pipeline.read_exports.column_mapping import ColumnMapping

    mapping = None
    with suppress(UsageProblem):  # a mapping of several files is not kept in full
        told = (context.record.get("options") or {}).get("mapping")
        mapping = ColumnMapping.from_option(told) if told else None
    key = None
    with suppress(KeyProblem):
        key = load_key(create=False)
    wanted = {quote.row["response_id"] for quote in quotes}
    authors = context.table("responses").set_index("response_id")["author_key"].dropna()
    known = {str(response): str(author) for response, author in authors.items() if response in wanted}
    return handles_of(context.options.handles, wanted, mapping=mapping, key=key, author_keys=known)


def _reminder(context: ReportContext, quotes: int, named: int) -> str:
    said = (
        "Ask people before you read out or show their words, and keep to the rules of the platform that they were "
        "written on: many ask for the name, a link or the writer's consent, and some forbid showing comments "
        "elsewhere. Words can be found with a search even where no name stands beside them. Take a quote down when "
        "its writer asks."
    )
    if not context.options.handles:
        return f'<p class="note">{said} Handles are not shown.</p>'
    missing = "" if named == quotes else f" {quotes - named} of {quotes} handles were not found in the exports given."
    return (
        '<p class="note warn"><strong>Handles are shown.</strong> They are personal data: do not publish this page as '
        f"it stands. {said}{escaped(missing)}</p>"
    )


def _shown(quote: Quote, context: ReportContext, handles: Mapping[str, str]) -> str:
    row = quote.row
    lang = f' lang="{escaped(row["lang"])}"' if isinstance(row["lang"], str) else ""
    words = highlighted(row["text"], _spans(quote, context))
    about = [f"<strong>{escaped(value)}</strong> {escaped(name)}" for name, value in told_values(row)]
    beside = []
    if quote.verified:
        beside.append('<span class="tag good">✓ verified by hand</span>')
    else:
        beside.append(f'<span class="tag">read with {100 * row["confidence"]:.0f} % confidence</span>')
    if (handle := handles.get(row["response_id"])) is not None:
        beside.append(f"<span>{escaped(handle)}</span>")
    if row["likes"] == row["likes"] and row["likes"] is not None:
        beside.append(f"<span>{int(row['likes']):,} {'like' if row['likes'] == 1 else 'likes'}</span>")
    if (link := safe_link(row["link"])) is not None:
        beside.append(f'<a href="{escaped(link)}" rel="noopener noreferrer nofollow">the response</a>')
    beside.append(f"<span>{escaped(row['source'])} {escaped(row['source_response_id'])}</span>")
    lines = (escaped(quote.why), " · ".join(about), " · ".join(beside))
    caption = "".join(f"<p>{line}</p>" for line in lines)
    said = f'<blockquote class="quote"{lang}><p>{words}</p></blockquote>'
    return f"<figure>{said}<figcaption>{caption}</figcaption></figure>"


def _spans(quote: Quote, context: ReportContext) -> list[Span]:
    told = dict(told_values(quote.row, short=False))
    spans = []
    for table in (context.table("evidence"), context.table("parts")):
        for row in table[table["report_id"] == quote.report_id].to_dict("records"):
            if row.get("origin") == "list":  # filled in by the vehicle list: nothing that was said
                continue
            if row["start"] == row["start"] and row["end"] == row["end"] and row["start"] is not None:
                name = NAMES.get(row["field"], row["field"])
                spans.append(Span(int(row["start"]), int(row["end"]), f"{name}: {told.get(name, '')}".rstrip(": ")))
    return spans


def told_values(row: Mapping[str, Any], *, short: bool = True) -> list[tuple[str, str]]:
    """What was read, as (name, value) for people; distances in km and miles.  `short` leaves out whose and how."""
    told = []
    for column in FIELDS:
        value = row[column.name]
        if value is None or value != value or (short and column.name in ("whose", "loss_origin")):
            continue
        told.append((NAMES[column.name], _told(column.name, column.unit, value)))
    return told


def _told(name: str, unit: str, value: Any) -> str:
    if name == "odometer_km":
        return f"{_rounded(value)} km ({_rounded(value / KM_PER_MILE)} miles)"
    if name == "age_months":
        return f"{value:.0f} months" if value < 24 else f"{value / 12:.1f} years".replace(".0 ", " ")
    if name == "model_year":
        return f"{value:.0f}"
    if isinstance(value, str):
        return value
    return f"{value:.3g} {'%' if unit.startswith('%') else '' if unit == '1/week' else unit}".rstrip()


def _rounded(distance: float) -> str:
    """A distance to three significant digits: nobody reads an odometer out more exactly, and conversions are not."""
    return f"{float(f'{distance:.3g}'):,.0f}"


def safe_link(link: object) -> str | None:
    """The link if it leads to the web, else None: an export must not be able to put a script behind one."""
    if not isinstance(link, str):
        return None
    try:
        parts = urlsplit(link.strip())
    except ValueError:
        return None
    return link.strip() if parts.scheme in ("http", "https") and parts.netloc else None


def _file(quotes: Sequence[Quote], handles: Mapping[str, str]) -> str:
    fields = [column.name for column in FIELDS]
    named = ["handle"] if handles else []
    headers = [*_COLUMNS, *named, *fields, "usual_loss_pct", "spreads_off", "source", "source_response_id", "report_id"]
    rows: list[list[Cell]] = []
    for quote in quotes:
        row = quote.row
        told: list[Cell] = [
            quote.kind, quote.why, row["text"], plain_cell(row["lang"]), plain_cell(row["likes"]),
            safe_link(row["link"]), "yes" if quote.verified else "no", round(row["confidence"], 2),
        ]  # fmt: skip
        told += [handles.get(row["response_id"])] if handles else []
        told += [plain_cell(row[name]) for name in fields]
        told += [
            round(row["usual"], 2),
            round(row["far"], 1),
            row["source"],
            row["source_response_id"],
            quote.report_id,
        ]
        rows.append(told)
    return csv_text(headers, rows)
