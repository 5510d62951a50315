import io
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
from whole_reading import FIXTURES, answers_of, read_one, read_text

from pipeline.problems import ExportProblem, NoTextColumn, UnsafeArchive
from pipeline.read_exports.spool import Limits

FORMATS = FIXTURES / "formats"
LOCKED = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600) + "EncryptedPackage".encode("utf-16-le") + bytes(2000)


def saved(book: openpyxl.Workbook) -> bytes:
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def book_of(*rows: list[object]) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    return book


def test_workbook_with_titles_groups_merges_percents_and_a_page_of_prose() -> None:
    whole = read_one(FORMATS / "meeting-cards.xlsx")
    assert whole.export.kind == "Excel workbook"
    assert "sheet 'Read me' holds prose only" in whole.export.roles_line
    assert not whole.rejects
    assert [response.source_response_id for response in whole.responses] == ["5", "6", "7", "8", "9"]
    first, second, third, fourth, _ = whole.responses
    assert first.posted_at == datetime(2025, 6, 14, 10, 5, tzinfo=UTC)
    assert answers_of(first) == {
        "vehicle_text": ("Ondine 40, 2020", None),
        "range_new": ("270", "km"),
        "range_now": ("251", "km"),
        "charge_limit_pct": ("80 %", "%"),
        "dc_fast_share_pct": ("10 %", None),
    }
    assert first.text.endswith("\nNooit boven 80.")
    assert "don't know" in third.text and "range_now" not in answers_of(third)
    assert answers_of(fourth)["range_now"] == ("294.5", "km")
    assert answers_of(second)["charge_limit_pct"] == ("100 %", "%")


def test_opendocument_with_padding_percents_dates_and_lines_in_cells() -> None:
    whole = read_one(FORMATS / "umfrage-graz.ods")
    assert whole.export.kind == "OpenDocument spreadsheet"
    assert "sheet 'Notizen' holds prose only" in whole.export.roles_line
    assert not whole.rejects
    first, second, third, fourth = whole.responses
    assert first.source_response_id == "5"
    assert first.posted_at == datetime(2025, 9, 3, 8, 15, tzinfo=UTC)
    assert answers_of(first)["loss_pct"] == ("6.5 %", "%")
    assert answers_of(first)["odometer_km"] == ("81250", "km")
    assert answers_of(second)["odometer_km"] == ("47300.5", "km")
    assert second.text.endswith("\nZwei Zeilen:\njeden Sonntag voll.")
    assert answers_of(third) == {"vehicle_text": ("Ondine 60", None), "odometer_km": ("keine Ahnung", "km")}
    assert "Verlust in %: weiß nicht" in third.text
    assert answers_of(fourth)["loss_pct"] == ("0", "%")


def test_the_programme_s_autumn_survey() -> None:
    whole = read_one(FIXTURES / "demo" / "survey-autumn.xlsx")
    assert (len(whole.responses), len(whole.rejects)) == (36, 0)
    answers = answers_of(whole.responses[0])
    assert answers["odometer_km"] == ("57700", "mi")
    assert answers["full_charges_per_week"] == ("Once a week", None)
    assert "sheet 'Notes' holds prose only" in whole.export.roles_line


def test_cells_merged_down_the_table_count_for_every_row(tmp_path: Path) -> None:
    book = book_of(
        ["thread", "comment"], ["episode 41", "Down two percent"], [None, "Down three"], [None, "None at all"]
    )
    book.active.merge_cells("A2:A4")
    whole = read_text(tmp_path, saved(book), "merged.xlsx")
    assert [response.thread_id for response in whole.responses] == ["episode 41"] * 3


def test_two_sheets_of_responses_and_one_without(tmp_path: Path) -> None:
    book = book_of(["author", "comment"], ["wren", "Sixty thousand miles and nothing lost"])
    autumn = book.create_sheet("Autumn")
    autumn.append(["author", "comment"])
    autumn.append(["moss", "Seventy thousand by now"])
    prices = book.create_sheet("Prices")
    for row in (["sku", "price"], ["A1", 3.5], ["A2", 4]):
        prices.append(row)
    whole = read_text(tmp_path, saved(book), "both.xlsx")
    assert whole.texts == ["Sixty thousand miles and nothing lost", "Seventy thousand by now"]
    assert len({response.source_response_id for response in whole.responses}) == 2
    assert whole.reasons == ["no_text_column"]
    assert "Prices" in whole.rejects[0].record
    assert "Autumn: text" in whole.export.roles_line


def test_numbers_stand_as_in_the_cell(tmp_path: Path) -> None:
    rows = [
        ["Odometer (km)", "Loss in %", "Comments"],
        [81400.0, 2.6, "fine"],
        [0.1 + 0.2, 3, "ok"],
        ["1.234", None, "so so"],
    ]
    whole = read_text(tmp_path, saved(book_of(*rows)), "numbers.xlsx")
    assert [answers_of(response)["odometer_km"][0] for response in whole.responses] == ["81400", "0.3", "1.234"]
    assert "Loss in %" not in whole.texts[2]


def test_a_locked_workbook(tmp_path: Path) -> None:
    problem = read_text(tmp_path, LOCKED, "secret.xlsx").export.problem
    assert isinstance(problem, ExportProblem)
    assert "password" in str(problem)
    assert "secret.xlsx" in str(problem)


def test_a_locked_opendocument_file(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", b"\x93\x17not xml")
        archive.writestr("META-INF/manifest.xml", "<manifest:encryption-data/>")
    problem = read_text(tmp_path, packed.getvalue(), "secret.ods").export.problem
    assert "password" in str(problem)


@pytest.mark.parametrize("name", ["meeting-cards.xlsx", "umfrage-graz.ods"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_cut_files(tmp_path: Path, name: str, share: float) -> None:
    data = (FORMATS / name).read_bytes()
    whole = read_text(tmp_path, data[: int(share * len(data))], name)
    assert isinstance(whole.export.problem, ExportProblem)
    assert not whole.responses


@pytest.mark.parametrize("name", ["meeting-cards.xlsx", "umfrage-graz.ods"])
def test_damage_in_the_middle_never_ends_in_a_traceback(tmp_path: Path, name: str) -> None:
    data = bytearray((FORMATS / name).read_bytes())
    for place in range(40, len(data), 97):
        broken = bytes(data[:place]) + bytes([data[place] ^ 0xFF]) + bytes(data[place + 1 :])
        whole = read_text(tmp_path, broken, name)
        assert whole.export.problem is not None or len(whole.responses) + len(whole.rejects) > 0


@pytest.mark.parametrize("name", ["bomb.xlsx", "bomb.ods"])
def test_a_workbook_that_unpacks_to_far_too_much(tmp_path: Path, name: str) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype" if name.endswith("ods") else "[Content_Types].xml", "x")
        archive.writestr("content.xml" if name.endswith("ods") else "xl/worksheets/sheet1.xml", b" " * (8 << 20))
    whole = read_text(tmp_path, packed.getvalue(), name, limits=Limits(free=1 << 20))
    assert isinstance(whole.export.problem, UnsafeArchive)


def test_an_endless_cell_and_an_empty_workbook(tmp_path: Path) -> None:
    stream = io.BytesIO()
    book = book_of(["author", "comment"], ["wren", "Sixty thousand miles"], ["moss", "x" * 32767])
    book.save(stream)
    whole = read_text(tmp_path, stream.getvalue(), "long.xlsx")
    assert len(whole.responses) == 2
    empty = read_text(tmp_path, saved(openpyxl.Workbook()), "empty.xlsx")
    assert isinstance(empty.export.problem, ExportProblem)
    content = (
        '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
        '<table:table table:name="A">%s</table:table></office:spreadsheet></office:body></office:document-content>'
    )
    row = "<table:table-row><table:table-cell><text:p>%s</text:p></table:table-cell></table:table-row>"
    rows = row % "comment" + row % "Down two percent" + row % ("x" * 1_000_000)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content % rows)
    whole = read_text(tmp_path, packed.getvalue(), "long.ods")
    assert whole.texts == ["Down two percent"]
    assert whole.reasons == ["cell_too_long"]


def test_a_workbook_without_a_text_column(tmp_path: Path) -> None:
    whole = read_text(tmp_path, saved(book_of(["sku", "price"], ["A1", 3.5], ["A2", 4])), "prices.xlsx")
    assert isinstance(whole.export.problem, NoTextColumn)
    assert "'price'" in str(whole.export.problem)
