"""Properties of readings: what says nothing changes nothing, and neither does how a number or a word is written.

Each seed is read once as it stands; its reading is checked against what it says, then held against every variation.
Over the training part of the labelled corpus the share of responses that a variation changes is bounded: what is left
are two vehicles of which one is told by its capitals, and reports that the report model is in doubt about.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import cycle
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.find_values.labelled import Labelled, read_labelled
from pipeline.find_values.reader import ResponseReader
from pipeline.response import Response
from pipeline.score_readings.compare import compare

Plain = dict[str, Any]

LABELLED = Path(__file__).parents[1] / "fixtures" / "labelled"


@dataclass(frozen=True)
class Seed:
    """A response and what it says."""

    name: str
    text: str
    reports: tuple[Plain, ...]
    lang: str = "en"


OWN = {"whose": "own"}
FULL_SUNDAYS = {"charge_limit_pct": 100, "full_charges_per_week": 1, "charge_habit": "full"}
TO_80 = {"charge_limit_pct": 80, "charge_habit": "partial"}

SEEDS = (
    Seed(
        "everything",
        "2022 Tern, iron phosphate pack, 74,000 km on it. Down 2.1 %, charge to full every Sunday.",
        (
            {
                **OWN, **FULL_SUNDAYS, "vehicle_text": "Tern", "model_year": 2022, "chemistry": "LFP",
                "odometer_km": 74_000, "loss_pct": 2.1, "loss_origin": "stated",
            },
        ),
    ),
    Seed(
        "range pair",
        "It used to show 412 km at full, now 398 km, and the odometer stands at 51,300 km.",
        ({**OWN, "odometer_km": 51_300, "loss_pct": 3.398, "loss_origin": "range"},),
    ),
    Seed(
        "somebody else's",
        "My brother's Ridge is at 92 % SoH after five years, mostly rapid charging.",
        ({"whose": "other", "vehicle_text": "Ridge", "age_months": 60, "loss_pct": 8, "loss_origin": "health"},),
    ),
    Seed(
        "miles",
        "Our Fell has 61,200 miles on the clock and lost 4.5 %. We charge to 80 %.",
        ({**OWN, **TO_80, "vehicle_text": "Fell", "odometer_km": 98_491.85, "loss_pct": 4.5, "loss_origin": "stated"},),
    ),
    Seed(
        "no loss",
        "Skua Long Range from 2021, 118,000 km, no loss so far. The limit is set to 90 %.",
        (
            {
                **OWN, "vehicle_text": "Skua Long Range", "model_year": 2021, "odometer_km": 118_000, "loss_pct": 0,
                "loss_origin": "none", "charge_limit_pct": 90, "charge_habit": "partial",
            },
        ),
    ),
    Seed("warranty", "The warranty says 70 % at 160,000 km, right?", ()),
    Seed("plan", "If it drops 10 % by 100,000 km I will sell it.", ()),
    Seed(
        "German",
        "Tern von 2021, 88.400 km auf dem Tacho, SoH 95 %. Ich lade immer bis 80 %.",
        (
            {
                **OWN, **TO_80, "vehicle_text": "Tern", "model_year": 2021, "odometer_km": 88_400, "loss_pct": 5,
                "loss_origin": "health",
            },
        ),
        lang="de",
    ),
)  # fmt: skip

IRRELEVANT = {
    "en": (
        "Thank you for the programme.",
        "It rained here all day.",
        "Greetings from Graz.",
        "I listen while I do the dishes.",
        "The music at the end was lovely!",
        "What a nice evening that was.",
        "Hello everybody.",
    ),
    "de": ("Danke für die Sendung.", "Hier hat es den ganzen Tag geregnet.", "Grüße aus Graz.", "Schönen Abend noch!"),
}

_DISTANCE = re.compile(r"(\d{2,3})[.,](\d{3})(?= (?:km|miles))")
SEPARATORS = ("", ",", ".", " ", "'", "’", "\u00a0", "\u202f", "\u2009")
BLANKS = (" ", "  ", "   ", "\t", "\u00a0", " \t ")
CASES = (str.upper, str.lower, str.title, str.swapcase)

held = settings(derandomize=True, deadline=None, max_examples=80, database=None)


@cache
def reader() -> ResponseReader:
    return ResponseReader()


def read(text: str, lang: str) -> list[Plain]:
    return [report.plain() for report in reader().read_one(Response("r1", "seeds", "1", text, lang=lang)).reports]


SEED = pytest.mark.parametrize("seed", SEEDS, ids=lambda seed: seed.name)


def differences(got: list[Plain], wanted: list[Plain]) -> list[str]:
    """What differs between two readings of one response, the vehicle's name included."""
    return [
        f"{one.field}: {one.kind}, {one.wanted!r} became {one.got!r}"
        for one in compare(got, wanted).outcomes
        if one.kind != "correct"
    ]


def values_only(reports: list[Plain]) -> list[Plain]:
    """Reports without the vehicle's name: capitals are evidence that a word is one, so it may go with them."""
    return [{name: value for name, value in report.items() if name != "vehicle_text"} for report in reports]


@SEED
def test_the_seed_is_read_as_it_says(seed: Seed) -> None:
    assert differences(read(seed.text, seed.lang), list(seed.reports)) == []


@SEED
@held
@given(data=st.data())
def test_an_irrelevant_sentence_before_or_behind_changes_nothing(seed: Seed, data: st.DataObject) -> None:
    sentence = st.sampled_from(IRRELEVANT[seed.lang])
    before = data.draw(st.lists(sentence, max_size=2), label="before")
    behind = data.draw(st.lists(sentence, max_size=2), label="behind")
    gap = data.draw(st.sampled_from((" ", "\n", "\n\n")), label="gap")
    text = gap.join([*before, seed.text, *behind])
    assert differences(read(text, seed.lang), read(seed.text, seed.lang)) == [], text


@SEED
@held
@given(separator=st.sampled_from(SEPARATORS))
def test_the_sign_between_thousands_changes_no_value(seed: Seed, separator: str) -> None:
    text = _DISTANCE.sub(lambda found: f"{found[1]}{separator}{found[2]}", seed.text)
    assert differences(read(text, seed.lang), read(seed.text, seed.lang)) == [], text


@SEED
@held
@given(case=st.sampled_from(CASES))
def test_letter_case_changes_no_value(seed: Seed, case: Any) -> None:
    text = case(seed.text)
    assert differences(values_only(read(text, seed.lang)), values_only(read(seed.text, seed.lang))) == [], text


@SEED
@held
@given(data=st.data())
def test_white_space_changes_no_value(seed: Seed, data: st.DataObject) -> None:
    words = seed.text.split(" ")
    count = len(words) - 1
    blanks = data.draw(st.lists(st.sampled_from(BLANKS), min_size=count, max_size=count), label="blanks")
    before, behind = data.draw(st.tuples(*[st.sampled_from(("", " ", "\n", "\n\n\t"))] * 2), label="around")
    text = before + "".join(word + blank for word, blank in zip(words, [*blanks, ""], strict=True)) + behind
    assert differences(read(text, seed.lang), read(seed.text, seed.lang)) == [], text
    for report in reader().read_one(Response("r1", "seeds", "1", text, lang=seed.lang)).reports:
        for value in report.values.values():
            assert text[value.start : value.end] == value.raw
            assert all(text[start:end] == raw for raw, start, end in value.parts)


@SEED
@held
@given(width=st.integers(min_value=64, max_value=80))
def test_a_sentence_wrapped_at_a_lines_end_is_read_as_one(seed: Seed, width: int) -> None:
    before = "This is a letter to the programme, as long as letters are, and it goes on and on."
    text = f"{before} {seed.text}"
    assert differences(read(textwrap.fill(text, width), seed.lang), read(text, seed.lang)) == [], text


# -- the training part of the labelled corpus -----------------------------------------------------------------

_BLANK = re.compile(r"(?<!\d) |(?<=\d) (?!\d)")
"""A blank, but not one between digits: two there part the columns of a table."""
_LABELLED_DISTANCE = re.compile(r"(?<![\d.,'])(\d{2,3})[., \u202f](\d{3})(?= ?(?:km|miles|mi)\b)")
_QUOTES_FIRST = re.compile(r"\s*(?:>|[\w ]+ said:)")
"""Texts that open with a quotation's mark: a sentence on the same line before it makes it none."""
BEFORE, BEHIND, OTHER_BLANKS = cycle(IRRELEVANT["en"]), cycle(IRRELEVANT["en"]), cycle(BLANKS)


def wrapped(text: str) -> str:
    """Each line broken into lines of at most 68 characters, as mail programs do."""
    lines = text.split("\n")
    return "\n".join(textwrap.fill(one, 68, break_long_words=False, break_on_hyphens=False) for one in lines)


VARIATIONS: dict[str, tuple[Callable[[str], str], float]] = {
    "sentence before": (lambda text: text if _QUOTES_FIRST.match(text) else f"{next(BEFORE)} {text}", 0.02),
    "sentence behind": (lambda text: f"{text}\n{next(BEHIND)}", 0.02),
    "no sign between thousands": (lambda text: _LABELLED_DISTANCE.sub(r"\1\2", text), 0.003),
    "a blank between thousands": (lambda text: _LABELLED_DISTANCE.sub("\\1\u202f\\2", text), 0.005),
    "an apostrophe between thousands": (lambda text: _LABELLED_DISTANCE.sub(r"\1'\2", text), 0.005),
    "blanks": (lambda text: _BLANK.sub(lambda _: next(OTHER_BLANKS), text), 0.001),
    "wrapped lines": (wrapped, 0.01),
    "capitals": (str.upper, 0.03),
    "small letters": (str.lower, 0.03),
    "caps lock": (str.swapcase, 0.006),
}
"""Variation -> how it is made, and the share of responses of which it may change a value; measured, with some room."""


@cache
def labelled() -> tuple[Labelled, ...]:
    return tuple(read_labelled([LABELLED / "en" / "train"]))


@cache
def labelled_readings() -> tuple[list[Plain], ...]:
    return readings_of([one.text for one in labelled()])


def readings_of(texts: list[str]) -> tuple[list[Plain], ...]:
    responses = [
        Response(one.id, "labelled", one.id, text, lang="en", parent_id=one.parent_id)
        for one, text in zip(labelled(), texts, strict=True)
    ]
    return tuple(values_only([report.plain() for report in one.reports]) for one in reader().read(responses))


@pytest.mark.parametrize("variation", VARIATIONS)
def test_few_labelled_responses_are_read_otherwise(variation: str) -> None:
    vary, most = VARIATIONS[variation]
    texts = [vary(one.text) for one in labelled()]
    varied = [text != one.text for one, text in zip(labelled(), texts, strict=True)]
    changed = [
        f"{one.id}: {gone}"
        for one, got, wanted, is_varied in zip(labelled(), readings_of(texts), labelled_readings(), varied, strict=True)
        if is_varied and (gone := differences(got, wanted))
    ]
    assert sum(varied) > 300
    assert len(changed) <= most * sum(varied), "\n".join(changed)
