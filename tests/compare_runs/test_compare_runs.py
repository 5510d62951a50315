"""Two runs side by side: what came, went and changed, with the words and rules, in every form that is written."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.build import build, rerun
from pipeline.compare_runs.changed_rows import differing_responses, paired_rows
from pipeline.compare_runs.compare import compare
from pipeline.compare_runs.score_run import keep_score, kept_score
from pipeline.compare_runs.tell import write
from pipeline.dataset_columns import FIELD_NAMES
from pipeline.problems import LedgerProblem, UsageProblem

SAID = [
    "2021 Tern, 74,000 km on it, lost 3 %, charged to 80 %",
    "My Calder Fell, LFP, 51,200 miles, is fit as a fiddle.",
    "My Skua has done 33,000 km and is fit as a fiddle",
    "My Ondine 40 has 12,000 km and lost nothing",
    "Lovely episode, <b>no</b> car here",
]
GOLD = [
    {"id": "g1", "text": "My Fell has 60,000 km on it and is fit as a fiddle.", "reports": [
        {"whose": "own", "vehicle_text": "Fell", "odometer_km": 60000, "loss_pct": 0, "loss_origin": "none"}]},
    {"id": "g2", "text": "My Tern has 21,000 km on it and lost 2 %.", "reports": [
        {"whose": "own", "vehicle_text": "Tern", "odometer_km": 21000, "loss_pct": 2, "loss_origin": "stated"}]},
    {"id": "g3", "text": "My grandmother is fit as a fiddle", "reports": []},
]  # fmt: skip


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A ledger whose second run read with a pack that takes "fit as a fiddle", the pack, both runs."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CROWDFADE_KEY", "the test's own key, long enough")
        folder = tmp_path_factory.mktemp("runs")
        with (folder / "thread.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([("id", "comment"), *((f"c{n}", text) for n, text in enumerate(SAID))])
        pack = folder / "pack"
        (pack / "loss").mkdir(parents=True)
        (pack / "pack.yaml").write_text('name: fit\nversion: "1"\n', "utf-8")
        rule = {
            "id": "fit.fiddle",
            "priority": 80,
            "set": {"loss": 0, "loss_origin": "none"},
            "patterns": ["fit as a fiddle"],
        }
        off = {"id": "loss.none", "off": True}
        (pack / "loss" / "en.yaml").write_text(yaml.safe_dump({"rules": [rule, off]}), "utf-8")
        (folder / "gold.jsonl").write_text("".join(json.dumps(one) + "\n" for one in GOLD), "utf-8")
        first = build([str(folder / "thread.csv")], folder / "ledger").folder
        second = rerun(folder / "ledger", rules=[pack]).folder
        yield folder, pack, first, second


def test_a_run_is_no_different_from_itself(runs: Any) -> None:
    _, _, first, _ = runs
    told = compare(first, first)
    assert told.same and told.verdict.startswith("no difference")
    assert told.rows == {"gained": 0, "lost": 0, "changed": 0, "settled": 0}
    assert all(one.moved in (None, 0) for one in told.figures)


def test_every_change_comes_with_its_words_and_its_rule(runs: Any) -> None:
    _, _, first, second = runs
    told = compare(first, second)
    by_rule = [one for one in told.values if one.rule_after == "fit.fiddle" and one.field == "loss_pct"]
    assert {one.source_response_id for one in by_rule} == {"c1", "c2"}
    assert all((one.kind, one.before, one.after) == ("gained", None, 0) for one in by_rule)
    assert all("fiddle" in one.words_after and not one.words_before for one in by_rule)
    lost = [one for one in told.values if one.source_response_id == "c3" and one.kind == "lost"]
    assert {one.rule_before for one in lost if one.field == "loss_pct"} == {"loss.none"}
    assert not [one for one in told.values if one.source_response_id in ("c0", "c4")]
    assert told.rules == ["rule fit.fiddle (en) added", "rule loss.none (en) removed"]
    kinds = {name: sum(one.kind == name for one in told.values) for name in ("gained", "lost", "changed")}
    assert kinds == {name: sum(getattr(one, name) for one in told.fields) for name in kinds}


def test_backwards_what_came_has_gone(runs: Any) -> None:
    _, _, first, second = runs
    there, back = compare(first, second), compare(second, first)
    assert [(one.field, one.before, one.after) for one in there.values] == [
        (one.field, one.after, one.before) for one in back.values
    ]
    assert [(one.gained, one.lost) for one in there.fields] == [(one.lost, one.gained) for one in back.fields]


def test_the_score_says_whether_it_is_better(runs: Any) -> None:
    folder, pack, first, second = runs
    told = compare(first, second)
    assert "cannot be told" in told.verdict and "--gold" in told.verdict
    told = compare(first, second, gold=[folder / "gold.jsonl"])
    line = told.score.line
    assert line is not None and "core F1" in told.verdict
    keep_score(folder / "ledger", first, [folder / "gold.jsonl"])
    measured = keep_score(folder / "ledger", second, [folder / "gold.jsonl"])
    kept = compare(first, second)
    assert kept.score.line == line
    assert measured["core_f1"] == pytest.approx(line.now)
    assert kept_score(first) is not None and kept.score.plain()["lines"]
    moved = shutil.move(pack, pack.with_name("away"))
    try:
        with pytest.raises(UsageProblem, match="not there any more"):
            compare(first, second, gold=[folder / "gold.jsonl"])
    finally:
        shutil.move(moved, pack)
    with (pack / "loss" / "en.yaml").open("a", encoding="utf-8") as file:
        file.write("- {id: fit.more, patterns: ['fit as {loss:percent}']}\n")
    try:
        with pytest.raises(UsageProblem, match="has changed since"):
            compare(first, second, gold=[folder / "gold.jsonl"])
    finally:
        lines = (pack / "loss" / "en.yaml").read_text("utf-8").splitlines(keepends=True)
        (pack / "loss" / "en.yaml").write_text("".join(lines[:-1]), "utf-8")


def test_runs_of_two_ledgers_are_compared_by_response(runs: Any, tmp_path: Path) -> None:
    folder, pack, first, second = runs
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CROWDFADE_KEY", "another key that is long enough")
        other = build([str(folder / "thread.csv")], tmp_path / "other", rules=[pack]).folder
    assert compare(second, other).same
    assert compare(first, other).values == compare(first, second).values


@pytest.mark.parametrize("ending", ["parquet", "csv", "html", "md"])
def test_it_is_written_whole(runs: Any, tmp_path: Path, ending: str) -> None:
    _, _, first, second = runs
    told = compare(first, second)
    file = tmp_path / f"told.{ending}"
    write(told, file)
    if ending == "parquet":
        assert pq.read_table(file)["field"].to_pylist() == [one.field for one in told.values]
    elif ending == "csv":
        rows = list(csv.DictReader(file.open(encoding="utf-8-sig")))
        assert [row["rule_after"] for row in rows] == [one.rule_after for one in told.values]
    else:
        text = file.read_text("utf-8")
        assert ("fit.fiddle" in text.replace("\\", "") and "Labelled score" not in text) or told.score.changes
        assert "<script" not in text and "http" not in text
    if ending == "md":
        assert told.to_markdown(1).count("fit.fiddle") < text.count("fit.fiddle")
        assert "more are not shown" in told.to_markdown(1)
    with pytest.raises(UsageProblem, match="not written as"):
        write(told, tmp_path / "told.xlsx")


def test_a_damaged_table_is_named(runs: Any, tmp_path: Path) -> None:
    _, _, first, second = runs
    copy = Path(shutil.copytree(second, tmp_path / "copy"))
    (copy / "evidence.parquet").write_bytes(b"no table")
    with pytest.raises(LedgerProblem, match="damaged"):
        compare(first, copy)


# -- pairing, whatever the rows are --------------------------------------------------------------------------------

VALUES = st.fixed_dictionaries(
    {}, optional={"odometer_km": st.sampled_from([1e4, 2e4, 9e4]), "loss_pct": st.sampled_from([1.0, 2.0]),
                  "chemistry": st.sampled_from(["LFP", "NMC"])},
)  # fmt: skip
RESPONSES = st.dictionaries(st.sampled_from("abcd"), st.lists(VALUES, max_size=3), max_size=4)


def table(responses: dict[str, list[dict[str, Any]]]) -> pa.Table:
    rows = [
        {"report_id": f"{name}-{number}", "response_id": name, "usable": True, "flags": [], "copy_of": None, **values}
        for name, reports in responses.items()
        for number, values in enumerate(reports, start=1)
    ]
    text = ("report_id", "response_id", "copy_of", "chemistry")
    schema = pa.schema(
        [(name, pa.string()) for name in text]
        + [("odometer_km", pa.float64()), ("loss_pct", pa.float64()), ("usable", pa.bool_())]
        + [("flags", pa.list_(pa.string()))]
    )
    return pa.Table.from_pylist(rows, schema)


@settings(max_examples=80, deadline=None)
@given(RESPONSES, RESPONSES)
def test_every_report_is_in_one_pair_and_equal_responses_in_none(one: Any, two: Any) -> None:
    before, after = table(one), table(two)
    found = differing_responses(before, after, ("odometer_km", "loss_pct", "chemistry", "flags"))
    assert set(found.to_pylist()) == {name for name in {*one, *two} if one.get(name, []) != two.get(name, [])}
    pairs = paired_rows(before, after, found, FIELD_NAMES)
    for side, rows in (("before", before), ("after", after)):
        mine = [getattr(pair, side)["report_id"] for pair in pairs if getattr(pair, side) is not None]
        wanted = [name for name in rows["report_id"].to_pylist() if name.rpartition("-")[0] in found.to_pylist()]
        assert sorted(mine) == sorted(wanted)
    for pair in pairs:
        if pair.before and pair.after:
            assert pair.before["response_id"] == pair.after["response_id"]


def test_reports_that_changed_places_are_no_change_of_value() -> None:
    tern, fell = {"odometer_km": 1e4, "loss_pct": 1.0}, {"odometer_km": 9e4, "chemistry": "LFP"}
    before, after = table({"a": [tern, fell]}), table({"a": [fell, tern, {"loss_pct": 2.0}]})
    found = differing_responses(before, after, ("odometer_km", "loss_pct", "chemistry"))
    pairs = {
        (pair.before and pair.before["report_id"], pair.after and pair.after["report_id"])
        for pair in paired_rows(before, after, found, FIELD_NAMES)
    }
    assert pairs == {("a-1", "a-2"), ("a-2", "a-1"), (None, "a-3")}
