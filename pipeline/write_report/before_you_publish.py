"""The page's last look before anything is published: what could embarrass, and where to look."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from pipeline.dataset_columns import FIELDS
from pipeline.sum_up.cross_section import cross_section
from pipeline.write_report.changed_since import Since, changed_since
from pipeline.write_report.claims import read_claims
from pipeline.write_report.contradictions import Contradiction, against_claims, against_differences
from pipeline.write_report.groups import DIMENSIONS
from pipeline.write_report.measured_accuracy import (
    LOW_F1,
    LowField,
    MeasuredPart,
    kept_accuracy,
    low_fields,
    measured_parts,
)
from pipeline.write_report.mix_ups import CODES, Suspicion, mix_ups
from pipeline.write_report.quotes import NAMES, told_values
from pipeline.write_report.report_files import Cell, csv_text
from pipeline.write_report.sections import ReportContext, Section, escaped, table_html

if TYPE_CHECKING:
    import pandas

FILE = "before-you-publish.csv"
FIRST, MOST = 20, 150
"""Mix-ups that are shown at once, and at most on the page; the file holds all."""
DOUBTFUL = 0.5
HEADLINES = 6
"""Headlines for which contradicting answers are looked for."""


def make(context: ReportContext) -> Section | None:
    """The section with `before-you-publish.csv` (every suspicion); None where the run holds no reports."""
    if not len(context.reports):
        return None
    found = mix_ups(context.reports, unsaid_units(context))
    since = changed_since(context)
    claims = read_claims(context.ledger)
    thin = _thin(context)
    against = against_differences(context.vehicles, context.figures.differences[:HEADLINES], DIMENSIONS)
    against += against_claims(cross_section(context.reports), claims)
    doubtful = int((context.vehicles["confidence"] < DOUBTFUL).sum())
    own = kept_accuracy(context.run)
    low = low_fields(context.vehicles, context.table("evidence"), parts=None if own is None else [own])
    reports = len({one.report_id for one in found})
    against_some = sum(one.count > 0 for one in against)
    summary = [
        ("mix-ups", f"{_number(reports, 'answer')} in which something may be mixed up"),
        ("thin", f"{_number(len(thin), 'statement')} on fewer than {context.options.fewest} vehicles"),
        ("changed", _since_line(since)),
        (
            "contradict",
            f"{_number(against_some, 'headline')} that some answers contradict",
        ),
        ("accuracy", f"{_number(len(low), 'field')} read less well than the others"),
    ]
    listed = "".join(f'<li><a href="#before-{anchor}">{escaped(line)}</a></li>' for anchor, line in summary)
    parts = [
        '<p class="lede">What somebody could hold against you. Look at it before you publish; nothing was changed '
        f"or left out for you.</p><ul>{listed}</ul>",
        '<h3 id="before-mix-ups">Mix-ups and flags</h3>',
        *_mix_ups(context, found),
        '<h3 id="before-thin">Too few vehicles</h3>',
        *_thin_list(context, thin),
        '<h3 id="before-changed">Changed since the last report</h3>',
        *_since(since),
        '<h3 id="before-contradict">Answers that contradict a headline</h3>',
        *_contradictions(against),
        '<h3 id="before-accuracy">How well the fields are read</h3>',
        *_accuracy(context, low, doubtful, own),
    ]
    return Section("before", "Before you publish", "\n".join(parts), {FILE: _file(context, found)})


def unsaid_units(context: ReportContext) -> frozenset[str]:
    """The report_ids whose odometer was read from a bare number in free words (survey columns name their unit)."""
    table = context.table("evidence")
    rows = table[(table["field"] == "odometer_km") & table["origin"].isin(["rule", "model"]) & table["raw"].notna()]
    bare = rows["raw"].map(lambda raw: re.search(r"[^\W\dk]", str(raw), re.I) is None)
    return frozenset(rows.loc[bare.astype(bool), "report_id"])


def _mix_ups(context: ReportContext, found: list[Suspicion]) -> list[str]:
    if not found:
        return ['<p class="good">None was found.</p>']
    by_report: dict[str, list[Suspicion]] = {}
    for one in found:
        by_report.setdefault(one.report_id, []).append(one)
    rows = context.reports.set_index("report_id")
    shown = []
    for report_id, suspicions in list(by_report.items())[:MOST]:
        row = {str(name): value for name, value in rows.loc[report_id].to_dict().items()}
        values = ", ".join(f"{value} {name}" for name, value in told_values(row) if name in _TELLING)
        shown.append(
            (
                f"{row['source']} {row['source_response_id']}",
                values,
                "; ".join(dict.fromkeys(one.what for one in suspicions[:2])),
                "yes" if row["usable"] else "no",
            )
        )
    headers = ("answer", "what was read", "what is odd", "in the figures?")
    told = [
        f"<p>{_number(len(by_report), 'answer')} of {len(rows):,}. Read the words again "
        "(<code>crowdfade show LEDGER --response ID</code>); a wrong one is put right with "
        f"<code>crowdfade correct</code>. {_effect(context, frozenset(by_report))}</p>",
        table_html("Answers to look at, the oddest first", headers, shown[:FIRST]),
    ]
    if len(shown) > FIRST:
        rest = table_html("Further answers to look at", headers, shown[FIRST:])
        told.append(f"<details><summary>{len(shown) - FIRST} more</summary>{rest}</details>")
    told.append(f'<p class="files"><a href="{FILE}">{FILE}</a>: all of them with their ids</p>')
    return told


_TELLING = tuple(NAMES[name] for name in ("odometer_km", "loss_pct", "age_months", "model_year", "chemistry"))


def _effect(context: ReportContext, reports: frozenset[str]) -> str:
    """What leaving all of them out would do to the medians: the honest measure of how much they matter."""
    vehicles = context.vehicles[context.vehicles["loss_pct"].notna()]
    kept = vehicles[~vehicles["report_id"].isin(reports)]
    if not len(kept) or len(kept) == len(vehicles):
        return "None of them counts in the figures." if len(kept) == len(vehicles) else ""
    told = []
    groups: list[tuple[str, pandas.DataFrame, pandas.DataFrame]] = [("all vehicles", vehicles, kept)]
    groups += [
        (str(name), rows, kept[kept["chemistry_group"] == name])
        for name, rows in vehicles.groupby("chemistry_group", sort=True)
        if len(rows) >= context.options.fewest
    ]
    for name, rows, without in groups:
        if len(without):
            told.append(f"{name} {rows['loss_pct'].median():.1f} to {without['loss_pct'].median():.1f} %")
    return f"Left out, they would move the median loss of {escaped(', of '.join(told))}."


def _thin(context: ReportContext) -> list[tuple[str, str, str]]:
    """What rests, or would rest, on too few: (statement, vehicles, why it is here)."""
    fewest = context.options.fewest
    found = []
    for claim in read_claims(context.ledger):
        if claim.measured.fewest < fewest:
            found.append((f"“{claim.text}” (pinned)", str(claim.measured.fewest), "pinned on fewer"))
    for dimension, column in DIMENSIONS.items():
        known = context.vehicles[context.vehicles["loss_pct"].notna() & context.vehicles["odometer_km"].notna()]
        for name, number in known[column].value_counts().sort_index().items():
            if 0 < number < fewest:
                found.append((f"anything about {dimension}: {name}", str(number), "not drawn for that reason"))
    return found


def _thin_list(context: ReportContext, thin: list[tuple[str, str, str]]) -> list[str]:
    if not thin:
        return ['<p class="good">Every group has enough vehicles.</p>']
    headers = ("statement", "vehicles", "why it is here")
    said = f"Fewer than {context.options.fewest} vehicles: single answers decide the figure. Do not state these."
    table = table_html("Statements on too few vehicles", headers, thin, numbers=(1,))
    return [
        f"<p>{said}</p>",
        table if len(thin) <= FIRST else f"<details><summary>{len(thin)} groups</summary>{table}</details>",
    ]


def _since_line(since: Since | None) -> str:
    if since is None:
        return "no earlier report to compare with"
    return f"{_number(len(since.moved), 'figure')} changed since {since.earlier}"


def _since(since: Since | None) -> list[str]:
    if since is None:
        return ["<p>This is the first report on the first run: there is nothing to compare with.</p>"]
    same = f"{_number(since.same, 'figure')} as before."
    if not since.moved:
        return [f'<p class="good">Compared with {escaped(since.earlier)}: nothing moved. {same}</p>']
    rows = [
        (
            one.what,
            _median(one.before),
            _median(one.after),
            f"{one.vehicles_before} / {one.vehicles_after}",
            "beyond its interval"
            if one.beyond
            else "new"
            if one.before is None
            else "gone"
            if one.after is None
            else "",
        )
        for one in since.moved
    ]
    headers = ("figure", "median before", "median now", "vehicles before / now", "")
    table = table_html("Figures that are not what they were", headers, rows, numbers=(1, 2, 3))
    body = table if len(rows) <= FIRST else f"<details><summary>{len(rows)} figures</summary>{table}</details>"
    why = "<code>crowdfade compare</code> shows which rows and rules changed them."
    return [f"<p>Compared with {escaped(since.earlier)}. {same} If you published one of these, say so: {why}</p>", body]


def _median(value: float | None) -> str:
    return "none" if value is None else f"{value:.1f} %"


def _contradictions(against: list[Contradiction]) -> list[str]:
    if not against:
        return ["<p>No difference is clear enough for an answer to contradict it.</p>"]
    told = ["<p>A headline about groups promises nothing to anybody. Expect to hear of these answers.</p>"]
    for one in against:
        rows = "".join(
            f"<li>{escaped(row['source'])} {escaped(row['source_response_id'])}: "
            f"{escaped(', '.join(f'{value} {name}' for name, value in told_values(row) if name in _TELLING))}</li>"
            for row in one.rows
        )
        head = f"{one.count} of {one.vehicles} vehicles ({100 * one.share:.0f} %) {one.than}"
        named = f"<p>The surest of them:</p><ul>{rows}</ul>" if rows else ""
        told.append(
            f"<details><summary>{escaped(one.headline)} <strong>{escaped(head)}</strong></summary>{named}</details>"
        )
    return told


def _accuracy(context: ReportContext, low: list[LowField], doubtful: int, own: MeasuredPart | None) -> list[str]:
    day, parts = measured_parts()
    on = " and ".join(f"{part.responses} {part.words}" for part in parts)
    measured = f"Measured on {day} on labelled responses ({on}), not on yours."
    if own is not None:
        measured = f"Measured on {own.responses} labelled responses: {own.part}."
    told = [
        f"<p>{escaped(measured)} "
        f"{_number(doubtful, 'vehicle')} of {len(context.vehicles):,} in the figures "
        f"{'is' if doubtful == 1 else 'are'} more likely wrong than right in some value.</p>"
    ]
    if not low:
        return [*told, f'<p class="good">No field of this report is read with an F1 below {LOW_F1}.</p>']
    meanings = {column.name: column.meaning for column in FIELDS}
    rows = [
        (
            NAMES[one.field],
            meanings[one.field],
            one.words,
            one.values,
            f"{one.accuracy.right} %",
            f"{one.accuracy.found} %",
        )
        for one in low
    ]
    headers = ("field", "what it is", "language", "values here", "of those read, right", "of those said, found")
    told.append(table_html("Fields that are read less well", headers, rows, numbers=(3, 4, 5)))
    return told


def _file(context: ReportContext, found: list[Suspicion]) -> str:
    rows = context.reports.set_index("report_id")
    lines: list[list[Cell]] = []
    for one in found:
        row = rows.loc[one.report_id]
        lines.append(
            [one.code, one.what, CODES.get(one.code, "a finding of the checks"), round(one.weight, 1),
             "yes" if row["usable"] else "no", str(row["source"]), str(row["source_response_id"]), one.report_id]
        )  # fmt: skip
    headers = ["code", "what is odd", "what the code means", "weight", "in the figures", "source", "source_response_id",
               "report_id"]  # fmt: skip
    return csv_text(headers, lines)


def _number(count: int, word: str) -> str:
    return f"{count:,} {word if count == 1 else word + 's'}"
