"""Pinned headlines: measured as by hand, kept whole, and judged on every later run; corrections name what changed."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from running import Run

from pipeline.problems import LedgerProblem, UsageProblem
from pipeline.sum_up.cross_section import cross_section
from pipeline.sum_up.headline import headline
from pipeline.write_report.claim_query import Measured, Query, measure, select
from pipeline.write_report.claims import (
    Claim,
    add_claim,
    check_claims,
    find_claim,
    read_claims,
    remove_claim,
    state_of,
)
from pipeline.write_report.correction_text import correct_claim, rows_table

HEADERS = [
    "Response ID",
    "Nickname",
    "Which vehicle?",
    "Battery type",
    "Odometer (km)",
    "Capacity lost in %",
    "Anything else?",
]

# Invented listeners, one line each.  LFP: 1.0 1.5 2.0 2.0 2.5 3.0 (median 2); nickel: 4 5 5.5 6 6.5 8 (median 5.75).
SPRING = [
    ["otter_rock", "Norrvik Tern", "LFP", "61000", "2", ""],
    ["Hilde", "Norrvik Tern", "LFP", "64500", "1.5", ""],
    ["gorse", "Calder Moss", "LFP", "68200", "2.5", ""],
    ["pa_reid", "Calder Moss", "LFP", "71000", "3", "mostly motorway"],
    ["slate9", "Norrvik Tern", "LFP", "72300", "1", ""],
    ["Ewan T", "Norrvik Tern", "LFP", "79800", "2", ""],
    ["m_plover", "Calder Fell", "NMC", "60200", "4", ""],
    ["lark", "Calder Fell", "NMC", "63900", "5", ""],
    ["Wil", "Norrvik Skua", "NMC", "66600", "5.5", ""],
    ["dot_dash", "Norrvik Skua", "nickel", "70100", "6", ""],
    ["Bea", "Calder Ridge", "NCA", "74000", "6.5", ""],
    ["old_salt", "Calder Ridge", "NCA", "78000", "8", ""],
    ["far_out", "Calder Ridge", "NCA", "140000", "12", ""],
]
LFP = "chemistry = 'LFP' and odometer_km between 60000 and 80000"
NICKEL = "chemistry_group = 'nickel' and odometer_km between 60000 and 80000"
DIFFERENCE = Query("median", "loss_pct", LFP, NICKEL)


def written(path: Path, rows: list[list[str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([HEADERS, *([f"a{n}", *row] for n, row in enumerate(rows) if any(row))])
    return path


@pytest.fixture(scope="module")
def spring(run: Run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("spring")
    done = run("build", written(folder / "survey.csv", SPRING), "--to", folder / "ledger", "--quiet")
    assert done.returncode == 0, done.stderr
    return folder / "ledger"


@pytest.fixture
def ledger(spring: Path, tmp_path: Path) -> Path:
    shutil.copytree(spring, tmp_path / "ledger", symlinks=True)
    return tmp_path / "ledger"


def build_again(run: Run, ledger: Path, rows: list[list[str]]) -> None:
    (ledger.parent / "later").mkdir(exist_ok=True)
    done = run("build", written(ledger.parent / "later" / "survey.csv", rows), "--to", ledger, "--quiet")
    assert done.returncode == 0, done.stderr


def test_a_claim_is_measured_as_by_hand_and_kept_for_people_to_read(ledger: Path) -> None:
    claim = add_claim(ledger, "  LFP loses   less ", DIFFERENCE)
    assert (claim.name, claim.text) == ("1", "LFP loses less")
    assert claim.measured.value == pytest.approx(2.0 - 5.75)
    assert (claim.measured.vehicles, claim.measured.other_vehicles, claim.measured.people) == (6, 6, 6)
    assert claim.measured.low is not None and claim.measured.high is not None
    assert claim.measured.low <= claim.measured.value <= claim.measured.high < 0
    kept = json.loads((ledger / "claims.json").read_text("utf-8"))
    assert kept["claims"][0]["query"] == {"statistic": "median", "of": "loss_pct", "where": LFP, "minus": NICKEL}
    assert kept["claims"][0]["run"] == (ledger / "latest").resolve().name
    assert read_claims(ledger) == [claim]
    share = add_claim(ledger, "share", Query("share", "loss_pct < 2.5", LFP))
    assert share.measured.value == pytest.approx(100 * 4 / 6)
    mean = add_claim(ledger, "mean", Query("mean", "loss_pct", "odometer_km > 100000"), fewest=1)
    assert (mean.measured.value, mean.measured.low, mean.measured.vehicles) == (12, None, 1)
    everything = add_claim(ledger, "all", Query("median", "odometer_km"))
    assert everything.measured.vehicles == 13


def test_the_figure_is_that_of_the_headline(ledger: Path) -> None:
    reports = pq.read_table(ledger / "latest" / "reports.parquet")
    (figure,) = [one for one in headline(reports) if (one.chemistry, one.band) == ("nickel", "all")]
    query = Query("median", "loss_pct", "chemistry_group = 'nickel'")
    told = measure(select(cross_section(reports), query), query)
    assert (told.value, told.low, told.high) == (figure.median, figure.low, figure.high)


def test_numbers_of_removed_claims_are_not_used_again(ledger: Path) -> None:
    add_claim(ledger, "the first", DIFFERENCE)
    add_claim(ledger, "the second", DIFFERENCE)
    assert remove_claim(ledger, "second").name == "2"
    assert add_claim(ledger, "the third", DIFFERENCE).name == "3"
    assert [claim.text for claim in read_claims(ledger)] == ["the first", "the third"]
    with pytest.raises(UsageProblem, match="several"):
        find_claim(read_claims(ledger), "the")
    with pytest.raises(UsageProblem, match="no claim"):
        remove_claim(ledger, "2")


@pytest.mark.parametrize(
    "condition",
    [
        "nope = 3",
        "loss_pct > 1; drop table vehicles",
        "true) union select report_id, 1.0, person, true, true from vehicles where (true",
        "1 = 1) or (1 = 1",
        "loss_pct in (select 1 from read_csv('/etc/hostname'))",
        "select 1",
        "report_id",
        "loss_pct >",
    ],
)
def test_a_condition_is_one_condition_over_the_columns(ledger: Path, condition: str) -> None:
    for query in (
        Query("median", "loss_pct", condition),
        Query("median", "loss_pct", LFP, condition),
        Query("share", condition, LFP),
    ):
        with pytest.raises(UsageProblem):
            add_claim(ledger, "no", query)
    assert not (ledger / "claims.json").exists()


def test_what_cannot_be_pinned_is_refused(ledger: Path, tmp_path: Path) -> None:
    for text, query, fewest in (
        ("x", Query("median", "chemistry"), 5),
        ("x", Query("median", 'loss_pct"--'), 5),
        ("x", Query("mode", "loss_pct"), 5),  # type: ignore[arg-type]
        ("  ", DIFFERENCE, 5),
        ("x", DIFFERENCE, 7),
        ("x", Query("median", "loss_pct", "odometer_km > 1e9"), 1),
    ):
        with pytest.raises(UsageProblem):
            add_claim(ledger, text, query, fewest=fewest)
    with pytest.raises(UsageProblem):
        add_claim(ledger, "x", DIFFERENCE, tolerance=-1.0)
    with pytest.raises(LedgerProblem):
        add_claim(tmp_path / "none", "x", DIFFERENCE)
    assert not (tmp_path / "none").exists()


def test_a_damaged_list_is_told_and_left_as_it_is(ledger: Path) -> None:
    for content in ("{", "[]", '{"format": 1, "claims": [{"name": "1"}]}', '{"format": 99, "claims": []}'):
        (ledger / "claims.json").write_text(content, encoding="utf-8")
        with pytest.raises(LedgerProblem):
            read_claims(ledger)
        with pytest.raises((LedgerProblem, UsageProblem)):
            remove_claim(ledger, "1")
        assert (ledger / "claims.json").read_text("utf-8") == content


def frame(losses: list[float], others: list[float]) -> pd.DataFrame:
    """Vehicles of two chemistries, each of a person of its own."""
    rows = [("LFP", loss) for loss in losses] + [("NMC", loss) for loss in others]
    return pd.DataFrame(
        {
            "report_id": [f"r{number:03d}" for number in range(len(rows))],
            "person": [f"p{number:03d}" for number in range(len(rows))],
            "chemistry": [chemistry for chemistry, _ in rows],
            "loss_pct": [loss for _, loss in rows],
        }
    )


BY_CHEMISTRY = Query("median", "loss_pct", "chemistry = 'LFP'", "chemistry = 'NMC'")
LOW, HIGH = [2.0, 2.2, 2.4, 2.6, 2.8, 3.0, 3.2], [5.0, 5.2, 5.4, 5.6, 5.8, 6.0, 6.2]


def pinned(then: pd.DataFrame, query: Query = BY_CHEMISTRY, tolerance: float | None = None) -> Claim:
    measured = measure(select(then, query), query)
    return Claim("1", "said", query, tolerance, 5, "0001", "2026-01-01T00:00:00+00:00", measured)


@pytest.mark.parametrize(
    ("losses", "others", "state"),
    [
        (LOW, HIGH, "holds"),
        ([loss + 0.1 for loss in LOW], HIGH, "holds"),
        ([loss + 1.5 for loss in LOW], HIGH, "moved"),
        (HIGH, LOW, "reversed"),
        (LOW, LOW, "reversed"),
        ([0.5, 1.0, 2.0, 5.2, 8.0, 9.0, 10.0], HIGH, "unsure"),
        (LOW[:4], HIGH, "too few"),
        ([], HIGH, "too few"),
    ],
)
def test_each_state_of_a_difference(losses: list[float], others: list[float], state: str) -> None:
    told = state_of(pinned(frame(LOW, HIGH)), frame(losses, others), "0002")
    assert told.state == state, told.why
    assert told.holds == (state == "holds")


def test_a_tolerance_takes_the_intervals_place_and_a_lost_column_is_told() -> None:
    query = Query("median", "loss_pct", "chemistry = 'NMC'")
    claim = pinned(frame([], HIGH), query, tolerance=0.05)
    assert state_of(claim, frame([], HIGH), "0002").state == "holds"
    assert state_of(claim, frame([], [loss + 0.1 for loss in HIGH]), "0002").state == "moved"
    assert state_of(claim, frame([], HIGH).drop(columns="chemistry"), "0002").state == "unknown"


losses = st.lists(st.floats(-20, 80, allow_nan=False), min_size=5, max_size=30)


@given(losses, losses)
@settings(max_examples=40, deadline=None)
def test_a_claim_holds_on_the_rows_that_it_was_pinned_on(one: list[float], other: list[float]) -> None:
    rows = frame(one, other)
    claim = pinned(rows)
    value = float(np.median(one) - np.median(other))
    assert claim.measured.value == pytest.approx(value, abs=1e-9)
    assert claim.measured.low is not None and claim.measured.high is not None
    if claim.measured.low - 1e-9 <= value <= claim.measured.high + 1e-9 and value:
        shuffled = rows.sample(frac=1, random_state=3)
        assert state_of(claim, shuffled, "0002").state == "holds"


def test_the_interval_covers_people_not_rows() -> None:
    """Twenty cars of one fleet are one person's word: the interval must be as wide as that of few people."""
    alone = frame(LOW, HIGH)
    fleet = pd.concat([alone, *[alone[alone["report_id"] == "r006"].assign(report_id=f"f{n}") for n in range(20)]])
    query = Query("median", "loss_pct", "chemistry = 'LFP'")
    told = measure(select(fleet, query), query)
    assert (told.vehicles, told.people) == (27, 7)
    assert told.low is not None and told.low <= 2.6, "without the fleet's owner the median is far lower"


AUTUMN = [
    ["otter_rock", "Norrvik Tern", "LFP", "61000", "2", ""],
    ["Hilde", "Norrvik Tern", "LFP", "64500", "1.5", ""],
    ["gorse", "Calder Moss", "LFP", "68200", "7", ""],  # changed
    ["pa_reid", "Calder Moss", "LFP", "71000", "8", "mostly motorway"],  # changed
    ["slate9", "Norrvik Tern", "NMC", "72300", "1", ""],  # another chemistry: changes sides
    ["Ewan T", "Norrvik Tern", "LFP", "79800", "7", ""],  # changed
    ["m_plover", "Calder Fell", "NMC", "60200", "4", ""],
    ["lark", "Calder Fell", "NMC", "63900", "5", ""],
    ["Wil", "Norrvik Skua", "NMC", "66600", "5.5", ""],
    ["dot_dash", "Norrvik Skua", "nickel", "70100", "6", ""],
    ["Bea", "Calder Ridge", "NCA", "74000", "6.5", ""],
    ["", "", "", "", "", ""],
    ["far_out", "Calder Ridge", "NCA", "140000", "12", ""],
    ["newcomer", "Norrvik Tern", "LFP", "75000", "7.5", ""],
]


def test_a_correction_says_what_was_said_what_is_right_and_what_changed_it(run: Run, ledger: Path) -> None:
    add_claim(ledger, "LFP loses less than nickel", DIFFERENCE)
    first = (ledger / "latest").resolve().name
    build_again(run, ledger, AUTUMN)
    (state,) = check_claims(ledger)
    # LFP is 1.5 2 7 7 7.5 8 (median 7) now, nickel 1 4 5 5.5 6 6.5 (median 5.25)
    assert state.measured is not None and state.measured.value == pytest.approx(7.0 - 5.25)
    assert state.state == "reversed"
    correction = correct_claim(ledger, "1")
    assert correction.since == (ledger / "latest").resolve().name != first
    assert correction.changes is not None
    told = {row.source_response_id: row for row in correction.changes.rows}
    assert {own: (row.kind, row.reason) for own, row in told.items()} == {
        "a2": ("changed", "answer edited"),
        "a3": ("changed", "answer edited"),
        "a4": ("changed", "answer edited"),
        "a5": ("changed", "answer edited"),
        "a11": ("lost", "answer gone"),
        "a13": ("gained", "new answer"),
    }
    assert told["a2"].fields == {"loss_pct": (2.5, 7.0)}
    assert told["a4"].fields == {"chemistry": ("LFP", "NMC")}
    # with the four edited answers as they were: LFP 1 1.5 2 2 2.5 3 7.5 (2), nickel 4 5 5.5 6 6.5 (5.5)
    assert correction.changes.effects["answer edited"] == pytest.approx((7.0 - 5.25) - (2.0 - 5.5))
    for words in (
        "LFP loses less than nickel",
        "-3.8 points",
        "+1.8 points",
        "4 answers (4 changed)",
        "exchanged for a newer",
    ):
        assert words in correction.text
    private = [*SPRING, *AUTUMN]
    assert not [row[0] for row in private if row[0] and row[0] in correction.text], "no handle, no id"
    assert not [row.report_id for row in correction.changes.rows if row.report_id in correction.text]
    headers, rows = rows_table(correction.changes)
    assert ["a2", "changed", "answer edited", "loss_pct", "2.5", "7"] in [row[2:8] for row in rows]
    assert len(headers) == len(rows[0])


def test_a_claim_that_holds_needs_no_correction_and_a_lost_run_is_told(run: Run, ledger: Path) -> None:
    add_claim(ledger, "LFP loses less than nickel", DIFFERENCE)
    build_again(run, ledger, SPRING)
    told = correct_claim(ledger, "loses less")
    assert told.state.holds and told.since is None and told.changes is not None and not told.changes.rows
    assert "It still holds" in told.text and "no row behind the figure changed" in told.text
    shutil.rmtree(ledger / "runs" / told.state.claim.run)
    told = correct_claim(ledger, "1")
    assert told.changes is None and "no longer kept" in told.text


def test_the_command_line_pins_lists_checks_corrects_and_removes(run: Run, ledger: Path) -> None:
    words = ["--median", "loss_pct", "--where", LFP, "--minus", NICKEL]
    done = run("claim", "add", ledger, "LFP loses less than nickel", *words)
    assert done.returncode == 0 and "-3.8 points" in done.stdout and "6 and 6 vehicles" in done.stdout
    done = run(
        "claim", "add", ledger, "Most LFP cars lost little", "--share", "loss_pct < 2.5", "--where", LFP, "--json"
    )
    assert json.loads(done.stdout)["measured"]["vehicles"] == 6
    assert run("claim", "check", ledger, "--strict").returncode == 0
    build_again(run, ledger, AUTUMN)
    listed = json.loads(run("claim", "list", ledger, "--json").stdout)
    assert [claim["text"] for claim in listed] == ["LFP loses less than nickel", "Most LFP cars lost little"]
    checked = json.loads(run("claim", "check", ledger, "--json").stdout)
    assert [state["state"] for state in checked] == [state.state for state in check_claims(ledger)]
    strict = run("claim", "check", ledger, "--strict")
    assert strict.returncode == 1 and "reversed" in strict.stdout and "crowdfade correction" in strict.stdout
    assert run("claim", "check", ledger, "--run", "1", "--strict").returncode == 0, "it held on the first run"
    text = run("correction", ledger, "nickel").stdout
    assert text == correct_claim(ledger, "1").text
    with_rows = run("correction", ledger, "1", "--rows").stdout
    assert with_rows.startswith(text) and "survey.csv,a11,lost,answer gone" in with_rows
    assert json.loads(run("correction", ledger, "1", "--json").stdout)["state"] == "reversed"
    assert run("claim", "remove", ledger, "1").returncode == 0
    assert [claim.name for claim in read_claims(ledger)] == ["2"]


def test_mistakes_on_the_command_line_are_told_without_a_traceback(run: Run, ledger: Path) -> None:
    for words, code in (
        (["claim", "add", ledger, "x"], 2),
        (["claim", "add", ledger, "x", "--median", "loss_pct", "--mean", "loss_pct"], 2),
        (["claim", "add", ledger, "x", "--median", "loss_pct", "--where", "nope = 1"], 2),
        (["claim", "remove", ledger, "9"], 2),
        (["claim", "check", ledger, "--run", "77"], 5),
        (["correction", ledger, "9"], 2),
        (["claim", "list", ledger / "none"], 5),
    ):
        done = run(*words)
        assert done.returncode == code, (words, done.stderr)
        assert done.stderr.startswith("crowdfade: ") and "Traceback" not in done.stderr


def test_measured_tells_the_smaller_side() -> None:
    assert Measured(1.0, 0.5, 1.5, 12, 11, 7, 7).fewest == 7
    assert Measured(1.0, 0.5, 1.5, 12, 11).fewest == 12
