"""Oracles: worked values of the MUC-5 and SemEval-2013 task 9.1 scheme, and the README example of nervaluate 1.2.1."""

from __future__ import annotations

import pytest

from pipeline.response import FoundValue, Reading, Report
from pipeline.score_readings.slots import MODES, Slot, SlotCounts, label_slots, read_slots, slot_scores


def test_one_partial_of_three_labelled() -> None:
    # eval4ner's documented case: one of three slots met in part. P 0.5, R 0.1667, F 0.25.
    gold = [Slot(0, 4, "LOC"), Slot(10, 14, "LOC"), Slot(20, 24, "LOC")]
    told = slot_scores([gold], [[Slot(0, 6, "LOC")]])["partial"]
    assert told == SlotCounts(correct=0, incorrect=0, partial=1, missing=2, spurious=0)
    assert told.precision == pytest.approx(0.5)
    assert told.recall == pytest.approx(0.1667, abs=5e-5)
    assert told.f1 == pytest.approx(0.25)


def test_the_nervaluate_example() -> None:
    # In tokens. Two sentences; gold PER, ORG / LOC, PER, DATE; type 1.00, exact 0.40, partial 0.70, strict 0.40.
    gold = [
        [Slot(1, 3, "PER"), Slot(6, 8, "ORG")],
        [Slot(1, 2, "LOC"), Slot(2, 4, "PER"), Slot(6, 7, "DATE")],
    ]
    got = [
        [Slot(2, 3, "PER"), Slot(6, 8, "ORG")],
        [Slot(1, 3, "LOC"), Slot(3, 4, "PER"), Slot(6, 7, "DATE")],
    ]
    told = slot_scores(gold, got)
    assert {mode: one.f1 for mode, one in told.items()} == {"type": 1.0, "exact": 0.4, "partial": 0.7, "strict": 0.4}
    assert {mode: one.precision for mode, one in told.items()} == {mode: one.recall for mode, one in told.items()}
    assert told["partial"] == SlotCounts(correct=2, partial=3)


@pytest.mark.parametrize(
    ("got", "strict", "exact", "partial", "of_type"),
    [
        (Slot(5, 9, "A"), "correct", "correct", "correct", "correct"),
        (Slot(5, 9, "B"), "incorrect", "correct", "correct", "incorrect"),
        (Slot(4, 9, "A"), "incorrect", "incorrect", "partial", "correct"),
        (Slot(8, 12, "B"), "incorrect", "incorrect", "partial", "incorrect"),
    ],
)
def test_the_four_ways_to_meet(got: Slot, strict: str, exact: str, partial: str, of_type: str) -> None:
    told = slot_scores([[Slot(5, 9, "A")]], [[got]])
    for mode, kind in zip(MODES, (strict, exact, partial, of_type), strict=True):
        assert told[mode] == SlotCounts(**{kind: 1})


def test_neighbours_that_only_touch_do_not_meet() -> None:
    told = slot_scores([[Slot(0, 4, "A")]], [[Slot(4, 8, "A")]])
    assert all(one == SlotCounts(missing=1, spurious=1) and one.f1 == 0 for one in told.values())


def test_two_types_on_the_same_words_are_not_mixed_up() -> None:
    gold = [Slot(0, 15, "limit"), Slot(0, 15, "habit"), Slot(0, 15, "frequency")]
    told = slot_scores([gold], [[Slot(4, 15, "habit"), Slot(0, 15, "limit")]])
    assert told["type"] == SlotCounts(correct=2, missing=1)
    assert told["strict"] == SlotCounts(correct=1, incorrect=1, missing=1)


def test_nothing_against_nothing_has_no_share() -> None:
    told = slot_scores([[]], [[]])["strict"]
    assert (told.precision, told.recall, told.f1) == (None, None, None)


def _found(field: str, start: int, end: int, parts: tuple[tuple[str, int, int], ...] = ()) -> FoundValue:
    return FoundValue(field, 1, None, "", start, end, "rule", "pack", "", parts=parts)


def test_words_are_placed_where_the_reading_is_nearest() -> None:
    text = "80 here, 272 then 263 miles; 80 there"
    reading = Reading([Report({
        "loss_pct": _found("loss_pct", 9, 12, (("263 miles", 18, 27),)),
        "charge_limit_pct": _found("charge_limit_pct", 29, 31),
        "whose": _found("whose", 0, 2),
        "charge_habit": _found("charge_habit", 0, 0),
    })])  # fmt: skip
    read = read_slots(reading)
    assert read == [Slot(9, 12, "loss_pct"), Slot(18, 27, "loss_pct"), Slot(29, 31, "charge_limit_pct")]
    report = {
        "whose": "own", "loss_pct": 3.309, "charge_limit_pct": 80,
        "words": {"whose": "here", "loss_pct": ["272", "263 miles"], "charge_limit_pct": "80"},
    }  # fmt: skip
    assert sorted(label_slots(text, [report], read)) == read
    assert label_slots(text, [report])[-1] == Slot(0, 2, "charge_limit_pct")
    assert label_slots(text, [{"loss_pct": None, "words": {"loss_pct": "272"}}]) == []
