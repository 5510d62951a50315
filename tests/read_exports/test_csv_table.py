import codecs
import csv
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from whole_reading import FIXTURES, THREAD, read_one, read_text

from pipeline.problems import ExportProblem, NoTextColumn
from pipeline.read_exports.formats import csv_table

FORMATS = FIXTURES / "formats"


def test_windows_file_with_titles_and_decimal_dates() -> None:
    whole = read_one(FORMATS / "letters-windows.csv")
    assert whole.export.kind == "CSV"
    assert not whole.rejects
    assert [response.source_response_id for response in whole.responses] == ["L1", "L2", "L3", "L4"]
    assert whole.texts[1] == "À 92 000 km, ma Calder Fell a perdu 7 % – « pas mal », dit le garage."
    assert whole.texts[2].split() == [
        "Skua,",
        "11",
        "200",
        "mil?",
        "Nei,",
        "112",
        "000",
        "km.",
        "Helse",
        "93",
        "%.",
        "Lader",
        "til",
        "90.",
    ]
    assert "\n" in whole.texts[2]
    assert whole.responses[0].author == "Jörg aus Fürth"
    assert whole.responses[0].posted_at == datetime(2025, 5, 2, 18, 4, tzinfo=UTC)
    assert [response.likes for response in whole.responses] == [12, 4, 7, 0]


def test_utf16_tabs_flair_and_zones() -> None:
    whole = read_one(FORMATS / "forum-wide.tsv")
    first, second, third = whole.responses
    assert first.profile_start is not None
    assert first.text[first.profile_start :] == "White Tern LR 2021"
    assert second.profile_start is None
    assert second.text == "Fell here – 48,000 km, down 4.5 %, ☂ weather or not."
    assert (second.parent_id, third.parent_id) == ("p1", "p1")
    assert first.posted_at == datetime(2025, 4, 2, 8, 0, tzinfo=UTC)
    assert third.posted_at == datetime(2025, 4, 4, 4, 30, tzinfo=UTC)
    assert third.text.startswith('Mine said 386 km when new; "today" 371.')


def test_no_header_at_all() -> None:
    whole = read_one(FORMATS / "wire-no-header.txt")
    assert len(whole.responses) == 6
    assert whole.responses[0].author == "otter_on_volts"
    assert whole.responses[0].source_response_id == "n1"
    assert whole.texts[5].startswith("Bought new in June 2021")


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_every_delimiter_in_every_encoding(tmp_path: Path, delimiter: str, encoding: str) -> None:
    rows = [
        ["author", "date", "comment"],
        ["Bo från Malmö", "2025-03-14", "Lite kallt; men 3 % | mindre, än så\tlänge på 9 år"],
        ["Cécile", "2025-03-15", 'Elle a dit "rien perdu", à 45 000 km déjà\nvoilà'],
        ["Jörg", "2025-03-16", "Über 90 % lädt er nie, das weiß ich, Größe egal"],
    ]
    path = tmp_path / "thread.csv"
    with path.open("w", encoding=encoding, newline="") as stream:
        csv.writer(stream, delimiter=delimiter).writerows(rows)
    whole = read_one(path)
    assert [[r.author, r.text] for r in whole.responses] == [[row[0], row[2]] for row in rows[1:]]


def test_short_rows_are_filled_and_long_ones_joined_where_the_text_was_parted(tmp_path: Path) -> None:
    text = (
        "author,date,comment,likes\n"
        "pebblewick,2025-03-14,Fine so far,3\n"
        "Skerry,2025-03-15,Seventy\n"
        "otter,2025-03-16,It has done 81,400 km, and lost 3 %,12\n"
        "wren,2025-03-17,Nothing to say,4,,\n"
        "moss,2025-03-18,No comma here,7,left over\n"
    )
    whole = read_text(tmp_path, text)
    assert whole.texts == [
        "Fine so far",
        "Seventy",
        "It has done 81,400 km, and lost 3 %",
        "Nothing to say",
        "No comma here",
    ]
    assert [response.likes for response in whole.responses] == [3, None, 12, 4, 7]


def test_a_million_characters_in_a_cell(tmp_path: Path) -> None:
    rows = THREAD.splitlines()
    rows.insert(2, f"a9,,bore,2025-03-14T06:01:00Z,0,{'blah ' * 200_000}")
    whole = read_text(tmp_path, "\n".join(rows))
    assert [response.source_response_id for response in whole.responses] == ["a1", "a2", "a3"]
    assert whole.reasons == ["cell_too_long"]
    assert whole.rejects[0].record == "row 3"


def test_a_quotation_mark_that_is_never_closed_costs_one_row(tmp_path: Path) -> None:
    rows = THREAD.splitlines()
    rows.insert(2, 'a9,,quoter,2025-03-14T06:01:00Z,0,"He said nothing')
    rows += [f"b{number},,listener,2025-03-15T06:00:00Z,0,Kilometre {number} of many" for number in range(5000)]
    whole = read_text(tmp_path, "\n".join(rows))
    assert whole.reasons == ["unclosed_quote"]
    assert len(whole.responses) == 5003


def test_bytes_of_another_encoding_in_one_row_cost_that_row(tmp_path: Path) -> None:
    good = "".join(f"a{n},,Jörg,2025-03-14T06:00:00Z,0,Über {n} Kilometer\n" for n in range(200))
    bad = "b1,,Jörg,2025-03-14T06:00:00Z,0,Über zwölf\n".encode("cp1252")
    head = THREAD.splitlines()[0] + "\n"
    whole = read_text(tmp_path, head.encode() + good.encode() + bad + good.replace("a", "c").encode())
    assert whole.reasons == ["wrong_encoding"]
    assert len(whole.responses) == 400


def test_a_file_cut_in_a_sign_keeps_what_stood_before(tmp_path: Path) -> None:
    text = "".join(f"{n},Jörg,Über {n} Kilometer und schön\n" for n in range(20))
    data = ("id,author,comment\n" + text).encode()
    cut = data[: data.rindex("ö".encode()) + 1]
    whole = read_text(tmp_path, cut)
    assert len(whole.responses) == 19
    assert whole.reasons == ["wrong_encoding"]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (codecs.BOM_UTF8 + b"\r\n\r\n", "white space"),
        (bytes(range(256)) * 40, "no kind of export"),
    ],
)
def test_nothing_to_read(tmp_path: Path, data: bytes, words: str) -> None:
    problem = read_text(tmp_path, data).export.problem
    assert isinstance(problem, ExportProblem)
    assert words in str(problem)
    assert "->" in str(problem)


def test_only_a_header(tmp_path: Path) -> None:
    whole = read_text(tmp_path, THREAD.splitlines()[0] + "\n")
    assert isinstance(whole.export.problem, ExportProblem)
    assert "no records" in str(whole.export.problem)


def test_no_text_column_names_the_columns_and_the_option(tmp_path: Path) -> None:
    whole = read_text(tmp_path, "sku,price,stock\nA1,3.50,4\nA2,9.00,1\nA3,2.25,12\n")
    assert isinstance(whole.export.problem, NoTextColumn)
    for word in ("'sku'", "'price'", "'stock'", "--columns text="):
        assert word in str(whole.export.problem)


def test_empty_text_is_a_reject_and_blank_lines_are_nothing(tmp_path: Path) -> None:
    whole = read_text(tmp_path, THREAD + "\n\na4,a1,Skerry,2025-03-14T07:00:00Z,1,  \n,,,,,\n")
    assert len(whole.responses) == 3
    assert [(reject.record, reject.reason) for reject in whole.rejects] == [("row 7", "empty")]


def test_the_hint_line_that_spreadsheets_write(tmp_path: Path) -> None:
    whole = read_text(tmp_path, "sep=;\nauthor;comment\npebblewick;Down two, up none\nwren;So it is, it is\n")
    assert whole.texts == ["Down two, up none", "So it is, it is"]


def test_backslash_quotes(tmp_path: Path) -> None:
    whole = read_text(
        tmp_path, 'author,comment\npebblewick,"He said \\"two percent\\", then left"\nwren,"None, really"\n'
    )
    assert whole.texts == ['He said "two percent", then left', "None, really"]


@pytest.mark.parametrize(
    "head",
    [b'{"a": 1, "b": 2}\n{"a": 3, "b": 4}\n', b"<html><body>a,b\nc,d</body>", b"\x00\x01,\x02", b"%PDF-1.7\n,,\n"],
)
def test_other_kinds_are_left_to_others(head: bytes) -> None:
    assert csv_table.looks_like(head, "export") == 0


MEASURE = """
import resource, sys, time
from pipeline.read_exports.read_exports import read_exports
began, count = time.perf_counter(), 0
for export in read_exports([sys.argv[1]]):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    count = sum(hasattr(item, "response_id") for item in export.items())
print(count, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024, time.perf_counter() - began)
"""


def test_three_hundred_thousand_rows_in_little_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["author", "published_at", "like_count", "comment"])
        for n in range(300_000):
            text = f"Ma Tern a {n} km, « {n % 10} % » de moins;\nrien d'autre"
            writer.writerow([f"listener_{n % 9000}", f"2025-03-{n % 28 + 1:02d}T06:{n % 60:02d}:21Z", n % 50, text])
    command = [sys.executable, "-c", MEASURE, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=FIXTURES.parent)
    count, grown_mib, seconds = map(float, done.stdout.split())
    assert count == 300_000
    assert grown_mib < 24, "rows are held in memory"  # the hashes that find repeats take 8 MiB of it
    assert seconds < 10


def test_sentences_with_commas_are_no_cells(tmp_path: Path) -> None:
    lines = ["I drove 80,000 km, lost 3 %", "Mine is fine, so far, I think", "All good here"]
    assert read_text(tmp_path, "\n".join(lines), "lines.csv").texts == lines
    assert read_text(tmp_path, "\n".join(["comment", *lines]), "lines.csv").texts == lines
    assert (
        csv_table.looks_like(b"Hello there, I have a Tern, it is good\nand me, I too have one, it is fine\n", "a.txt")
        == 0
    )
