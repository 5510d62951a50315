from __future__ import annotations

import contextlib
import json
from typing import Any

import pytest
from format_files import column, fixture, good, rejects, rows, tables
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problems import ExportProblem
from pipeline.read_exports.formats import html_page

POST = "https://forum.example.org/t/45#p"


def linked(value: Any) -> str:
    return f'<!doctype html><html><script type="application/ld+json">{json.dumps(value)}</script>'


def test_json_ld_fixture() -> None:
    data = fixture("forum-page.html")
    assert html_page.looks_like(data, "forum-page.html") > 90
    ((table, found),) = tables(html_page, data)
    assert table.roles["parent"] == "parent"
    assert [(row["id"], row["parent"], row["author"], row["likes"], row["text"]) for row in good(found)] == [
        (POST + "1", None, "peat_smoke", 9, "Five winters, 96,000 km, 5 % gone."),
        (POST + "2", POST + "1", "Aino K.", None, "Which chemistry?"),
        (POST + "3", POST + "2", "peat_smoke", None, "Nickel, the 60 kWh one."),
        (POST + "4", POST + "3", "Aino K.", None, "Thanks. Mine is iron phosphate & at 3 %."),
        (POST + "6", POST + "1", "brass_owl", 4, "Our taxi Fells average 9 % at 200,000 km."),
    ]
    assert rejects(found) == [("Comment 5", "empty")]
    assert set(column(found, "thread")) == {POST + "1"}
    assert column(found, "time")[0] == "2024-12-05T18:00:00+01:00"


def test_microdata_fixture() -> None:
    ((_, found),) = tables(html_page, fixture("article-page.html"))
    assert [(row["id"], row["parent"], row["author"], row["likes"], row["text"]) for row in good(found)] == [
        (
            "c-1",
            None,
            "wren_house",
            17,
            "Full every night for two years: 49,000 km, 4 % down.\n\nOndine 40, iron phosphate.",
        ),
        ("c-2", "c-1", "Nuno P.", None, "> 4 % down\n\nThat is less than mine: 7 %.\nSkua, 80 daily."),
        ("c-3", "c-2", "wren_house", None, "How many km?"),
        ("c-4", None, "stile_and_gate", None, "I stop at 90 & the Tern shows 402 km; it was 412 when new."),
        ("c-6", None, "harbour_42", None, "Great programme!"),
    ]
    assert rejects(found) == [("Comment 5", "empty")]
    assert set(column(found, "thread")) == {"https://example.org/charging-to-100"}
    assert column(found, "link")[0] == "https://example.org/charging-to-100#c-1"


def test_a_comment_inside_the_words_of_another_keeps_its_own() -> None:
    page = (
        '<html><div itemscope itemtype="http://schema.org/Comment" id="a"><div itemprop="text">lost 4 %'
        '<div itemprop="comment" itemscope itemtype="http://schema.org/Comment" id="b">'
        '<p itemprop="text">lost 6 %</p></div>'
        " in five years</div></div>"
    )
    assert [(row["id"], row["parent"], row["text"]) for row in good(rows(html_page, page))] == [
        ("a", None, "lost 4 %\nin five years"),
        ("b", "a", "lost 6 %"),
    ]


def test_comments_named_in_the_graph_only() -> None:
    graph = {
        "@context": "https://schema.org",
        "@graph": [
            {"@type": "Article", "@id": "#a", "articleBody": "The host's words.", "comment": [{"@id": "#1"}]},
            {"@type": "Comment", "@id": "#1", "text": "lost 4 %", "comment": [{"@id": "#2"}]},
            {"@type": ["Comment"], "@id": "#2", "text": "lost 6 %"},
        ],
    }
    found = rows(html_page, linked(graph))
    assert [(row["id"], row["parent"], row["text"]) for row in good(found)] == [
        ("#1", None, "lost 4 %"),
        ("#2", "#1", "lost 6 %"),
    ]


def test_question_and_answers() -> None:
    page = {
        "@type": "QAPage",
        "mainEntity": {
            "@type": "Question",
            "@id": "q",
            "name": "How far?",
            "text": "How far has yours gone?",
            "acceptedAnswer": {"@type": "Answer", "@id": "x", "text": "62,000 miles", "upvoteCount": 3},
            "suggestedAnswer": [{"@type": "Answer", "@id": "y", "text": "99 000 km"}],
        },
    }
    assert [(row["id"], row["parent"], row["likes"]) for row in good(rows(html_page, linked(page)))] == [
        ("q", None, None),
        ("x", "q", 3),
        ("y", "q", None),
    ]


def test_ten_thousand_levels() -> None:
    chain = '{"@type": "Comment", "text": "lost 4 %", "comment": ' * 10_000 + "null" + "}" * 10_000
    page = f'<html><script type="application/ld+json">{chain}</script>'
    assert len(rows(html_page, page)) == 10_000
    item = '<div itemprop="comment" itemscope itemtype="https://schema.org/Comment"><p itemprop="text">lost 4 %</p>'
    assert len(rows(html_page, "<html>" + item * 2_000)) == 2_000
    found = rows(
        html_page,
        "<html>"
        + "<div>" * 10_000
        + '<p itemscope itemtype="https://schema.org/Comment"><b itemprop="text">lost 4 %</b>',
    )
    assert column(found, "text") == ["lost 4 %"]


def test_blocks_that_are_not_json() -> None:
    script = '<script type="application/ld+json">'
    page = f'<html>{script}{{oops</script>{script}{{"@type": "Comment", "text": "lost 4 %",}}</script>'
    found = rows(html_page, page)
    assert column(found, "text") == ["lost 4 %"]
    assert rejects(found) == [("JSON-LD block 1", "unreadable")]


def test_cut_in_half() -> None:
    data = fixture("article-page.html")
    found = rows(html_page, data[: data.index(b"How many km")])
    assert column(found, "id") == ["c-1", "c-2"]
    data = fixture("forum-page.html")
    assert rejects(rows(html_page, data[: data.index(b"Which chemistry")])) == [("JSON-LD block 1", "unreadable")]


def test_encodings_and_a_million_characters() -> None:
    raw = '<html><p itemscope itemtype="https://schema.org/Comment">'
    raw += '<b itemprop="text">für über fünf Jahre 4 % Verlust, schön</b>'
    for encoding in ("cp1252", "utf-16", "utf-8-sig"):
        assert column(rows(html_page, raw.encode(encoding)), "text") == ["für über fünf Jahre 4 % Verlust, schön"]
    assert len(column(rows(html_page, linked([{"@type": "Comment", "text": "x" * 1_000_000}])), "text")[0]) == 1_000_000


@pytest.mark.parametrize(
    "data", ["", "<html></html>", "<html><p>Nice page</p>", linked({"@type": "Article", "articleBody": "x"})]
)
def test_a_page_without_comments_is_a_problem(data: str) -> None:
    with pytest.raises(ExportProblem):
        tables(html_page, data)


@given(st.integers(0, 2500), st.sampled_from(["forum-page.html", "article-page.html"]))
def test_cut_at_any_byte(place: int, name: str) -> None:
    try:
        found = rows(html_page, fixture(name)[:place])
    except ExportProblem:
        return
    assert found


_PIECES = st.sampled_from(
    [
        '<div itemscope itemtype="https://schema.org/Comment">',
        '<p itemprop="text">',
        '<span itemprop="author" itemscope>',
        '<meta itemprop="upvoteCount" content="3">',
        '<a itemprop="url" href="x">',
        "</p>",
        "</div>",
        "</span>",
        "</a>",
        "<b>",
        "lost 4 %",
        "<script type='application/ld+json'>",
        "</script>",
        '{"@type": "Comment", "text": "a"}',
        "<",
        "&",
    ]
)


@given(st.lists(_PIECES, max_size=25))
def test_any_page(pieces: list[str]) -> None:
    with contextlib.suppress(ExportProblem):
        tables(html_page, "<html>" + "".join(pieces))


_NODES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=6) | st.sampled_from(["Comment", "#1", "#2"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "@type",
                    "@id",
                    "text",
                    "comment",
                    "author",
                    "parentItem",
                    "@graph",
                    "name",
                    "interactionStatistic",
                    "url",
                ]
            ),
            inner,
            max_size=5,
        )
    ),
    max_leaves=20,
)


@given(_NODES)
def test_any_json_ld(node: Any) -> None:
    with contextlib.suppress(ExportProblem):
        tables(html_page, linked([{"@type": "Comment", "@id": "#1", "text": "x", "comment": node}]))
