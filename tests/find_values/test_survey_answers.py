"""Survey cells read with their questions, against values worked by hand, and one report a row with its free text.

The mile is 1.609344 km (NIST SP 811, appendix B.8); how a word or a pair becomes a value is the labelling guide's.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from pipeline.find_values.merge_answers import merge_answers
from pipeline.find_values.survey_answers import FLAG, IMPOSSIBLE, UNCLEAR, answer_lines, read_answers
from pipeline.read_exports.read_exports import read_exports
from pipeline.response import FoundValue, Reading, Refusal, Report, Response, SurveyAnswer

DEMO = Path(__file__).parents[2] / "fixtures" / "demo"


def row(*answers: tuple[str, str, str | None], free: str = "", **more: Any) -> Response:
    """A survey row as `read_exports` makes it: (field, cell, unit) each on a line of its own, then the free text."""
    lines: list[str] = []
    asked: list[SurveyAnswer] = []
    length = 0
    for field, cell, unit in answers:
        title = f"Q {field}"
        start = length + len(title) + 2
        asked.append(SurveyAnswer(field, title, start, start + len(cell), unit))
        lines.append(f"{title}: {cell}")
        length += len(lines[-1]) + 1
    text = "\n".join([*lines, free] if free else lines)
    return Response("r1", "s.csv", "1", text, answers=tuple(asked), **more)


def plain(response: Response, language: str = "en") -> dict[str, Any]:
    values, _ = read_answers(response, language)
    for name, found in values.items():
        assert found.field == name and found.origin == "column" and found.rule_id.startswith("survey.")
        assert found.rule_pack.startswith("crowdfade ") and found.derivation
        for raw, start, end in ((found.raw, found.start, found.end), *found.parts):
            assert response.text[start:end] == raw != ""
    return {name: found.value for name, found in values.items()}


DISTANCES = [
    ("81900", "km", 81_900.0),
    ("31300", "mi", 50_372.467),  # 31,300 x 1.609344
    ("47.500", "km", 47_500.0),
    ("88,200", "mi", 141_944.141),  # 88,200 x 1.609344
    ("28 400", "km", 28_400.0),
    ("74k", "mi", 119_091.456),  # 74,000 x 1.609344
    ("about 45,000", "mi", 72_420.48),
    ("60-65k", "km", 62_500.0),
    ("73,000 km (45,400 mi)", "mi", 73_000.0),  # the cell's own unit, and one reading once
    ("fifty thousand miles", "km", 80_467.2),
    ("over 30,000", "km", 30_000.0),
]


@pytest.mark.parametrize(("cell", "unit", "km"), DISTANCES)
def test_an_odometer_in_the_unit_of_its_question(cell: str, unit: str, km: float) -> None:
    assert plain(row(("odometer_km", cell, unit))) == {"odometer_km": pytest.approx(km, abs=0.001)}


def test_the_derivation_tells_the_conversion() -> None:
    values, _ = read_answers(row(("odometer_km", "31300", "mi")), "en")
    assert values["odometer_km"].derivation == "31,300 mi x 1.609344"
    assert (values["odometer_km"].raw, values["odometer_km"].unit) == ("31300", "km")


def test_norwegian_mil_are_ten_kilometres() -> None:
    assert plain(row(("odometer_km", "8500", "mil")), "en") == {"odometer_km": 85_000.0}


@pytest.mark.parametrize(
    ("free", "unit", "km"),
    [
        ("It did 10 miles more since.", None, 109_435.392),
        ("Seen on the km display.", None, 68_000.0),
        ("", "mi", 109_435.392),
    ],
)
def test_a_unit_said_elsewhere_in_the_row_serves(free: str, unit: str | None, km: float) -> None:
    response = row(("odometer_km", "68000", None), ("range_now", "200", unit), free=free)
    assert plain(response)["odometer_km"] == pytest.approx(km)


FIELDS: list[tuple[str, str, str | None, dict[str, Any]]] = [
    ("loss_pct", "2,6", "%", {"loss_pct": 2.6, "loss_origin": "stated"}),
    ("loss_pct", "5 %", "%", {"loss_pct": 5, "loss_origin": "stated"}),
    ("loss_pct", "8-9", "%", {"loss_pct": 8.5, "loss_origin": "stated"}),
    ("loss_pct", "1.125", "%", {"loss_pct": 1.125, "loss_origin": "stated"}),
    ("loss_pct", "0", "%", {"loss_pct": 0, "loss_origin": "stated"}),
    ("loss_pct", "None at all", "%", {"loss_pct": 0, "loss_origin": "none"}),
    ("loss_pct", "less than 1", "%", {"loss_max_pct": 1}),
    ("loss_pct", "<3 %", "%", {"loss_max_pct": 3}),
    ("loss_pct", "no more than 4", "%", {"loss_max_pct": 4}),
    ("loss_pct", "höchstens 4 %", "%", {"loss_max_pct": 4}),
    ("health_pct", "96,7", "%", {"loss_pct": 3.3, "loss_origin": "health"}),
    ("health_pct", "98/100", "%", {"loss_pct": 2, "loss_origin": "health"}),
    ("chemistry", "LFP (iron phosphate)", None, {"chemistry": "LFP"}),
    ("chemistry", "NMC or NCA (nickel)", None, {"chemistry": "nickel"}),
    ("chemistry", "NMC (nickel)", None, {"chemistry": "NMC"}),
    ("chemistry", "Nickel-based", None, {"chemistry": "nickel"}),
    ("chemistry", "Eisenphosphat", None, {"chemistry": "LFP"}),
    ("chemistry", "Lithium-fer-phosphate", None, {"chemistry": "LFP"}),
    ("chemistry", "sodium-ion", None, {"chemistry": "Na-ion"}),
    ("vehicle_text", "Norrvik Tern", None, {"vehicle_text": "Norrvik Tern"}),
    ("vehicle_text", "2021 Tern Long Range", None, {"vehicle_text": "Tern Long Range"}),
    ("vehicle_text", "Ondine 40 (2019)", None, {"vehicle_text": "Ondine 40"}),
    ("model_year", "2021", None, {"model_year": 2021}),
    ("model_year", "June 2021", None, {"model_year": 2021}),
    ("model_year", "2021-06-15", None, {"model_year": 2021}),
    ("age_months", "2", "years", {"age_months": 24}),
    ("age_months", "3,5", "years", {"age_months": 42}),
    ("age_months", "18 months", "years", {"age_months": 18}),
    ("age_months", "3 years 6 months", None, {"age_months": 42}),
    ("charge_limit_pct", "80 %", "%", {"charge_limit_pct": 80, "charge_habit": "partial"}),
    ("charge_limit_pct", "80-90", "%", {"charge_limit_pct": 85, "charge_habit": "partial"}),
    ("charge_limit_pct", "20-80", "%", {"charge_limit_pct": 80, "charge_floor_pct": 20, "charge_habit": "partial"}),
    ("charge_limit_pct", "100", "%", {"charge_limit_pct": 100, "charge_habit": "full"}),
    ("charge_limit_pct", "full", "%", {"charge_limit_pct": 100, "charge_habit": "full"}),
    ("charge_limit_pct", "80 or 100", "%", {"charge_habit": "mixed"}),
    ("charge_floor_pct", "30", "%", {"charge_floor_pct": 30}),
    ("full_charges_per_week", "Never", None, {"full_charges_per_week": 0, "charge_habit": "partial"}),
    ("full_charges_per_week", "0", "per month", {"full_charges_per_week": 0, "charge_habit": "partial"}),
    ("full_charges_per_week", "Rarely", None, {"charge_habit": "partial"}),
    ("dc_fast_share_pct", "a third", "%", {"dc_fast_share_pct": 33.333}),
    ("dc_fast_share_pct", "none", "%", {"dc_fast_share_pct": 0}),
    ("dc_fast_share_pct", "45", "%", {"dc_fast_share_pct": 45}),
    ("ac_share_pct", "80 %", "%", {"dc_fast_share_pct": 20}),
    ("pack_kwh", "57,5", "kWh", {"pack_kwh": 57.5}),
]


@pytest.mark.parametrize(("field", "cell", "unit", "wanted"), FIELDS)
def test_a_cell_is_read_with_its_question(field: str, cell: str, unit: str | None, wanted: dict[str, Any]) -> None:
    assert plain(row((field, cell, unit))) == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("cell", "unit", "per_week"),
    [
        ("Once a month", None, 0.25),  # a month = 4 weeks
        ("Once a week", None, 1),
        ("Every day", None, 7),
        ("every other day", None, 3.5),
        ("1-2 times a week", None, 1.5),
        ("3", "per week", 3),
        ("2", "per month", 0.5),
    ],
)
def test_full_charges_on_a_schedule_with_no_other_limit(cell: str, unit: str | None, per_week: float) -> None:
    """Labelling guide: "Full on a schedule with no other limit: full, limit 100"."""
    wanted = {"full_charges_per_week": per_week, "charge_limit_pct": 100, "charge_habit": "full"}
    assert plain(row(("full_charges_per_week", cell, unit))) == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("often", "habit", "per_week"),
    [
        ("Never", "partial", 0),
        ("every two months", "partial", 0.125),
        ("Once a month", "mixed", 0.25),
        ("Once a week", "mixed", 1),
    ],
)
def test_a_limit_and_full_charges_make_the_habit(often: str, habit: str, per_week: float) -> None:
    """Labelling guide, `charge_habit`: mixed from a purposeful full charge at least monthly on."""
    response = row(("charge_limit_pct", "80", "%"), ("full_charges_per_week", often, None))
    wanted = {"charge_limit_pct": 80, "charge_habit": habit, "full_charges_per_week": per_week}
    assert plain(response) == pytest.approx(wanted)


def test_pairs_make_a_loss() -> None:
    """Labelling guide: 100 x (272 - 263) / 272 = 3.309; 57.5 kWh new, 54 now = 6.087."""
    pair = read_answers(row(("range_new", "272", "mi"), ("range_now", "263", "mi")), "en")[0]["loss_pct"]
    assert pair.value == pytest.approx(3.309, abs=0.0005) and pair.derivation == "100 x (272 - 263) / 272"
    assert (pair.raw, [raw for raw, _, _ in pair.parts]) == ("272", ["263"])
    energy = plain(row(("energy_new", "57.5", "kWh"), ("energy_now", "54 kWh", "kWh")))
    assert energy == {"loss_pct": pytest.approx(6.087, abs=0.0005), "loss_origin": "energy"}
    # 272 mi new is 437.74 km; 420 km now: 100 x (437.74 - 420) / 437.74 = 4.053
    mixed = plain(row(("range_new", "272", "mi"), ("range_now", "420 km", "mi")))
    assert mixed == {"loss_pct": pytest.approx(4.053, abs=0.0005), "loss_origin": "range"}
    gain = plain(row(("range_new", "186", "mi"), ("range_now", "187", "mi")))
    assert gain["loss_pct"] == pytest.approx(-0.5376, abs=0.0005)
    assert plain(row(("range_now", "187", "mi"))) == {}


POSTED = datetime(2025, 3, 26, tzinfo=UTC)


@pytest.mark.parametrize(
    ("field", "cell", "unit", "rule"),
    [
        ("odometer_km", "1234567", "km", IMPOSSIBLE),
        ("odometer_km", "9999999", "mi", IMPOSSIBLE),
        ("odometer_km", "-5", "km", IMPOSSIBLE),
        ("odometer_km", "74", "km", IMPOSSIBLE),
        ("odometer_km", "68000", None, UNCLEAR),
        ("odometer_km", "under 40,000", "km", UNCLEAR),
        ("odometer_km", "40,000 or 50,000 km, 60,000 miles", "km", UNCLEAR),
        ("loss_pct", "idk mate", "%", IMPOSSIBLE),
        ("loss_pct", "-40", "%", IMPOSSIBLE),
        ("loss_pct", "100", "%", IMPOSSIBLE),
        ("loss_pct", "-4", "%", UNCLEAR),
        ("loss_pct", "more than 5", "%", UNCLEAR),
        ("health_pct", "5", "%", IMPOSSIBLE),
        ("model_year", "22", None, IMPOSSIBLE),
        ("model_year", "1", None, IMPOSSIBLE),
        ("model_year", "2031", None, IMPOSSIBLE),
        ("model_year", "2021 or 2022", None, UNCLEAR),
        ("age_months", "3", None, UNCLEAR),
        ("age_months", "90", "years", IMPOSSIBLE),
        ("charge_limit_pct", "300", "%", IMPOSSIBLE),
        ("charge_limit_pct", "1", "%", IMPOSSIBLE),
        ("charge_limit_pct", "it depends", "%", UNCLEAR),
        ("charge_floor_pct", "90", "%", IMPOSSIBLE),
        ("chemistry", "lithium-ion", None, UNCLEAR),
        ("chemistry", "LFP or NMC", None, UNCLEAR),
        ("full_charges_per_week", "Sometimes", None, UNCLEAR),
        ("full_charges_per_week", "400", "per week", IMPOSSIBLE),
        ("dc_fast_share_pct", "mostly", "%", UNCLEAR),
        ("dc_fast_share_pct", "0.3", "%", UNCLEAR),
        ("dc_fast_share_pct", "130", "%", IMPOSSIBLE),
        ("pack_kwh", "575", "kWh", IMPOSSIBLE),
    ],
)
def test_what_cannot_be_is_absent_and_told_why(field: str, cell: str, unit: str | None, rule: str) -> None:
    response = row((field, cell, unit), posted_at=POSTED)
    values, (refusal,) = read_answers(response, "en")
    assert values == {} and refusal.rule_id == rule and f"Q {field}" in refusal.reason
    assert response.text[refusal.start : refusal.end] == refusal.raw == cell


def test_a_pair_that_cannot_be_is_refused_at_both_ends() -> None:
    values, refusals = read_answers(row(("range_new", "283", "mi"), ("range_now", "2590", "mi")), "en")
    assert values == {} and [refusal.raw for refusal in refusals] == ["283", "2590"]
    assert {refusal.rule_id for refusal in refusals} == {IMPOSSIBLE}


def test_the_lines_of_answers_are_no_free_words() -> None:
    response = row(("odometer_km", "81900", "km"), ("loss_pct", "2,6", "%"), free="It is: fine.\nHeating: don't know")
    text = response.text
    left = "".join(" " if any(a <= i < b for a, b in answer_lines(response)) else sign for i, sign in enumerate(text))
    assert left.split("\n")[-2].strip() == "It is: fine." and "81900" not in left and "don't know" not in left
    assert len(left) == len(text)
    assert answer_lines(Response("r", "s", "1", "a: don't know\nb")) == ()


# -- one report a row --------------------------------------------------------------------------------------------


def said(response: Response, field: str, value: Any, raw: str) -> FoundValue:
    start = response.text.index(raw)
    return FoundValue(field, value, None, raw, start, start + len(raw), f"{field}.rule", "pack 1", raw)


def merged(response: Response, *reports: Sequence[FoundValue]) -> Reading:
    values, refusals = read_answers(response, "en")
    reading = Reading([Report({value.field: value for value in report}) for report in reports])
    return merge_answers(reading, values, refusals, response)


def test_answers_win_and_the_free_text_fills_the_rest() -> None:
    response = row(("odometer_km", "81900", "km"), ("loss_pct", "3", "%"), free="about 80,000 km, 97 % health, 20 % DC")
    (report,) = merged(
        response,
        [
            said(response, "odometer_km", 80_000.0, "80,000"),
            said(response, "loss_pct", 3.0, "97 %"),
            said(response, "loss_origin", "health", "97 %"),
            said(response, "dc_fast_share_pct", 20.0, "20 % DC"),
        ],
    ).reports
    wanted = {
        "odometer_km": 81_900.0,
        "loss_pct": 3.0,
        "loss_origin": "stated",
        "dc_fast_share_pct": 20.0,
        "whose": "own",
    }
    assert report.plain() == wanted
    assert {name: found.origin for name, found in report.values.items() if found.origin == "column"}.keys() == {
        "odometer_km", "loss_pct", "loss_origin",
    }  # fmt: skip


def test_an_exact_loss_of_the_free_text_stands_before_a_bound_of_the_column() -> None:
    response = row(("loss_pct", "under 3", "%"), free="2.4 to be exact")
    (report,) = merged(
        response, [said(response, "loss_pct", 2.4, "2.4"), said(response, "loss_origin", "stated", "2.4")]
    ).reports
    assert report.plain() == {"loss_pct": 2.4, "loss_origin": "stated", "whose": "own"}


def test_a_habit_is_settled_from_column_and_free_text_together() -> None:
    response = row(("charge_limit_pct", "80", "%"), free="Full about twice a week")
    often = "twice a week"
    text = [
        said(response, "full_charges_per_week", 2.0, often),
        said(response, "charge_limit_pct", 100.0, often),
        said(response, "charge_habit", "full", often),
    ]
    (report,) = merged(response, text).reports
    wanted = {"charge_limit_pct": 80.0, "full_charges_per_week": 2.0, "charge_habit": "mixed", "whose": "own"}
    assert report.plain() == wanted


def test_a_limit_that_a_schedule_only_implies_gives_way_to_one_that_is_said() -> None:
    response = row(("full_charges_per_week", "Once a month", None), free="usual limit 70")
    text = [said(response, "charge_limit_pct", 70.0, "70"), said(response, "charge_habit", "partial", "70")]
    (report,) = merged(response, text).reports
    wanted = {"full_charges_per_week": 0.25, "charge_limit_pct": 70.0, "charge_habit": "mixed", "whose": "own"}
    assert report.plain() == wanted


def test_another_vehicle_of_the_free_text_stays_a_report_of_its_own() -> None:
    free = "My daughter's Moss has 30,000 km; hers lost 2 %"
    response = row(("vehicle_text", "Calder Fell", None), ("odometer_km", "21000", "km"), free=free)
    hers = [
        said(response, "whose", "other", "daughter's"),
        said(response, "vehicle_text", "Moss", "Moss"),
        said(response, "odometer_km", 30_000.0, "30,000"),
    ]
    first, second = merged(response, hers).reports
    assert first.plain() == {"vehicle_text": "Calder Fell", "odometer_km": 21_000.0, "whose": "own"}
    assert second.plain() == {"whose": "other", "vehicle_text": "Moss", "odometer_km": 30_000.0}


def test_another_own_vehicle_needs_another_name_and_another_value() -> None:
    response = row(
        ("vehicle_text", "Norrvik Skua", None), ("odometer_km", "72100", "km"), free="the Ondine 5,000 km, 3x"
    )
    name = said(response, "vehicle_text", "Ondine", "Ondine")
    apart = merged(response, [name, said(response, "odometer_km", 5_000.0, "5,000")]).reports
    assert [report.plain()["vehicle_text"] for report in apart] == ["Norrvik Skua", "Ondine"]
    together = merged(response, [name, said(response, "full_charges_per_week", 3.0, "3x")]).reports
    assert len(together) == 1 and together[0].plain()["full_charges_per_week"] == 3.0
    assert together[0].plain()["vehicle_text"] == "Norrvik Skua"


def test_a_row_that_opens_with_somebody_elses_vehicle_is_theirs() -> None:
    free = "my brother's, he asked me to fill it in"
    (report,) = merged(row(("odometer_km", "14900", "mi"), free=free)).reports
    assert report.values["whose"].value == "other" and report.values["whose"].raw.startswith("my brother")
    (report,) = merged(row(("odometer_km", "14900", "mi"), free="No rust. My brother drives a diesel")).reports
    assert report.values["whose"].value == "own"


def test_an_impossible_entry_flags_the_report() -> None:
    response = row(("odometer_km", "1234567", "km"), ("loss_pct", "7", "%"))
    reading = merged(response)
    assert [report.flags for report in reading.reports] == [[FLAG]]
    assert [refusal.rule_id for refusal in reading.refusals] == [IMPOSSIBLE]
    unclear = merged(row(("odometer_km", "68000", None), ("loss_pct", "7", "%")))
    assert unclear.reports[0].flags == [] and len(unclear.refusals) == 1


def test_a_row_without_a_reading_is_no_report_and_a_comment_is_left_alone() -> None:
    assert merged(row(("vehicle_text", "Tern", None), ("model_year", "2021", None))).reports == []
    comment = Response("r", "s", "1", "lost 4 %")
    reading = Reading(
        [Report({"loss_pct": said(comment, "loss_pct", 4.0, "4 %")})], [Refusal("x", "4", 5, 6, "a", "b")]
    )
    assert merge_answers(reading, {}, [], comment) is reading


def test_the_demos_survey_is_read_cell_by_cell(tmp_path: Path) -> None:
    """Every odometer and loss of `survey-spring.csv` against the file itself, read with Python's csv module."""
    with (DEMO / "survey-spring.csv").open(encoding="utf-8-sig", newline="") as file:
        cells = list(csv.reader(file, delimiter=";"))[2:]
    (export,) = read_exports([str(DEMO / "survey-spring.csv")], mapping=None)
    responses = [item for item in export.items() if isinstance(item, Response)]
    assert len(responses) == len(cells)
    checked = 0
    for response, line in zip(responses, cells, strict=True):
        values = plain(response)
        digits = line[4].replace(" ", "").replace(".", "").replace(",", "").replace("k", "000")
        if digits.isdigit() and line[5] and 100 <= int(digits) <= 600_000:
            factor = 1.609344 if line[5] == "miles" else 1.0
            assert values["odometer_km"] == pytest.approx(int(digits) * factor), line
            checked += 1
        else:
            assert "odometer_km" not in values, line
        loss = line[7].replace(",", ".").replace(" %", "")
        if loss.replace(".", "").isdigit() and float(loss) < 100:
            assert values["loss_pct"] == pytest.approx(float(loss)), line
            checked += 1
    assert checked >= 80
