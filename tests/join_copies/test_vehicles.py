"""One vehicle or two, and contradictions between the readings of one.  All readings are made up."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from pipeline.join_copies.one_vehicle import looks_like_a_slip, odometer_falls, weigh
from pipeline.join_copies.readings import Reading, chemistries_fit, read_row
from pipeline.join_copies.same_reports import agreement, pair_reports
from pipeline.join_copies.vehicle_names import name_words, names_fit
from pipeline.join_copies.vehicles import FLAGS, MANY_REPORTS, gather

START = datetime(2025, 3, 14, tzinfo=UTC)


def reading(report: str, day: float | None = 0, text: str = "", **fields: Any) -> Reading:
    """A reading of the response `report` up to its dash."""
    response, _, number = report.partition("-")
    row = {"whose": "own", **fields, "report_id": report, "response_id": response}
    row["posted_at"] = None if day is None else START + timedelta(days=day)
    return read_row(row, text=text, number=int(number or 1), alone=True)


def groups(*readings: Reading) -> list[list[str]]:
    found = sorted(sorted(one.report for one in group) for group in gather(readings).groups)
    turned = sorted(sorted(one.report for one in group) for group in gather(readings[::-1]).groups)
    assert found == turned
    return found


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("Norrvik Tern", "Tern"),
        ("Tern", "Tern Long Range"),
        ("Norrvik Tern", "Tern LR"),
        ("my wife's white Moss", "Moss"),
        ("Ondine 60 Plus", "ondine60"),
        ("Skua", "Skau"),
        ("Fell+", "Fell Plus"),
        ("2021 Tern", "Tern"),
        ("", "Tern"),
    ],
)
def test_names_of_one_vehicle(left: str, right: str) -> None:
    assert names_fit(name_words(left), name_words(right)) is not None
    assert names_fit(name_words(right), name_words(left)) == names_fit(name_words(left), name_words(right))


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("Ondine 40", "Ondine 60"),
        ("Tern GT", "Tern Long Range"),
        ("Norrvik Tern", "Norrvik Skua"),
        ("Norrvik Tern", "Calder Tern"),
        ("Veldmar 7e", "Veldmar 5e"),
        ("Fell", "Bell"),
    ],
)
def test_names_of_two_vehicles(left: str, right: str) -> None:
    assert names_fit(name_words(left), name_words(right)) is None


@pytest.mark.parametrize("other", ["NMC", "NCA", "NMCA", "LMO", "LNMO", "nickel"])
def test_nickel_is_any_of_its_family(other: str) -> None:
    assert chemistries_fit("nickel", other)
    assert chemistries_fit(other, "nickel")


@pytest.mark.parametrize(("left", "right"), [("nickel", "LFP"), ("NMC", "NCA"), ("LFP", "LTO"), ("Na-ion", "nickel")])
def test_chemistries_that_exclude_each_other(left: str, right: str) -> None:
    assert not chemistries_fit(left, right)


def test_a_follow_up_is_the_same_vehicle() -> None:
    first = reading("a-1", vehicle_text="Norrvik Tern", model_year=2022, odometer_km=81400.0, chemistry="nickel")
    later = reading("b-1", 200, vehicle_text="Tern Long Range", odometer_km=92700.0, chemistry="NMC")
    assert groups(first, later) == [["a-1", "b-1"]]


def test_two_reports_of_one_response_stay_two() -> None:
    one, two = reading("a-1", odometer_km=50000.0), reading("a-2", odometer_km=50000.0)
    assert groups(one, two) == [["a-1"], ["a-2"]]


def test_a_null_does_not_make_two_cars_one() -> None:
    tern = reading("a-1", vehicle_text="Tern", odometer_km=60000.0)
    moss = reading("a-2", vehicle_text="Moss", odometer_km=20000.0)
    nameless = reading("b-1", 100, odometer_km=23000.0)
    assert groups(tern, moss, nameless) == [["a-1"], ["a-2", "b-1"]]


def test_a_reading_that_fits_two_vehicles_is_flagged() -> None:
    found = gather([reading("a-1", vehicle_text="Tern"), reading("a-2", vehicle_text="Moss"), reading("b-1", 9)])
    assert found.flags == {"b-1": {"vehicle-unclear"}}
    assert sorted(map(len, found.groups)) == [1, 2]


def test_own_and_others_vehicles_stay_two() -> None:
    same = {"vehicle_text": "Tern", "model_year": 2022, "odometer_km": 50000.0}
    assert groups(reading("a-1", **same), reading("b-1", 1, **{**same, "whose": "other"})) == [["a-1"], ["b-1"]]


def test_others_vehicles_need_a_name_or_a_person() -> None:
    other = {"whose": "other", "loss_pct": 6.0}
    assert groups(reading("a-1", **other), reading("b-1", 1, **other)) == [["a-1"], ["b-1"]]
    sister = {"whose": "other", "vehicle_text": "Tern"}
    one = reading("a-1", text="My sister's Tern", **sister)
    assert groups(one, reading("b-1", 90, text="the Tern of my sister", **sister)) == [["a-1", "b-1"]]
    assert groups(one, reading("b-1", 90, text="my boss's Tern", **sister)) == [["a-1"], ["b-1"]]


@pytest.mark.parametrize(
    "other",
    [
        {"model_year": 2023, "odometer_km": 30000.0},
        {"model_year": 2020, "chemistry": "LFP"},
        {"vehicle_text": "Skua"},
        {"odometer_km": 20000.0},
        {"odometer_km": 250000.0},
        {"chemistry": "LFP", "odometer_km": 79000.0},
    ],
)
def test_another_car_of_the_same_author(other: dict[str, Any]) -> None:
    first: dict[str, Any] = {"vehicle_text": "Tern", "model_year": 2022, "odometer_km": 81400.0, "chemistry": "NMC"}
    assert groups(reading("a-1", **first), reading("b-1", 40, **{**first, **other})) == [["a-1"], ["b-1"]]


@pytest.mark.parametrize(
    ("code", "first", "second"),
    [
        ("odometer-falls", {"odometer_km": 81400.0}, {"odometer_km": 79000.0}),
        ("odometer-falls", {"odometer_km": 99779.0}, {"odometer_km": 62000.0}),
        ("loss-heals", {"loss_pct": 6.0}, {"loss_pct": 2.5}),
        ("chemistry-changes", {"chemistry": "LFP"}, {"chemistry": "NMC"}),
    ],
)
def test_conflicts_flag_both_readings_and_tell_both_values(
    code: str, first: dict[str, Any], second: dict[str, Any]
) -> None:
    same = {"vehicle_text": "Tern", "model_year": 2022}
    found = gather([reading("a-1", **same, **first), reading("b-1", 60, **same, **second)])
    assert [len(group) for group in found.groups] == [2]
    assert found.flags == {"a-1": {code}, "b-1": {code}}
    (told,) = [link for link in found.links if link.kind == "conflict"]
    assert (told.id, told.other_id) == ("b-1", "a-1")
    for values in (first, second):
        (value,) = values.values()
        assert (value if isinstance(value, str) else f"{value:,g}") in told.reason
    assert code in FLAGS


def test_rounding_is_no_conflict() -> None:
    same = {"vehicle_text": "Tern", "model_year": 2022}
    one = reading("a-1", odometer_km=31000.0, loss_pct=4.0, **same)
    assert gather([one, reading("b-1", 12, odometer_km=30600.0, loss_pct=3.0, **same)]).flags == {}


def test_chemistry_is_compared_past_a_vague_word_between() -> None:
    same = {"vehicle_text": "Tern", "model_year": 2021}
    chemistries = ["NMC", "nickel", "NCA"]
    series = [reading(f"{place}-1", 50 * place, chemistry=word, **same) for place, word in enumerate(chemistries)]
    assert set(gather(series).flags) == {"0-1", "2-1"}


def test_a_new_pack_is_told() -> None:
    same = {"vehicle_text": "Dunlin", "model_year": 2019}
    later = reading("b-1", 120, text="The Dunlin got a new pack under warranty", loss_pct=0.0, **same)
    found = gather([reading("a-1", loss_pct=17.0, **same), later])
    assert [len(group) for group in found.groups] == [2]
    assert any("after a new pack" in link.reason for link in found.links)


def test_a_shared_handle_is_no_person() -> None:
    many = [reading(f"r{place:04}-1", place, vehicle_text="Tern", odometer_km=1000.0 * place) for place in range(400)]
    assert len(many) > MANY_REPORTS
    assert len(gather(many).groups) == 400
    again = reading("s-1", 500, vehicle_text="Tern", odometer_km=5000.0)
    assert max(map(len, gather([*many, again]).groups)) == 2


@pytest.mark.parametrize(
    ("low", "high", "slip"),
    [
        (62000, 99779, True),
        (8140, 81400, True),
        (45600, 54600, True),
        (40100, 140100, True),
        (81400, 81900, True),
        (20000, 81400, False),
    ],
)
def test_slips_of_an_odometer(low: float, high: float, slip: bool) -> None:
    assert looks_like_a_slip(low, high) is slip
    assert looks_like_a_slip(high, low) is slip


def test_an_odometer_falls_only_beyond_rounding() -> None:
    assert not odometer_falls(31000, 30500)
    assert odometer_falls(31000, 29000)


def test_weighing_is_the_same_both_ways() -> None:
    one = reading("a-1", 5, vehicle_text="Tern", odometer_km=50000.0, age_months=24.0, loss_pct=4.0)
    two = reading("b-1", 90, vehicle_text="Norrvik Tern", odometer_km=48000.0, model_year=2023, loss_pct=5.0)
    assert weigh(one, two) == weigh(two, one)


def test_ages_must_fit_the_calendar() -> None:
    young = reading("a-1", 0, age_months=12.0)
    assert groups(young, reading("b-1", 365, age_months=24.0)) == [["a-1", "b-1"]]
    assert groups(young, reading("b-1", 30, age_months=96.0)) == [["a-1"], ["b-1"]]
    assert groups(young, reading("b-1", 30, model_year=2018)) == [["a-1"], ["b-1"]]


def test_reports_of_a_copy_find_their_originals() -> None:
    tern, moss = {"vehicle_text": "Tern", "loss_pct": 3.0}, {"vehicle_text": "Moss", "loss_pct": 1.0}
    first = [{"report_id": "a-1", **tern}, {"report_id": "a-2", **moss}]
    second = [{"report_id": "b-1", **moss}, {"report_id": "b-2", **tern}, {"report_id": "b-3", "model_year": 2020}]
    third = [{"report_id": "c-1", "model_year": 2020, "vehicle_text": None}]
    found = {copy: original for copy, (original, _) in pair_reports([first, second, third]).items()}
    assert found == {"b-1": "a-2", "b-2": "a-1", "c-1": "b-3"}


def test_contradicting_values_are_no_repeat() -> None:
    assert agreement({"loss_pct": 3.0}, {"loss_pct": 4.0}) is None
    assert agreement({"loss_pct": 3.0, "model_year": 2020}, {"loss_pct": 3.0}) == 0.5
