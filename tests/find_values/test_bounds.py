"""No response and no pattern can be made to run away: adversarial texts of 100,000 characters.

Work must grow with length alone, so each text is read at 25,000 and at 100,000 characters where its whole length
counts, and otherwise must come to an end at the documented bounds with the reason among the refusals.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable

import pytest

from pipeline.find_values.pattern_index import each_match
from pipeline.find_values.patterns import Pattern, compiled
from pipeline.find_values.reader import ResponseReader
from pipeline.find_values.rule_files import languages_with_rules, load_rules
from pipeline.read_text.bounds import BREAK, MOST_CHARACTERS, MOST_LETTERS, MOST_QUANTITIES, MOST_SIGNS, calm
from pipeline.read_text.fold import fold
from pipeline.read_text.quotations import find_quotations
from pipeline.read_text.sentences import sentences
from pipeline.read_text.wordings import ANYTHING, wordings
from pipeline.response import Reading, Response

LENGTH = 100_000

POISON = {
    "dashes": "-",
    "blanks": " ",
    "line breaks": "\n",
    "broken lines": "\n \t",
    "quote marks": "> ",
    "exclamations": "!",
    "digits": "9",
    "grouped digits": "1,111",
    "groups with blanks": "111 ",
    "letters": "a",
    "emoji": "🙂",
    "nulls": "\0",
    "ones": "one ",
    "hundreds": "one hundred and ",
    "my": "my ",
    "percents": "5 % ",
    "miles": "80,000 miles ",
    "years": "2021 ",
    "hers": "hers is at ",
    "brackets": "(",
    "quotes opening": "[quote",
    "says": "he said:\n",
    "loss": "lost about ",
    "charging": "charge to full every sunday, ",
    "names": "Tern ",
    "gaps": "lost it: = : = ",
    "questions": "is it? ",
    "times": "12:30 ",
    "ratios": "1/2 ",
    "colons": "soh : : ",
    "dotted": "s.o.h. ",
    "apostrophes": "it's 'n' ",
    "links": "https://",
    "commas": "a,",
    "sentences": "I lost 5 %. ",
    "always": "always charge it up to the ",
    "sisters": "my sister's ",
    "wh": "one wh ",
}


def read(text: str) -> tuple[Reading, float]:
    started = time.thread_time()
    (reading,) = READER.read([Response("r", "s", "r", text)])
    return reading, time.thread_time() - started


READER = ResponseReader()


@pytest.mark.parametrize("name", POISON)
def test_one_poisoned_response_cannot_stall_a_build(name: str) -> None:
    READER.read([Response("r", "s", "r", "2021 Tern, 80,000 km, down 5 %")])  # everything loaded
    poison = (POISON[name] * LENGTH)[: LENGTH - 60]
    for text in (poison, "2021 Tern, 80,000 km, down 5 %. " + poison, poison + " down 5 % after 80,000 km"):
        reading, seconds = read(text)
        assert seconds < 8, f"{seconds:.1f} s"
        assert (
            reading.reports
            or any(one.rule_id.startswith("bounds.") for one in reading.refusals)
            or not reading.refusals
        )


def test_what_goes_over_a_bound_is_refused_with_its_reason() -> None:
    dump, _ = read("\n".join(f"{n} km, {n % 100} %" for n in range(1000, 1000 + MOST_QUANTITIES)))
    assert not dump.reports
    assert [(one.rule_id, bool(one.reason)) for one in dump.refusals] == [("bounds.response", True)]
    assert len(dump.refusals[0].raw) <= 80


def test_only_the_beginning_of_an_endless_response_is_read() -> None:
    said = "2021 Tern, LFP, 80,000 km, down 5 %."
    story = " We drove on and saw the sea, and it was blue." * 2_000
    long, _ = read(said + story)
    assert [report.plain()["odometer_km"] for report in long.reports] == [80_000]
    assert long.refusals[-1].rule_id == "bounds.length"
    assert f"{MOST_CHARACTERS:,}" in long.refusals[-1].reason
    short, _ = read(said)
    assert not any(one.rule_id.startswith("bounds.") for one in short.refusals)


@pytest.mark.parametrize("poison", [*POISON.values(), "1 000 000 ", "\r\n", "x" * 61, "é" * 70])
def test_calm_breaks_every_long_run_and_keeps_every_offset(poison: str) -> None:
    text = fold(f"I lost 5 %. {poison * 3_000} End.")
    quiet = calm(text)
    assert len(quiet) == len(text)
    assert quiet.startswith("i lost 5 %. ")
    assert not re.search(
        rf"[^\w\n{BREAK}]{{{MOST_SIGNS + 1}}}|[^\s{BREAK}]{{{MOST_LETTERS + 1}}}|\n{{{MOST_SIGNS + 1}}}", quiet
    )
    assert calm(quiet) == quiet
    changed = [place for place in range(len(text)) if text[place] != quiet[place]]
    assert all(quiet[place] == BREAK for place in changed)


@pytest.mark.parametrize(
    "text", ["", "I lost 5 %.", "80,000 km -- wow!!!", "a\n\nb", "1 234 567,89", "https://example.org/page"]
)
def test_an_ordinary_text_is_left_alone(text: str) -> None:
    assert calm(text) is text


def poisons(pattern: Pattern) -> list[str]:
    """Texts made of the pattern's own words, so that it begins to match everywhere and never ends."""
    parts = []
    for piece in pattern.pieces:
        if not piece.free:
            said = sorted(wording.replace(ANYTHING, "x") for wording in wordings(piece.expression))
            parts.append(max(said, key=len))
    first, most = parts[0] if parts else "x", " ".join(parts[:-1]) or "x"
    return [f"{most} : = : ", f"{most} word word ", f"{first} "]


def seconds_on(expression: re.Pattern[str], poison: str, length: int) -> float:
    """What it takes to find all matches in that much of a poison."""
    text = calm((poison * (1 + length // len(poison)))[:length])
    started = time.thread_time()
    for _ in each_match(expression, text):
        if time.thread_time() - started > 10:
            break
    return time.thread_time() - started


SLOWEST = 6


@pytest.mark.parametrize("language", languages_with_rules())
def test_no_pattern_runs_away(language: str) -> None:
    """Every pattern at 2,000 characters, the slowest then at 100,000: fifty times the text, at most 80 times as long.

    A pattern that grew with the square of the length would be among the slowest at 2,000 characters already.
    """
    rules = load_rules(language)
    tried = []
    for rule in (*rules.rules, *rules.gates):
        for pattern in (*rule.patterns, *rule.unless):
            expression = compiled(pattern.source, pattern.expression, rule.file)
            for poison in poisons(pattern):
                seconds = seconds_on(expression, poison, LENGTH // 50)
                tried.append((seconds, f"{rule.id}: {pattern.source[:80]} on {poison[:40]!r}", expression, poison))
    tried.sort(key=lambda one: -one[0])
    assert len(tried) > 400
    assert tried[SLOWEST][0] < 0.1
    for seconds, name, expression, poison in tried[:SLOWEST]:
        whole = seconds_on(expression, poison, LENGTH)
        assert whole < max(1.0, 80 * seconds), f"{name}: {seconds:.3f} s at a fiftieth, {whole:.2f} s"


@pytest.mark.parametrize("step", [find_quotations, sentences], ids=["quotations", "sentences"])
@pytest.mark.parametrize("name", POISON)
def test_the_steps_before_the_rules_are_linear(name: str, step: Callable[[str], object]) -> None:
    text = calm(fold((POISON[name] * LENGTH)[:LENGTH]))
    started = time.thread_time()
    step(text)
    assert time.thread_time() - started < 2
