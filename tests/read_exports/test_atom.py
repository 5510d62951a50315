from __future__ import annotations

import contextlib
import time

import pytest
from format_files import column, fixture, good, rejects, rows, tables
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problems import ExportProblem
from pipeline.read_exports.formats import atom

FEED = "tag:example.org,2024:second-battery/44"
HEAD = '<feed xmlns="http://www.w3.org/2005/Atom" xmlns:thr="http://purl.org/syndication/thread/1.0">'


def c(number: int) -> str:
    return f"tag:example.org,2024:c{number}"


def test_fixture() -> None:
    data = fixture("comments.atom")
    assert atom.looks_like(data, "comments.atom") > 90
    ((table, found),) = tables(atom, data)
    assert table.roles == {name: name for name in ("id", "parent", "thread", "author", "time", "lang", "link", "text")}
    assert [
        (row["record"], row["id"], row["parent"], row["author"], row["lang"], row["text"]) for row in good(found)
    ] == [
        ("entry 1", c(1), None, "quarry_bell", "en", "Calder Ridge, 2020, 118,000 km.\n\nLost 8 & a bit, say 8.4 %."),
        ("entry 2", c(2), c(1), "Sunniva", "nb", "> Lost 8\n\nVår har tapt 6 % på 9 000 mil.\nLader til 80."),
        ("entry 3", c(3), c(2), "lamp_oil", "en", "Two Skuas here:\none at 3 %, one at 7 %."),
        ("entry 4", c(4), None, "The Second Battery", "en", "Next week we ask about charging to 100."),
        ("entry 6", c(6), c(1), "tin_whistle", "en", "Never above 80, never below 20, 3 years, no loss I can see."),
    ]
    assert rejects(found) == [("entry 5", "empty")]
    assert column(found, "time")[:2] == ["2024-11-28T19:00:00Z", "2024-11-28T20:00:00+01:00"]
    assert column(found, "thread") == [FEED] * 5
    assert column(found, "link")[0] == "https://example.org/44#c1"


def test_entities_are_refused_and_nothing_outside_is_read() -> None:
    laughs = '<!DOCTYPE l [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;">]>'
    outside = '<!DOCTYPE l [<!ENTITY a SYSTEM "file:///etc/hostname">]>'
    for doctype in (laughs, outside):
        data = f"<?xml version='1.0'?>{doctype}{HEAD}<entry><id>1</id><content>&a;</content></entry></feed>"
        start = time.monotonic()
        with pytest.raises(ExportProblem, match="entities"):
            tables(atom, data)
        assert time.monotonic() - start < 5


def test_cut_in_half() -> None:
    data = fixture("comments.atom")
    found = rows(atom, data[: data.index(b"Two Skuas")])
    assert column(found, "id") == [c(1), c(2)]
    assert rejects(found) == [("after entry 2", "broken_off")]


def test_declared_and_undeclared_encodings() -> None:
    body = HEAD + "<entry><id>1</id><content>Größe: für über fünf Jahre 4 % Verlust, schön</content></entry></feed>"
    for data in (
        f"<?xml version='1.0' encoding='ISO-8859-1'?>{body}".encode("iso-8859-1"),
        f"<?xml version='1.0' encoding='utf-8'?>{body}".encode("cp1252"),
        f"<?xml version='1.0' encoding='utf-16'?>{body}".encode("utf-16"),
        body.encode("utf-8-sig"),
    ):
        assert column(rows(atom, data), "text") == ["Größe: für über fünf Jahre 4 % Verlust, schön"]


def test_ten_thousand_levels_and_a_million_characters() -> None:
    deep = "<div xmlns='http://www.w3.org/1999/xhtml'>" + "<p>" * 10_000 + "lost 4 %" + "</p>" * 10_000 + "</div>"
    long = "x" * 1_000_000
    data = f"{HEAD}<entry><id>1</id><content type='xhtml'>{deep}</content></entry>"
    data += f"<entry><id>2</id><content>{long}</content></entry></feed>"
    assert column(rows(atom, data), "text") == ["lost 4 %", long]


def test_prefixed_names_and_a_lone_entry() -> None:
    lone = '<a:entry xmlns:a="http://www.w3.org/2005/Atom"><a:id>1</a:id><a:content>lost 4 %\x0b</a:content></a:entry>'
    assert atom.looks_like(lone.encode(), "x.xml") > 90
    assert column(rows(atom, lone), "text") == ["lost 4 %"]


@pytest.mark.parametrize("data", ["", "<feed/>", HEAD + "</feed>", "<rss><channel/></rss>", "no xml", HEAD + "<entry>"])
def test_what_is_no_feed_is_a_problem(data: str) -> None:
    with pytest.raises(ExportProblem):
        tables(atom, data)


@given(st.integers(0, 2400))
def test_cut_at_any_byte(place: int) -> None:
    data = fixture("comments.atom")
    try:
        found = rows(atom, data[:place])
    except ExportProblem:
        return
    whole = column(rows(atom, data), "id")
    assert column(found, "id") == whole[: len(good(found))]
    assert [reason for _, reason in rejects(found)].count("broken_off") == (0 if place >= len(data) - 1 else 1)


@given(st.binary(max_size=120))
def test_any_bytes(data: bytes) -> None:
    for raw in (data, HEAD.encode() + b"<entry><content>" + data + b"</content></entry></feed>"):
        with contextlib.suppress(ExportProblem):
            tables(atom, raw)
