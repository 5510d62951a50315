"""The language of a response: told from its words, with the prior of what stands around it."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from pipeline.read_text.language import HEAD, ExportTeller, LanguageTeller, base_language, known_languages
from pipeline.response import Reject, Response, SurveyAnswer

LABELLED = Path(__file__).parents[2] / "fixtures" / "labelled"

MEASURED = {
    # language: least share right alone, without any prior; of the first 40 signs alone; in its thread
    "de": (1.0, 1.0, 1.0),
    "en": (0.988, 0.957, 1.0),
    "es": (1.0, 0.954, 1.0),
    "fr": (1.0, 0.984, 1.0),
    "it": (1.0, 0.983, 1.0),
    "nb": (1.0, 0.977, 1.0),
    "nl": (0.983, 0.967, 1.0),
    "pt": (1.0, 0.983, 1.0),
}
"""What was measured on all labelled responses; less than this is a step back.  Since Swedish is a ninth language, one
Norwegian opening of forty characters more reads like its neighbour (0.977, before 0.989)."""


def labelled(language: str) -> list[dict[str, Any]]:
    pattern = "en/*/*.jsonl" if language == "en" else f"multi/*/{language}.jsonl"
    lines = [line for path in sorted(LABELLED.glob(pattern)) for line in path.read_text("utf-8").splitlines()]
    return [json.loads(line) for line in lines]


def response(text: str, number: int = 0, **more: Any) -> Response:
    return Response(f"r{number}", "export", str(number), text, **more)


def told(responses: Sequence[Response], **options: Any) -> list[str | None]:
    return [one.lang for one in ExportTeller(LanguageTeller(**options)).told(responses)]


def share(got: Sequence[str | None], wanted: Sequence[str]) -> float:
    return sum(a == b for a, b in zip(got, wanted, strict=True)) / len(wanted)


@pytest.mark.parametrize("language", MEASURED)
def test_labelled_responses(language: str) -> None:
    texts = labelled(language)
    teller = LanguageTeller()
    wanted = [language] * len(texts)
    starts = [one["text"][:40] for one in texts]
    in_thread = told([response(one["text"], i, thread_id=one["thread_id"]) for i, one in enumerate(texts)])
    got = (
        share([teller.tell(one["text"]) for one in texts], wanted),
        share([teller.tell(start) for start in starts], wanted),
        share(in_thread, wanted),
    )
    assert all(a >= b for a, b in zip(got, MEASURED[language], strict=True)), got


def test_one_export_in_eight_languages() -> None:
    texts = [(one["text"], code) for code in MEASURED for one in labelled(code)[:60]]
    random.Random(3).shuffle(texts)
    got = told([response(text, i) for i, (text, _) in enumerate(texts)])
    assert share(got, [code for _, code in texts]) >= 0.995


@pytest.mark.parametrize(
    ("text", "language"),
    [
        ("Fourth winter, Akku fine, SoH 94, range 380 km, 61.500 km on the clock.", "en"),
        ("My Akku is at 92 % SoH, Reichweite about 380 km after 61.500 km.", "en"),
        ("It has lost 4,5 % in 61.500,0 km and I am happy", "en"),
        ("Mein SoH liegt bei 93 %, Range noch 310 km, immer AC", "de"),
        ("Range is nog 310 km, SoH 93, ik laad altijd tot 80", "nl"),
        ("La range reste à 310 km, je suis content", "fr"),
        ("> The battery lost 8% after that winter\n\nbei mir sind es nur 4 %", "de"),
        ("ISTT AUCH NICHT MEHR ALS 4 % BEI MIR", "de"),
        ("Je l’ai depuis 4 ans", "fr"),
        ("Har kjørt 8 000 mil, mistet 6 %", "nb"),
        ("Akussa on jäljellä yhdeksänkymmentä prosenttia kapasiteetista ja ajettu satatuhatta.", None),
        ("Машина прошла 90 тысяч километров, батарея потеряла восемь процентов.", None),
        ("80.000 km", None),
        ("", None),
        ("94", None),
    ],
)
def test_texts_alone(text: str, language: str | None) -> None:
    assert LanguageTeller().tell(text) == language


@pytest.mark.parametrize("prior", sorted(MEASURED))
def test_the_prior_decides_what_nothing_else_tells(prior: str) -> None:
    teller = LanguageTeller()
    assert teller.tell("94 %", prior) == prior
    assert teller.tell("", prior) == prior
    assert teller.tell("80.000 km, SoH 94", prior) == prior
    assert teller.tell("I have had my car for six years and the battery is fine", prior) == "en"
    assert teller.tell("Ich habe den Wagen seit sechs Jahren und der Akku ist noch gut", prior) == "de"


def test_forced() -> None:
    teller = LanguageTeller(forced="nl")
    assert teller.tell("I have had my car for six years", "en") == "nl"
    assert told([response("Hello, it is my car"), response("94", lang="de-AT")], forced="nl") == ["nl", "nl"]


def test_only_the_languages_given_are_told() -> None:
    assert LanguageTeller(["en", "de"]).tell("Je l'ai depuis quatre ans et je suis très content") in ("en", "de", None)


def test_what_the_export_says_stands_and_counts_for_the_others() -> None:
    responses = [response("94", i, lang="pt-BR") for i in range(3)] + [response("94", 3), response("I have my car", 4)]
    assert told(responses) == ["pt-BR"] * 3 + ["pt", "en"]


def test_a_thread_has_its_own_prior() -> None:
    german = [response("Ich habe den Wagen seit sechs Jahren", i, thread_id="a") for i in range(6)]
    english = [response("I have had my car for six years", 10 + i, thread_id="b") for i in range(90)]
    last = [response("SoH 94", 200, thread_id="a"), response("SoH 94", 201, thread_id="b")]
    assert told(german + english + last)[-2:] == ["de", "en"]


def test_the_first_responses_have_the_prior_of_the_next_ones() -> None:
    responses = [response("94", 0), *(response("Ich habe den Wagen seit sechs Jahren", i) for i in range(1, 12))]
    assert told(responses)[0] == "de"


def test_rejects_pass_and_nothing_is_lost_or_reordered() -> None:
    items: list[Response | Reject] = [response(f"It is my car {i}", i) for i in range(3 * HEAD)]
    items.insert(5, Reject("export", "row 5", "empty", ""))
    out = list(ExportTeller(LanguageTeller()).told(items))
    assert out == items and [id(one) for one in out] == [id(one) for one in items]


def row(number: int, titles: Sequence[str], cells: Sequence[str], free: str) -> Response:
    """A survey row as `read_exports` composes it; the last title is a free question."""
    lines, answers, length = [], [], 0
    for place, (title, cell) in enumerate(zip(titles, cells, strict=True)):
        if place < len(titles) - 1:
            start = length + len(title) + 2
            answers.append(SurveyAnswer("odometer_km", title, start, start + len(cell)))
        lines.append(f"{title}: {cell}")
        length += len(lines[-1]) + 1
    text = "\n".join([*lines, free] if free else lines)
    return response(text, number, answers=tuple(answers))


ENGLISH_TITLES = ("How far have you driven with the car?", "How much has it lost?", "What else would you say about it")


def test_the_questions_of_a_survey_do_not_tell() -> None:
    said = ["Der Akku ist noch gut", "Ik laad altijd tot 80", "Je suis très content", "All is well with my car"]
    rows = [row(i, ENGLISH_TITLES, ("61.500", "4", ""), said[i % 4]) for i in range(12)]
    spoken = [row(20 + i, ENGLISH_TITLES, ("61.500", "4", said[i % 4]), "") for i in range(12)]
    assert told(rows + spoken) == ["de", "nl", "fr", "en"] * 6


def test_rows_without_words_follow_the_rows_or_else_the_questions() -> None:
    bare = [row(i, ENGLISH_TITLES, ("61.500", "4", "-"), "") for i in range(3)]
    assert told(bare) == ["en"] * 3
    wordy = [row(i, ENGLISH_TITLES, ("61.500", "4", "-"), "Der Akku ist noch gut") for i in range(4, 16)]
    assert told([row(i, ENGLISH_TITLES, ("61.500", "4", "-"), "") for i in range(3)] + wordy) == ["de"] * 15


def test_known_languages_and_tags() -> None:
    assert set(MEASURED) <= set(known_languages())
    tags = ("en-GB", "no-NO", "nn", "pt_BR", None, "")
    assert [base_language(tag) for tag in tags] == ["en", "nb", "nb", "pt", None, None]
