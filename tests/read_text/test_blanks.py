"""White space and empty capitals are evened, and every place leads back into the text as exported."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.find_values.reader import ResponseReader
from pipeline.read_text.blanks import evened
from pipeline.response import Response

LETTER = """My Tern has now covered 74,000 km since we bought it new and it has
lost 4 % of its capacity, says the workshop, which is not much for
a car that stands outside in all weathers. I always charge it up to
80 % at home."""

TABLE = """Tern MY20, 38,904 km, SoH 92.7, limit 100 every night
Skua MY22, 51,230 km, SoH 96.1, limit 80"""


@pytest.mark.parametrize(
    "text, wanted",
    [
        ("no  loss", "no loss"),
        ("no \t loss", "no loss"),
        ("74\u202f000\u00a0km", "74 000 km"),
        ("zero\u200bwidth", "zero width"),
        ("92  385 km", "92  385 km"),  # two columns, not ninety-two thousand kilometres
        ("92 \t  385 km", "92  385 km"),
        ("first\nsecond", "first\nsecond"),
        ("MY TERN HAS LOST FOUR PERCENT SINCE", "my tern has lost four percent since"),
        ("mY tERN HAS LOST FOUR PERCENT SINCE", "My Tern has lost four percent since"),
        ("My Tern Has Lost Four Percent Since", "my tern has lost four percent since"),
        ("My Tern LR has lost four percent", "My Tern LR has lost four percent"),
        ("TERN LFP 80 %", "TERN LFP 80 %"),  # too short to tell
        ("STRASSE ß GRÜSSE AUS GRAZ AN ALLE", "strasse ß grüsse aus graz an alle"),
    ],
)
def test_what_is_evened(text: str, wanted: str) -> None:
    assert evened(text).text == wanted


def test_a_wrapped_paragraph_becomes_one_line() -> None:
    assert evened(LETTER).text == LETTER.replace("\n", " ")


@pytest.mark.parametrize(
    "text",
    [
        TABLE,
        "> what a long line this is that somebody quotes in full\nand then goes on",
        "- what a long point of a list this is, without an end\n- and another",
        "This line is long enough, but it ends as a sentence does.\nthen comes another",
    ],
)
def test_lines_that_were_not_wrapped_stay(text: str) -> None:
    assert evened(text).text == text


@settings(deadline=None, max_examples=300)
@given(st.text(st.sampled_from("ab AB19%\n\t\u00a0\u200b.>-ßİ"), max_size=120))
def test_every_character_keeps_its_place(text: str) -> None:
    even = evened(text)
    assert evened(even.text).text == even.text or "\n" in text  # a wrapped line may make the next one long
    places = even.places or tuple(range(len(text)))
    assert len(places) == len(even.text)
    assert all(before < behind for before, behind in pairwise(places))
    for character, place in zip(even.text, places, strict=True):
        if character.isspace():
            assert text[place].isspace() or text[place] in "\u200b"
        else:
            assert character.lower() == text[place].lower() or text[place] in "İß"


def test_values_are_traced_into_the_text_as_exported() -> None:
    text = "MY\tTERN   LONG  RANGE HAS DONE  74,000   KM AND HAS LOST\u00a0\u00a04.5   PERCENT, NO KIDDING"
    (report,) = ResponseReader().read_one(Response("r1", "s", "1", text, lang="en")).reports
    for value in report.values.values():
        assert text[value.start : value.end] == value.raw
    assert report.values["odometer_km"].raw == "74,000   KM"
    assert report.plain()["loss_pct"] == 4.5
    if "vehicle_text" in report.values:
        assert report.plain()["vehicle_text"] == "TERN LONG RANGE"
