from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_stages import PhraseReader, SmallJoined, check_far, small_build

import pipeline.keep_ledger.tables as tables
from pipeline.dataset_columns import TABLES, arrow_schema
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.problems import ExportProblem, KeyProblem, RuleProblem, UsageProblem
from pipeline.response import FoundValue, Reading, Report, Response

Write = Callable[..., Path]


def rows(ledger: Path, table: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = pq.read_table(ledger / "latest" / f"{table}.parquet").to_pylist()
    return found


def table_bytes(folder: Path) -> dict[str, bytes]:
    return {name: (folder / f"{name}.parquet").read_bytes() for name in TABLES}


def test_every_column_of_the_contract_is_there(tmp_path: Path, thread: Path) -> None:
    built = small_build(tmp_path / "ledger", thread)
    for name in TABLES:
        assert pq.read_schema(built.folder / f"{name}.parquet").equals(arrow_schema(name))
    there = {path.name for path in built.folder.iterdir()}
    assert there == {"run.json", "for-rerun", *(f"{name}.parquet" for name in TABLES)}


def test_reports_carry_what_is_known_of_their_response(tmp_path: Path, thread: Path) -> None:
    small_build(tmp_path / "ledger", thread)
    responses = {row["response_id"]: row for row in rows(tmp_path / "ledger", "responses")}
    reports = rows(tmp_path / "ledger", "reports")
    assert [int(report["report_id"].rsplit("-", 1)[1]) for report in reports] == [1, 2, 1, 2, 1, 2, 1, 1, 1]
    for report in reports:
        assert report["report_id"].startswith(report["response_id"] + "-")
        response = responses[report["response_id"]]
        for column in ("source_response_id", "source", "posted_at", "lang", "author_key"):
            assert report[column] == response[column]
    first = reports[0]
    assert (first["odometer_km"], first["loss_pct"], first["chemistry"]) == (74_000, 3, None)
    assert f"{first['posted_at']:%Y-%m-%dT%H:%M:%S%z}" == "2025-03-04T17:20:00+0000"


def test_handles_never_reach_a_table_and_one_person_has_one_key(tmp_path: Path, thread: Path) -> None:
    built = small_build(tmp_path / "ledger", thread)
    keys = [row["author_key"] for row in rows(tmp_path / "ledger", "responses")]
    assert keys[0] == keys[1] and keys[3] is None and len(keys[0]) == 24 and keys[0] != keys[2]
    for path in built.folder.rglob("*.*"):
        # The files are compressed: look at the values, not at the bytes.
        shown = path.read_text() if path.suffix == ".json" else str(pq.read_table(path).to_pydict())
        assert "harbour_nut" not in shown.lower() and "gulls4ever" not in shown


def test_every_value_has_evidence_at_its_words(tmp_path: Path, thread: Path) -> None:
    small_build(tmp_path / "ledger", thread)
    texts = {row["response_id"]: row["text"] for row in rows(tmp_path / "ledger", "responses")}
    evidence = rows(tmp_path / "ledger", "evidence")
    places = [*evidence, *rows(tmp_path / "ledger", "parts"), *rows(tmp_path / "ledger", "refusals")]
    assert len(places) == len(evidence) + 1 + 1
    for row in places:
        assert texts[row["response_id"]][row["start"] : row["end"]] == row["raw"]
    with_evidence = {(row["report_id"], row["field"]) for row in evidence}
    assert len(with_evidence) == len(evidence)
    for report in rows(tmp_path / "ledger", "reports"):
        for name in ("odometer_km", "loss_pct", "chemistry"):
            assert (report[name] is not None) == ((report["report_id"], name) in with_evidence)
    pair = next(row for row in rows(tmp_path / "ledger", "parts"))
    assert (pair["field"], pair["part"], pair["raw"]) == ("loss_pct", 2, "380")


def test_copies_findings_and_use_come_together(tmp_path: Path, thread: Path) -> None:
    small_build(tmp_path / "ledger", thread)
    responses = {row["source_response_id"]: row for row in rows(tmp_path / "ledger", "responses")}
    assert responses["k3"]["copy_of"] == responses["k1"]["response_id"]
    assert [row["copy_of"] for row in responses.values()].count(None) == 6
    reports = rows(tmp_path / "ledger", "reports")
    by_response = {name: [r for r in reports if r["source_response_id"] == name] for name in responses}
    assert [r["copy_of"] for r in by_response["k3"]] == [r["report_id"] for r in by_response["k1"]]
    assert [(r["flags"], r["usable"]) for r in by_response["k3"]] == [(["repeat"], False)] * 2
    assert [(r["flags"], r["usable"]) for r in by_response["k6"]] == [(["odometer-impossible"], False)]
    assert [(r["flags"], r["usable"]) for r in by_response["k5"]] == [(["unsure"], True)]
    assert by_response["k1"][0]["vehicle_key"] == by_response["k2"][0]["vehicle_key"] is not None
    (link,) = rows(tmp_path / "ledger", "links")
    assert (link["kind"], link["id"], link["score"]) == ("copy", responses["k3"]["response_id"], 1.0)


def test_a_second_build_gives_the_same_bytes(tmp_path: Path, thread: Path) -> None:
    first = small_build(tmp_path / "ledger", thread)
    second = small_build(tmp_path / "ledger", thread)
    elsewhere = small_build(tmp_path / "another", thread)
    assert first.folder != second.folder
    assert table_bytes(first.folder) == table_bytes(second.folder) == table_bytes(elsewhere.folder)


def test_another_process_gives_the_same_bytes(tmp_path: Path, thread: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
    script = Path(__file__).with_name("small_stages.py")
    for seed in ("1", "2"):
        # Python orders sets by this seed: whatever hangs on it would show.
        monkeypatch.setenv("PYTHONHASHSEED", seed)
        subprocess.run([sys.executable, str(script), str(tmp_path / seed), str(thread)], check=True)
    assert table_bytes(tmp_path / "1" / "latest") == table_bytes(tmp_path / "2" / "latest")


def test_batches_do_not_show_in_the_bytes(tmp_path: Path, write_export: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    entries = [{"id": n, "text": f"{n} km on it, lost {n % 9} %", "author": f"a{n % 7}"} for n in range(900)]
    export = write_export(entries)
    one = small_build(tmp_path / "one", export)
    monkeypatch.setattr("pipeline.take_in.BATCH", 7)
    other = small_build(tmp_path / "other", export)
    assert table_bytes(one.folder) == table_bytes(other.folder)
    assert one.record.counts == other.record.counts


def test_read_is_kept_and_rejected(tmp_path: Path, thread: Path, write_export: Write) -> None:
    more = write_export([{"id": 1, "text": "lost 2 %"}, "!", {"id": 3, "text": "never reached"}], "cut.jsonl")
    built = small_build(tmp_path / "ledger", thread, more)
    told = read_run_record(built.folder)
    assert told["counts"]["records"] == {"read": 10, "kept": 8, "rejected": 2}
    assert [(one["read"], one["kept"], one["rejected"]) for one in told["inputs"]] == [(8, 7, 1), (2, 1, 1)]
    rejects = [(row["source"], row["record"], row["reason"]) for row in rows(tmp_path / "ledger", "rejects")]
    assert rejects == [("cut.jsonl", "after record 1", "broken_off"), ("thread.jsonl", "line 8", "bad_json")]


def test_one_broken_export_does_not_stop_the_others(tmp_path: Path, thread: Path) -> None:
    broken = tmp_path / "broken.jsonl"
    broken.write_text("broken")
    built = small_build(tmp_path / "ledger", broken, tmp_path / "gone.jsonl", thread)
    assert built.record.counts["files"] == {"read": 1, "failed": 2}
    assert built.record.counts["responses"] == 7
    failed = [(row["source"], row["record"], row["reason"]) for row in rows(tmp_path / "ledger", "rejects")[:2]]
    assert failed == [(name, "file", "unreadable_file") for name in ("broken.jsonl", "gone.jsonl")]
    assert "mend it" in built.record.inputs[0].problem


def test_where_nothing_can_be_read_the_last_run_stays(tmp_path: Path, thread: Path) -> None:
    before = small_build(tmp_path / "ledger", thread).folder
    broken = tmp_path / "broken.jsonl"
    broken.write_text("broken")
    with pytest.raises(ExportProblem, match=r"(?s)no response could be read.*broken\.jsonl: is no JSON"):
        small_build(tmp_path / "ledger", broken)
    assert (tmp_path / "ledger" / "latest").resolve() == before
    assert [path.name for path in (tmp_path / "ledger" / "runs").iterdir()] == [before.name]


def test_one_id_for_two_texts_loses_neither(tmp_path: Path, write_export: Write) -> None:
    same, other = {"id": 5, "text": "lost 3 %"}, {"id": 5, "text": "lost 4 %"}
    small_build(tmp_path / "ledger", write_export([same, other, same, other]))
    kept = rows(tmp_path / "ledger", "responses")
    assert [row["text"] for row in kept] == ["lost 3 %", "lost 4 %"]
    assert len({row["response_id"] for row in kept}) == 2
    rejects = rows(tmp_path / "ledger", "rejects")
    assert [(row["record"], row["reason"]) for row in rejects] == [
        ("5", "repeated_record"),
        ("5 (time 2)", "repeated_record"),
    ]


def test_a_text_that_breaks_the_reader_costs_only_itself(tmp_path: Path, write_export: Write) -> None:
    export = write_export([{"id": 1, "text": "lost 3 %"}, {"id": 2, "text": "CRASH"}, {"id": 3, "text": "lost 4 %"}])
    small_build(tmp_path / "ledger", export)
    assert [row["source_response_id"] for row in rows(tmp_path / "ledger", "responses")] == ["1", "3"]
    (reject,) = rows(tmp_path / "ledger", "rejects")
    assert (reject["record"], reject["reason"]) == ("2", "reading_failed")
    assert reject["detail"] == "ZeroDivisionError: a mistake in a rule"


class FixedReader(PhraseReader):
    def __init__(self, found: FoundValue) -> None:
        self.found = found

    def read(self, responses: Sequence[Response]) -> list[Reading]:
        return [Reading([Report({self.found.field: self.found})]) for _ in responses]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"raw": "lost 4 %"}, "do not stand at 0:8"),
        ({"start": -8, "end": 0}, "do not stand"),
        ({"parts": (("3", 0, 1),)}, "'3' of loss_pct do not stand"),
        ({"value": math.nan}, "loss_pct = nan"),
        ({"value": "3"}, "is no double"),
        ({"field": "model_year", "value": 2021.5}, "is no int16"),
        ({"field": "model_year", "value": 1_234_567}, "is no int16"),
        ({"field": "shoe_size"}, "'shoe_size', which no column holds"),
        ({"field": "flags"}, "'flags', which no column holds"),
    ],
)
def test_a_value_that_does_not_hold_together_stops_the_build(
    tmp_path: Path, write_export: Write, change: dict[str, Any], message: str
) -> None:
    good = {
        "field": "loss_pct", "value": 3.0, "unit": "%", "raw": "lost 3 %", "start": 0, "end": 8,
        "rule_id": "r1", "rule_pack": "p 1", "derivation": "as written",
    }  # fmt: skip
    export = write_export([{"id": 1, "text": "lost 3 %"}])
    small_build(tmp_path / "ledger", export, reader=FixedReader(FoundValue(**good)))
    with pytest.raises(RuleProblem, match=message):
        small_build(tmp_path / "other", export, reader=FixedReader(FoundValue(**{**good, **change})))
    assert not (tmp_path / "other" / "latest").exists()


def test_what_the_list_says_of_chemistry_is_told_apart(tmp_path: Path, write_export: Write) -> None:
    listed = FoundValue("chemistry", "LFP", None, "", 0, 0, "vehicle-list", "list 1", "listed", origin="list")
    export = write_export([{"id": 1, "text": "Tern"}])
    small_build(tmp_path / "ledger", export, reader=FixedReader(listed))
    assert [row["chemistry_origin"] for row in rows(tmp_path / "ledger", "reports")] == ["listed"]


def test_without_the_text_only_the_words_of_values_stay(tmp_path: Path, thread: Path) -> None:
    built = small_build(tmp_path / "ledger", thread, keep_text=False)
    assert {row["text"] for row in rows(tmp_path / "ledger", "responses")} == {None}
    assert rows(tmp_path / "ledger", "marks") == []
    assert [row["raw"] for row in rows(tmp_path / "ledger", "evidence")][:2] == ["74,000 km on it", "lost 3 %"]
    assert built.record.counts["response_copies"] == 1
    left = [path.read_bytes() for path in (tmp_path / "ledger").rglob("*") if path.is_file()]
    assert not any(b"Great programme" in content for content in left), "a staged table was left behind"


def test_what_the_export_told_apart_is_kept_for_a_rerun(tmp_path: Path, thread: Path) -> None:
    small_build(tmp_path / "ledger", thread)
    answer, profile = rows(tmp_path / "ledger", "marks")
    text = next(row["text"] for row in rows(tmp_path / "ledger", "responses") if row["source_response_id"] == "k7")
    assert (answer["kind"], answer["field"], answer["unit"]) == ("answer", "loss_pct", "%")
    assert text[answer["start"] : answer["end"]] == "6"
    assert (profile["kind"], text[profile["start"] : profile["end"]]) == ("profile", "white Skua")


def test_a_language_is_given_to_responses_that_do_not_say_theirs(tmp_path: Path, thread: Path) -> None:
    small_build(tmp_path / "ledger", thread, lang="nb")
    assert {row["lang"] for row in rows(tmp_path / "ledger", "responses")} == {"nb"}
    assert {row["lang"] for row in rows(tmp_path / "ledger", "reports")} == {"nb"}


def test_half_a_surrogate_pair_does_not_break_a_build(tmp_path: Path, write_export: Write) -> None:
    path = write_export([])
    path.write_text('{"id": "\\udc00", "text": "\\ud83d lost 3 %", "author": "\\ud83d", "parent": "\\ud800"}\n')
    small_build(tmp_path / "ledger", path)
    (response,) = rows(tmp_path / "ledger", "responses")
    assert response["text"] == "\ufffd lost 3 %"
    assert rows(tmp_path / "ledger", "evidence")[0]["start"] == 2


def test_another_key_is_refused_and_the_ledger_stays(
    tmp_path: Path, thread: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = small_build(tmp_path / "ledger", thread).folder
    monkeypatch.setenv("CROWDFADE_KEY", "another key, long enough")
    with pytest.raises(KeyProblem, match="is not the one of this ledger"):
        small_build(tmp_path / "ledger", thread)
    assert (tmp_path / "ledger" / "latest").resolve() == before


def test_a_missing_vehicle_list_is_told_before_anything_is_made(tmp_path: Path, thread: Path) -> None:
    with pytest.raises(UsageProblem, match="no such vehicle list"):
        small_build(tmp_path / "ledger", thread, vehicles=tmp_path / "list.csv")
    assert not (tmp_path / "ledger").exists()


@pytest.mark.parametrize("place", ["exports", "exports/ledger", "exports/deep/ledger"])
def test_a_ledger_among_the_exports_is_refused(tmp_path: Path, place: str) -> None:
    (tmp_path / "exports").mkdir()
    with pytest.raises(UsageProblem, match="lies inside a folder of exports"):
        small_build(tmp_path / place, tmp_path / "exports")
    assert not list((tmp_path / "exports").iterdir())


def test_the_record_tells_the_run(tmp_path: Path, thread: Path) -> None:
    listed = tmp_path / "list.csv"
    listed.write_text("make,model\n")
    built = small_build(tmp_path / "ledger", thread, vehicles=listed)
    told = json.loads((built.folder / "run.json").read_text())
    assert told["program"]["name"] == "crowdfade" and told["program"]["version"]
    assert told["rules"] == [{"name": "phrases", "version": "1", "sha256": "0" * 64}]
    assert told["inputs"][0]["sha256"] == tables.file_sha256(thread)
    assert told["inputs"][0]["size_bytes"] == thread.stat().st_size
    assert told["vehicles"]["sha256"] == tables.file_sha256(listed)
    for name, entry in told["tables"].items():
        path = built.folder / entry["file"]
        assert entry["sha256"] == tables.file_sha256(path)
        assert entry["rows"] == pq.read_metadata(path).num_rows == len(rows(tmp_path / "ledger", name))
    reports = rows(tmp_path / "ledger", "reports")
    assert told["counts"]["fields"]["loss_pct"] == sum(row["loss_pct"] is not None for row in reports) == 7
    assert told["counts"]["usable"] == sum(row["usable"] for row in reports)
    assert told["counts"]["flagged"] == sum(bool(row["flags"]) for row in reports)
    assert told["counts"]["flags"] == {"odometer-impossible": 1, "repeat": 2, "unsure": 1}
    assert set(told["timings"]) >= {"read_exports", "find_values", "join_copies", "check_reports", "write_tables"}


def test_later_stages_are_given_the_columns_that_they_were_promised(tmp_path: Path, thread: Path) -> None:
    seen: dict[str, set[str]] = {}

    def join(responses: pa.Table, reports: pa.Table, evidence: pa.Table) -> SmallJoined:
        seen.update(responses=set(responses.column_names), reports=set(reports.column_names))
        assert evidence.schema.equals(arrow_schema("evidence"))
        return SmallJoined()

    def check(reports: pa.Table, vehicles: Any, responses: Any) -> tuple[list[list[str]], list[bool]]:
        seen["checked"] = set(reports.column_names)
        return check_far(reports, vehicles)

    small_build(tmp_path / "ledger", thread, join=join, check=check, keep_text=False)
    assert seen["responses"] >= {"response_id", "source", "author_key", "posted_at", "text", "thread_id", "parent_id"}
    assert set(arrow_schema("reports").names) - seen["reports"] == {"vehicle_key", "copy_of", "usable"}
    assert set(arrow_schema("reports").names) - seen["checked"] == {"usable"}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.one_of(st.sampled_from(["lost 3 %", "CRASH", "🚙 9 km on it"]), st.text())),
        min_size=1,
        max_size=12,
    )
)
def test_nothing_is_lost_whatever_the_texts_are(
    tmp_path_factory: pytest.TempPathFactory, entries: list[tuple[int, str]]
) -> None:
    folder = tmp_path_factory.mktemp("any")
    export = folder / "any.jsonl"
    export.write_text("".join(json.dumps({"id": name, "text": text}) + "\n" for name, text in entries))
    if all("CRASH" in text for _, text in entries):
        with pytest.raises(ExportProblem):
            small_build(folder / "ledger", export)
        return
    small_build(folder / "ledger", export)
    responses, rejects = rows(folder / "ledger", "responses"), rows(folder / "ledger", "rejects")
    assert len(responses) + len(rejects) == len(entries)
    assert len({row["response_id"] for row in responses}) == len(responses)
    assert len({(row["source"], row["record"]) for row in rejects}) == len(rejects)
    wanted = {(str(name), text) for name, text in entries if "CRASH" not in text}
    assert {(row["source_response_id"], row["text"]) for row in responses} == wanted
