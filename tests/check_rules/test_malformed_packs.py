"""Whatever stands in a pack's files: it loads, or a `RuleProblem` names the place; never another error."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_packs import fields, pack

from pipeline.find_values.pack_fields import KEYS
from pipeline.find_values.patterns import PatternCompiler, parts_of
from pipeline.find_values.rule_files import load_rules, pack_info
from pipeline.problems import RuleProblem


def problem(folder: Path) -> RuleProblem:
    with pytest.raises(RuleProblem) as raised:
        load_rules("en", [folder])
    return raised.value


@pytest.mark.parametrize(
    ("rule", "what"),
    [
        ("  - just words\n", "a rule is a mapping"),
        ("  - {id: [a], patterns: ['x {loss:percent}']}\n", "an id is one word"),
        ("  - {id: two words, patterns: ['x {loss:percent}']}\n", "an id is one word"),
        ("  - {id: a, patterns: ['x {loss:percent}'], colour: red}\n", "unknown key colour"),
        ("  - {id: a}\n", "needs `pattern`"),
        ("  - {id: a, patterns: 'x {loss:percent}'}\n", "a list of patterns"),
        ("  - {id: a, patterns: [7]}\n", "a list of patterns"),
        ("  - {id: a, patterns: ['x {loss:percent}'], priority: high}\n", "whole number from 0 to 100"),
        ("  - {id: a, patterns: ['x {loss:percent}'], priority: 500}\n", "whole number from 0 to 100"),
        ("  - {id: a, patterns: ['x'], set: [habit]}\n", "`set` is"),
        ("  - {id: a, patterns: ['x'], set: {habit: [partial]}}\n", "no word and no number"),
        ("  - {id: a, patterns: ['x'], set: {habbit: partial}}\n", "no role is called 'habbit'"),
        ("  - {id: a, patterns: ['x {loss_pct:percent}']}\n", "its roles are loss, health"),
        ("  - {id: a, patterns: ['x'], refuse: 5}\n", "the reason in words"),
        ("  - {id: a, patterns: ['x'], scope: chapter, refuse: no}\n", "scope: 'chapter'"),
        ("  - {id: a, patterns: ['x'], scope: sentence}\n", "needs `refuse`"),
        ("  - {id: a, patterns: ['x'], refuse: no, set: {habit: partial}}\n", "refuses sets nothing"),
        ("  - {id: a, patterns: ['x']}\n", "reads nothing"),
        ("  - {id: a, patterns: ['x {loss:percent}'], off: maybe}\n", "true or false"),
        ("  - {id: a, patterns: ['x {loss:percent}'], min: low}\n", "`min` is a number"),
        ("  - {id: a, patterns: ['x {loss:percent}'], roles: loss}\n", "`roles` is a list"),
        ("  - {id: a, patterns: ['x {loss:percent}'], examples: words}\n", "`examples` is a list"),
        ("  - {id: a, patterns: ['x {loss:percent}'], examples: [words]}\n", "one `text: readings` pair"),
        ("  - {id: a, patterns: ['x {loss:percent}'], examples: [{words: {}}]}\n", "which fields are read"),
        ("  - {id: a, patterns: ['x {loss:percent}'], examples: [{words: {loss_pct: six}}]}\n", "which is a number"),
        ("  - {id: a, patterns: ['x {loss:percent}'], examples: [{words: {chemistry: XYZ}}]}\n", "chemistry = 'XYZ'"),
        ("  - {id: a, patterns: ['x {loss:percent}'], look_alikes: [{words: {a: b}}]}\n", "must not be read"),
        ("  - {id: a, patterns: ['x (y {loss:percent}']}\n", "is not closed"),
        ("  - {id: a, patterns: ['x y) {loss:percent}']}\n", "was not opened"),
        ("  - {id: a, patterns: ['(x|{loss:percent}) y']}\n", "gives a role inside a group"),
        ("  - {id: a, patterns: ['(x|{per-cent}) {loss:percent}']}\n", "is no slot"),
        ("  - {id: a, patterns: ['<lost {loss:percent}']}\n", "not closed"),
        ("  - {id: a, patterns: ['(x|y)z {loss:percent}']}\n", "stands right behind"),
        ("  - {id: a, patterns: ['Down {loss:percent}']}\n", "capital letters never match"),
        ("  - {id: a, patterns: ['x* * {loss:percent}']}\n", "is not understood"),
        ("  - {id: a, patterns: ['x {loss:percent}'], id: b}\n", "stands here twice"),
    ],
)
def test_a_mistake_in_a_rule_is_named_with_its_file(rule: str, what: str, tmp_path: Path) -> None:
    found = problem(pack(tmp_path / "p", {"loss/en": rule}))
    assert what in str(found) and "loss/en.yaml" in found.where


@pytest.mark.parametrize(
    ("more", "what"),
    [
        ("trust: a bit\n", "trust: 'a bit'"),
        ("colour: red\n", "unknown key colour"),
        ("fields: [tyre_mm]\n", "a field is a mapping with a name"),
        ("fields: {name: tyre_mm}\n", "`fields` is a list"),
        (fields("Tyre"), "cannot be called 'Tyre'"),
        (fields("odometer_km"), "a column or role 'odometer_km' already"),
        (fields("loss"), "a column or role 'loss' already"),
        (fields("tyre_mm", "tyre_mm"), "declared twice"),
        (fields("tyre_mm", extra="range: [9]"), "`range` is [least, most]"),
        (fields("tyre_mm", extra="range: [9, 2]"), "`range` is [least, most]"),
        (fields("tyre_mm", extra="tolerance: wide"), "`tolerance` is a number or a share"),
        (fields("tyre_mm", extra="several: best"), "several: 'best'"),
        (fields("tyre_mm", extra="alone: often"), "`alone` is true or false"),
        (fields("tyre_mm", extra="values: [a]"), "of a field of type `one of`"),
        (fields("tyre_mm", extra="units: [mm]"), "a unit has `written`"),
        (fields("tyre_mm", extra="units: [{written: [mm], times: 0}]"), "above 0"),
        (fields("tyre_mm", extra="units: [{written: [mm], times: 1, per: 2}]"), "either `times` or `per`"),
        (fields("tyre_mm").replace("sensitive", "secret"), "privacy: 'secret'"),
        (fields("tyre_mm").replace("type: number", "type: amount"), "type: 'amount'"),
        (fields("tyre_mm").replace("    unit: kWh/100 km\n", ""), "a number needs `unit`"),
    ],
)
def test_a_mistake_in_pack_yaml_is_named(more: str, what: str, tmp_path: Path) -> None:
    found = problem(pack(tmp_path / "p", {}, more=more))
    assert what in found.what and "pack.yaml" in found.where


@pytest.mark.parametrize(
    ("rule", "what"),
    [
        ("  - {id: a, patterns: ['x {tyre_mm:other}']}\n", "the field tyre_mm names none"),
        ("  - {id: a, patterns: ['x'], set: {tyre_mm: new}}\n", "tyre_mm is a number"),
        ("  - {id: a, patterns: ['x {tyre_mm:number}'], examples: [{words: {tyre_mm: new}}]}\n", "tyre_mm is a number"),
    ],
)
def test_a_rule_must_fit_the_field_that_it_gives(rule: str, what: str, tmp_path: Path) -> None:
    found = problem(pack(tmp_path / "p", {"tyres/en": rule}, more=fields("tyre_mm", unit="mm")))
    assert what in found.what


def test_two_packs_cannot_declare_one_field(tmp_path: Path) -> None:
    packs = [pack(tmp_path / name, {}, name=name, more=fields("tyre_mm", unit="mm")) for name in ("one", "two")]
    with pytest.raises(RuleProblem, match=r"tyre_mm is declared by one 1\.0\.0 too"):
        load_rules("en", packs)


def test_a_file_in_another_encoding_is_named(tmp_path: Path) -> None:
    folder = pack(tmp_path / "p", {"loss/en": ""})
    (folder / "loss" / "en.yaml").write_bytes("rules: [] # größer".encode("latin-1"))
    assert "no UTF-8" in problem(folder).what


def test_groups_may_hold_groups_to_any_depth() -> None:
    source = "(down (by (about|nearly)|to (just (under|over)))) {loss:percent}"
    assert parts_of(source, "here") == ["(down (by (about|nearly)|to (just (under|over))))", "{loss:percent}"]
    pattern = PatternCompiler({}, []).compile(source, "here")
    import re

    expression = re.compile(pattern.expression)
    slot = "\ue001" * 3
    for words in ("down by nearly", "down to just over"):
        assert expression.search(f"{words} {slot}")
    assert not expression.search(f"down to {slot}")
    with pytest.raises(RuleProblem, match="brackets in one another"):
        parts_of("(" * 60 + "x" + ")" * 60, "here")


SCALARS = st.one_of(st.none(), st.booleans(), st.integers(-9, 999), st.floats(), st.text(max_size=12))
PATTERNS = st.text(alphabet="ab {}()<>|:?.^$,\\[]*+loss percent", max_size=24)
VALUES = st.recursive(
    SCALARS | PATTERNS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
RULE_KEYS = ("id", "patterns", "pattern", "priority", "set", "examples", "look_alikes", "known_misses", "off", "refuse",
             "final", "scope", "roles", "unless", "min", "max", "why")  # fmt: skip
RULES = st.fixed_dictionaries(
    {"id": st.just("a.b") | VALUES, "patterns": st.lists(PATTERNS, max_size=2) | VALUES},
    optional={key: VALUES for key in RULE_KEYS if key not in ("id", "patterns")},
)


def loads_or_is_named(folder: Path) -> None:
    try:
        load_rules("en", [folder])
    except RuleProblem as found:
        assert found.what and found.where


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rules=st.lists(RULES | VALUES, max_size=3) | VALUES)
def test_any_rule_file_loads_or_is_named(rules: Any) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = pack(Path(place) / "p", {"loss/en.yaml": yaml.safe_dump({"rules": rules}, allow_unicode=True)})
        loads_or_is_named(folder)


@settings(max_examples=100, deadline=None)
@given(lexicon=VALUES, text=st.text(max_size=60))
def test_any_lexicon_and_any_text_loads_or_is_named(lexicon: Any, text: str) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = pack(Path(place) / "p", {"lexicon/en.yaml": yaml.safe_dump(lexicon, allow_unicode=True)})
        (folder / "loss").mkdir()
        (folder / "loss" / "en.yaml").write_bytes(text.encode("utf-8", "surrogatepass"))
        loads_or_is_named(folder)


@settings(max_examples=150, deadline=None)
@given(
    entry=st.fixed_dictionaries(
        {"name": st.just("tyre_mm") | VALUES, "type": st.sampled_from(["number", "text", "one of", "x"]) | VALUES},
        optional=dict.fromkeys(KEYS - {"name", "type"}, VALUES),
    )
)
def test_any_declared_field_loads_or_is_named(entry: Any) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = pack(Path(place) / "p", {}, more=yaml.safe_dump({"fields": [entry]}, allow_unicode=True))
        try:
            pack_info(folder)
        except RuleProblem as found:
            assert found.what and "pack.yaml" in found.where
