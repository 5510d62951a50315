from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_reports import REPORT

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.score_readings.compare import CORE, SCORED, agrees, best_assignment, compare, pair_reports


@pytest.mark.parametrize(
    ("field", "wanted", "right", "wrong"),
    [
        ("odometer_km", 100000, [99000, 101000, 100000.0], [98999, 101001]),
        ("odometer_km", 0, [0], [1]),
        ("age_months", 24, [23, 25], [22.9, 25.1]),
        ("loss_pct", 3.3, [3.2, 3.4, 3.309], [3.19, 3.41]),
        ("loss_pct", -0.5, [-0.4], [0.5]),
        ("loss_max_pct", 5, [5.1, 4.9], [5.2]),
        ("charge_limit_pct", 80, [79, 81], [78.5, 82]),
        ("charge_floor_pct", 20, [19, 21], [18, 22]),
        ("dc_fast_share_pct", 33.333, [33, 34], [32, 35]),
        ("full_charges_per_week", 0.25, [0.2, 0.3], [0.19, 0.31, 0]),
        ("pack_kwh", 57.5, [57.4, 57.6], [57.3, 58]),
        ("model_year", 2021, [2021], [2020, 2022]),
        ("chemistry", "LFP", ["LFP"], ["NMC", "lfp"]),
        ("whose", "own", ["own"], ["other"]),
        ("charge_habit", "mixed", ["mixed"], ["full"]),
        ("loss_origin", "health", ["health"], ["stated"]),
        ("vehicle_text", "Tern Long Range", ["tern long  range"], ["Tern", "Tern LongRange"]),
    ],
)
def test_tolerances_are_those_of_the_guide(field: str, wanted: Any, right: list[Any], wrong: list[Any]) -> None:
    assert [agrees(field, got, wanted) for got in right] == [True] * len(right)
    assert [agrees(field, got, wanted) for got in wrong] == [False] * len(wrong)


@pytest.mark.parametrize("got", [None, "74000", float("nan"), float("inf"), True])
def test_what_is_no_number_agrees_with_no_number(got: Any) -> None:
    assert not agrees("odometer_km", got, 74000)
    assert not agrees("loss_pct", 1, got) or got == 1


def test_every_field_but_the_name_has_a_tolerance_and_the_core_is_among_them() -> None:
    assert set(SCORED) == set(FIELD_NAMES) - {"vehicle_text"}
    assert set(CORE) < set(SCORED) and len(CORE) == 8


def test_counts_of_one_response_worked_by_hand() -> None:
    got = [{"whose": "own", "odometer_km": 74000, "loss_pct": 2.1, "model_year": 2021, "pack_kwh": None}]
    wanted = [{"whose": "own", "odometer_km": 74000, "loss_pct": 3.1, "chemistry": "LFP", "pack_kwh": None}]
    told = compare(got, wanted)
    assert told.counts("odometer_km") == (1, 0, 0, 0)
    assert told.counts("loss_pct") == (0, 1, 1, 1)
    assert told.counts("model_year") == (0, 0, 1, 0)
    assert told.counts("chemistry") == (0, 1, 0, 0)
    assert told.counts("pack_kwh") == (0, 0, 0, 0)
    assert not told.wholly_right and not told.report_right(0)


def test_reports_are_paired_so_that_the_most_fields_agree() -> None:
    skua = {"whose": "own", "chemistry": "LFP", "loss_pct": 4, "charge_limit_pct": 80}
    fell = {"whose": "own", "chemistry": "nickel", "loss_pct": 1.5, "charge_limit_pct": 80}
    assert pair_reports([fell, skua], [skua, fell]) == [(1, 0), (0, 1)]
    # Greedy pairing would give the first its best partner (3 fields) and leave 0 for the rest: 3 against 2 + 2.
    first, second = {"model_year": 1, "chemistry": "LFP", "whose": "own"}, {"age_months": 5, "pack_kwh": 60}
    a = {"model_year": 1, "chemistry": "LFP", "whose": "own", "age_months": 5, "pack_kwh": 60}
    b = {"model_year": 1, "chemistry": "LFP"}
    assert pair_reports([a, b], [first, second]) == [(1, 0), (0, 1)]


def test_equally_good_pairings_are_settled_by_content_not_by_order() -> None:
    one = [{"whose": "own", "model_year": 2021, "loss_pct": 4}]
    two = [{"whose": "own", "model_year": 2021, "loss_pct": 9}, {"whose": "own", "model_year": 2019, "loss_pct": 4}]
    for got, wanted in ((one, two), (two, one)):
        told, again = compare(got, wanted), compare(got[::-1], wanted[::-1])
        counts = [told.counts(field) for field in FIELD_NAMES]
        assert counts == [again.counts(field) for field in FIELD_NAMES]
        assert sorted(count[0] for count in counts)[-2:] == [1, 1]


def test_what_is_left_over_is_missing_or_spurious_in_whole() -> None:
    one, other = {"whose": "own", "loss_pct": 4}, {"whose": "other", "loss_pct": 9}
    told = compare([one], [other, one])
    assert sorted(told.pairs, key=str) == [(0, 1), (None, 0)]
    assert told.counts("loss_pct") == (1, 1, 0, 0) and told.report_right(0) and not told.wholly_right
    told = compare([other, one], [one])
    assert told.counts("loss_pct") == (1, 0, 1, 0) and [told.report_right(0), told.report_right(1)] == [False, True]


def test_a_wrong_name_spoils_only_the_measure_with_names() -> None:
    told = compare([{"whose": "own", "vehicle_text": "Tern"}], [{"whose": "own", "vehicle_text": "Tern LR"}])
    assert told.wholly_right and told.report_right(0) and not told.name_right


@given(st.integers(0, 5).flatmap(lambda rows: st.tuples(st.just(rows), st.integers(rows, 6))), st.data())
def test_the_assignment_is_as_good_as_the_best_of_all(shape: tuple[int, int], data: st.DataObject) -> None:
    rows, columns = shape
    row = st.lists(st.integers(0, 9), min_size=columns, max_size=columns)
    weights = data.draw(st.lists(row, min_size=rows, max_size=rows))
    chosen = best_assignment(weights)
    assert len(set(chosen)) == len(chosen) == rows and all(0 <= place < columns for place in chosen)
    best = max(
        sum(weights[here][place] for here, place in enumerate(places)) for places in permutations(range(columns), rows)
    )
    assert sum(weights[here][place] for here, place in enumerate(chosen)) == best


@settings(deadline=None)
@given(st.lists(REPORT, max_size=4), st.lists(REPORT, max_size=4), st.randoms())
def test_the_order_of_reports_never_matters(got: list[Any], wanted: list[Any], chance: Any) -> None:
    told = compare(got, wanted)
    mixed_got, mixed_wanted = chance.sample(got, len(got)), chance.sample(wanted, len(wanted))
    again = compare(mixed_got, mixed_wanted)
    assert [told.counts(field) for field in FIELD_NAMES] == [again.counts(field) for field in FIELD_NAMES]
    assert told.wholly_right == again.wholly_right and told.name_right == again.name_right
    right = sorted(repr(sorted(got[place].items())) for place in range(len(got)) if told.report_right(place))
    assert right == sorted(
        repr(sorted(mixed_got[place].items())) for place in range(len(got)) if again.report_right(place)
    )


@given(st.lists(REPORT, max_size=9))
def test_many_reports_are_paired_with_themselves(reports: list[Any]) -> None:
    told = compare(reports, reports[::-1])
    assert told.wholly_right and told.name_right
    assert all(told.report_right(place) for place in range(len(reports)))


@given(st.lists(REPORT, max_size=4), st.lists(REPORT, max_size=4))
def test_missing_and_spurious_change_places_with_the_sides(got: list[Any], wanted: list[Any]) -> None:
    there = compare(got, wanted)
    # Without odometers, whose tolerance is a share of the labelled side, agreement is symmetric; all of ours are apart.
    back = compare(wanted, got)
    for place in range(4):
        mirrored = (0, 2, 1, 3)[place]
        total = sum(there.counts(field)[place] for field in SCORED)
        assert place == 3 or total == sum(back.counts(field)[mirrored] for field in SCORED)
