"""The first look refuses chatter and never a report."""

from __future__ import annotations

import json
import time
from functools import cache
from pathlib import Path

import pytest

from pipeline.find_values.reader import LanguageReader, ResponseReader
from pipeline.read_text.fold import fold
from pipeline.read_text.wordings import ANYTHING, Guarded, Phrases, whole_words, wordings
from pipeline.response import Response

LABELLED = sorted((Path(__file__).parents[2] / "fixtures" / "labelled").rglob("*.jsonl"))


class Blind:
    """A first look that lets everything pass."""

    def may_report(self, folded: str) -> bool:
        return True


@cache
def readers() -> tuple[ResponseReader, ResponseReader]:
    """One with the first look, one without."""
    return ResponseReader(), ResponseReader()


@cache
def labelled(path: Path) -> tuple[Response, ...]:
    lines = [json.loads(line) for line in path.read_text("utf-8").splitlines() if line.strip()]
    return tuple(
        Response(str(line["id"]), path.stem, str(line["id"]), line["text"], lang=line.get("lang")) for line in lines
    )


@pytest.mark.parametrize("path", LABELLED, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_the_first_look_loses_no_report(path: Path) -> None:
    looking, blind = readers()
    for response in labelled(path):
        reader, language = blind._reader_of(response)
        reader.first_look = Blind()  # type: ignore[assignment]
        without = blind._read(response, reader, language)
        assert looking.read_one(response).reports == without.reports, response.text


@cache
def english() -> LanguageReader:
    return ResponseReader()._reader("en")


@pytest.mark.parametrize(
    "text",
    [
        "First!",
        "Lovely programme as ever, thank you both.",
        "Does anyone know the name of the tune at the start?",
        "My sister wants one, but the dealer says next spring.",
        "I have two dogs and a cat and none of them like the car.",
    ],
)
def test_chatter_is_refused(text: str) -> None:
    assert not english().first_look.may_report(fold(text))


@pytest.mark.parametrize(
    "text",
    [
        "80k",
        "Sixty thousand miles and no complaints.",
        "No loss at all, honest.",
        "Always charged to full.",
        "lost about a third",
        "five percent down",
        "to the brim every Sunday",
        "down half a percent",
        "DC only, never at home",
    ],
)
def test_what_may_report_is_not_refused(text: str) -> None:
    assert english().first_look.may_report(fold(text))


def test_most_chatter_of_the_labelled_responses_without_a_figure_is_refused() -> None:
    silent = refused = 0
    for path in LABELLED:
        if path.parent.parent.name != "en":
            continue
        for line in path.read_text("utf-8").splitlines():
            item = json.loads(line)
            if not item["reports"] and not any(character.isdigit() for character in item["text"]):
                silent += 1
                refused += not english().first_look.may_report(fold(item["text"]))
    assert silent > 200
    assert refused / silent > 0.65  # 0.72 when this was written


def test_a_look_costs_little() -> None:
    texts = [fold(response.text) for response in labelled(LABELLED[-1])] * 20
    started = time.thread_time()
    for text in texts:
        english().first_look.may_report(text)
    assert (time.thread_time() - started) / len(texts) < 200e-6  # some 10 microseconds on a quiet machine


@pytest.mark.parametrize(
    ("expression", "said"),
    [
        ("down", {"down"}),
        ("(?:not an?|n't)", {"not a", "not an", "n't"}),
        (r"s\.o\.h\.?", {"s.o.h", "s.o.h."}),
        (r"mi[eé]rcoles", {"miercoles", "miércoles"}),
        (r"up(?! to) again", {"up again"}),
        (r"charg\w+", {f"charg{ANYTHING}"}),
        (r"(?P<g0>(?<!\ue001)\ue001+(?!\ue001))".replace(r"\ue001", "\ue001"), {"\ue001"}),
    ],
)
def test_wordings(expression: str, said: set[str]) -> None:
    assert wordings(expression) == said


def test_a_word_that_may_be_part_of_a_longer_one_is_not_counted_on() -> None:
    assert whole_words(f"fully charg{ANYTHING} up") == {"fully", "up"}
    assert whole_words("state of health", whole=False) == {"of"}


def test_phrases_without_a_word_of_their_own_are_always_possible() -> None:
    assert Phrases(["once a week", "weekly"]).possible({"a", "week", "once"})
    assert not Phrases(["once a week", "weekly"]).possible({"a", "week"})
    assert Phrases(["->", "weekly"]).possible(set())


def test_a_guarded_expression_gives_what_the_expression_gives() -> None:
    import re

    expression = re.compile(r"(?<!\w)(?:mine|my own)(?!\w)")
    guarded = Guarded(expression, wordings("(?:mine|my own)"))
    for text in ("mine is my own", "my own", "yours", "own my", ""):
        assert [m.span() for m in guarded.finditer(text)] == [m.span() for m in expression.finditer(text)]
