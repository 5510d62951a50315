"""What is a copy and what is not, pair by pair.  The texts are made up; the rules are those of the labelled set."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.join_copies.plain_text import own_words, read_plain
from pipeline.join_copies.same_text import is_typo, likeness

LONG = "2022 Tern with the iron phosphate pack, 81,400 km, down 2.6 %. To full every Sunday, otherwise as it comes."


def copies(left: str, right: str, *, one_author: bool) -> bool:
    one, two = read_plain(left), read_plain(right)
    if not one_author and not (one.by_anyone and two.by_anyone):
        return False
    there = likeness(one.plain, two.plain, one_author=one_author)
    back = likeness(two.plain, one.plain, one_author=one_author)
    assert there == back
    return there is not None


@pytest.mark.parametrize(
    "other",
    [
        LONG.upper(),
        LONG.replace(", ", "  ").replace("Sunday", "Sunday!!! \N{SMILING FACE WITH SUNGLASSES}"),
        LONG.replace("a", "\N{CYRILLIC SMALL LETTER A}").replace("o", "\N{GREEK SMALL LETTER OMICRON}"),
        LONG.replace(" ", "\N{NO-BREAK SPACE}").replace("Tern", "Te\N{ZERO WIDTH SPACE}rn"),
        LONG.replace("phosphate", "phospate"),
        LONG.replace("81,400 km", "81.400 kilometres").replace("2.6 %", "2,6 percent"),
        "> " + LONG,
        "> " + LONG + "\n\nWell said!",
        "lou wrote:\n> " + LONG + "\nThis.",
        f"[quote=lou]{LONG}[/quote] +1",
        "@lou " + LONG,
        "Copied from the other thread: " + LONG,
        LONG + " (reposted, the first one vanished)",
        LONG + " https://example.org/41?t=7",
        LONG.replace("&", "and").replace("Sunday, ", "Sunday,<br>"),
    ],
)
def test_a_copy_by_any_account(other: str) -> None:
    assert copies(LONG, other, one_author=False)
    assert copies(LONG, other, one_author=True)


@pytest.mark.parametrize(
    "other",
    [
        LONG.replace("81,400", "84,100"),
        LONG.replace("2.6", "2.9"),
        LONG.replace("2022", "2021"),
        LONG.replace("km", "miles"),
        LONG.replace("iron phosphate", "nickel"),
        LONG.replace("Tern", "Skua"),
        LONG.replace("every Sunday", "every day"),
        LONG.replace("To full", "Never to full"),
        "> " + LONG + "\n\nIs that on the display, or did the workshop measure it for you?",
        "> " + LONG + "\n\nMine has 90,000 km and lost 4 %.",
    ],
)
def test_another_statement(other: str) -> None:
    assert not copies(LONG, other, one_author=False)
    assert not copies(LONG, other, one_author=True)


@pytest.mark.parametrize(
    "text", ["me too", "no loss", "2022, LFP, no loss", "80 % limit, no loss", "Tern. 2022. 66k miles. 3 %."]
)
def test_short_texts_are_copies_of_their_author_only(text: str) -> None:
    assert copies(text, text.upper() + "!", one_author=True)
    assert not copies(text, text, one_author=False)


def test_one_figure_tells_two_short_answers_apart() -> None:
    assert not copies("2022, LFP, no loss", "2021, LFP, no loss", one_author=True)
    assert not copies("2022, LFP, no loss", "2022, NMC, no loss", one_author=True)


def test_number_words_are_figures() -> None:
    said = "I never go above eighty and after three years and 47,000 km the display says what it said when new"
    assert copies(said, said.replace("three", "3").replace("eighty", "80"), one_author=False)
    assert not copies(said, said.replace("three", "four"), one_author=True)


def test_a_survey_row_counts_by_its_answers() -> None:
    row = "Which car?: Tern\nModel year: 2023\nOdometer, with its unit please: 20,000 km\nLimit: 100"
    assert not read_plain(row).by_anyone
    assert copies(row, row, one_author=True)
    told = row + "\nAnything else?: I bought it from an estate, and they had never once washed it, as far as we know"
    assert read_plain(told).by_anyone


@pytest.mark.parametrize(
    ("left", "right", "slip"),
    [
        ("lots", "lost", True),
        ("allways", "always", True),
        ("phosphate", "phospate", True),
        ("daily", "nightly", False),
        ("ever", "never", False),
        ("does", "doesnt", False),
        ("tern", "fern", False),
        ("lfp", "nmc", False),
        ("7e", "5e", False),
        ("monday", "sunday", False),
    ],
)
def test_slips(left: str, right: str, slip: bool) -> None:
    assert is_typo(left, right, one_author=left not in ("tern",)) is slip


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("73k km", "#73000 km"),
        ("73,000 km", "#73000 km"),
        ("73.000 km", "#73000 km"),
        ("73 000 kilometres", "#73000 km"),
        ("73'000km", "#73000 km"),
        ("73 tkm", "#73000 km"),
        ("73 thousand km", "#73000 km"),
        ("seventy-three thousand km", "#73000 km"),
        ("42k m", "#42000 mi"),
        ("2,3 %", "#2.3"),
        ("2.3 per cent", "#2.3"),
        ("\N{CYRILLIC CAPITAL LETTER TE}ern 81,4\N{CYRILLIC CAPITAL LETTER O}0 km", "tern #81400 km"),
        ("Ünder 5 % — ça va", "under #5 ca va"),
        ("AT&amp;T  it's", "at t its"),
    ],
)
def test_plain_form(text: str, plain: str) -> None:
    assert read_plain(text).plain == plain


def test_own_words_win_over_a_quoted_question() -> None:
    assert own_words("> What is your limit?\n80 %").strip() == "80 %"
    assert own_words("> quoted whole\n+1").strip() == "quoted whole"
    assert own_words('Quoting lou: "Tern 2022, no loss so far, 80 %"') == "Tern 2022, no loss so far, 80 %"
    assert own_words("Posted under episode 41 as well: Tern 2022, no loss, 80 %") == "Tern 2022, no loss, 80 %"
    assert own_words("My car: Tern 2022, no loss, 80 %") == "My car: Tern 2022, no loss, 80 %"
    assert own_words("no quote > here").strip() == "no quote > here"


def test_very_long_texts_are_compared_as_a_whole() -> None:
    words = [f"word{chr(97 + place % 26)}{chr(97 + place // 26 % 26)}{chr(97 + place // 676)}" for place in range(3000)]
    long = " ".join(words)
    assert copies(long, long.replace("wordaab", "wordaba"), one_author=False)
    assert not copies(long, " ".join(words[:1500] + words[:1:-2]), one_author=False)
    assert not copies("3 " + long, "4 " + long, one_author=True)


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=200) | st.text(alphabet="0123456789.,' k%mi>\"\n:[]@\u0660\u00bd", max_size=400))
def test_any_text_has_a_plain_form(text: str) -> None:
    read = read_plain(text)
    assert "  " not in read.plain
    assert read == read_plain(text)
    assert not read.plain or likeness(read.plain, read.plain, one_author=False) is not None


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([*LONG.split(), "3", "81,400", "not", "Skua", "quoted"]), max_size=25))
def test_likeness_is_the_same_both_ways(words: list[str]) -> None:
    for one_author in (False, True):
        copies(LONG, " ".join(words), one_author=one_author)  # holds the two ways against each other
