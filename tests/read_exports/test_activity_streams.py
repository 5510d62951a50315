from __future__ import annotations

import contextlib
import json
from typing import Any

import pytest
from format_files import column, fixture, good, rejects, rows, tables
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problems import ExportProblem
from pipeline.read_exports.formats import activity_streams, json_lines, json_records

CONTEXT = "https://www.w3.org/ns/activitystreams"
BASE = "https://social.example.org"


def test_fixture() -> None:
    data = fixture("notes-outbox.json")
    assert activity_streams.looks_like(data, "notes-outbox.json") > json_records.looks_like(data, "notes-outbox.json")
    ((table, found),) = tables(activity_streams, data)
    assert table.roles["parent"] == "parent" and table.roles["text"] == "text"
    assert [(row["id"], row["parent"], row["author"], row["lang"], row["text"]) for row in good(found)] == [
        (
            f"{BASE}/n/1",
            None,
            f"{BASE}/users/second_battery",
            "en",
            "How far has your battery gone, and what has it lost?",
        ),
        (f"{BASE}/n/2", f"{BASE}/n/1", "hedge_lantern", "en", "Tern, 91\u00a0000 km.\n\nLost 5\u00a0%.\nAlways to 80."),
        (
            f"{BASE}/n/3",
            f"{BASE}/n/2",
            f"{BASE}/users/slow_post",
            "de",
            "> Lost 5 %\n\nBei mir nur 2,5 %, nach 64.000 km.",
        ),
        (
            f"{BASE}/n/4",
            f"{BASE}/n/1",
            f"{BASE}/users/fellside",
            "en",
            "Six years, 102,000 miles.\nHealth 88 < 90, as they warned me.",
        ),
        (f"{BASE}/n/7", f"{BASE}/n/3", f"{BASE}/users/hedge_lantern", "en", "Ternary or iron phosphate, @slow_post?"),
        (f"{BASE}/n/8", f"{BASE}/n/7", f"{BASE}/users/slow_post", "en", "Iron phosphate. Full every Sunday."),
    ]
    assert rejects(found) == [("item 4", "empty"), ("item 5", "empty"), ("item 6", "empty")]
    assert column(found, "time")[0] == "2024-09-12T17:00:00Z"
    assert column(found, "likes") == [None, 7, None, None, None, None]
    assert column(found, "link")[0] == f"{BASE}/@second_battery/1"


def test_shape_of_the_vocabularys_replies_example() -> None:
    """The shape of example 112 of the W3C vocabulary (`replies`), with words of our own."""
    note = {
        "@context": CONTEXT,
        "summary": "A simple note",
        "id": "http://www.example.com/notes/1",
        "type": "Note",
        "content": "I lost 4 %.",
        "replies": {
            "type": "Collection",
            "totalItems": 1,
            "items": [
                {
                    "summary": "A response",
                    "type": "Note",
                    "content": "Mine 6 %.",
                    "inReplyTo": "http://www.example.com/notes/1",
                }
            ],
        },
    }
    found = rows(activity_streams, json.dumps(note))
    assert [(row["text"], row["parent"]) for row in good(found)] == [
        ("I lost 4 %.", None),
        ("Mine 6 %.", "http://www.example.com/notes/1"),
    ]


def test_lines_of_activities() -> None:
    lines = [json.dumps({"@context": CONTEXT, "type": "Note", "id": n, "content": f"<p>lost {n} %</p>"}) for n in "123"]
    data = "\n".join([lines[0], "{oops", *lines[1:]])
    assert activity_streams.looks_like(data.encode(), "a.jsonl") > json_lines.looks_like(data.encode(), "a.jsonl")
    found = rows(activity_streams, data)
    assert column(found, "text") == ["lost 1 %", "lost 2 %", "lost 3 %"]
    assert rejects(found) == [("line 2", "unreadable")]


def test_ten_thousand_replies_below_each_other() -> None:
    level = '{"type": "Note", "content": "lost 4 %", "replies": {"type": "Collection", "items": ['
    data = f'{{"@context": "{CONTEXT}", "type": "Collection", "items": [' + level * 10_000 + "]}}" * 10_000 + "]}"
    assert len(rows(activity_streams, data)) == 10_000


def test_cut_in_half() -> None:
    data = fixture("notes-outbox.json")
    found = rows(activity_streams, data[: data.index(b"Six years, ")])
    assert column(found, "id") == [f"{BASE}/n/1", f"{BASE}/n/2", f"{BASE}/n/3"]
    assert rejects(found) == [("after item 2", "broken_off")]


def test_a_million_characters_and_another_encoding() -> None:
    note = {"@context": CONTEXT, "type": "Note", "content": "<p>" + "ü" * 1_000_000 + "</p>"}
    assert (
        len(column(rows(activity_streams, json.dumps(note, ensure_ascii=False).encode("utf-16")), "text")[0])
        == 1_000_000
    )


@pytest.mark.parametrize(
    "data", [b"", b"{}", b'{"type": "Note", "content": "no context"}', b'{"@context": "https://schema.org"}']
)
def test_what_names_no_context_is_a_problem(data: bytes) -> None:
    with pytest.raises(ExportProblem):
        tables(activity_streams, data)
    assert activity_streams.looks_like(data, "x.json") == 0


@given(st.integers(0, 3300))
def test_cut_at_any_byte(place: int) -> None:
    try:
        found = rows(activity_streams, fixture("notes-outbox.json")[:place])
    except ExportProblem:
        return
    assert len(rejects(found)) >= 1


_THINGS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "type",
                    "id",
                    "content",
                    "contentMap",
                    "replies",
                    "items",
                    "orderedItems",
                    "first",
                    "next",
                    "object",
                    "attributedTo",
                    "inReplyTo",
                    "likes",
                    "url",
                    "published",
                ]
            ),
            inner | st.sampled_from(["Note", "Create", "Collection", "Like", "Tombstone"]),
            max_size=6,
        )
    ),
    max_leaves=25,
)


@given(_THINGS)
def test_any_object(thing: Any) -> None:
    with contextlib.suppress(ExportProblem):
        tables(activity_streams, json.dumps([{"@context": CONTEXT, "type": "Note", "content": "x"}, thing]))
