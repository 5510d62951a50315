"""What could embarrass is on the page: planted mix-ups, what is thin, changed or contradicted, weak fields."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from generated_survey import Survey, survey
from running import ROOT, Run

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.sum_up.cross_section import as_frame
from pipeline.write_report import before_you_publish, claims_section
from pipeline.write_report.changed_since import changed_since
from pipeline.write_report.claim_query import Query
from pipeline.write_report.claims import add_claim
from pipeline.write_report.contradictions import against_claims, against_differences
from pipeline.write_report.figures import Difference
from pipeline.write_report.load import run_table
from pipeline.write_report.measured_accuracy import LOW_F1, kept_accuracy, low_fields, measured_parts
from pipeline.write_report.mix_ups import CODES, Suspicion, mix_ups
from pipeline.write_report.sections import ReportContext, ReportOptions
from pipeline.write_report.write import context_of

VEHICLES = ROOT / "fixtures" / "demo" / "vehicles.csv"
AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def context(ledger: Path, earlier: object = None) -> ReportContext:
    return context_of(ledger, (ledger / "latest").resolve(), ReportOptions(resamples=50), AT, earlier)


@pytest.fixture(scope="module", params=[1, 2])
def audience(request: pytest.FixtureRequest, run: Run, tmp_path_factory: pytest.TempPathFactory) -> tuple[Survey, Path]:
    """Five thousand answers on known curves with ten mix-ups among them, and the ledger that is built of them."""
    folder = tmp_path_factory.mktemp("audience")
    made = survey(5_000, request.param)
    export = made.write(folder / "survey.csv")
    done = run("build", export, "--vehicles", VEHICLES, "--to", folder / "ledger", "--quiet")
    assert done.returncode == 0, done.stderr
    return made, folder / "ledger"


def test_of_ten_planted_mix_ups_at_least_nine_are_listed_and_few_others(audience: tuple[Survey, Path]) -> None:
    made, ledger = audience
    assert len(made.planted) == 10
    told = context(ledger)
    section = before_you_publish.make(told)
    assert section is not None
    rows = list(csv.DictReader(io.StringIO(str(section.files["before-you-publish.csv"]).removeprefix("\ufeff"))))
    listed = {row["source_response_id"] for row in rows}
    missed = {own: what for own, what in made.planted.items() if own not in listed}
    assert len(missed) <= 1, missed
    clean = listed - set(made.planted)
    assert len(clean) <= 0.03 * len(made.answers)
    # the page itself names them too, not only the file
    on_page = {own for own in made.planted if f">survey.csv {own}<" in section.body}
    assert len(on_page) >= 9


def test_the_page_says_how_much_the_mix_ups_matter(audience: tuple[Survey, Path]) -> None:
    _, ledger = audience
    section = before_you_publish.make(context(ledger))
    assert section is not None
    (moved,) = re.findall(r"move the median loss of all vehicles ([\d.]+) to ([\d.]+) %", section.body)
    assert abs(float(moved[0]) - float(moved[1])) <= 0.2


# -- single suspicions -------------------------------------------------------------------------------------------------


def ordinary(count: int = 120) -> pd.DataFrame:
    """Ordinary reports: about 15,000 km a year, loss by a root of the distance; no copies, no flags."""
    years = np.resize([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], count)
    draw = np.random.default_rng(4)
    km = years * 15_000 * np.exp(draw.normal(0, 0.3, count))
    frame = pd.DataFrame(
        {
            "report_id": [f"r{n:03d}" for n in range(count)],
            "author_key": [f"p{n:03d}" for n in range(count)],
            "vehicle_key": [f"v{n:03d}" for n in range(count)],
            "posted_at": pd.Timestamp("2025-07-02", tz="UTC"),
            "odometer_km": km,
            "age_months": years * 12,
            "model_year": np.nan,
            "loss_pct": 0.02 * np.sqrt(km) + draw.normal(0, 0.4, count),
            "chemistry": "LFP",
            "chemistry_origin": "stated",
            "make": None,
            "model": "Tern",
            "vehicle_text": "Tern",
            "charge_limit_pct": np.nan,
            "charge_floor_pct": np.nan,
            "copy_of": None,
            "usable": True,
        }
    )
    frame["flags"] = [[] for _ in range(count)]
    return frame


def suspicions(frame: pd.DataFrame, report_id: str, **more: frozenset[str]) -> dict[str, Suspicion]:
    return {one.code: one for one in mix_ups(as_frame(frame), **more) if one.report_id == report_id}


def test_ordinary_reports_raise_next_to_nothing() -> None:
    assert len({one.report_id for one in mix_ups(as_frame(ordinary()))}) <= 3
    assert mix_ups(as_frame(ordinary().iloc[:0])) == []


@pytest.mark.parametrize(
    ("column", "value", "code", "words"),
    [
        ("loss_pct", 62.0, "loss-far-off", "slip of the decimal mark"),
        ("loss_pct", 93.5, "loss-far-off", "what is left"),
        ("odometer_km", 700.0, "pace-far-off", "a year"),
        ("odometer_km", 900_000.0, "pace-far-off", "a digit too many"),
        ("chemistry", "NMC", "against-its-model", "119 of 120 answers on the Tern say LFP"),
    ],
)
def test_each_kind_is_named_with_the_mistake_that_explains_it(
    column: str, value: object, code: str, words: str
) -> None:
    frame = ordinary()
    frame.loc[59, column] = value  # six years old
    found = suspicions(frame, "r059")
    assert words in found[code].what


def test_a_loss_that_repeats_the_charge_limit_is_suspect_only_far_from_the_curve() -> None:
    frame = ordinary()
    frame.loc[60, ["loss_pct", "charge_limit_pct"]] = [20.0, 80.0]
    assert "80 % (limit of charging)" in suspicions(frame, "r060")["charge-for-health"].what
    frame.loc[60, ["loss_pct", "charge_limit_pct"]] = [20.0, 90.0]
    assert "charge-for-health" not in suspicions(frame, "r060")
    usual = float(frame.loc[61, "loss_pct"])
    frame.loc[61, "charge_limit_pct"] = 100 - usual
    assert "charge-for-health" not in suspicions(frame, "r061")


def test_a_distance_in_the_other_unit_is_seen_where_pace_and_loss_agree() -> None:
    frame = ordinary()
    frame.loc[59, ["odometer_km", "loss_pct"]] = [90_000 * 2.1 * 1.609344, 0.02 * np.sqrt(90_000 * 2.1) - 0.3]
    assert "km taken for miles" in suspicions(frame, "r059")["unit-mixed-up"].what
    frame.loc[59, "loss_pct"] = 0.02 * np.sqrt(90_000 * 2.1 * 1.609344) + 1.5
    assert "unit-mixed-up" not in suspicions(frame, "r059"), "the loss speaks against it"


def test_two_readings_of_one_vehicle_must_go_together() -> None:
    frame = ordinary()
    frame.loc[13, "vehicle_key"] = "v012"
    frame.loc[13, "posted_at"] = pd.Timestamp("2026-02-01", tz="UTC")
    frame.loc[12, "odometer_km"], frame.loc[13, "odometer_km"] = 50_000.0, 31_500.0
    assert "miles taken for km" in suspicions(frame, "r013")["against-earlier-reading"].what
    frame.loc[13, "odometer_km"] = 52_000.0
    assert "against-earlier-reading" not in suspicions(frame, "r013")
    frame.loc[12, "loss_pct"] = frame.loc[13, "loss_pct"] + 6
    assert "another pack" in suspicions(frame, "r013")["against-earlier-reading"].what


def test_an_age_far_below_the_model_year_is_told_and_findings_are_passed_on() -> None:
    frame = ordinary()
    frame.loc[0, ["age_months", "model_year"]] = [12.0, 2018.0]
    assert "model year 2018" in suspicions(frame, "r000")["age-below-model-year"].what
    frame.at[1, "flags"] = ["odometer-slow", "loss-from-range"]
    found = suspicions(frame, "r001")
    assert "odometer-slow" in found and "loss-from-range" not in found, "information is no suspicion"
    frame.loc[1, "copy_of"] = "r000"
    assert not suspicions(frame, "r001")


def test_the_codes_of_this_room_are_documented() -> None:
    source = (ROOT / "pipeline" / "write_report" / "mix_ups.py").read_text("utf-8")
    assert set(re.findall(r'Suspicion\(\s*(?:row|after)\["report_id"\], "([a-z-]+)"', source)) == set(CODES)


# -- the other parts ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(run: Run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("demo") / "ledger"
    exports = [ROOT / "fixtures" / "demo" / name for name in ("thread.csv", "survey-spring.csv", "survey-autumn.xlsx")]
    assert run("build", *exports, "--vehicles", VEHICLES, "--to", place, "--quiet").returncode == 0
    return place


def test_answers_that_contradict_a_difference_are_counted_and_named() -> None:
    frame = as_frame(ordinary(240)).assign(confidence=0.9)
    frame.loc[120:, "chemistry_group"] = "nickel"
    frame.loc[120:, "loss_pct"] += 4
    frame.loc[[5, 6, 7], "loss_pct"] = 25.0
    frame.loc[7, "confidence"] = 0.99
    frame.at[5, "flags"] = ["loss-over-40"]
    less = Difference("chemistry", "LFP", "nickel", 50_000, -4.0, -4.5, -3.5, 120, 120)
    (told,) = against_differences(frame, [less], {"chemistry": "chemistry_group"})
    assert (told.count, told.vehicles) == (3, 120)
    assert [row["report_id"] for row in told.rows] == ["r007", "r006"], "the surest first, flagged ones not named"
    turned = Difference("chemistry", "nickel", "LFP", 50_000, 4.0, 3.5, 4.5, 120, 120)
    assert against_differences(frame, [turned], {"chemistry": "chemistry_group"})[0].count == 3
    unclear = Difference("chemistry", "LFP", "nickel", 50_000, -0.1, -0.5, 0.3, 120, 120)
    assert against_differences(frame, [unclear], {"chemistry": "chemistry_group"}) == []


def test_pinned_headlines_stand_on_the_page_and_answers_against_them_are_counted(demo: Path) -> None:
    section = claims_section.make(context(demo))
    assert section is not None and "Nothing is pinned yet" in section.body
    query = Query("median", "loss_pct", "odometer_km < 80000", "odometer_km >= 80000")
    claim = add_claim(demo, "<New> cars lost less", query)
    told = context(demo)
    section = claims_section.make(told)
    assert section is not None
    assert "&lt;New&gt; cars lost less" in section.body and "<New>" not in section.body
    assert "all of which still hold" in section.body
    (against,) = against_claims(as_frame(run_table(told.run, "reports")), [claim])
    assert 0 < against.count < against.vehicles / 2
    before = before_you_publish.make(told)
    assert before is not None and "pinned" in before.body
    (demo / "claims.json").unlink()


def test_what_changed_since_the_last_report_is_told(demo: Path) -> None:
    told = context(demo)
    assert changed_since(told) is None, "one run, no earlier report"
    plain = told.figures.plain()
    known = [one for one in plain["estimates"] if one["median"] is not None]
    earlier = {"run": "0000", "written_at": "2026-10-01T00:00:00Z", "estimates": [dict(one) for one in known]}
    since = changed_since(dataclasses.replace(told, earlier=earlier))
    assert since is not None and not since.moved and since.same == len(known)
    earlier["estimates"][0]["median"] += 5.0
    earlier["estimates"][0]["low"] += 5.0
    earlier["estimates"][0]["high"] += 5.0
    del earlier["estimates"][1]
    since = changed_since(dataclasses.replace(told, earlier=earlier))
    assert since is not None and len(since.moved) == 2
    assert since.moved[0].beyond and since.moved[0].before == pytest.approx(known[0]["median"] + 5.0)
    assert since.moved[1].before is None and since.moved[1].after == known[1]["median"]
    assert "0000" in since.earlier


def test_without_an_earlier_report_the_run_before_stands_in(run: Run, tmp_path: Path) -> None:
    made = survey(150, 5, plant=False)
    export = made.write(tmp_path / "survey.csv")
    for _ in range(2):
        assert run("build", export, "--to", tmp_path / "ledger", "--quiet").returncode == 0
        for answer in made.answers:
            if "LFP" in answer.battery:
                answer.loss += 2
        made.write(export)
    since = changed_since(context(tmp_path / "ledger"))
    assert since is not None and "the run before (0001-" in since.earlier
    lfp = [one for one in since.moved if one.what == "LFP"]
    assert lfp and lfp[0].after is not None and lfp[0].before is not None
    assert lfp[0].after - lfp[0].before == pytest.approx(2.0, abs=0.3)


def test_measured_accuracy_is_what_the_developers_page_says() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    told = dict(re.findall(r"^\| `(\w+)` \| (\d\.\d\d \| \d\.\d\d) \|$", text, re.M))
    day, parts = measured_parts()
    assert [part.part for part in parts] == ["en/test", "multi/test"]
    assert set(told) == set(FIELD_NAMES) == set(parts[0].fields) == set(parts[1].fields)
    for name in FIELD_NAMES:
        assert told[name] == f"{parts[0].fields[name].f1:.2f} | {parts[1].fields[name].f1:.2f}"
    when = datetime.fromisoformat(day)
    assert f"Measured on {when.day} {when:%B %Y}" in text
    for part in parts:
        assert re.search(rf"\| `{part.part}`.* \| {part.responses} \|", text)


def test_a_score_that_is_kept_with_the_run_goes_before_the_shipped_figures(run: Run, demo: Path) -> None:
    assert kept_accuracy((demo / "latest").resolve()) is None
    before = before_you_publish.make(context(demo))
    assert before is not None and "420 English" in before.body
    done = run("runs", demo, "--score", ROOT / "fixtures" / "labelled" / "en" / "test")
    assert done.returncode == 0, done.stderr
    own = kept_accuracy((demo / "latest").resolve())
    assert own is not None and own.responses == 420 and own.fields["odometer_km"].labelled == 225
    before = before_you_publish.make(context(demo))
    assert before is not None and "the score kept with this run" in before.body and "420 English" not in before.body


def test_only_fields_that_the_report_has_in_that_language_are_called_weak() -> None:
    vehicles = pd.DataFrame({"report_id": ["a", "b", "c"], "lang": ["en-GB", "de", None]})
    read = pd.DataFrame(
        {
            "report_id": ["a", "b", "b", "c", "c"],
            "field": ["dc_fast_share_pct", "dc_fast_share_pct", "odometer_km", "charge_floor_pct", "pack_kwh"],
            "origin": ["rule", "rule", "model", "column", "rule"],
        }
    )
    told = {(one.field, one.words): one.values for one in low_fields(vehicles, read)}
    assert told == {("dc_fast_share_pct", "English"): 1, ("dc_fast_share_pct", "other languages"): 1}
    assert all(one.accuracy.f1 < LOW_F1 for one in low_fields(vehicles, read))
