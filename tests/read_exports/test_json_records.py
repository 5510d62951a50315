from __future__ import annotations

import contextlib
import json
from typing import Any

import pytest
from format_files import column, fixture, good, rejects, rows, tables
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.problems import ExportProblem
from pipeline.read_exports import json_events
from pipeline.read_exports.formats import json_records


def read(value: Any) -> list[Any]:
    return rows(json_records, json.dumps(value))


def test_fixture_wrapped_items_with_nested_replies() -> None:
    data = fixture("thread.json")
    assert json_records.looks_like(data, "thread.json") > 80
    ((table, found),) = tables(json_records, data)
    assert [(row["record"], row["id"], row["parent"], row["snippet.author"]) for row in good(found)] == [
        ("record 1", "T1", None, "kelp_and_coal"),
        ("record 1, reply 1", "T1.a", "T1", "Bryn E."),
        ("record 1, reply 2", "T1.b", "T1", "oatcake"),
        ("record 2", "T2", None, "new_here_jo"),
        ("record 3", "T3", None, "saltmarsh"),
        ("record 3, reply 1", "T3.a", "T3", "dunlin_dad"),
    ]
    assert column(found, "snippet.text")[:2] == [
        "Tern Long Range from 2022, 88,000 km, down 4.5 %. Rapid chargers most weeks.",
        "Same car, 40k miles, still 97 % health.",
    ]
    assert table.roles == {"parent": "parent"}
    assert rejects(found) == []


def test_streamed_and_parsed_at_once_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    at_once = rows(json_records, fixture("thread.json"))
    monkeypatch.setattr(json_events, "SMALL", 0)
    assert rows(json_records, fixture("thread.json")) == at_once


def test_a_page_without_replies_has_the_same_columns() -> None:
    whole = json.loads(fixture("thread.json"))
    (first, _), (second, _) = (
        tables(json_records, json.dumps({**whole, "items": items}))[0]
        for items in (whole["items"], whole["items"][1:2])
    )
    assert first.columns == second.columns


def test_replies_to_any_depth() -> None:
    thread: dict[str, Any] = {"text": "lost 0 %", "id": 0}
    top = thread
    for number in range(1, 60):
        reply = {"text": f"lost {number} %", "id": number}
        thread["replies"] = [reply]
        thread = reply
    found = read([top])
    assert column(found, "text") == [f"lost {number} %" for number in range(60)]
    assert column(found, "parent") == [None, *range(59)]


def test_ten_thousand_levels_of_replies() -> None:
    text = '{"id": 0, "text": "lost 0", "replies": [' * 10_000 + "]}" * 10_000
    assert len(rows(json_records, "[" + text + "]")) == 10_000


def test_listing_shape_with_kinds() -> None:
    def one(name: str, body: str, replies: Any = "") -> dict[str, Any]:
        return {"kind": "c", "data": {"id": name, "body": body, "replies": replies}}

    def listing(*children: Any) -> dict[str, Any]:
        return {"kind": "listing", "data": {"after": None, "children": list(children)}}

    found = read(
        [
            listing({"kind": "p", "data": {"id": "p", "selftext": "How is your battery?"}}),
            listing(one("c1", "lost 4 %", listing(one("c2", "mine 6 %"))), one("c3", "none")),
        ]
    )
    assert [(row["data.id"], row["data.body"], row["parent"]) for row in good(found)] == [
        ("p", None, None),
        ("c1", "lost 4 %", None),
        ("c2", "mine 6 %", "c1"),
        ("c3", "none", None),
    ]


def test_threads_of_posts_become_thread_ids() -> None:
    found = read(
        {
            "threads": [
                {
                    "id": 9,
                    "title": "Battery at five years: what do you see?",
                    "posts": [{"pid": 1, "message": "lost 4 %"}],
                },
                {
                    "id": 10,
                    "title": "Charging to 100",
                    "posts": [{"pid": 2, "message": "never"}, {"pid": 3, "message": "daily"}],
                },
            ]
        }
    )
    assert column(found, "message") == ["lost 4 %", "never", "daily"]
    assert column(found, "thread") == ["9", "10", "10"]


def test_envelope_message_is_no_response() -> None:
    found = read(
        {"status": 200, "message": "All fine, here you are.", "data": [{"body": "lost 4 %"}, {"body": "lost 5"}]}
    )
    assert column(found, "body") == ["lost 4 %", "lost 5"]


def test_post_with_comments_at_the_root() -> None:
    found = read(
        {
            "id": "p1",
            "text": "What is your loss?",
            "comments": [{"id": "a", "text": "4 %"}, {"text": "5 %", "comments": [{"text": "6 %"}]}],
        }
    )
    assert column(found, "text") == ["What is your loss?", "4 %", "5 %", "6 %"]
    made = column(found, "id")[2]
    assert str(made).startswith("made-")
    assert column(found, "parent") == [None, "p1", "p1", made]


def test_several_lists_are_several_tables() -> None:
    found = tables(json_records, json.dumps({"spring": [{"answer": "lost 4 %"}], "autumn": [{"answer": "lost 5 %"}]}))
    assert [(table.name, column(list(rows_), "answer")) for table, rows_ in found] == [
        ("spring", ["lost 4 %"]),
        ("autumn", ["lost 5 %"]),
    ]


def test_other_shapes() -> None:
    assert column(read({"a1": {"text": "lost 4 %"}, "a2": {"text": "lost 5 %"}}), "id") == ["a1", "a2"]
    assert column(read(["lost 4 %", "lost 5 %"]), "text") == ["lost 4 %", "lost 5 %"]
    assert column(read([["id", "text"], [1, "lost 4 %"], [2]]), "text") == ["lost 4 %", None]
    answers = [{"question": "How far?", "answer": "60,000 km"}, {"question": "Loss in %?", "answer": "4"}]
    assert good(read([{"id": 1, "answers": answers}]))[0] == {
        "record": "record 1",
        "id": 1,
        "How far?": "60,000 km",
        "Loss in %?": "4",
        "parent": None,
    }
    pieces = ["Lost ", {"type": "bold", "text": "4 %"}, " since."]
    assert column(read([{"id": 1, "text": pieces, "media": [{"text": "alt", "id": 3}]}]), "text") == ["Lost 4 % since."]


def test_own_parent_is_kept() -> None:
    found = read(
        [
            {"id": 1, "text": "a b"},
            {"id": 2, "text": "c d", "in_reply_to_id": 1},
            {"id": 3, "text": "e", "parent": {"id": 2}},
        ]
    )
    assert column(found, "parent") == [None, 1, 2]


def test_cut_in_half_gives_what_was_read_and_a_reject() -> None:
    data = fixture("thread.json")
    found = rows(json_records, data[: data.index(b"T3.a")])
    assert column(found, "id") == ["T1", "T1.a", "T1.b", "T2"]
    assert rejects(found) == [("after record 2", "broken_off")]


def test_cut_within_replies_keeps_whole_replies() -> None:
    whole = json.dumps({"id": "p", "text": "Q?", "comments": [{"id": n, "text": f"lost {n} %"} for n in range(4)]})
    found = rows(json_records, whole[: whole.index("lost 3")])
    assert column(found, "text") == ["Q?", "lost 0 %", "lost 1 %", "lost 2 %"]
    assert rejects(found) == [("after record 1", "broken_off")]


@pytest.mark.parametrize(
    "data", [b"", b"   ", b"{}", b"[]", b"[1, 2]", b'{"a": 1}', b"[" * 10_000, b'{"a":' * 10_000, b"{oops", b"\xff\xfe"]
)
def test_nothing_to_read_is_a_problem(data: bytes) -> None:
    with pytest.raises(ExportProblem):
        tables(json_records, data)


def test_not_a_number_and_a_million_characters() -> None:
    found = rows(json_records, '[{"text": "' + "x " * 500_000 + '", "likes": NaN}]')
    assert len(good(found)[0]["text"]) == 1_000_000
    assert good(found)[0]["likes"] is None


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding: str) -> None:
    text = '[{"id": 1, "text": "Größe: für über 5 Jahre 4 % Verlust, schön"}]'
    assert column(rows(json_records, text.encode(encoding)), "text") == ["Größe: für über 5 Jahre 4 % Verlust, schön"]


_KEYS = st.sampled_from(
    ["id", "text", "replies", "author", "parent", "data", "question", "answer", "comments", "", "a.b", "x"]
)
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.just("lost four percent here"),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_KEYS | st.text(max_size=4), inner, max_size=4),
    max_leaves=30,
)


@given(_JSON)
@settings(max_examples=400)
def test_any_json(value: Any) -> None:
    with contextlib.suppress(ExportProblem):
        tables(json_records, json.dumps(value))


@given(_JSON, st.integers(0, 400))
def test_any_json_cut_anywhere(value: Any, place: int) -> None:
    with contextlib.suppress(ExportProblem):
        tables(json_records, json.dumps(value, ensure_ascii=False).encode("utf-8", "surrogatepass")[:place])


@given(st.integers(0, 2300))
def test_fixture_cut_anywhere(place: int) -> None:
    data = fixture("thread.json")
    whole = column(rows(json_records, data), "id")
    try:
        found = rows(json_records, data[:place])
    except ExportProblem:
        return
    ids = column(found, "id")
    assert ids == whole[: len(ids)]
    assert len(rejects(found)) == (0 if place >= len(data.rstrip()) else 1)
