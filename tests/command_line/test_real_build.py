"""The command as it is, with every stage of the program: nothing stands in for anything here."""

from __future__ import annotations

import csv
import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from pipeline.dataset_columns import FIELD_NAMES, TABLES, arrow_schema

Run = Callable[..., "subprocess.CompletedProcess[str]"]
DEMO = Path(__file__).parents[2] / "fixtures" / "demo"


def rows(ledger: Path, table: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = pq.read_table(ledger / "latest" / f"{table}.parquet").to_pylist()
    return found


def write_csv(path: Path, header: list[str], *lines: list[str]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([header, *lines])
    return path


@pytest.fixture
def demo(run: Run, tmp_path: Path) -> Path:
    exports = (DEMO / "thread.csv", DEMO / "survey-spring.csv")
    done = run("build", *exports, "--to", "ledger", "--vehicles", DEMO / "vehicles.csv", "--quiet", real=True)
    assert (done.returncode, done.stderr) == (0, "")
    return tmp_path / "ledger"


def test_the_demo_is_whole_and_every_value_can_be_traced(demo: Path) -> None:
    for name in TABLES:
        assert pq.read_schema(demo / "latest" / f"{name}.parquet").equals(arrow_schema(name))
    texts = {row["response_id"]: row["text"] for row in rows(demo, "responses")}
    evidence = rows(demo, "evidence")
    for row in (*evidence, *rows(demo, "parts"), *rows(demo, "refusals")):
        assert texts[row["response_id"]][row["start"] : row["end"]] == row["raw"]
    with_evidence = {(row["report_id"], row["field"]) for row in evidence}
    reports = rows(demo, "reports")
    assert len(reports) > 100
    for report in reports:
        for name in FIELD_NAMES:
            assert report[name] is None or (report["report_id"], name) in with_evidence
    assert {row["source"] for row in reports} == {"thread.csv", "survey-spring.csv"}


def test_a_second_build_of_the_demo_gives_the_same_bytes(run: Run, demo: Path, tmp_path: Path) -> None:
    exports = (DEMO / "thread.csv", DEMO / "survey-spring.csv")
    run(
        "build",
        *exports,
        "--to",
        "again",
        "--vehicles",
        DEMO / "vehicles.csv",
        "--quiet",
        real=True,
        PYTHONHASHSEED="7",
    )
    for name in TABLES:
        first, second = (folder / "latest" / f"{name}.parquet" for folder in (demo, tmp_path / "again"))
        assert first.read_bytes() == second.read_bytes(), name


def test_the_guides_own_example_is_read_and_explained(run: Run, tmp_path: Path) -> None:
    text = "2022 Tern, iron phosphate pack, 74,000 km on it. Down 2.1 %, charge to full every Sunday."
    question = "Warranty says 70 % at 160,000 km, right?"
    write_csv(tmp_path / "t.csv", ["id", "author", "comment"], ["a1", "@One", text], ["a2", "Two", question])
    assert run("build", "t.csv", "--to", "ledger", "--quiet", real=True).returncode == 0
    (report,) = rows(tmp_path / "ledger", "reports")
    wanted = {
        "whose": "own", "model_year": 2022, "chemistry": "LFP", "odometer_km": 74_000, "loss_pct": 2.1,
        "loss_origin": "stated", "full_charges_per_week": 1, "charge_limit_pct": 100, "charge_habit": "full",
    }  # fmt: skip
    assert {name: report[name] for name in wanted} == wanted
    (told,) = json.loads(run("show", "ledger", "--response", "a2", "--json", real=True).stdout)
    assert told["reports"] == [] and told["response"]["text"] == question
    assert told["refusals"], "what was seen in the question and not taken must be told"


def test_columns_can_be_said_by_option_and_by_file(run: Run, tmp_path: Path) -> None:
    lines = (
        ["the Skua did 51,000 km", "jo", "thanks for the show"],
        ["lost 4 % so far", "mo", "see you next week then"],
        ["no car here, two bicycles", "kit", "what a nice evening"],
    )
    write_csv(tmp_path / "odd.csv", ["alpha", "beta", "gamma"], *lines)
    (tmp_path / "mapping.yaml").write_text("columns:\n  text: gamma\n  author: beta\n")
    for words, column in (
        (["--columns", "text=alpha,author=beta"], 0),
        (["--mapping", "mapping.yaml"], 2),
        (["--mapping", "mapping.yaml", "--columns", "text=alpha"], 0),
    ):
        done = run("build", "odd.csv", "--to", "ledger", *words, real=True)
        assert done.returncode == 0, done.stderr
        responses = rows(tmp_path / "ledger", "responses")
        assert [row["text"] for row in responses] == [line[column] for line in lines]
        assert all(row["author_key"] for row in responses)


@pytest.mark.parametrize("option", [["--columns", "text=delta"], ["--columns", "words=comment"], ["--mapping", "gone"]])
def test_a_column_that_is_not_there_is_told_with_those_that_are(run: Run, tmp_path: Path, option: list[str]) -> None:
    write_csv(tmp_path / "odd.csv", ["comment", "author"], ["the Skua did 51,000 km", "jo"], ["lost 4 % so far", "mo"])
    done = run("build", "odd.csv", "--to", "ledger", *option, real=True)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr and done.stdout == ""
    assert not (tmp_path / "ledger" / "latest").exists()


def test_broken_files_are_told_and_the_others_read(run: Run, tmp_path: Path) -> None:
    good = write_csv(tmp_path / "good.csv", ["author", "comment"], ["jo", "My Skua has 51,000 km on it and lost 4 %"])
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "cut.xlsx").write_bytes(b"PK\x03\x04 cut in half")
    (tmp_path / "noise.json").write_bytes(b'{"comments": [{"text": "half')
    done = run("build", "empty.csv", "cut.xlsx", "noise.json", good, "gone.csv", "--to", "ledger", "--json", real=True)
    assert done.returncode == 0 and "Traceback" not in done.stderr, done.stderr
    told = json.loads(done.stdout)
    assert told["counts"]["responses"] == 1 and told["counts"]["reports"] == 1
    assert told["counts"]["files"]["failed"] >= 3
    records = told["counts"]["records"]
    assert records["read"] == records["kept"] + records["rejected"]
    assert {row["source"] for row in rows(tmp_path / "ledger", "rejects")} >= {"empty.csv", "cut.xlsx", "gone.csv"}
