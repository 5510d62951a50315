"""Every rule file's own examples, look-alikes and known misses, read as a user's response is read.

examples       the fields must be read, each within the labelling guide's tolerance (others may be read beside them)
look_alikes    must give no report
known_misses   an example that is not read yet; the day it is, its test fails and it moves to the examples
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest

from pipeline.declarative_files import parse_yaml
from pipeline.find_values.reader import ResponseReader
from pipeline.find_values.rule_files import BUILT_IN, KEYS
from pipeline.response import Reading, Response
from pipeline.score_readings.compare import SCORED, agrees

FILES = sorted(path for path in BUILT_IN.glob("*/*.yaml") if path.parent.name != "lexicon")


def name_of(path: Path) -> str:
    """ "loss/en", as test names and messages call a rule file."""
    return path.relative_to(BUILT_IN).with_suffix("").as_posix()


@cache
def rules_of(path: Path) -> tuple[dict[str, Any], ...]:
    data = parse_yaml(path.read_text("utf-8"), str(path)) or {}
    return tuple(data.get("rules") or ())


def cases(kind: str) -> list[Any]:
    """A test parameter for each example of that kind: language, text, wanted fields (None for a look-alike)."""
    found = []
    for path in FILES:
        for rule in rules_of(path):
            for number, entry in enumerate(rule.get(kind) or (), 1):
                ((text, wanted),) = entry.items() if isinstance(entry, dict) else ((entry, None),)
                marks = [pytest.mark.xfail(strict=True, reason="a known miss")] if kind == "known_misses" else []
                name = f"{name_of(path)}: {rule['id']} {number}"
                found.append(pytest.param(path.stem, str(text), wanted, id=name, marks=marks))
    return found


@cache
def reader() -> ResponseReader:
    """The reader as a user gets it: the rules, and the shipped model."""
    return ResponseReader()


def read(text: str, language: str) -> Reading:
    return reader().read_one(Response("r1", "examples", "1", text, lang=language))


def problems(reading: Reading, wanted: dict[str, Any]) -> list[str]:
    """How the closest report differs from the wanted fields: nothing, wrong, or missing values, said one by one."""
    if not reading.reports:
        said = [f"{refusal.field} {refusal.raw!r}: {refusal.reason}" for refusal in reading.refusals]
        return ["no report was read; refused: " + ("; ".join(said) or "nothing")]
    found = []
    for report in reading.reports:
        plain = report.plain()
        found.append(
            [
                f"{field}: wanted {value!r}, got {plain.get(field, 'nothing')!r}"
                for field, value in wanted.items()
                if field not in plain or not agrees(field, plain[field], value)
            ]
        )
    return min(found, key=len)


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_a_rule_file_holds_rules_with_ids_of_their_own(path: Path) -> None:
    rules = rules_of(path)
    assert rules, "a rule file without rules"
    ids = [rule["id"] for rule in rules]
    assert len(set(ids)) == len(ids), "an id is used twice"
    for rule in rules:
        assert set(rule) <= KEYS
        for kind in ("examples", "known_misses"):
            for entry in rule.get(kind) or ():
                ((_, wanted),) = entry.items()
                assert wanted and set(wanted) <= {*SCORED, "vehicle_text"}, f"{rule['id']}: {entry}"


@pytest.mark.parametrize(("language", "text", "wanted"), cases("examples"))
def test_an_example_is_read(language: str, text: str, wanted: dict[str, Any]) -> None:
    assert not problems(read(text, language), wanted)


@pytest.mark.parametrize(("language", "text", "wanted"), cases("look_alikes"))
def test_a_look_alike_gives_no_report(language: str, text: str, wanted: None) -> None:
    assert [report.plain() for report in read(text, language).reports] == []


@pytest.mark.parametrize(("language", "text", "wanted"), cases("known_misses"))
def test_a_known_miss_is_still_missed(language: str, text: str, wanted: dict[str, Any]) -> None:
    assert not problems(read(text, language), wanted)


def test_a_failing_example_says_which_way_it_failed() -> None:
    reading = read("2022 Tern, 74,000 km, down 2.1 %.", "en")
    assert problems(reading, {"odometer_km": 74_100, "model_year": 2022}) == []
    assert problems(reading, {"odometer_km": 60_000, "age_months": 24}) == [
        "odometer_km: wanted 60000, got 74000.0",
        "age_months: wanted 24, got 'nothing'",
    ]
    (told,) = problems(read("Warranty says 70 % at 160,000 km, right?", "en"), {"odometer_km": 160_000})
    assert told.startswith("no report was read; refused: ") and "160,000 km" in told
