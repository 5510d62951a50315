"""The page's follow-up: vehicles to ask in a year, questions that lack answers, and a survey form ready to be used."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.write_report.follow_up import (
    ASK_AFTER,
    MARKS_KM,
    NEAR_KM,
    AskAgain,
    LackingQuestion,
    ask_again,
    lacking_questions,
)
from pipeline.write_report.groups import prepared
from pipeline.write_report.quotes import NAMES, safe_link
from pipeline.write_report.report_files import Cell, csv_text, plain_cell, workbook
from pipeline.write_report.sections import ReportContext, Section, escaped, table_html
from pipeline.write_report.survey_form import form_csv, form_languages

FOLDER = "ask-again"
SHOWN = 25
LACKING = 0.3
"""Share of vehicles without an answer from which a better question is proposed."""
QUESTION_NAMES = {**NAMES, "health_pct": "loss or health"}
LANGUAGE_NAMES = {
    "en": "English", "de": "Deutsch", "fr": "français", "es": "español", "nl": "Nederlands", "nb": "norsk",
    "it": "italiano", "pt": "português",
}  # fmt: skip
HEADERS = (
    "mark (km)", "expected (km)", "on", "vehicle", "chemistry", "last odometer (km)", "last reading", "km a year",
    "pace from", "loss then (%)", "ask for", "language", "export", "response", "link", "vehicle_key",
)  # fmt: skip


def make(context: ReportContext) -> Section | None:
    """The section with `ask-again/`: the sheet (CSV and Excel) and the form in each language; None without answers."""
    if not len(context.vehicles):
        return None
    vehicles = context.vehicles if "age_a" in context.vehicles else prepared(context.vehicles)
    sheet = ask_again(context.reports, vehicles, context.written_at)
    lacking = lacking_questions(vehicles, context.table("marks"), context.table("refusals"))
    links = _links(context)
    rows = [_row(one, context, links) for one in sheet]
    files: dict[str, str | bytes] = {
        f"{FOLDER}/follow-up.csv": csv_text(HEADERS, rows),
        f"{FOLDER}/follow-up.xlsx": workbook("follow-up", HEADERS, rows, context.written_at),
        **{f"{FOLDER}/survey-form-{lang}.csv": form_csv(lang) for lang in form_languages()},
    }
    parts = [
        '<p class="lede">The best data come from the same cars a second time. Ask these in a year, and ask with a form '
        "whose answers can be read without guessing.</p>",
        "<h3>Vehicles to ask again</h3>",
        *_sheet(sheet, rows, context),
        "<h3>Questions that lacked answers</h3>",
        *_lacking(lacking, len(vehicles)),
        "<h3>A survey form</h3>",
        "<p>Make a form with these questions, in this order and in these words, in any form tool that exports CSV or "
        "Excel, and let it ask for a nickname. The export is then read without a mapping: <code>crowdfade build "
        "answers.csv --to LEDGER</code>. Who gives the same name as last time is joined with the earlier answer.</p>",
        f'<ul class="files">{"".join(_form_link(lang) for lang in form_languages())}</ul>',
    ]
    return Section("again", "Ask again", "\n".join(parts), files)


def _form_link(lang: str) -> str:
    name = f"{FOLDER}/survey-form-{lang}.csv"
    return f'<li><a href="{name}" lang="{lang}">{escaped(LANGUAGE_NAMES.get(lang, lang))}</a></li>'


def _row(one: AskAgain, context: ReportContext, links: Mapping[str, str]) -> list[Cell]:
    row = one.row
    told = {name: plain_cell(row[name]) for name in ("vehicle_text", "make", "model", "chemistry", "lang", "loss_pct")}
    name = told["vehicle_text"] or " ".join(str(told[part]) for part in ("make", "model") if told[part]) or None
    further = [QUESTION_NAMES[field] for field in one.missing if field not in _ALWAYS]
    return [
        one.mark_km, int(round(one.projected_km, -2)), (context.written_at + ASK_AFTER).date().isoformat(), name,
        told["chemistry"], round(row["odometer_km"]), row["posted_at"].date().isoformat(),
        int(round(one.pace_km_a, -2)), one.pace_from, told["loss_pct"],
        ", ".join(["odometer", "loss or health", *further]), told["lang"], row["source"],
        row["source_response_id"], safe_link(links.get(row["response_id"])), one.vehicle_key,
    ]  # fmt: skip


_ALWAYS = ("odometer_km", "health_pct")
"""What is asked of every vehicle again."""


def _links(context: ReportContext) -> dict[str, str]:
    responses = context.table("responses")
    told = responses[responses["link"].notna()]
    return dict(zip(told["response_id"], told["link"], strict=True))


def _sheet(sheet: list[AskAgain], rows: list[list[Cell]], context: ReportContext) -> list[str]:
    day = (context.written_at + ASK_AFTER).date().isoformat()
    if not sheet:
        return [f"<p>No vehicle is expected within {NEAR_KM:,} km of {_marks()} on {day}.</p>"]
    counts = ", ".join(f"{sum(one.mark_km == mark for one in sheet)} near {mark:,} km" for mark in MARKS_KM)
    headers = ("near", "expected", "vehicle", "last odometer", "last reading", "km a year", "ask for", "answer")
    shown = [
        (
            f"{row[0]:,} km", f"{row[1]:,.0f} km", row[3] or "unnamed", f"{row[5]:,} km", row[6], f"{row[7]:,.0f}",
            row[10], f"{row[12]} {row[13]}",
        )
        for row in rows[:SHOWN]
    ]  # fmt: skip
    more = f" The first {SHOWN} of them:" if len(rows) > SHOWN else ""
    return [
        f"<p>{len(sheet)} vehicles are expected within {NEAR_KM:,} km of {_marks()} on {day} ({counts}), if they go on "
        f"as they did. Own cars only; readings with a doubtful odometer are left out.{more}</p>",
        table_html("Vehicles to ask in a year", headers, shown, numbers=(1, 3, 5)),
        f'<p class="files"><a href="{FOLDER}/follow-up.csv">follow-up.csv</a> '
        f'<a href="{FOLDER}/follow-up.xlsx">follow-up.xlsx</a>: all of them, with links where the export has them</p>',
    ]


def _marks() -> str:
    return " or ".join(f"{mark:,}" for mark in MARKS_KM) + " km"


def _lacking(lacking: list[LackingQuestion], vehicles: int) -> list[str]:
    rows = []
    for one in lacking:
        unread = f"{one.unread} of {one.cells}" if one.cells else ""
        asked = "; ".join(f"“{question}”" for question in one.asked[:2]) or "not asked"
        better = f"“{one.better}”" if one.missing >= LACKING or one.unread else ""
        why = one.why if better else ""
        rows.append((QUESTION_NAMES[one.field], f"{100 * one.missing:.0f} %", asked, unread, better, why))
    headers = ("field", "vehicles without it", "as surveys asked it", "cells not read", "better asked", "why")
    return [
        f"<p>Of {vehicles:,} vehicles. Comments leave out what nobody asks for; survey cells are not read where the "
        "question lets people answer otherwise.</p>",
        table_html("Questions, those with the fewest answers first", headers, rows, numbers=(1, 3)),
    ]
