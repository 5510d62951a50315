"""A figure is traced to its rows and their words; a question reads the run's tables and nothing else."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from pipeline.build import build
from pipeline.problems import UsageProblem
from pipeline.sum_up.headline import headline
from pipeline.trace_figures.trace import flat, select, trace, write

DEMO = Path(__file__).parents[2] / "fixtures" / "demo"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CROWDFADE_KEY", "the test's own key, long enough")
        exports = [str(DEMO / name) for name in ("thread.csv", "survey-spring.csv")]
        yield build(exports, tmp_path_factory.mktemp("traced") / "ledger", vehicles=DEMO / "vehicles.csv").folder


def test_a_traced_figure_is_the_published_one(folder: Path) -> None:
    figures = [one for one in headline(pq.read_table(folder / "reports.parquet")) if one.band == "50-75"]
    assert figures
    names = {
        "all": "true",
        "LFP": "chemistry = 'LFP'",
        "nickel": "chemistry IN ('NMC', 'NCA', 'NMCA', 'LNMO', 'nickel')",
    }
    checked = 0
    for one in figures:
        if one.chemistry not in names:
            continue
        told = trace(folder, f"{names[one.chemistry]} AND odometer_km >= 50000 AND odometer_km < 75000")
        if one.median is None:  # a headline keeps quiet about small groups; their rows can be looked at all the same
            assert (told.vehicles, told.low, told.high) == (one.vehicles, None, None)
            continue
        assert (told.vehicles, told.people, told.median, told.low, told.high) == (
            one.vehicles, one.people, one.median, one.low, one.high,
        )  # fmt: skip
        assert sum(row.counts for row in told.rows) == told.vehicles
        checked += 1
    assert checked


def test_every_row_comes_with_the_words_behind_its_value(folder: Path) -> None:
    told = trace(folder, "odometer_km > 100000")
    assert told.rows
    for row in told.rows:
        behind = {one["field"]: one for one in row.evidence}
        assert row.report["odometer_km"] > 100_000
        assert float(behind["loss_pct"]["value"]) == pytest.approx(row.report["loss_pct"])
        assert behind["loss_pct"]["derivation"]
        assert row.counts == (row.why == "")


def test_rows_that_do_not_count_say_why(folder: Path) -> None:
    out = [row for row in trace(folder).rows if not row.counts]
    assert out and all(row.why for row in out)
    assert any(row.why.startswith("a copy of") for row in out)


def test_words_are_counted_and_not_averaged(folder: Path) -> None:
    told = trace(folder, of="chemistry")
    assert told.median is None and sum(told.spread.values()) == told.vehicles and "LFP" in told.spread


@pytest.mark.parametrize(
    ("condition", "said"),
    [
        ("chemistri = 'LFP'", "chemistri"),
        ("odometer_km >", "syntax error"),
        ("true) OR (true", "syntax error"),
        ("true; DROP VIEW reports", "Parser Error"),
        ("report_id IN (SELECT content FROM read_text('/etc/hostname'))", "disabled"),
        ("odometer_km = 'far'", "far"),
    ],
)
def test_a_condition_that_is_not_understood_is_told(folder: Path, condition: str, said: str) -> None:
    with pytest.raises(UsageProblem) as caught:
        trace(folder, condition)
    assert said in str(caught.value) and caught.value.where and caught.value.todo


@pytest.mark.parametrize(
    "question",
    [
        "SELECT * FROM read_csv('{file}')",
        "SELECT * FROM '{file}'",
        "SELECT * FROM glob('{folder}/*')",
        "COPY reports TO '{folder}/out.csv'",
        "CREATE TABLE mine AS SELECT 1",
        "ATTACH '{folder}/db'",
        "INSTALL httpfs",
        "SET enable_external_access = true",
        "SELECT 1; SELECT 2",
        "PRAGMA database_list",
        "SELECT * FROM DEMO",
    ],
)
def test_a_question_reaches_nothing_but_the_tables(folder: Path, tmp_path: Path, question: str) -> None:
    file = tmp_path / "private.csv"
    file.write_text("a\nsecret\n", "utf-8")
    with pytest.raises(UsageProblem):
        select(folder, question.format(file=file, folder=tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["private.csv"]


def test_a_select_answers_over_every_table(folder: Path) -> None:
    counted = select(
        folder,
        "SELECT r.chemistry, count(*) AS n, count(DISTINCT e.rule_id) AS rules FROM reports r "
        "JOIN evidence e USING (report_id) JOIN responses s ON s.response_id = r.response_id GROUP BY 1 ORDER BY 1",
    )
    assert counted.column_names == ["chemistry", "n", "rules"] and counted.num_rows > 2
    for name in ("links", "refusals", "parts", "rejects", "marks", "corrections"):
        assert select(folder, f"SELECT count(*) FROM {name}").num_rows == 1


def test_all_rows_are_written(folder: Path, tmp_path: Path) -> None:
    table = flat(trace(folder, "odometer_km > 50000"))
    write(table, tmp_path / "rows.parquet")
    write(table, tmp_path / "rows.csv")
    assert pq.read_table(tmp_path / "rows.parquet").num_rows == table.num_rows
    rows = list(csv.DictReader((tmp_path / "rows.csv").open(encoding="utf-8-sig")))
    assert len(rows) == table.num_rows and {row["counts"] for row in rows} <= {"True", "False"}
    with pytest.raises(UsageProblem, match="not written as"):
        write(table, tmp_path / "rows.xlsx")
