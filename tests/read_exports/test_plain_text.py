from __future__ import annotations

import contextlib
import time

import pytest
from format_files import column, fixture, good, rejects, rows, tables
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problems import ExportProblem
from pipeline.read_exports.formats import plain_text
from pipeline.read_exports.page_lines import tell


def test_fixture() -> None:
    data = fixture("pasted-thread.txt")
    assert plain_text.looks_like(data, "pasted-thread.txt") == 50
    found = rows(plain_text, data)
    assert [(row["author"], row["time"], row["likes"], row["text"]) for row in good(found)] == [
        (
            "Kestrel_94",
            "3 months ago",
            12,
            "62,000 miles on my 2021 Tern.\n\nDown about 4 % since new, I charge to 80 and to full only for trips.",
        ),
        (
            "@moss.and.rye",
            "2 months ago (edited)",
            3,
            'Kestrel_94 said: "down about 4 %"\n> down about 4 %\nMine is at 5, same year.',
        ),
        ("Linnea Aas", "1 year ago", None, "Skua med jernfosfat, 5 600 mil.\nNull tap."),
        (
            "ondine_driver",
            "5 weeks ago",
            None,
            "Show us a graph next time!\n\nI would like to reply with numbers, but the car says nothing. "
            "Best guess: 271 km where it was 289.",
        ),
        ("Tomasz W.", "2 weeks ago", 1, "No."),
    ]
    assert rejects(found) == [("block 1 (line 1)", "boilerplate"), ("block 5 (line 28)", "boilerplate")]


def test_blank_lines_where_nothing_else_shows() -> None:
    found = rows(
        plain_text, "Lost 4 % in five years.\n\nSecond one with\ntwo lines.\n\nReply\n\n3 replies\n\nNo loss.\n"
    )
    assert column(found, "text") == ["Lost 4 % in five years.", "Second one with\ntwo lines.", "No loss."]
    assert rejects(found) == [("block 3 (line 6)", "boilerplate"), ("block 4 (line 8)", "boilerplate")]


def test_dates_and_buttons_below() -> None:
    page = (
        "Kestrel_94\n62,000 miles on my Tern.\n\nDown about 4 %.\n3w\nLike\nReply\n4\n\n"
        "Odd Moe\nSame here\n2w · Like · Reply\nLinnea\nNo loss after 5 years\n5d Like Reply\n"
    )
    found = rows(plain_text, page)
    assert [(row["author"], row["time"], row["text"], row["likes"]) for row in good(found)] == [
        ("Kestrel_94", "3w", "62,000 miles on my Tern.\n\nDown about 4 %.", 4),
        ("Odd Moe", "2w", "Same here", None),
        ("Linnea", "5d", "No loss after 5 years", None),
    ]


def test_chat_lines() -> None:
    found = rows(
        plain_text, "[12.03.24, 14:22] Ada: lost 4 %\n[12.03.24, 14:25] Bo Ek: mine 5 %\n\nand that after 6 years\n"
    )
    assert column(found, "author") == ["Ada", "Bo Ek"]
    assert column(found, "text") == ["lost 4 %", "mine 5 %\n\nand that after 6 years"]


def test_rulers_and_numbers_keep_paragraphs_together() -> None:
    assert column(rows(plain_text, "One.\n\nMore of one.\n-----\nTwo.\n-----\nThree.\n"), "text") == [
        "One.\n\nMore of one.",
        "Two.",
        "Three.",
    ]
    assert column(rows(plain_text, "#1\nlost 4\n#2\nlost 5\n\nand more\n"), "text") == ["lost 4", "lost 5\n\nand more"]


def test_a_line_each_and_a_wrapped_text() -> None:
    assert column(rows(plain_text, "lost 4 %\nlost five\nDelivered 3 years ago\n"), "text") == [
        "lost 4 %",
        "lost five",
        "Delivered 3 years ago",
    ]
    wrapped = (
        "This is one long text that was broken at the margin by the mail program and so\n"
        "it goes on for several lines without any blank line between them, because it is\n"
        "one response after all and should not come apart here.\n"
    )
    assert column(rows(plain_text, wrapped), "text") == [wrapped.strip()]


def test_names_above_texts_without_dates() -> None:
    found = rows(plain_text, "ann_k\nLost 4 percent now\n\nbo99\nNothing lost, 5 years\n\nCy Dee\nI charge to 80\n")
    assert column(found, "author") == ["ann_k", "bo99", "Cy Dee"]
    assert column(found, "text") == ["Lost 4 percent now", "Nothing lost, 5 years", "I charge to 80"]


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("Reply", "boilerplate"),
        ("12 likes", "boilerplate"),
        ("1.2K", "boilerplate"),
        ("Show more", "boilerplate"),
        ("View 3 replies", "boilerplate"),
        ("Like Reply Share", "boilerplate"),
        ("Gefällt mir", "boilerplate"),
        ("3 Antworten anzeigen", "boilerplate"),
        ("J’aime · Répondre · 3 j", "boilerplate"),
        ("3 months ago", "date"),
        ("vor 3 Monaten", "date"),
        ("il y a 2 ans", "date"),
        ("hace 5 días", "date"),
        ("5 March 2024 at 10:15", "date"),
        ("05.03.2024, 14:22 Uhr", "date"),
        ("Mar 5, 2024", "date"),
        ("(2024-03-05)", "date"),
        ("Edited 1mo ago", "date"),
        ("@tern.fan · 3 months ago", "header"),
        ("Posted by rust_hen on 12 March 2024", "header"),
        ("Marta Q. · Moderator · 3 months ago", "header"),
        ("I like it.", "text"),
        ("Reply to all of you: 62,000 miles.", "text"),
        ("4 % lost in 3 years", "text"),
        ("62,000 miles", "text"),
        ("Bought 12 March 2021, down 4 %", "text"),
        ("80 % every day", "text"),
        ("5 years, no loss", "text"),
        ("> 3 months ago", "text"),
        ("-----", "ruler"),
        ("#12", "number"),
        ("Comment 7:", "number"),
        ("", "blank"),
    ],
)
def test_what_a_line_is(line: str, kind: str) -> None:
    assert tell(line).kind == kind


def test_encodings() -> None:
    for encoding in ("utf-8-sig", "utf-16", "cp1252"):
        data = (
            "Größe egal: 4 % Verlust für über fünf Jahre, schön.\n\nÄhnlich hier: früher 412 km, jetzt 402.\n".encode(
                encoding
            )
        )
        assert column(rows(plain_text, data), "text") == [
            "Größe egal: 4 % Verlust für über fünf Jahre, schön.",
            "Ähnlich hier: früher 412 km, jetzt 402.",
        ]


def test_empty_binary_and_long() -> None:
    for data in (b"", b" \n\n\t\n", b"\xef\xbb\xbf"):
        with pytest.raises(ExportProblem):
            tables(plain_text, data)
    assert plain_text.looks_like(b"%PDF-1.7", "a.txt") == 0
    assert plain_text.looks_like(b"\x00\x01\x02", "a.txt") == 0
    start = time.monotonic()
    found = rows(plain_text, b"x" * 1_000_000 + b"\n\n" + b"Like " * 200_000)
    assert len(column(found, "text")[0]) == 1_000_000
    assert good(rows(plain_text, b"3 months ago\n" * 50_000)) == []
    assert time.monotonic() - start < 30


@given(st.integers(0, 800))
def test_cut_at_any_byte(place: int) -> None:
    try:
        found = rows(plain_text, fixture("pasted-thread.txt")[:place])
    except ExportProblem:
        assert place == 0
        return
    assert len(found) >= 1


_LINES = st.sampled_from(
    [
        "Kestrel_94",
        "3 months ago",
        "Reply",
        "12",
        "lost 4 %",
        "",
        "-----",
        "@a.b",
        "#3",
        "Odd Moe · 2w",
        "> quoted",
        "No.",
    ]
)


@given(st.lists(_LINES | st.text(max_size=30), max_size=25))
def test_every_written_word_comes_out_once_or_is_rejected(lines: list[str]) -> None:
    try:
        found = rows(plain_text, "\n".join(lines))
    except ExportProblem:
        return
    written = sum(line == "lost 4 %" for line in lines)
    assert sum(text.split("\n").count("lost 4 %") for text in column(found, "text")) == written


@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    with contextlib.suppress(ExportProblem):
        tables(plain_text, data)
