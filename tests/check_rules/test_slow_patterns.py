"""Patterns that can stall a build are found by hard texts, and patterns as people write them are not."""

from __future__ import annotations

import re

import pytest

from pipeline.check_rules.slow_patterns import find_slow, hard_texts
from pipeline.find_values.patterns import PatternCompiler

CHARGERS = (
    "((les |la |une |des |de la |le |de |du |en |un |)(bornes?|charges?|recharges?|chargeurs?|stations?|points?)) "
    "(de (re|)charge |publiques? |ultra |haute |très |dc |en |à |d'autoroute |sur |)*(rapides?|dc|haute puissance)"
)
CLASSES = {"lost": ["lost", "down", r"gone (?:for good)?"], "chargers": [CHARGERS]}
COMPILER = PatternCompiler(CLASSES, ["about", "nearly"])


@pytest.mark.parametrize(
    "source",
    [
        r"((?:x\w*)+y) {loss:percent}",
        r"((?:\w+\s?)*:) {loss:percent}",
        # a word class that once was so: what may repeat without end may be empty
        "<chargers> .. {frequency} $",
        r"lost ((?:\w+\s)*(?:\w+\s)*(?:\w+\s)*end) {loss:percent}",
    ],
)
def test_a_pattern_that_explodes_or_crawls_is_found(source: str) -> None:
    slow = find_slow(COMPILER.compile(source, "here"))
    assert slow is not None
    assert slow.long[1] > slow.short[1] or slow.long == slow.short
    assert "characters" in slow.told()


@pytest.mark.parametrize(
    "source",
    [
        "dwindled by? {loss:percent}",
        "<lost> .. {loss:percent}",
        "^ {far:distance} , (and|at|with)? {loss:number|percent} $",
        "{range_new:reach} ... (now|today) ... {range_now:reach}",
        r"(vend\w+|achet\w+) (la|le)? .. {loss:pct}",
    ],
)
def test_a_pattern_as_people_write_them_is_not(source: str) -> None:
    assert find_slow(COMPILER.compile(source, "here")) is None


def test_hard_texts_repeat_what_the_pattern_says() -> None:
    whole, texts = hard_texts(re.compile(r"down (?:\w+ )+(?:of|at) end"))
    assert whole == "down x of end"
    assert ("", "down x of end ") in texts
    assert any(prefix == "down " and pump == "x " for prefix, pump in texts)
