from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read_exports.html_text import holds_html, html_to_text


@pytest.mark.parametrize(
    ("fragment", "text"),
    [
        ("<p>62,000 miles on it.</p><p>Down 4&nbsp;%.</p>", "62,000 miles on it.\n\nDown 4\u00a0%."),
        ("first line<br>second line<br/>\nthird", "first line\nsecond line\nthird"),
        (
            "<blockquote><p>How far?</p><p>How old?</p></blockquote><p>80k km, five years</p>",
            "> How far?\n>\n> How old?\n\n80k km, five years",
        ),
        (
            "<blockquote>outer<blockquote>inner</blockquote></blockquote>own words",
            "> outer\n>\n> > inner\n\nown words",
        ),
        ("lost <80 % of nothing <3", "lost <80 % of nothing <3"),
        ("a &lt; b &amp;&amp; c &eacute;t&#233;", "a < b && c été"),
        ("<script>var loss = 300;</script><style>p{}</style>still at 97 %", "still at 97 %"),
        ("plain\n\ntwo paragraphs &amp; a sign", "plain\n\ntwo paragraphs & a sign"),
        ("plain, nothing to do  \n\n\n\nnext", "plain, nothing to do\n\nnext"),
        ("<ul><li>74,000 km</li><li>2021</li></ul>", "74,000 km\n2021"),
        ("<table><tr><td>Range</td><td>263</td></tr><tr><td>Age</td><td>4</td></tr></table>", "Range 263\nAge 4"),
        ("<pre>new  272\nnow  263</pre>", "new  272\nnow  263"),
        ("<b>bold</b> and <i>light</i>", "bold and light"),
        ("<div>a<div>b</div>c</div>", "a\nb\nc"),
        ("", ""),
        ("cut off in <b", "cut off in"),
    ],
)
def test_what_becomes_of_markup(fragment: str, text: str) -> None:
    assert html_to_text(fragment) == text


@given(st.text())
def test_never_raises_and_gives_no_line_longer_than_needed(fragment: str) -> None:
    text = html_to_text(fragment)
    assert "\n\n\n" not in text
    assert text == text.strip("\n ")


@given(
    st.lists(
        st.sampled_from(
            ["<p>", "</p>", "<blockquote>", "</blockquote>", "<br>", "<pre>", "</pre>", "&", "<!--", "<b", "x "]
        )
    )
)
def test_never_raises_on_tag_soup(parts: list[str]) -> None:
    assert "\n\n\n" not in html_to_text("".join(parts))


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc"], exclude_characters="<&\u2028\u2029")))
def test_text_without_markup_stays_as_it_is(words: str) -> None:
    assert html_to_text(f"<b>{words}</b>").strip() == words.strip()


def test_ten_thousand_levels_and_a_million_characters() -> None:
    start = time.monotonic()
    deep = html_to_text("<div>" * 10_000 + "at the bottom" + "</div>" * 10_000 + "above")
    assert deep == "at the bottom\nabove"
    quoted = html_to_text("<blockquote>" * 10_000 + "lost")
    assert quoted.endswith("> lost")
    assert html_to_text("<p>" + "x" * 1_000_000) == "x" * 1_000_000
    assert html_to_text("&" * 1_000_000) == "&" * 1_000_000
    assert html_to_text("<b" * 300_000) is not None
    assert time.monotonic() - start < 20


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("<p>yes</p>", True),
        ("so & so", False),
        ("R&amp;D", True),
        ("x < y > z", False),
        ("a<br/>b", True),
        ("<3", False),
    ],
)
def test_holds_html(text: str, expected: bool) -> None:
    assert holds_html(text) is expected
