from __future__ import annotations

import contextlib
import json
import tracemalloc

import pytest
from format_files import column, export, fixture, good, rejects, rows, tables
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problems import ExportProblem
from pipeline.read_exports.formats import json_lines
from pipeline.response import Reject


def test_fixture() -> None:
    data = fixture("thread.jsonl")
    assert json_lines.looks_like(data, "thread.jsonl") > 90
    ((table, found),) = tables(json_lines, data)
    assert table.columns == ["id", "author.handle", "author.id", "posted", "message", "likes", "tags", "parent"]
    assert table.roles == {"parent": "parent"}
    assert [(row["record"], row["id"], row["parent"]) for row in good(found)] == [
        ("line 1", "sb-101", None),
        ("line 2", "sb-102", None),
        ("line 3", "sb-103", None),
        ("line 3, reply 1", "sb-103-1", "sb-103"),
        ("line 3, reply 2", "sb-103-2", "sb-103"),
        ("line 5", "sb-105", None),
        ("line 7", "sb-106", None),
        ("line 9", "sb-107", None),
    ]
    assert rejects(found) == [("line 4", "unreadable"), ("line 6", "unreadable")]
    assert good(found)[3]["message"] == "> health reads 93\nOn the dealer's tool or in the car?"
    assert good(found)[5] == {
        "record": "line 5",
        "id": "sb-105",
        "author.handle": "mireille.b",
        "author.id": 44,
        "posted": "2024-10-04T07:01:30Z",
        "message": "Ondine 40, 52 000 km, autonomie 289 km neuve, 271 aujourd’hui.",
        "likes": 8,
        "tags": "range; français",
        "parent": None,
    }


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_encodings(encoding: str) -> None:
    text = '{"id": 1, "text": "Größe: 4 % Verlust, schön wär’s"}\n'
    text += '{"id": 2, "text": "früher 412 km, jetzt 402 km, für über 5 Jahre"}\n'
    found = rows(json_lines, text.encode(encoding))
    assert column(found, "text") == ["Größe: 4 % Verlust, schön wär’s", "früher 412 km, jetzt 402 km, für über 5 Jahre"]


def test_one_bad_byte_costs_one_character() -> None:
    lines = [json.dumps({"id": n, "text": f"größer {n}"}, ensure_ascii=False).encode() for n in range(100)]
    lines[50] = lines[50].replace("ö".encode(), b"\xff")
    found = rows(json_lines, b"\n".join(lines))
    assert column(found, "text")[50] == "gr\ufffdßer 50"
    assert column(found, "text")[51] == "größer 51"


def test_deep_line_and_long_line() -> None:
    deep = '{"text": "4 %", "x": ' + '{"x": ' * 10_000 + "1" + "}" * 10_000 + "}"
    found = rows(json_lines, deep + "\n" + json.dumps({"text": "x" * 1_000_000}) + "\n" + "[" * 10_000)
    assert [len(text) for text in column(found, "text")] == [3, 1_000_000]
    assert rejects(found) == [("line 3", "unreadable")]


def test_line_over_the_bound_is_skipped_and_the_next_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(json_lines, "LONGEST", 1_500_000)
    for length in (1_499_000, 1_600_000, 2_097_152, 4_000_000):
        text = json.dumps({"text": "x" * length}) + '\n{"text": "after"}\n{"text": "end"}'
        found = rows(json_lines, text)
        assert column(found, "text")[-2:] == ["after", "end"]
        assert [row[0] for row in rejects(found)] == ([] if length < 1_500_000 else ["line 1"])


def test_lone_surrogates_and_huge_numbers_are_harmless() -> None:
    found = rows(json_lines, '{"text": "a\\ud800b", "n": NaN}\n{"text": "\\ud83d\\ude42", "n": ' + "9" * 5000 + "}")
    assert column(found, "text") == ["a\ufffdb"]
    assert rejects(found) == [("line 2", "unreadable")]


def test_empty_file_is_a_problem() -> None:
    with pytest.raises(ExportProblem):
        tables(json_lines, b"")
    with pytest.raises(ExportProblem):
        tables(json_lines, b"\n\n")


def test_streams() -> None:
    line = json.dumps({"id": 1, "text": "62,000 miles, lost 4 %. " * 20})
    data = (line + "\n").encode() * 40_000
    (table,) = json_lines.read_tables(export(data))
    tracemalloc.start()
    count = sum(1 for _ in table.rows)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 40_000
    assert peak < 12_000_000 < len(data)


@pytest.mark.parametrize(
    ("head", "name", "low", "high"),
    [
        (b'{"a": 1}\n{"a": 2}\n', "x.json", 90, 100),
        (b'{"a": 1}\n', "x.jsonl", 90, 100),
        (b'{"a": 1}\n', "x.json", 0, 0),
        (b'{\n  "a": 1\n}\n', "x.json", 0, 0),
        (b'[{"a": 1},\n{"a": 2}]\n', "x.json", 0, 0),
        (b"id,text\n1,{}\n", "x.csv", 0, 0),
        (b"", "x.jsonl", 0, 0),
    ],
)
def test_looks_like(head: bytes, name: str, low: int, high: int) -> None:
    assert low <= json_lines.looks_like(head, name) <= high


@given(st.integers(0, 1655))
def test_cut_at_any_byte(place: int) -> None:
    try:
        found = rows(json_lines, fixture("thread.jsonl")[:place])
    except ExportProblem:
        assert place == 0
        return
    assert all(isinstance(row, Reject) or row["record"].startswith("line ") for row in found)


@given(st.lists(st.binary(max_size=40)))
def test_any_bytes(lines: list[bytes]) -> None:
    with contextlib.suppress(ExportProblem):
        tables(json_lines, b"\n".join(lines))
