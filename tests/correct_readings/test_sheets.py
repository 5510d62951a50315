"""The queue and its sheet: what comes first, what the file holds, and what is taken back from it.

LibreOffice itself is not asked here: the files are written by openpyxl and odfpy, and read by python-calamine and
openpyxl, which share no code with the writers' other side.
"""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from corrected_ledger import CorrectedLedger
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from pipeline.correct_readings.corrections_file import add_corrections, read_corrections
from pipeline.correct_readings.decisions import KINDS
from pipeline.correct_readings.describe import RunView
from pipeline.correct_readings.queue import Waiting, influence, queue
from pipeline.correct_readings.sheet import COLUMNS, FIELD_CHOICES, OPEN, ROW, ROW_CHOICES, SHEET, explanation, lines_of
from pipeline.correct_readings.sheet_files import letter, read_sheet, write_sheet
from pipeline.correct_readings.take_back import TakenBack, take_back
from pipeline.dataset_columns import CHEMISTRIES, arrow_schema
from pipeline.problems import UsageProblem
from pipeline.sum_up.headline import headline

NAMES = list(COLUMNS)
LATER = "2026-11-26T09:00:00Z"
FORMATS = (".xlsx", ".ods", ".csv")


def view_of(ledger: CorrectedLedger) -> RunView:
    return RunView(ledger.latest.resolve())


def sheet_of(ledger: CorrectedLedger, kind: str = ".xlsx", limit: int | None = None) -> Path:
    view = view_of(ledger)
    path = ledger.folder / f"queue{kind}"
    waiting = queue(ledger.latest.resolve(), read_corrections(ledger.path).decisions, limit=limit)
    write_sheet(path, lines_of(view, waiting), explanation(view.columns))
    return path


def fill(path: Path, *cells: tuple[str, str, str, str | float]) -> Path:
    """Fills cells in, each given as (report, line, column, value), the way an office program saves them."""
    _, rows = read_sheet(path)
    for report, line, column, value in cells:
        (row,) = [row for row in rows[1:] if (row[0], row[1]) == (report, line)]
        row[NAMES.index(column)] = value
    if path.suffix == ".csv":
        out = io.StringIO()
        csv.writer(out, delimiter=";").writerows(rows)
        path.write_text(out.getvalue(), encoding="utf-8")
    elif path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path)
        for number, row in enumerate(rows, start=1):
            for place, value in enumerate(row, start=1):
                if NAMES[place - 1] in OPEN and value != "":
                    book[SHEET].cell(number, place).value = value
        book.save(path)
    else:
        frame = pd.DataFrame(rows[1:], columns=rows[0])
        with pd.ExcelWriter(path, engine="odf") as writer:
            frame.to_excel(writer, sheet_name=SHEET, index=False)
    return path


def taken(ledger: CorrectedLedger, path: Path, who: str = "ana", *, keep: bool = True) -> TakenBack:
    found = take_back(path, view_of(ledger), read_corrections(ledger.path).decisions, who=who, when=LATER)
    if keep:
        add_corrections(ledger.path, found.decisions)
    return found


# -- which come first -------------------------------------------------------------------------------------------------


def test_copies_and_rows_that_were_looked_at_do_not_wait(ledger: CorrectedLedger) -> None:
    def waiting() -> set[str]:
        return {one.report for one in queue(ledger.latest.resolve(), read_corrections(ledger.path).decisions)}

    every = {row["report_id"] for row in ledger.rows("reports") if row["copy_of"] is None}
    assert waiting() == every
    ledger.decide("verified", "c1")
    ledger.decide("not-a-report", "c7")
    ledger.decide("value", "c5", field="loss_pct", value="4")
    left = every - {ledger.report_id("c1"), ledger.report_id("c7")}
    assert waiting() == left, "at once, before the next build"
    ledger.decide("as-read", "c1", when=LATER)
    assert waiting() == left | {ledger.report_id("c1")}


def reports(*rows: dict[str, Any]) -> pd.DataFrame:
    names = arrow_schema("reports").names
    fixed = {"usable": True, "confidence": 0.9, "flags": [], "whose": "own", "odometer_km": 60_000.0}
    whole = [{**dict.fromkeys(names), **fixed, "report_id": f"r{place}-1", **row} for place, row in enumerate(rows)]
    return pd.DataFrame(whole, columns=names)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), min_size=5, max_size=30))
def test_the_weight_of_a_row_is_how_far_the_published_median_moves(rows: list[tuple[int, bool]]) -> None:
    """Against the headline itself, worked out anew without (or with) each row."""
    frame = reports(*({"loss_pct": float(loss), "usable": usable} for loss, usable in rows))
    weights = influence(frame)
    told = {(one.chemistry, one.band): one.median for one in headline(frame, resamples=1)}
    before = told.get(("all", "all"))
    for place, report in enumerate(frame["report_id"]):
        other = frame.copy()
        other.loc[place, "usable"] = not frame.loc[place, "usable"]
        usable = other[other["usable"].astype(bool)]["loss_pct"].to_numpy(float)
        moved = abs(np.median(usable) - before) if before is not None and len(usable) else 0.0
        assert weights.get(report, (0.0, ""))[0] == pytest.approx(moved)


def test_doubt_flags_and_weight_come_first_and_say_so(tmp_path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    rows = [{"loss_pct": float(loss), "vehicle_key": f"v{loss}"} for loss in (1, 2, 3, 4, 30)]
    rows[1] |= {"confidence": 0.1}
    rows[2] |= {"flags": ["loss-gain", "odometer-slow"]}
    rows[4] |= {"flags": ["loss-impossible"], "usable": False}
    rows.append({"loss_pct": 5.0, "vehicle_key": "v5"})
    frame = reports(*rows).to_dict("records")
    schema = arrow_schema("reports")
    whole = [{**row, "response_id": "r", "source_response_id": "1", "source": "s"} for row in frame]
    pq.write_table(pa.Table.from_pylist(whole, schema=schema), tmp_path / "reports.parquet")
    waiting = queue(tmp_path)
    assert [one.report for one in waiting[:3]] == ["r1-1", "r4-1", "r2-1"]
    assert waiting[1].reasons[1:] == (
        "flag loss-impossible",
        "the median loss of all moves by 0.5 points with it",
    )
    assert queue(tmp_path, limit=2) == waiting[:2]


# -- the file ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", FORMATS)
def test_every_format_holds_the_same_and_is_taken_back_as_nothing(ledger: CorrectedLedger, kind: str) -> None:
    path = sheet_of(ledger, kind)
    name, rows = read_sheet(path)
    assert rows[0] == NAMES and (name == SHEET or kind == ".csv")
    assert path.stat().st_mode & 0o077 == 0
    lines = [row for row in rows[1:] if row[0] == ledger.report_id("c9")]
    by_line = {row[1]: dict(zip(NAMES, row, strict=True)) for row in lines}
    assert next(iter(by_line)) == ROW and set(by_line) == {ROW, *view_of(ledger).columns}
    assert by_line[ROW]["words"] == "The range was 400 km when new and is 380 km today, 55,000 km driven."
    assert by_line["loss_pct"]["as read"] == "5" and by_line["loss_pct"]["words"] == "400 km ... 380 km"
    assert by_line["odometer_km"]["unit"] == "km" and by_line["model_year"]["as read"] == ""
    found = taken(ledger, path)
    assert (found.decisions, found.bad, found.already) == ([], [], 0)


def test_the_workbook_offers_lists_and_locks_what_is_not_to_be_changed(ledger: CorrectedLedger) -> None:
    book = openpyxl.load_workbook(sheet_of(ledger))
    sheet = book[SHEET]
    assert sheet.freeze_panes == "C2" and sheet.protection.sheet and book.sheetnames == [SHEET, "How to"]
    offered: dict[str, str] = {}
    for rule in sheet.data_validations.dataValidation:
        assert rule.type == "list" and rule.showErrorMessage and len(rule.formula1) <= 257, "Excel's limit"
        for cell_range in rule.sqref.ranges:
            for row, column in cell_range.cells:
                offered[f"{letter(column - 1)}{row}"] = rule.formula1.strip('"')
    for row in range(2, sheet.max_row + 1):
        line = sheet.cell(row, 2).value
        for place, name in enumerate(NAMES, start=1):
            cell = sheet.cell(row, place)
            assert cell.protection.locked is (name not in OPEN)
            assert name not in OPEN or cell.number_format == "@"
        assert offered[f"H{row}"] == ",".join(ROW_CHOICES if line == ROW else FIELD_CHOICES)
        assert (f"G{row}" in offered) is (line in ("whose", "chemistry", "loss_origin", "charge_habit"))
        if line == "chemistry":
            assert offered[f"G{row}"] == ",".join((*CHEMISTRIES, "absent"))
    assert sheet.column_dimensions["N"].hidden and sheet.column_dimensions["O"].hidden
    told = {row[0].value: row[1].value for row in book["How to"].iter_rows()}
    assert {*ROW_CHOICES, *view_of(ledger).columns} <= told.keys()


def test_the_opendocument_file_offers_and_locks_the_same(ledger: CorrectedLedger) -> None:
    space = {
        "table": "urn:oasis:names:tc:opendocument:xmlns:table:1.0",
        "style": "urn:oasis:names:tc:opendocument:xmlns:style:1.0",
        "config": "urn:oasis:names:tc:opendocument:xmlns:config:1.0",
    }
    with zipfile.ZipFile(sheet_of(ledger, ".ods")) as file:
        content = etree.fromstring(file.read("content.xml"))
        settings = etree.fromstring(file.read("settings.xml"))

    def attribute(element: Any, prefix: str, name: str) -> str | None:
        found: str | None = element.get(f"{{{space[prefix]}}}{name}")
        return found

    lists = {
        attribute(one, "table", "name"): attribute(one, "table", "condition")
        for one in content.iterfind(".//table:content-validation", space)
    }
    styles = content.iterfind(".//style:style", space)
    locked = {attribute(one, "style", "name"): one.find("style:table-cell-properties", space) for one in styles}
    table = content.find(".//table:table", space)
    assert attribute(table, "table", "protected") == "true"
    for row in list(table.iterfind("table:table-row", space))[1:]:
        cells = row.findall("table:table-cell", space)
        line = "".join(cells[1].itertext())
        decision = lists[attribute(cells[NAMES.index("decision")], "table", "content-validation-name")]
        assert decision is not None
        for word in ROW_CHOICES if line == ROW else FIELD_CHOICES:
            assert f'"{word}"' in decision
        for name, cell in zip(NAMES, cells, strict=True):
            properties = locked[attribute(cell, "table", "style-name")]
            assert (attribute(properties, "style", "cell-protect") == "none") is (name in OPEN)
    items = {attribute(one, "config", "name"): one.text for one in settings.iterfind(".//config:config-item", space)}
    assert (items["VerticalSplitPosition"], items["HorizontalSplitPosition"]) == ("1", "2")


@pytest.mark.parametrize("kind", FORMATS)
def test_words_of_a_comment_are_no_formula_and_no_broken_file(ledger: CorrectedLedger, kind: str) -> None:
    view = view_of(ledger)
    home = view.response(ledger.id_of("c1"))
    assert home is not None
    home.response["text"] = '=HYPERLINK("http://example.org";"1")\x07 & <b>' + "x" * 40_000
    path = ledger.folder / f"evil{kind}"
    write_sheet(path, lines_of(view, [Waiting(ledger.report_id("c1"), 1.0, ("=1+1",))]), [])
    (words,) = [str(row[NAMES.index("words")]) for row in read_sheet(path)[1] if row[1] == ROW]
    assert words.lstrip("'").startswith("=HYPERLINK(") and "\x07" not in words and "& <b>xx" in words
    assert len(words) < 32_767
    if kind == ".csv":
        assert words.startswith("'=")
    if kind == ".xlsx":
        assert openpyxl.load_workbook(path)[SHEET]["E2"].data_type == "s"


# -- taking it back ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", FORMATS)
def test_changed_cells_become_decisions_and_no_others(ledger: CorrectedLedger, kind: str) -> None:
    c1, c5, c7, c9 = (ledger.report_id(own) for own in ("c1", "c5", "c7", "c9"))
    path = fill(
        sheet_of(ledger, kind),
        (c1, "odometer_km", "new value", "62,000 mi"),
        (c1, "odometer_km", "why", "a slip"),
        (c1, "odometer_km", "words for it", "62,000 km"),
        (c1, "loss_pct", "new value", "4"),
        (c1, "loss_pct", "why", "looks right"),
        (c9, "loss_pct", "new value", "absent"),
        (c9, "loss_pct", "why", "winter"),
        (c9, "loss_pct", "who", "ben"),
        (c5, ROW, "decision", "right"),
        (c7, ROW, "decision", "not a report"),
        (c7, ROW, "why", "hearsay"),
    )
    found = taken(ledger, path)
    assert found.bad == [] and found.already == 1
    said = {(one.kind, one.report, one.field, one.value, one.who, one.why) for one in found.decisions}
    assert said == {
        ("value", c1, "odometer_km", "62,000 mi", "ana", "a slip"),
        ("absent", c9, "loss_pct", "", "ben", "winter"),
        ("verified", c5, "", "", "ana", "looked at"),
        ("not-a-report", c7, "", "", "ana", "hearsay"),
    }
    ledger.build()
    assert ledger.report("c1")["odometer_km"] == pytest.approx(99_779.328) and ledger.report("c9")["loss_pct"] is None
    assert ledger.record()["outcomes"] == {"applied": 4}
    again = taken(ledger, path)
    assert again.decisions == [] and again.bad == []


def test_a_bad_cell_is_named_and_the_good_ones_are_taken_and_not_doubled(ledger: CorrectedLedger) -> None:
    c1, c5, c7, c9 = (ledger.report_id(own) for own in ("c1", "c5", "c7", "c9"))
    path = fill(
        sheet_of(ledger),
        (c1, "loss_pct", "new value", "lots"),
        (c1, "loss_pct", "why", "x"),
        (c1, ROW, "decision", "right"),
        (c5, "chemistry", "new value", "lead"),
        (c5, "chemistry", "why", "x"),
        (c5, "odometer_km", "new value", "49,000"),
        (c5, "odometer_km", "why", "x"),
        (c7, "pack_kwh", "new value", "72"),
        (c7, "loss_pct", "decision", "maybe"),
        (c7, ROW, "decision", "one vehicle with"),
        (c7, ROW, "other", "r0-1"),
        (c7, ROW, "why", "x"),
        (c9, "loss_pct", "new value", "6"),
        (c9, "loss_pct", "why", "x"),
        (c9, "loss_pct", "words for it", "six per cent"),
    )
    found = taken(ledger, path)
    assert [(one.report, one.field, one.value) for one in found.decisions] == [(c5, "odometer_km", "49,000")]
    _, rows = read_sheet(path)
    at = {(row[0], row[1]): number for number, row in enumerate(rows, start=1)}
    told = {(one.row, one.name): one for one in found.bad}
    assert {place: (one.column, one.given) for place, one in told.items()} == {
        (at[c1, "loss_pct"], "new value"): ("G", "lots"),
        (at[c1, ROW], "decision"): ("H", "right"),
        (at[c5, "chemistry"], "new value"): ("G", "lead"),
        (at[c7, "pack_kwh"], "why"): ("K", ""),
        (at[c7, "loss_pct"], "decision"): ("H", "maybe"),
        (at[c7, ROW], "other"): ("I", "r0-1"),
        (at[c9, "loss_pct"], "words for it"): ("J", "six per cent"),
    }
    bad = told[at[c1, "loss_pct"], "new value"]
    place = f"{SHEET}, row {bad.row}, column G (new value)"
    assert str(bad) == f"{place}: 'lots' is not accepted; accepted: a number from -100 to 100 in %"
    fill(path, (c1, "loss_pct", "new value", "4.5"), (c7, "pack_kwh", "why", "said so"))
    mended = taken(ledger, path)
    assert {(one.kind, one.report, one.field) for one in mended.decisions} == {
        ("value", c1, "loss_pct"),
        ("verified", c1, ""),
        ("value", c7, "pack_kwh"),
    }
    assert '"loss_pct": 4.5' in next(one.was for one in mended.decisions if one.kind == "verified")
    ledger.build()
    assert ledger.record()["outcomes"] == {"applied": 4} and ledger.report("c1")["loss_pct"] == 4.5


def test_decisions_about_other_rows_come_through_the_sheet(ledger: CorrectedLedger) -> None:
    c1, c2, c3, c8, c9 = (ledger.report_id(own) for own in ("c1", "c2", "c3-1", "c8", "c9"))
    path = fill(
        sheet_of(ledger),
        (c1, ROW, "decision", "not the vehicle of"),
        (c1, ROW, "other", c2),
        (c3, ROW, "decision", "split"),
        (c3, ROW, "new value", "loss_pct, loss_origin"),
        (c8, ROW, "decision", "copy of"),
        (c8, ROW, "other", ledger.id_of("c7")),
        (c9, ROW, "decision", "drop the response"),
        *((report, ROW, "why", "read it") for report in (c1, c3, c8, c9)),
    )
    found = taken(ledger, path)
    assert found.bad == [] and [one.kind for one in found.decisions].count("split") == 1
    ledger.build()
    assert ledger.record()["outcomes"] == {"applied": 4}
    assert ledger.report("c1")["vehicle_key"] != ledger.report("c2")["vehicle_key"]
    assert len(ledger.reports_of("c3")) == 3 and ledger.reports_of("c9") == []
    assert ledger.report("c8")["copy_of"] == ledger.report_id("c7")


def test_a_sheet_from_before_the_ids_changed_is_still_taken(ledger: CorrectedLedger) -> None:
    c1 = ledger.report_id("c1")
    path = fill(sheet_of(ledger), (c1, "loss_pct", "new value", "5"), (c1, "loss_pct", "why", "x"))
    (ledger.folder / "thread.csv").rename(ledger.folder / "renamed.csv")
    ledger.build("renamed.csv")
    (decision,) = taken(ledger, path).decisions
    assert decision.report == ledger.report_id("c1") and decision.value == "5"


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("gone.xlsx", None, "no such file"),
        ("queue.docx", b"", "no sheet is read from .docx"),
        ("broken.xlsx", b"PK\x03\x04 cut", "cannot be read as a spreadsheet"),
        ("broken.ods", b"", "cannot be read as a spreadsheet"),
        ("other.csv", b"a,b\n1,2\n", "no column 'report'"),
        ("latin.csv", "report\nß".encode("latin-1"), "is not UTF-8"),
        ("empty.csv", b"", "no column 'report'"),
    ],
)
def test_what_is_no_sheet_is_told(
    ledger: CorrectedLedger, tmp_path: Path, name: str, content: bytes | None, told: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(UsageProblem, match=told):
        take_back(tmp_path / name, view_of(ledger), (), who="ana", when=LATER)


def test_every_choice_is_a_kind_of_decision() -> None:
    assert {*ROW_CHOICES.values(), *FIELD_CHOICES.values()} == {*KINDS} - {"value"}
