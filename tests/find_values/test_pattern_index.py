"""The pattern index leaves nothing out: it gives every match that a search for each pattern by itself gives."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest

from pipeline.find_values.match_rules import RuleMatcher
from pipeline.find_values.pattern_index import PatternIndex, each_match
from pipeline.find_values.patterns import PatternCompiler, compiled
from pipeline.find_values.rule_files import languages_with_rules, load_rules
from pipeline.problems import RuleProblem
from pipeline.read_text.fold import fold
from pipeline.read_text.language_data import language_data
from pipeline.read_text.quantities import NAME_OF, QuantityScanner, abstract

LABELLED = Path(__file__).parents[2] / "fixtures" / "labelled"


@cache
def abstract_texts(language: str) -> tuple[str, ...]:
    scanner = QuantityScanner(language_data(language))
    out = []
    for path in sorted(LABELLED.rglob("*.jsonl")):
        for line in path.read_text("utf-8").splitlines():
            item = json.loads(line)
            if (item.get("lang") or "en") == language:
                folded = fold(item["text"])
                out.append(abstract(folded, scanner.scan(folded)))
    return tuple(out[:: 12 if language == "en" else 2])


@pytest.mark.parametrize("language", languages_with_rules())
def test_the_index_gives_every_match(language: str) -> None:
    rules = load_rules(language)
    patterns = [pattern for rule in rules.rules for pattern in rule.patterns]
    index = PatternIndex((pattern, "here") for pattern in patterns)
    expressions = [compiled(pattern.source, pattern.expression, "here") for pattern in patterns]
    texts = abstract_texts(language)
    assert len(texts) > 20
    for text in texts:
        slots = [character for character in set(text) if character in NAME_OF]
        wanted = [
            (number, match.span())
            for number, expression in enumerate(expressions)
            for match in each_match(expression, text)
        ]
        assert [(number, match.span()) for number, match in index.matches(text, slots)] == wanted


def index_of(*sources: str) -> PatternIndex:
    compiler = PatternCompiler({"lost": ["lost", "gone", "down by"]}, ["about"])
    return PatternIndex((compiler.compile(source, "here"), "here") for source in sources)


@pytest.mark.parametrize(
    ("source", "text", "spans"),
    [
        ("<lost> {loss:percent}", "lost \ue001\ue001", [(0, 7)]),
        ("<lost> {loss:percent}", "it lost nothing", []),
        ("<lost> {loss:percent}", "unlost \ue001\ue001", []),
        ("(a|:) {percent}", "soh : \ue001\ue001", [(4, 8)]),
        ("{percent} (left)?", "\ue001\ue001 left", [(0, 7)]),
        ("(so)? {percent}", "  \ue001", [(0, 3), (1, 3), (2, 3)]),
        ("^ now $", "well, now. now", [(5, 9), (10, 14)]),
        ("(not an?)", "not a not an nota", [(0, 5), (6, 12)]),
    ],
)
def test_where_patterns_begin(source: str, text: str, spans: list[tuple[int, int]]) -> None:
    slots = [character for character in set(text) if character in NAME_OF]
    assert [match.span() for _, match in index_of(source).matches(text, slots)] == spans


def test_only_patterns_whose_words_are_there_are_tried() -> None:
    index = index_of("<lost> {loss:percent}", "charge to full", "no (loss|fade) at all")
    assert index.possible({"charge", "to", "full"}) == 0b010
    assert index.possible({"no", "fade", "at", "all"}) == 0b100
    assert index.possible({"down", "by", "\ue001"}) == 0b001
    assert index.possible({"down", "\ue001"}) == 0


def test_expressions_of_the_shipped_rules_are_compiled_when_first_needed_and_all_can_be() -> None:
    matcher = RuleMatcher(load_rules("en"))
    assert not any(entry.ready for entry in matcher._index.entries)
    for language in languages_with_rules():
        rules = load_rules(language)
        for rule in (*rules.rules, *rules.gates):
            for pattern in (*rule.patterns, *rule.unless):
                compiled(pattern.source, pattern.expression, f"{rule.file}, rule {rule.id}")


def test_a_pattern_that_is_no_expression_is_named(tmp_path: Path) -> None:
    (tmp_path / "pack.yaml").write_text("name: mine\nversion: '1'\n", "utf-8")
    (tmp_path / "loss").mkdir()
    (tmp_path / "loss" / "en.yaml").write_text("rules:\n  - id: mine.bad\n    pattern: 'lost [a'\n", "utf-8")
    with pytest.raises(RuleProblem, match="is not understood"):
        load_rules("en", [tmp_path])
