"""A rerun gives, byte for byte, what a full build gives, and reads again only what a change can touch."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
import yaml
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from small_stages import STAGES, PhraseReader, read_lines, small_build

from pipeline.build import Built, build, rerun
from pipeline.find_values.reader import ResponseReader
from pipeline.keep_ledger.ledger import open_ledger
from pipeline.keep_ledger.list_runs import list_runs, prune
from pipeline.keep_ledger.name_runs import find_run
from pipeline.problems import LedgerProblem, UsageProblem
from pipeline.response import Response
from pipeline.take_back.changes import changes_between
from pipeline.take_back.fingerprints import read_readings, readings_of
from pipeline.take_back.kept_run import open_kept
from pipeline.take_back.touched import may_touch

Write = Callable[..., Path]

SAID = [
    ("k1", "harbour_nut", "2025-03-01", "2021 Tern, 74,000 km on it, lost 3 %. Hers lost 2 %"),
    ("k2", "harbour_nut", "2025-06-01", "My Tern again: 81,000 km by now, down 3.4 %, always charged to 80 %"),
    ("k3", "gulls4ever", "2025-03-04", "2021 Tern, 74,000 km on it, lost 3 %. Hers lost 2 %"),
    ("k4", "tallyman", "2025-03-05", "Great programme but no car here"),
    ("k5", "tallyman", "2025-03-06", "Calder Fell, LFP, 51,200 miles. The pack has sagged by 6 % since new."),
    ("k6", "oystercatcher", "2025-03-07", "Range sagged from 402 km to 377 km. Would I lose 9 % in ten years?"),
    ("k7", "oystercatcher", "2025-03-09", "Skua, 33,000 km, 98 % health, plugged in nightly up to 85 %"),
    ("k8", None, "2025-04-01", "Wir haben 60.000 km auf dem Ridge, 4 % Verlust, laden bis 80 %"),
    ("k9", "reedling", "2025-04-02", "Does the warranty cover 30 % loss? My Ondine 40 has 12,000 km and lost nothing"),
    ("k10", "reedling", "2025-04-03", "Capacity has melted away: 8 % after 120,000 km in the Ondine 40, nickel cells"),
    ("k11", "siskin", "2025-04-05", "120 k on the clock, SoH 91, dc maybe 30 % of the time, NMC"),
    ("k12", "siskin", "2025-04-06", "it fell, like my mood, by half a bar. 5 % maybe. 2019 Skua with 66,000 km"),
]
"""Invented listeners; some write twice, k3 repeats k1."""

WORDINGS = (
    "sagged by {loss:percent}", "melted away .. {loss:percent}", "has (sagged|melted) ... {loss:percent}",
    "down {loss:percent}", "lost? {loss:percent}", "{loss:percent} maybe", "nickel cells", "{odometer:distance} in the",
    "lost nothing", "<lost> {loss:percent}",
)  # fmt: skip

RULES = st.lists(
    st.fixed_dictionaries(
        {
            "id": st.sampled_from(["trial.one", "trial.two", "loss.minus", "loss.none", "odometer.on-it"]),
            "pattern": st.sampled_from(WORDINGS),
            "priority": st.sampled_from([30, 50, 80]),
        },
        optional={
            "off": st.just(True),
            "scope": st.sampled_from(["sentence", "rest"]),
            "unless": st.just(["nightly", "fell"]),
        },
    ),
    max_size=3,
    unique_by=lambda rule: rule["id"],
)
"""Rules of a pack: added ones, such that replace or switch off built-in ones, gates."""


def write_thread(path: Path, said: list[tuple[Any, ...]] = SAID) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(("comment_id", "author", "published_at", "comment"))
        out.writerows((name, author, f"{day}T10:00:00Z", text) for name, author, day, text in said)
    return path


def write_pack(folder: Path, rules: list[dict[str, Any]], version: str = "1", language: str = "en") -> Path:
    if folder.exists():
        shutil.rmtree(folder)
    (folder / "trial").mkdir(parents=True)
    (folder / "pack.yaml").write_text(yaml.safe_dump({"name": "trial", "version": version}), "utf-8")
    entries = [_entry(rule) for rule in rules]
    (folder / "trial" / f"{language}.yaml").write_text(yaml.safe_dump({"rules": entries}), "utf-8")
    return folder


def _entry(rule: dict[str, Any]) -> dict[str, Any]:
    if rule.get("off"):
        return {"id": rule["id"], "off": True}
    entry = {"id": rule["id"], "patterns": [rule["pattern"]], "priority": rule.get("priority", 50)}
    if "{" not in rule["pattern"] and not rule.get("scope"):
        entry["set"] = {"loss": 0, "loss_origin": "none"}
    for name in ("scope", "unless"):
        if name in rule:
            entry[name] = rule[name]
    if rule.get("scope"):
        entry |= {"refuse": "a trial", "patterns": [rule["pattern"].replace("{loss:", "{").replace("{odometer:", "{")]}
    return entry


def tables(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.glob("*.parquet"))}


def assert_same(one: Built, other: Built) -> None:
    left, right = tables(one.folder), tables(other.folder)
    assert left.keys() == right.keys()
    assert [name for name in left if left[name] != right[name]] == []


def told(built: Built) -> dict[str, Any]:
    found: dict[str, Any] = built.record.options["rerun"]
    return found


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a thread; the key of `own_key` is the same in every test."""
    folder = tmp_path_factory.mktemp("real")
    write_thread(folder / "thread.csv")
    return folder


def test_with_nothing_changed_nothing_is_read_again(real: Path, tmp_path: Path) -> None:
    built = build([str(real / "thread.csv")], tmp_path / "ledger")
    (real / "thread.csv").rename(real / "away.csv")  # no export is needed
    try:
        again = rerun(tmp_path / "ledger")
    finally:
        (real / "away.csv").rename(real / "thread.csv")
    assert_same(built, again)
    assert told(again)["read_again"] == 0 and told(again)["why"] == []
    whole = rerun(tmp_path / "ledger", full=True)
    assert_same(built, whole)
    assert told(whole)["read_again"] == len(SAID)
    assert [path.name[:4] for path in open_ledger(tmp_path / "ledger").runs()] == ["0001", "0002", "0003"]


def test_one_added_rule_touches_the_responses_with_its_words(real: Path, tmp_path: Path) -> None:
    build([str(real / "thread.csv")], tmp_path / "ledger")
    pack = write_pack(tmp_path / "pack", [{"id": "trial.sag", "pattern": "sagged by {loss:percent}", "priority": 90}])
    again = rerun(tmp_path / "ledger", rules=[pack])
    assert told(again)["read_again"] == 1 and told(again)["why"] == ["rule trial.sag (en) added"]
    assert_same(again, build([str(real / "thread.csv")], tmp_path / "other", rules=[pack]))
    rules = pq.read_table(again.folder / "evidence.parquet")["rule_id"].to_pylist()
    assert "trial.sag" in rules
    kept = rerun(tmp_path / "ledger")  # the packs of the run that is started from
    assert_same(again, kept)
    back = rerun(tmp_path / "ledger", rules=())
    assert told(back)["read_again"] == 1 and told(back)["why"] == ["rule trial.sag (en) removed"]
    assert_same(back, build([str(real / "thread.csv")], tmp_path / "third"))


@settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # an example is two builds: the packs are small as they are
)
@given(first=RULES, second=RULES, version=st.sampled_from(["1", "2"]))
def test_whatever_changes_in_a_pack_a_rerun_is_a_full_build(
    real: Path, tmp_path: Path, first: list[dict[str, Any]], second: list[dict[str, Any]], version: str
) -> None:
    pack, ledger, other = tmp_path / "pack", tmp_path / "ledger", tmp_path / "other"
    for folder in (ledger, other):
        shutil.rmtree(folder, ignore_errors=True)
    write_pack(pack, first)
    build([str(real / "thread.csv")], ledger, rules=[pack])
    write_pack(pack, second, version)
    assert_same(rerun(ledger), build([str(real / "thread.csv")], other, rules=[pack]))


def test_no_text_that_reads_otherwise_is_taken_for_untouched(real: Path, tmp_path: Path) -> None:
    old, new = ResponseReader(), ResponseReader(rules=[write_pack(tmp_path / "p", [
        {"id": "trial.sag", "pattern": "(sagged|melted away) .. {loss:percent}"}, {"id": "loss.none", "off": True},
    ])])  # fmt: skip
    changes = changes_between(readings_of(old, ["en"], None), readings_of(new, ["en"], None))
    patterns = [list(parts) for change in changes.rules for parts in change.needs]
    odd = ("It sag­ged by 6 %", "SAGGED  by\n6 %", "sagged​ by ６ %, Tern", "melted\taway: 8 %", "Lost NOTHING at all")
    for number, text in enumerate([*(said[3] for said in SAID), *odd]):
        response = Response(f"r{number}", "thread", str(number), text, lang="en")
        if old.read_one(response) != new.read_one(response):
            assert may_touch(patterns, text), text


def test_other_word_classes_or_another_model_have_no_bound(real: Path, tmp_path: Path) -> None:
    build([str(real / "thread.csv")], tmp_path / "ledger")
    pack = write_pack(tmp_path / "pack", [])
    (pack / "lexicon").mkdir()
    (pack / "lexicon" / "en.yaml").write_text("lost: [sagged]\n", "utf-8")
    again = rerun(tmp_path / "ledger", rules=[pack])
    assert "word classes" in told(again)["why"][0]
    assert told(again)["read_again"] == len(SAID) - 1  # the German one is read by other word classes
    assert_same(again, build([str(real / "thread.csv")], tmp_path / "other", rules=[pack]))
    unsure = rerun(tmp_path / "ledger", reader=ResponseReader(model=None))
    assert told(unsure)["read_again"] == len(SAID) and "model" in told(unsure)["why"][0]


def test_another_program_reads_everything_again(real: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    built = build([str(real / "thread.csv")], tmp_path / "ledger")
    monkeypatch.setattr("pipeline.take_back.fingerprints.code_sha256", lambda: "another")
    again = rerun(tmp_path / "ledger")
    assert told(again)["read_again"] == len(SAID) and "program" in told(again)["why"][0]
    assert_same(built, again)


def test_another_language_reads_what_it_touches(real: Path, tmp_path: Path) -> None:
    build([str(real / "thread.csv")], tmp_path / "ledger")
    again = rerun(tmp_path / "ledger", lang="en")
    assert told(again)["read_again"] == 1
    assert_same(again, build([str(real / "thread.csv")], tmp_path / "other", lang="en"))
    assert_same(again, rerun(tmp_path / "ledger"))


def test_a_vehicle_list_touches_responses_with_reports_and_is_kept(real: Path, tmp_path: Path) -> None:
    listed = tmp_path / "vehicles.csv"
    demo = Path(__file__).parents[2] / "fixtures" / "demo" / "vehicles.csv"
    shutil.copy(demo, listed)
    build([str(real / "thread.csv")], tmp_path / "ledger")
    again = rerun(tmp_path / "ledger", vehicles=listed)
    reports = pq.read_table(again.folder / "reports.parquet")
    assert told(again)["read_again"] == len(set(reports["response_id"].to_pylist())) < len(SAID)
    assert reports["make"].null_count < reports.num_rows
    assert_same(again, build([str(real / "thread.csv")], tmp_path / "other", vehicles=listed))
    listed.unlink()
    kept = rerun(tmp_path / "ledger")
    assert told(kept)["read_again"] == 0
    assert_same(again, kept)


def test_survey_answers_and_profiles_come_back_as_they_were(tmp_path: Path) -> None:
    demo = Path(__file__).parents[2] / "fixtures" / "demo"
    exports = [str(demo / "survey-spring.csv"), str(demo / "survey-autumn.xlsx")]
    built = build(exports, tmp_path / "ledger", vehicles=demo / "vehicles.csv")
    again = rerun(tmp_path / "ledger", full=True)
    assert told(again)["read_again"] == built.record.counts["responses"]
    assert_same(built, again)


# -- with small stages: what the ledger does, whatever reads -------------------------------------------------------


def test_findings_of_the_reader_are_not_lost_and_those_of_checks_not_doubled(tmp_path: Path, thread: Path) -> None:
    built = small_build(tmp_path / "ledger", thread)
    stages = {name: STAGES[name] for name in ("join", "check")}
    again = rerun(tmp_path / "ledger", reader=PhraseReader(), **stages)
    assert_same(built, again)
    assert_same(built, rerun(tmp_path / "ledger", reader=PhraseReader(), full=True, **stages))
    assert any("unsure" in flags for flags in pq.read_table(again.folder / "reports.parquet")["flags"].to_pylist())


def test_a_response_that_fails_now_is_a_reject_and_costs_no_other(tmp_path: Path, write_export: Write) -> None:
    path = write_export([{"id": 1, "text": "lost 2 %"}, {"id": 2, "text": "Tern, 9,000 km on it"}])
    small_build(tmp_path / "ledger", path)

    class Failing(PhraseReader):
        def read(self, responses: Any) -> Any:
            if any("Tern" in response.text for response in responses):
                raise ZeroDivisionError("a mistake in a rule")
            return super().read(responses)

    again = rerun(tmp_path / "ledger", reader=Failing(), full=True, join=STAGES["join"], check=STAGES["check"])
    assert again.record.counts["records"] == {"read": 2, "kept": 1, "rejected": 1}
    assert pq.read_table(again.folder / "rejects.parquet")["reason"].to_pylist() == ["reading_failed"]
    assert pq.read_table(again.folder / "responses.parquet")["source_response_id"].to_pylist() == ["1"]


def test_without_the_texts_there_is_no_rerun(tmp_path: Path, thread: Path) -> None:
    small_build(tmp_path / "ledger", thread, keep_text=False)
    with pytest.raises(LedgerProblem, match="did not keep the responses' text"):
        rerun(tmp_path / "ledger")
    with pytest.raises(UsageProblem, match="no such ledger"):
        rerun(tmp_path / "elsewhere")
    assert not (tmp_path / "elsewhere").exists()


def test_a_pack_that_is_gone_is_named(real: Path, tmp_path: Path) -> None:
    pack = write_pack(tmp_path / "pack", [])
    build([str(real / "thread.csv")], tmp_path / "ledger", rules=[pack])
    shutil.rmtree(pack)
    with pytest.raises(UsageProblem, match="not there any more") as caught:
        rerun(tmp_path / "ledger")
    assert "--no-rules" in str(caught.value) and str(pack) in str(caught.value)
    assert len(open_ledger(tmp_path / "ledger").runs()) == 1


# -- adding exports ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (1, 2, 0)])
def test_the_way_in_which_exports_came_does_not_show(tmp_path: Path, order: tuple[int, int, int]) -> None:
    exports = [str(write_thread(tmp_path / f"{name}.csv", SAID[n::3])) for n, name in enumerate("bca")]
    whole = build(exports, tmp_path / "whole")
    for number in order:
        added = build([exports[number]], tmp_path / "ledger", add=True)
    assert_same(whole, added)
    assert_same(whole, build([exports[number] for number in order], tmp_path / "ledger"))
    assert told(added)["read_again"] == 0
    assert sorted(one.source for one in added.record.inputs) == ["a.csv", "b.csv", "c.csv"]


class Counting(PhraseReader):
    """Counts the responses that it reads."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []

    def read(self, responses: Any) -> Any:
        self.texts += [response.text for response in responses]
        return super().read(responses)


def test_only_what_is_new_in_a_grown_export_is_read(tmp_path: Path, write_export: Write) -> None:
    entries: list[Any] = [{"id": n, "text": f"Tern, {n}0,000 km on it, lost {n} %", "likes": n} for n in range(1, 9)]
    path, other = write_export(entries, "grows.jsonl"), write_export(entries[:2], "stays.jsonl")
    small_build(tmp_path / "ledger", path, other, reader=Counting())
    entries[2]["text"] = "Tern, 31,000 km on it, edited"
    entries[4]["likes"] = 77
    del entries[6]
    entries.append({"id": 20, "text": "lost 9 %"})
    path = write_export(entries, "grows.jsonl")
    reader = Counting()
    added = small_build(tmp_path / "ledger", path, other, add=True, reader=reader)
    assert reader.texts == ["Tern, 31,000 km on it, edited", "lost 9 %"]
    assert told(added)["replaced"] == ["grows.jsonl"] and told(added)["held"] == [str(other)]
    assert_same(added, small_build(tmp_path / "whole", path, other))
    rows = pq.read_table(added.folder / "responses.parquet").to_pylist()
    assert [row["likes"] for row in rows if row["source"] == "grows.jsonl" and row["source_response_id"] == "5"] == [77]


def test_an_export_that_breaks_does_not_take_away_what_is_held(tmp_path: Path, write_export: Write) -> None:
    path = write_export([{"id": 1, "text": "lost 2 %"}], "a.jsonl")
    built = small_build(tmp_path / "ledger", path)
    path.write_text("broken\n", "utf-8")
    added = small_build(tmp_path / "ledger", path, add=True)
    assert told(added)["broken"] == [str(path)]
    assert_same(built, added)


def test_two_exports_of_one_name_are_not_mixed_up(tmp_path: Path, write_export: Write) -> None:
    (tmp_path / "x").mkdir()
    path, twin = write_export([{"id": 1, "text": "lost 2 %"}]), tmp_path / "x" / "thread.jsonl"
    small_build(tmp_path / "ledger", path)
    twin.write_text('{"id": 1, "text": "lost 4 %"}\n', "utf-8")
    with pytest.raises(UsageProblem, match="another export of this name"):
        small_build(tmp_path / "ledger", twin, add=True)
    assert len(open_ledger(tmp_path / "ledger").runs()) == 1


def test_pages_of_one_thread_are_not_added_one_by_one(tmp_path: Path, write_export: Write) -> None:
    first, second = (write_export([{"id": n, "text": "lost 2 %"}], f"page-{n}.json") for n in (1, 2))
    small_build(tmp_path / "ledger", first, read=read_lines)
    with pytest.raises(UsageProblem, match="a further page"):
        small_build(tmp_path / "ledger", second, add=True)


def test_options_of_the_latest_run_go_on_when_exports_are_added(real: Path, tmp_path: Path) -> None:
    pack = write_pack(tmp_path / "pack", [{"id": "trial.sag", "pattern": "sagged by {loss:percent}"}])
    more = write_thread(tmp_path / "more.csv", [("m1", "dunlin", "2025-07-01", "Fell, 44,000 km, sagged by 5 %")])
    build([str(real / "thread.csv")], tmp_path / "ledger", rules=[pack], lang="en")
    added = build([str(more)], tmp_path / "ledger", add=True)
    assert_same(added, build([str(more), str(real / "thread.csv")], tmp_path / "whole", rules=[pack], lang="en"))


# -- runs and their names ------------------------------------------------------------------------------------------


def test_runs_are_found_by_every_name(tmp_path: Path, thread: Path) -> None:
    folders = [small_build(tmp_path / "ledger", thread).folder.resolve() for _ in range(3)]
    for name, number in ((folders[0].name, 0), ("1", 0), ("0002", 1), ("latest", 2), ("previous", 1)):
        assert find_run(tmp_path / "ledger", name).resolve() == folders[number]
    with pytest.raises(LedgerProblem, match="no run '9'"):
        find_run(tmp_path / "ledger", "9")
    assert [(line.number, line.latest) for line in list_runs(open_ledger(tmp_path / "ledger"))] == [
        (1, False), (2, False), (3, True),
    ]  # fmt: skip


def test_pruning_takes_what_was_named_and_never_the_latest(tmp_path: Path, thread: Path) -> None:
    folders = [small_build(tmp_path / "ledger", thread).folder for _ in range(4)]
    with pytest.raises(UsageProblem, match="never removed"):
        prune(tmp_path / "ledger", ["1", "latest"])
    with pytest.raises(LedgerProblem, match="no run"):
        prune(tmp_path / "ledger", ["1", "77"])
    assert all(folder.is_dir() for folder in folders)
    assert [name for name, _ in prune(tmp_path / "ledger", ["2"])] == [folders[1].name]
    assert [name for name, _ in prune(tmp_path / "ledger", ["keep", "1"])] == [folders[0].name, folders[2].name]
    assert [folder.is_dir() for folder in folders] == [False, False, False, True]
    assert (tmp_path / "ledger" / "latest").resolve() == folders[3].resolve()
    assert prune(tmp_path / "ledger", ["keep", "5"]) == []


def test_what_readings_hang_on_is_written_as_it_is_read(real: Path, tmp_path: Path) -> None:
    built = build([str(real / "thread.csv")], tmp_path / "ledger")
    kept = read_readings(built.folder / "for-rerun")
    assert kept == readings_of(ResponseReader(), {"en", "de"}, None)
    assert open_kept(built.folder).packs == []
