"""The fast scanner beside quantulum3: where both read, where quantulum3 misreads, and its own gold sentences.

The gold sentences are `_lang/en_US/tests/quantities.json` of the quantulum3 package (nielstron/quantulum3, MIT): 101
sentences; those quantities count whose units the scanner knows.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import quantulum3

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.find_values.reader import ResponseReader
from pipeline.read_text.bounds import calm
from pipeline.read_text.fold import fold
from pipeline.read_text.language_data import language_data
from pipeline.read_text.quantities import Quantity, QuantityScanner
from pipeline.read_text.uncommon_quantities import parser, read_snippet, uncommon_quantities

GOLD = Path(quantulum3.__file__).parent / "_lang" / "en_US" / "tests" / "quantities.json"
TRAINING = Path(__file__).parents[2] / "fixtures" / "labelled" / "en" / "train"
FACTORS = {
    "kilometre": 1.0,
    "mile": KM_PER_MILE,
    "percentage": 1.0,
    "year": 12.0,
    "month": 1.0,
    "week": 12 / 52.18,
    "day": 12 / 365.25,
    "kilowatt hour": 1.0,
}
KINDS_OF = {
    "kilometre": ("distance", "stretch"),
    "mile": ("distance", "stretch"),
    "percentage": ("percent", "hundred"),
    "year": ("duration",),
    "month": ("duration",),
    "week": ("duration",),
    "day": ("duration",),
    "kilowatt hour": ("energy",),
}


@cache
def scanner() -> QuantityScanner:
    return QuantityScanner(language_data("en"))


def fast(text: str) -> list[Quantity]:
    folded = calm(fold(text))
    return uncommon_quantities(folded, scanner().scan(folded))


def same(value: float, low: float, high: float) -> bool:
    return low * 0.995 <= value <= high * 1.005


@pytest.mark.parametrize(
    ("text", "wanted", "theirs"),
    [
        ("120k km", [(120_000, "km")], "120 kibibyte kilometre"),
        ("385 km to 350 km", [(385, "km"), (350, "km")], "367.5 with an uncertainty of 17.5"),
        ("100.000 km", [(100_000, "km")], "100 km"),
        ("1,5 %", [(1.5, "%")], "1 and 5 %"),
    ],
)
def test_what_quantulum3_misreads_is_read_right(text: str, wanted: list[tuple[float, str]], theirs: str) -> None:
    assert [(found.value, found.unit) for found in fast(text)] == wanted
    read = [(one.value, one.unit.name, one.uncertainty) for one in parser()(text)]
    assert [value for value, *_ in read] != [value for value, _ in wanted], f"no longer {theirs}: the note can go"


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("57.5 kilowatt hours", "energy", 57.5),
        ("fifty-seven kilowatt-hours", "energy", 57),
        ("0.25 megawatt-hours", "energy", 250),
        ("57,500 Wh", "energy", 57.5),
        ("sixty two thousand five hundred miles", "distance", 62_500 * KM_PER_MILE),
        ("62 thousand five hundred miles", "distance", 62_500 * KM_PER_MILE),
        ("0.12 million km", "distance", 120_000),
        ("120 megametres", "distance", 120_000),
        ("two decades", "duration", 240),
        ("25 per mille", "percent", 2.5),
        ("25 ‰", "percent", 2.5),
    ],
)
def test_uncommon_quantities(text: str, kind: str, value: float) -> None:
    (found,) = fast(f"it says {text} now")
    assert (found.kind, round(found.value, 6)) == (kind, round(value, 6))


@pytest.mark.parametrize(
    "text",
    [
        "17 kilowatt hours per 100 km",
        "140 wh/km",
        "1.1 million km between us",
        "half a million miles",
        "the last decade",
    ],
)
def test_what_is_no_reading_is_left_as_it_was(text: str) -> None:
    assert not any("uncommon" in found.marks for found in fast(text))


def test_an_uncommon_energy_makes_a_loss() -> None:
    from pipeline.response import Response

    text = "Odo 83,000 miles. The pack held sixty-two kilowatt hours when new, now holds fifty-eight kilowatt hours."
    (report,) = ResponseReader(model=None).read_one(Response("r", "s", "r", text)).reports
    assert report.values["loss_pct"].value == pytest.approx(100 * 4 / 62, abs=0.001)


def test_quantulum3_is_asked_once_a_snippet_and_without_its_classifier() -> None:
    from quantulum3 import classifier

    read_snippet.cache_clear()
    for _ in range(5):
        fast("it holds 0.25 megawatt hours")
    assert (read_snippet.cache_info().misses, read_snippet.cache_info().hits) == (1, 4)
    assert not classifier.USE_CLF
    assert sys.modules.get("joblib", "not there") is not None


def test_a_text_of_common_quantities_never_asks_quantulum3() -> None:
    read_snippet.cache_clear()
    for text in ("2022 Tern, 74,000 km, down 2.1 %", "sixty thousand miles, twice a week to full", "17 kWh/100 km"):
        fast(text)
    assert read_snippet.cache_info().misses == 0


# -- both on the same sentences -------------------------------------------------------------------------------


def theirs(text: str) -> Iterator[tuple[str, float, int, int]]:
    """quantulum3's quantities of the units that the scanner knows: unit, value, offsets."""
    for one in parser()(text):
        if one.unit.name in FACTORS:
            yield one.unit.name, float(one.value), *one.span


def compared() -> dict[str, list[int]]:
    """By unit: quantities of both, and of those the ones with the same value."""
    table: dict[str, list[int]] = {}
    files = sorted(TRAINING.glob("*.jsonl"))
    texts = [json.loads(line)["text"] for path in files for line in path.read_text("utf-8").splitlines()]
    for text in texts[::6]:
        ours = fast(text)
        for unit, value, start, end in theirs(text):
            over = [one for one in ours if one.start < end and start < one.end and one.kind in KINDS_OF[unit]]
            if over:
                row = table.setdefault(unit, [0, 0])
                row[0] += 1
                row[1] += any(same(value * FACTORS[unit], one.low, one.high) for one in over)
    return table


def test_where_both_read_they_mostly_agree(capsys: pytest.CaptureFixture[str]) -> None:
    table = compared()
    both, agreed = (sum(row[place] for row in table.values()) for place in (0, 1))
    with capsys.disabled():
        print("\n    unit            both read  same value")
        for unit, (read, alike) in sorted(table.items(), key=lambda row: -row[1][0]):
            print(f"    {unit:<15} {read:>9}  {alike:>10}")
    assert both > 200
    assert agreed / both >= AGREEMENT


AGREEMENT = 0.93
"""404 of 430 (0.94) when this was written; what is left are quantulum3's known misreadings."""


def gold() -> Iterator[tuple[str, dict[str, Any]]]:
    for sentence in json.loads(GOLD.read_text("utf-8")):
        for quantity in sentence["res"]:
            if quantity["unit"] in FACTORS:
                yield sentence["req"], quantity


def test_the_gold_sentences_of_quantulum3() -> None:
    wanted = list(gold())
    missed = []
    for text, quantity in wanted:
        place = text.find(quantity["surface"])
        value = quantity["value"] * FACTORS[quantity["unit"]]
        found = [one for one in fast(text) if one.start < place + len(quantity["surface"]) and place < one.end]
        if not any(same(value, one.low, one.high) or _summed(one, text, wanted) for one in found):
            missed.append(f"{quantity['surface']!r} in {text!r}: {[(one.kind, one.value) for one in found]}")
    assert len(wanted) == 20
    assert len(missed) <= MISSED_GOLD, missed


MISSED_GOLD = 2
"""One-half miles", which nobody says of an odometer, and "one billion years"."""


def _summed(one: Quantity, text: str, wanted: list[tuple[str, dict[str, Any]]]) -> bool:
    """Years and months that the scanner joins into one time ("3 years, 2 months")."""
    parts = [
        quantity["value"] * FACTORS[quantity["unit"]]
        for sentence, quantity in wanted
        if sentence == text and one.start <= text.find(quantity["surface"]) < one.end
    ]
    return len(parts) > 1 and same(sum(parts), one.low, one.high)
