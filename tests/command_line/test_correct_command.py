"""`crowdfade queue` and `crowdfade correct`, and what `show` and `build` say of decisions afterwards."""

from __future__ import annotations

import csv
import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pyarrow.parquet as pq
import pytest

from pipeline.commands.correct import CHOICES, OF_RESPONSES
from pipeline.correct_readings.decisions import KINDS

Run = Callable[..., "subprocess.CompletedProcess[str]"]
SAID = ("--who", "ana", "--why", "read it again")


def report_of(ledger: Path, own: str, number: int = 1) -> str:
    rows = pq.read_table(ledger / "latest" / "responses.parquet").to_pylist()
    return f"{next(row['response_id'] for row in rows if row['source_response_id'] == own)}-{number}"


def decisions(ledger: Path) -> list[dict[str, str]]:
    with (ledger / "corrections.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_the_choices_are_the_kinds_of_decisions() -> None:
    assert set(CHOICES) == set(KINDS)
    assert set(OF_RESPONSES) == {name for name, kind in KINDS.items() if kind.about == ("response",)}


def test_one_decision_is_kept_and_counts_from_the_next_build(
    run: Run, ledger: Path, export: Path, tmp_path: Path
) -> None:
    done = run("correct", ledger, "--report", "k1-1", "--field", "odometer_km", "--value", "74,000 mi", *SAID)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == (
        f"kept: value of odometer_km for {report_of(ledger, 'k1')}; "
        f"tables and figures change with: crowdfade rerun {ledger}\n"
    )
    (row,) = decisions(ledger)
    assert (row["was"], row["who"], row["source_id"], row["places"]) == ("74000", "ana", "k1", "6-21 23-31")
    shown = run("build", export, "--to", ledger).stdout
    assert "corrections: 1 of 1 applied" in shown
    told = run("show", ledger, "--report", "k1-1").stdout
    assert "odometer_km = 119091.456 km <- '74,000 km on it'" in told
    assert "corrected by ana on " in told and "74,000 mi x 1.609344; was 74000" in told
    assert "decided: value odometer_km = 74,000 mi by ana on " in told and "read it again - applied" in told
    (told_json,) = json.loads(run("show", ledger, "--report", "k1-1", "--json").stdout)
    assert [one["outcome"] for one in told_json["corrections"]] == ["applied"]


def test_other_decisions_are_made_by_their_names(run: Run, ledger: Path, export: Path) -> None:
    for words in (
        ("--report", "k1-2", "--decision", "not-a-report"),
        ("--report", "k5", "--decision", "verified"),
        ("--response", "k6", "--decision", "drop"),
        ("--report", "k2-1", "--decision", "absent", "--field", "loss_pct"),
        ("--response", "k4", "--field", "loss_pct", "--value", "3"),
    ):
        done = run("correct", ledger, *words, *SAID)
        assert (done.returncode, done.stderr) == (0, ""), words
    run("build", export, "--to", ledger)
    rows = pq.read_table(ledger / "latest" / "reports.parquet").to_pylist()
    loss = {row["report_id"]: row["loss_pct"] for row in rows}
    assert report_of(ledger, "k1", 2) not in loss and report_of(ledger, "k6") not in loss
    assert loss[report_of(ledger, "k2")] is None and loss[report_of(ledger, "k4")] == 3
    shown = run("show", ledger, "--response", "k1").stdout
    assert "decided: not-a-report by ana on " in shown
    assert "decided: drop by ana on" in run("show", ledger, "--response", "k6").stdout
    record = json.loads((ledger / "latest" / "run.json").read_text("utf-8"))["counts"]["corrections"]
    assert record["outcomes"] == {"applied": 5} and record["decisions"] == 5


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--report", "zz", "--field", "loss_pct", "--value", "3"], "--report 'zz' is not accepted"),
        (["--report", "k1", "--field", "loss_pct", "--value", "3"], "there are r"),
        (["--report", "k1-1", "--field", "shoe_size", "--value", "3"], "accepted: one of whose, vehicle_text"),
        (["--report", "k1-1", "--field", "loss_pct", "--value", "lots"], "accepted: a number from -100 to 100 in %"),
        (["--report", "k1-1", "--value", "3"], "accepted: a field to give it to"),
        (["--report", "k1-1", "--field", "loss_pct"], "say what is decided"),
        (["--report", "k1-1", "--decision", "one-vehicle"], "--other is missing"),
        (["--report", "k1-1", "--decision", "one-vehicle", "--other", "zz-1"], "--report 'zz-1' is not accepted"),
        (
            ["--report", "k1-1", "--field", "loss_pct", "--value", "3", "--words", "five"],
            "accepted: words that stand in the text",
        ),
        ([], "give a sheet, or one decision"),
        (["sheet.xlsx", "--report", "k1-1"], "not both"),
    ],
)
def test_a_decision_that_is_none_is_refused_with_what_is_accepted(
    run: Run, ledger: Path, words: list[str], told: str
) -> None:
    done = run("correct", ledger, *words, *SAID)
    assert done.returncode == 2 and told in done.stderr and "Traceback" not in done.stderr, done.stderr
    assert not (ledger / "corrections.csv").exists()


def test_a_decision_says_who_and_why(run: Run, ledger: Path) -> None:
    done = run("correct", ledger, "--report", "k1-1", "--decision", "verified", "--who", "ana")
    assert done.returncode == 2 and "give --who and --why" in done.stderr


def test_a_queue_is_filled_in_and_taken_back_with_its_bad_cells_told(
    run: Run, ledger: Path, export: Path, tmp_path: Path
) -> None:
    shown = run("queue", ledger, "--limit", "2").stdout
    assert report_of(ledger, "k5") in shown and "confidence 0.40" in shown and "flag unsure" in shown
    assert len(json.loads(run("queue", ledger, "--json").stdout)) == 7
    done = run("queue", ledger, "--to", "look.xlsx")
    assert done.returncode == 0 and "keep it as private as the ledger" in done.stdout
    book = openpyxl.load_workbook(tmp_path / "look.xlsx")
    sheet = book.worksheets[0]
    wanted = {(report_of(ledger, "k5"), "loss_pct"): "8", (report_of(ledger, "k6"), "odometer_km"): "far"}
    for row in range(2, sheet.max_row + 1):
        if value := wanted.get((sheet.cell(row, 1).value, sheet.cell(row, 2).value)):
            sheet.cell(row, 7).value, sheet.cell(row, 11).value = value, "heard it again"
            bad_row = row if value == "far" else 0
    book.save(tmp_path / "look.xlsx")
    done = run("correct", ledger, "look.xlsx", "--who", "ana")
    assert done.returncode == 2 and done.stdout.startswith("1 decision kept; tables and figures change with")
    assert "1 cell is not accepted" in done.stderr and "column G (new value): 'far' is not accepted" in done.stderr
    assert "run it again" not in done.stderr and "what was kept is not doubled" in done.stderr and bad_row >= 0
    again = run("correct", ledger, "look.xlsx", "--who", "ana")
    assert again.stdout.startswith("0 decisions kept, 1 were so already") and len(decisions(ledger)) == 1
    run("build", export, "--to", ledger)
    rows = pq.read_table(ledger / "latest" / "reports.parquet").to_pylist()
    assert {row["loss_pct"] for row in rows if row["report_id"] == report_of(ledger, "k5")} == {8}


def test_what_does_not_apply_any_more_is_told_by_the_build(run: Run, ledger: Path, export: Path) -> None:
    run("correct", ledger, "--report", "k5-1", "--field", "loss_pct", "--value", "8", *SAID)
    lines = [line for line in export.read_text().splitlines() if '"k5"' not in line]
    export.write_text("\n".join(lines) + "\n")
    shown = " ".join(run("build", export, "--to", ledger).stdout.split())
    assert "corrections: 0 of 1 applied, 1 gone" in shown
    assert "1 correction in corrections.csv not applied (row 2, value of r" in shown
    assert "no response has this id or this text" in shown


def test_what_was_looked_at_becomes_labelled_examples_that_score_reads(
    run: Run, ledger: Path, export: Path, tmp_path: Path
) -> None:
    run("correct", ledger, "--report", "k5-1", "--field", "loss_pct", "--value", "8", *SAID)
    run("correct", ledger, "--report", "k1-1", "--decision", "verified", *SAID)
    run("correct", ledger, "--report", "k1-2", "--decision", "verified", *SAID)
    run("correct", ledger, "--report", "k2-2", "--decision", "not-a-report", *SAID)
    run("build", export, "--to", ledger)
    done = run("correct", ledger, "--to-gold", "mine.jsonl")
    assert done.returncode == 0 and "3 labelled examples are in mine.jsonl" in done.stdout
    path = tmp_path / "mine.jsonl"
    assert path.stat().st_mode & 0o077 == 0
    by_text = {entry["text"]: entry for entry in map(json.loads, path.read_text("utf-8").splitlines())}
    doubtful = by_text["perhaps lost 9 %"]
    assert doubtful["tags"] == ["corrected"] and doubtful["reports"] == [
        {"loss_pct": 8.0, "words": {"loss_pct": "lost 9 %"}}
    ]
    (both,) = [entry for text, entry in by_text.items() if text.startswith("Tern, 74,000")]
    assert both["tags"] == ["verified"] and [report["loss_pct"] for report in both["reports"]] == [3, 2]
    (pair,) = [entry for text, entry in by_text.items() if text.startswith("When new?")]
    assert pair["reports"][0]["words"]["loss_pct"] == ["400", "380"] and len(pair["reports"]) == 1
    scored = run("score", "mine.jsonl", "--json", real=True)
    assert scored.returncode == 0, scored.stderr


def test_flags_and_joins_are_explained_in_the_list_too(run: Run, ledger: Path) -> None:
    shown = run("show", ledger).stdout
    assert "flag odometer-impossible: the odometer is above 1,000,000 km or below zero (here:" in shown
    assert "(here: odometer_km 5000000)" in shown
    assert "keeps the row out -> read the words again" in shown
    assert "copy: " in shown and "1.00 alike: the same words" in shown


def test_a_ledger_that_is_being_written_to_is_not_corrected(run: Run, ledger: Path) -> None:
    import fcntl

    with (ledger / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = run("correct", ledger, "--report", "k1-1", "--decision", "verified", *SAID)
    assert done.returncode == 5 and "another crowdfade is writing" in done.stderr
