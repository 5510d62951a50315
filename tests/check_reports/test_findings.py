"""The table of findings holds together, and each finding is raised by what it says and by nothing near it.

Ages are worked by hand: a car of model year 2021, posted on 1 July 2025 (day 182 of 366: 2025.495), is between
(2025.495 - 2022) x 12 = 41.9 and (2025.495 - 2020.5) x 12 = 59.9 months old.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from example_readings import codes_of, responses, table

from pipeline.check_reports.cell_voltage import cell_voltages
from pipeline.check_reports.check import COLUMN_RULES, LIST_RULES, VOLTAGE, check_reports, most_by_models
from pipeline.check_reports.findings import Finding, example_list, findings, read_findings, told_flag
from pipeline.dataset_columns import arrow_schema
from pipeline.join_copies.vehicles import FLAGS
from pipeline.problems import RuleProblem


@pytest.fixture
def vehicles(tmp_path: Path) -> Path:
    path = tmp_path / "vehicles.csv"
    path.write_text(example_list(), encoding="utf-8")
    return path


TERN = {"make": "Norrvik", "model": "Tern", "vehicle_text": "Tern"}
LONG = {**TERN, "vehicle_text": "Tern Long Range"}
RAISED: list[tuple[str, dict[str, Any], bool]] = [
    ("loss-impossible", {"loss_pct": 80.1}, False),
    ("loss-impossible", {"loss_pct": -20.5}, False),
    ("loss-over-40", {"loss_pct": 41.0, "age_months": 240.0}, True),
    ("loss-gain", {"loss_pct": -5.5}, True),
    # 12 months: 32.6 x sqrt(12/60) + 5 = 19.58
    ("loss-above-models", {"loss_pct": 19.7, "age_months": 12.0}, True),
    # 60 months: 13.3 + 5 = 18.3, below 32.6 + 5
    ("loss-above-most-models", {"loss_pct": 18.4, "age_months": 60.0}, True),
    ("loss-mirrors-limit", {"loss_pct": 20.0, "loss_origin": "health", "charge_limit_pct": 80.0}, True),
    ("odometer-impossible", {"odometer_km": 1_234_567.0}, False),
    ("odometer-impossible", {"odometer_km": -5.0}, False),
    # 350,000 km in 12 months
    ("odometer-too-fast", {"odometer_km": 350_000.0, "age_months": 12.0}, False),
    # 600,000 km in at most 59.9 months: at least 120,200 km a year
    ("odometer-fast", {"odometer_km": 600_000.0, "model_year": 2021}, True),
    # 3,000 km in at least 41.9 months: at most 859 km a year
    ("odometer-slow", {"odometer_km": 3_000.0, "model_year": 2021}, True),
    # 2,500 km a year read as miles is 4,023
    ("unit-probably-other", {"odometer_km": 5_000.0, "age_months": 24.0}, True),
    # 80,000 km a year is 49,710 where the number was of miles taken twice
    ("unit-probably-other", {"odometer_km": 160_000.0, "age_months": 24.0}, True),
    # 1,180 mil in two years: 5,900 km a year, written as km
    ("unit-probably-other", {"odometer_km": 1_180.0, "age_months": 24.0, "lang": "nb"}, True),
    ("model-year-future", {"model_year": 2027}, False),
    ("model-year-too-early", {"model_year": 2007}, False),
    # at most 59.9 months and 12 of slack
    ("age-over-model-year", {"model_year": 2021, "age_months": 73.0}, True),
    ("limit-below-floor", {"charge_limit_pct": 30.0, "charge_floor_pct": 30.0}, False),
    ("habit-against-limit", {"charge_habit": "full", "charge_limit_pct": 80.0}, True),
    ("habit-against-limit", {"charge_habit": "partial", "charge_limit_pct": 100.0}, True),
    ("pack-impossible", {"pack_kwh": 4.0}, False),
    # 57.5 kWh usable x 0.95 = 54.6 ... x 1.15 = 66.1; 75 x 0.95 = 71.25 ... 86.25
    ("pack-off-list", {**TERN, "model_year": 2023, "pack_kwh": 68.0}, True),
    ("pack-off-chemistry", {**TERN, "model_year": 2023, "pack_kwh": 75.0, "chemistry": "LFP"}, True),
    ("chemistry-off-list", {**LONG, "model_year": 2023, "chemistry": "LFP", "chemistry_origin": "stated"}, True),
]


@pytest.mark.parametrize(("code", "row", "usable"), RAISED)
def test_each_finding_is_raised_alone(code: str, row: dict[str, Any], usable: bool, vehicles: Path) -> None:
    flags, taken = check_reports(table(row), vehicles)
    slow = {"odometer-slow"} if row.get("odometer_km") == 1_180.0 else set()
    assert set(flags[0]) - slow == {code} - slow
    assert code in flags[0] and taken == [usable]
    assert findings()[code].keeps_out is not usable


QUIET: list[dict[str, Any]] = [
    {},
    {"loss_pct": 40.0, "age_months": 240.0},
    {"loss_pct": -5.0},
    {"loss_pct": 0.0, "age_months": 120.0, "odometer_km": 300_000.0},
    {"loss_pct": 18.2, "age_months": 60.0},
    # 12 months: 13.3 x sqrt(0.2) + 40,000 / 10,000 + 5 = 14.95
    {"loss_pct": 14.9, "age_months": 12.0, "odometer_km": 40_000.0},
    {"odometer_km": 1_000_000.0},
    {"odometer_km": 240_000.0, "age_months": 48.0},
    {"odometer_km": 20.0, "age_months": 2.0},
    {"odometer_km": 60_000.0, "model_year": 2025},
    {"model_year": 2026, "odometer_km": 400.0},
    {"model_year": 2008},
    {"model_year": 2050, "posted_at": None},
    {"model_year": 2021, "age_months": 71.0},
    {"charge_limit_pct": 80.0, "charge_floor_pct": 20.0, "charge_habit": "partial"},
    {"loss_pct": 20.0, "loss_origin": "stated", "charge_limit_pct": 80.0},
    {"loss_pct": 0.0, "loss_origin": "health", "charge_limit_pct": 100.0, "charge_habit": "full"},
    # people say usable or total size
    {**TERN, "model_year": 2023, "pack_kwh": 60.0, "chemistry": "LFP"},
    {**TERN, "model_year": 2021, "chemistry": "nickel", "chemistry_origin": "stated"},
    # the change of chemistry lies within a year of the model year that was said
    {**TERN, "vehicle_text": "Tern standard", "model_year": 2021, "chemistry": "LFP", "chemistry_origin": "stated"},
    {**TERN, "model_year": 2010, "chemistry": "LTO", "chemistry_origin": "stated"},
    {"make": None, "model": None, "vehicle_text": "Heron", "chemistry": "LFP", "pack_kwh": 200.0},
]


@pytest.mark.parametrize("row", QUIET)
def test_what_is_near_a_limit_and_can_be_raises_nothing(row: dict[str, Any], vehicles: Path) -> None:
    assert check_reports(table(row), vehicles) == ([[]], [True])


def test_the_lines_of_regulations_are_no_filter() -> None:
    """UN GTR 22: 80 % to 5 years or 100,000 km, 70 % to 8 years or 160,000 km.  Losses at and beyond them stay in."""
    rows = [
        {"loss_pct": loss, "age_months": months, "odometer_km": km}
        for loss, months, km in ((20.0, 60.0, 100_000.0), (25.0, 60.0, 100_000.0), (31.0, 96.0, 160_000.0))
    ]
    assert check_reports(table(*rows), None)[1] == [True, True, True]


def test_the_band_is_that_of_the_published_models() -> None:
    """13 models at 25 C, 50 % charge, 5 years: 12 give 1.1 to 13.3 %, one 32.6 (blast-lite 1.1.1)."""
    import numpy as np

    unknown = np.array([np.nan])
    for code, five_years in (("loss-above-models", 32.6), ("loss-above-most-models", 13.3)):
        limits = findings()[code].limits
        assert most_by_models(np.array([60.0]), unknown, limits)[0] == pytest.approx(five_years + 5)
        # Schmalstieg 2014 at 8 years: 11.39 / 8.01 of five years; the band grows at least as fast
        eight = most_by_models(np.array([96.0]), unknown, limits)[0]
        assert (eight - 5) / five_years == pytest.approx(11.39 / 8.01, abs=0.01)
        # at rest for a year, the square root: 2.5 % at 10 months is 8.66 % at 10 years (Wang 2014)
        year = most_by_models(np.array([12.0]), unknown, limits)[0]
        assert (year - 5) / five_years == pytest.approx((12 / 60) ** 0.5)


def test_a_chemistry_from_the_list_is_never_held_against_the_list(vehicles: Path) -> None:
    row = {**LONG, "model_year": 2023, "chemistry": "LFP", "chemistry_origin": "listed"}
    assert check_reports(table(row), vehicles) == ([[]], [True])


def test_without_a_list_nothing_is_held_against_it() -> None:
    row = {**LONG, "model_year": 2023, "chemistry": "LFP", "chemistry_origin": "stated", "pack_kwh": 20.0}
    assert check_reports(table(row), None) == ([[]], [True])


def test_codes_that_a_row_already_carries_count(vehicles: Path) -> None:
    carried: tuple[list[str], ...] = (["odometer-impossible"], ["survey-impossible-entry"], ["odometer-falls"], [])
    flags, usable = check_reports(table(*({"flags": codes} for codes in carried)), vehicles)
    assert (flags, usable) == ([[], [], [], []], [False, False, True, True])


def test_rows_keep_their_places_in_a_table_of_several_chunks() -> None:
    one = table({"odometer_km": 2e6}, {})
    whole = pa.concat_tables([one, table({}), one, table({"flags": ["odometer-impossible"]})])
    flags, usable = check_reports(whole, None)
    assert flags == [["odometer-impossible"], [], [], ["odometer-impossible"], [], []]
    assert usable == [False, True, True, False, True, False]
    assert check_reports(table().slice(0, 0), None) == ([], [])


def test_every_check_is_documented_and_every_documented_check_exists() -> None:
    book = findings()
    assert {code for code, one in book.items() if one.raised_by == "check"} == {
        *COLUMN_RULES,
        *LIST_RULES,
        VOLTAGE,
    }
    assert {code for code, one in book.items() if one.raised_by == "join_copies"} == set(FLAGS)
    for one in book.values():
        assert one.rule and one.todo and one.source and one.fields and "{" not in one.rule
        assert set(one.fields) <= set(arrow_schema("reports").names)
    used = {code for code, _, _ in RAISED}
    assert used == {*COLUMN_RULES, *LIST_RULES}, "each code has an example here"


SOUND = {
    "code": "a", "rule": "r", "fields": "[odometer_km]", "limits": "{}", "keeps_out": "true", "todo": "t",
    "source": "s", "example": "{}", "unlike": "{}",
}  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"fields": "[odometer]"}, "odometer"),
        ({"keeps_out": "perhaps"}, "sound"),
        ({"rule": "'x {gone}'"}, "gone"),
        ({"limits": "{m: many}"}, "many"),
        ({"source": None}, "source"),
        ({"unlike": None}, "unlike"),
    ],
)
def test_a_finding_that_does_not_hold_together_is_refused(changed: dict[str, str | None], told: str) -> None:
    said = {**SOUND, **changed}
    entry = "{" + ", ".join(f"{name}: {value}" for name, value in said.items() if value is not None) + "}"
    with pytest.raises(RuleProblem, match=told) as problem:
        read_findings(f"findings:\n  - {entry}\n", "findings.yaml")
    assert "findings.yaml: a" in str(problem.value)


def test_a_hundred_thousand_rows_take_no_time_worth_telling(vehicles: Path) -> None:
    """Whole columns at a time: ten seconds for a million rows, on any machine, is the bound."""
    import time

    rows = table(*[row for _, row, _ in RAISED], *QUIET)
    many = pa.concat_tables([rows] * (100_000 // rows.num_rows + 1)).combine_chunks()
    begin = time.perf_counter()
    flags, _ = check_reports(many, vehicles)
    assert time.perf_counter() - begin < 1.0
    assert len(flags) == many.num_rows


# -- the examples of the table ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("finding", findings().values(), ids=lambda finding: finding.code)
def test_the_example_of_a_finding_raises_it_and_what_is_unlike_it_does_not(finding: Finding, vehicles: Path) -> None:
    assert finding.code in codes_of(finding, finding.example, vehicles)
    assert finding.code not in codes_of(finding, finding.unlike, vehicles)


def test_a_flag_is_explained_with_the_report_s_values() -> None:
    row = {"odometer_km": 5000.0, "age_months": 24.0, "lang": "en", "model_year": None}
    told = told_flag("unit-probably-other", row)
    assert "below 3,000 or above 60,000 km a year" in told
    assert "(here: odometer_km 5000, age_months 24, lang en)" in told and told.endswith("if the unit is wrong")
    assert "keeps the row out" in told_flag("odometer-impossible", {"odometer_km": 2e6})
    assert told_flag("no-such-code", {}) == ""


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("LFP, 3.70 V per cell at the top", [3.7]),
        ("Zellspannung 3,71 V, alles gut", [3.71]),
        ("cells between 3.31 V and 3.34 V", [3.31, 3.34]),
        ("a 3.7 V torch, no word of the car", []),
        ("the pack has 400 V, the cell 12.6 V they say", []),
        ("> cells at 3.9 V\nmine is fine", []),
        ("96 cells, 3.65volts each", [3.65]),
        ("cell 3.65 VA", []),
    ],
)
def test_only_the_voltage_of_a_cell_is_taken_for_one(text: str, volts: list[float]) -> None:
    assert cell_voltages(text) == volts


@pytest.mark.parametrize(
    ("chemistry", "volts", "raised"),
    [
        ("LFP", 3.65, False),  # the handbooks' limits themselves are none too many
        ("LFP", 3.66, True),
        ("LFP", 1.9, True),
        ("NMC", 4.2, False),
        ("NCA", 4.25, True),
        ("nickel", 2.4, True),
        ("LTO", 2.4, False),
        (None, 4.5, False),
    ],
)
def test_a_cell_s_voltage_is_held_against_the_handbook_of_its_chemistry(
    chemistry: str | None, volts: float, raised: bool
) -> None:
    said = responses({"r": f"each cell reads {volts} V"})
    flags, usable = check_reports(table({"chemistry": chemistry}), None, said)
    assert (flags, usable) == ([[VOLTAGE] if raised else []], [True])


def test_a_voltage_beside_two_chemistries_says_nothing_of_either() -> None:
    rows = [{"chemistry": "LFP"}, {"report_id": "r-2", "chemistry": "NMC"}]
    assert check_reports(table(*rows), None, responses({"r": "a cell shows 4.1 V"})) == ([[], []], [True, True])


def test_the_developers_page_tells_which_flags_keep_a_row_out() -> None:
    page = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    told = dict(re.findall(r"^\| `([a-z0-9-]+)` \| (yes|no) \|", page, re.M))
    assert told == {code: "no" if one.keeps_out else "yes" for code, one in findings().items()}
