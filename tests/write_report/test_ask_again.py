"""Ask again: projections by hand, what is asked of whom, files that open."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import load_workbook
from running import ROOT, Run

from pipeline.write_report import ask_again as section_module
from pipeline.write_report.follow_up import ask_again, lacking_questions
from pipeline.write_report.sections import ReportOptions
from pipeline.write_report.survey_form import form_languages
from pipeline.write_report.write import context_of

AT = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
YEAR = pd.Timedelta(days=365.25)

NAMES = (
    "age_months", "model_year", "chemistry", "loss_pct", "loss_max_pct", "charge_limit_pct", "charge_floor_pct",
    "full_charges_per_week", "dc_fast_share_pct", "pack_kwh", "vehicle_text", "copy_of",
)  # fmt: skip
EMPTY: dict[str, object] = dict.fromkeys(NAMES)


def vehicle(key: str, km: float | None, age_a: float | None, posted: str, **more: object) -> dict[str, object]:
    told = {
        "report_id": f"{key}-1", "vehicle_key": key, "odometer_km": km, "age_a": age_a, "whose": "own", "flags": [],
        "posted_at": pd.Timestamp(posted, tz="UTC"), "usable": True,
    }  # fmt: skip
    return {**EMPTY, **told, **more}


def test_vehicles_are_projected_by_their_own_pace() -> None:
    rows = [
        vehicle("near", 80_000, 4.0, "2026-11-25 12:00"),  # 20,000 a year: 100,000 in a year
        vehicle("far", 81_000, 8.1, "2026-11-25 12:00"),  # 10,000 a year: 91,000, just near
        vehicle("short", 60_000, 6.0, "2026-11-25 12:00"),  # 70,000
        vehicle("taxi", 120_000, 1.0, "2026-11-25 12:00"),  # 120,000 a year: more than is projected
        vehicle("new", 4_000, 0.2, "2026-11-25 12:00"),
        vehicle("theirs", 80_000, 4.0, "2026-11-25 12:00", whose="other"),
        vehicle("doubtful", 80_000, 4.0, "2026-11-25 12:00", flags=["odometer-slow"]),
        vehicle("unit", 80_000, 4.0, "2026-11-25 12:00", flags=["unit-probably-other"]),
        vehicle("timeless", 80_000, 4.0, "2026-11-25 12:00", posted_at=pd.NaT),
        vehicle("silent", None, 4.0, "2026-11-25 12:00"),
        vehicle("long ago", 60_000, 4.0, "2024-11-25 12:00"),  # 15,000 a year, three years: 105,000
        vehicle("high", 185_000, 9.25, "2026-11-25 12:00", age_months=111.0),  # 205,000
    ]
    frame = pd.DataFrame(rows)
    found = ask_again(frame, frame, AT)
    told = {one.vehicle_key: (one.mark_km, round(one.projected_km, -2), one.pace_from) for one in found}
    assert told == {
        "near": (100_000, 100_000, "odometer and model year"),
        "far": (100_000, 91_000, "odometer and model year"),
        "long ago": (100_000, 105_000, "odometer and model year"),
        "high": (200_000, 205_000, "odometer and age"),
    }
    assert [one.vehicle_key for one in found] == ["near", "long ago", "far", "high"], "by mark, the nearest first"


def test_two_readings_of_a_vehicle_give_its_pace() -> None:
    last = vehicle("v", 110_000, 10.0, "2026-11-25 12:00")
    first = vehicle("v", 70_000, 9.0, "2025-11-25 06:00", report_id="v-0")
    (one,) = ask_again(pd.DataFrame([first, last]), pd.DataFrame([last]), AT)
    assert one.pace_from == "two readings" and one.mark_km == 150_000
    assert one.pace_km_a == pytest.approx(40_000, rel=0.002)
    soon = vehicle("v", 109_000, 9.0, "2026-10-25 12:00", report_id="v-0")
    assert not ask_again(pd.DataFrame([soon, last]), pd.DataFrame([last]), AT), "a month apart tells no pace"


def test_what_a_vehicle_did_not_tell_is_asked_and_nothing_twice() -> None:
    told = vehicle(
        "v", 80_000, 4.0, "2026-11-25 12:00", model_year=2022, chemistry="LFP", loss_max_pct=5.0, vehicle_text="Tern"
    )
    (one,) = ask_again(pd.DataFrame([told]), pd.DataFrame([told]), AT)
    assert set(one.missing) == {
        "charge_limit_pct", "charge_floor_pct", "full_charges_per_week", "dc_fast_share_pct", "pack_kwh",
    }  # fmt: skip


def test_questions_are_ordered_by_what_they_lack_with_how_they_were_asked() -> None:
    rows = [vehicle(str(n), 50_000, 3.0, "2026-01-01", chemistry="LFP" if n else None, loss_pct=2.0) for n in range(4)]
    marks = pd.DataFrame(
        {
            "kind": ["answer"] * 3 + ["profile"],
            "field": ["chemistry", "chemistry", "range_now", None],
            "question": ["Which battery?", "Which battery?", "Range now", None],
        }
    )
    refusals = pd.DataFrame({"field": ["chemistry", "chemistry"], "rule_id": ["survey.unclear-entry", "gate.question"]})
    told = {one.field: one for one in lacking_questions(pd.DataFrame(rows), marks, refusals, "fr")}
    assert told["chemistry"].missing == 0.25
    assert (told["chemistry"].asked, told["chemistry"].cells, told["chemistry"].unread) == (("Which battery?",), 2, 1)
    assert told["chemistry"].better == "Type de batterie (chimie des cellules)"
    assert told["health_pct"].missing == 0.0 and told["health_pct"].asked == ("Range now",)
    assert told["pack_kwh"].missing == 1.0
    assert list(told)[-1] in {name for name, one in told.items() if one.missing == 0.0}


def test_the_section_brings_the_sheet_and_the_form_in_every_language(run: Run, tmp_path: Path) -> None:
    thread = ROOT / "fixtures" / "demo" / "thread.csv"
    rows = list(csv.DictReader(thread.open(encoding="utf-8")))
    export = tmp_path / "thread.csv"
    with export.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], "permalink"])
        writer.writeheader()
        writer.writerows({**row, "permalink": f"https://example.org/c/{row['comment_id']}"} for row in rows)
    assert run("build", export, "--to", tmp_path / "ledger", "--quiet").returncode == 0
    context = context_of(tmp_path / "ledger", (tmp_path / "ledger/latest").resolve(), ReportOptions(resamples=20), AT)
    made = section_module.make(context)
    assert made is not None
    assert {f"ask-again/survey-form-{lang}.csv" for lang in form_languages()} <= set(made.files)
    assert len(form_languages()) == 8
    sheet = list(csv.reader(io.StringIO(str(made.files["ask-again/follow-up.csv"]).removeprefix("\ufeff"))))
    assert len(sheet) > 5
    links = {row[sheet[0].index("link")] for row in sheet[1:]}
    assert all(link.startswith("https://example.org/c/sb") for link in links)
    assert not [row["author"] for row in rows if len(row["author"]) > 4 and f",{row['author']}," in str(made.files)]
    book = load_workbook(io.BytesIO(bytes(made.files["ask-again/follow-up.xlsx"])))  # type: ignore[arg-type]
    cells = [["" if cell is None else str(cell) for cell in row] for row in book.active.values]
    assert cells == sheet
    keys = [row[sheet[0].index("vehicle_key")] for row in sheet[1:]]
    assert len(keys) == len(set(keys)), "one row a vehicle"
    assert section_module.make(context) == made, "the same again"
