"""`crowdfade forget`: the person is gone from everything, stays gone, and a removal that was cut short is finished."""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest
from release_demo import DEMO, EXPORTS, KEY, Done

from pipeline.keep_ledger.pseudonym import PseudonymKey
from pipeline.publish_release import forget as forgetting

PERSON = "kettle_and_kestrel"
AUTHOR_KEY = PseudonymKey(KEY.encode(), "").author_key(PERSON)


@pytest.fixture
def ledger(demo_ledger: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_ledger, tmp_path / "ledger", symlinks=True))


def table(ledger: Path, name: str = "reports") -> pd.DataFrame:
    return pq.read_table(ledger / "latest" / f"{name}.parquet").to_pandas()


def everything(ledger: Path) -> str:
    """All that stands in a ledger's files, tables as text."""
    told = []
    for path in ledger.rglob("*"):
        if path.suffix == ".parquet":
            told.append(pq.read_table(path).to_pandas().to_csv())
        elif path.is_file() and path.name != "lock":
            told.append(path.read_text("utf-8"))
    return "\n".join(told)


def test_a_person_is_gone_from_every_table(ledger: Path, crowdfade: Callable[..., Done]) -> None:
    before = table(ledger, "responses")
    own = before[before["author_key"] == AUTHOR_KEY]
    assert len(own) >= 5
    done = crowdfade("forget", ledger, "--author", f"@{PERSON.upper()} ")
    assert (done.code, done.err) == (0, "")
    assert f"removed {len(own)} responses" in done.out
    left = everything(ledger)
    assert PERSON not in left and str(AUTHOR_KEY) not in left
    for response_id, text in zip(own["response_id"], own["text"], strict=True):
        assert response_id not in left
        # Their words are gone too, where nobody copied them.
        if (before["text"] == text).sum() == 1:
            assert text not in left
    assert len(table(ledger, "responses")) == len(before) - len(own)


def test_the_others_stay_as_they_were(ledger: Path, crowdfade: Callable[..., Done]) -> None:
    before = {name: table(ledger, name) for name in ("responses", "reports", "evidence")}
    schema = pq.read_schema(ledger / "latest" / "reports.parquet")
    gone = set(before["responses"].query("author_key == @AUTHOR_KEY")["response_id"])
    assert crowdfade("forget", ledger, "--author", PERSON).code == 0
    for name, frame in before.items():
        kept = (
            frame[~frame["response_id"].isin(gone)]
            .reset_index(drop=True)
            .drop(columns=["copy_of", "usable"], errors="ignore")
        )
        now = table(ledger, name).drop(columns=["copy_of", "usable"], errors="ignore")
        columns = [column for column in kept.columns if column not in ("parent_id", "thread_id", "flags")]
        pd.testing.assert_frame_equal(kept[columns], now[columns])
    assert pq.read_schema(ledger / "latest" / "reports.parquet").equals(schema, check_metadata=True)
    record = json.loads((ledger / "latest" / "run.json").read_text())
    assert record["tables"]["responses"]["rows"] == len(table(ledger, "responses"))
    assert record["forgotten"][0]["responses"] == len(gone)


def test_a_later_build_of_the_same_exports_does_not_bring_them_back(
    ledger: Path, crowdfade: Callable[..., Done]
) -> None:
    assert crowdfade("forget", ledger, "--author", PERSON).code == 0
    rewritten = table(ledger, "responses")
    done = crowdfade("build", *EXPORTS, "--vehicles", DEMO / "vehicles.csv", "--to", ledger, "--quiet")
    assert (done.code, done.err) == (0, "")
    again = table(ledger, "responses")
    assert str(AUTHOR_KEY) not in everything(ledger)
    assert sorted(again["response_id"]) == sorted(rewritten["response_id"])
    rejects = table(ledger, "rejects")
    withdrawn = rejects[rejects["reason"] == "forgotten"]
    assert len(withdrawn) >= 5 and set(withdrawn["detail"]) == {""}
    record = json.loads((ledger / "latest" / "run.json").read_text())
    # The run that was rewritten says of its tables what a build says of the same ones.
    first, second = (
        json.loads((run / "run.json").read_text())["counts"] for run in sorted((ledger / "runs").iterdir())
    )
    for name in ("responses", "response_copies", "reports", "report_copies", "vehicles", "usable", "fields", "flags"):
        assert first[name] == second[name], name
    told = record["counts"]["records"]
    assert told["read"] == told["kept"] + told["rejected"]


def test_the_next_release_is_without_them(ledger: Path, tmp_path: Path, crowdfade: Callable[..., Done]) -> None:
    assert crowdfade("forget", ledger, "--author", PERSON).code == 0
    done = crowdfade("release", ledger, "--to", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    assert json.loads(done.out)["cost"]["people"] == table(ledger)["author_key"].nunique()


def test_one_response_by_its_own_id(ledger: Path, crowdfade: Callable[..., Done]) -> None:
    before = table(ledger, "responses")
    done = crowdfade("forget", ledger, "--response", "sb046")
    assert done.code == 0 and "removed 1 responses" in done.out
    now = table(ledger, "responses")
    assert set(before["source_response_id"]) - set(now["source_response_id"]) == {"sb046"}
    assert len(before) - len(now) == 1
    assert crowdfade("forget", ledger, "--response", now["response_id"][3]).code == 0
    assert len(table(ledger, "responses")) == len(now) - 1


def test_an_id_of_several_exports_is_asked_back(tmp_path: Path, crowdfade: Callable[..., Done]) -> None:
    for name in ("one.csv", "two.csv"):
        (tmp_path / name).write_text(
            f"id,author,comment\n7,moss,My Skua lost 4 % over 51000 km in {name}\n8,fern,Hello!\n"
        )
    assert (
        crowdfade("build", tmp_path / "one.csv", tmp_path / "two.csv", "--to", tmp_path / "ledger", "--quiet").code == 0
    )
    done = crowdfade("forget", tmp_path / "ledger", "--response", "7")
    assert done.code == 2 and "2 responses have the id" in done.err and "one.csv" in done.err
    assert len(table(tmp_path / "ledger", "responses")) == 4
    assert not (tmp_path / "ledger" / "forgotten.json").exists()


def test_copies_by_others_are_told_and_taken_along_on_demand(tmp_path: Path, crowdfade: Callable[..., Done]) -> None:
    text = "We bought the Ridge new in 2021, it has 88400 km on it and has lost 7.5 % by now, mostly charged to 80."
    said = [("moss_hill", text), ("fern_dell", text), ("fern_dell", "@moss_hill the same with ours"), ("elm", text)]
    rows = [(number, f"2025-03-0{number}T08:00:00Z", *one) for number, one in enumerate(said, start=1)]
    with (tmp_path / "thread.csv").open("w", newline="") as file:
        csv.writer(file).writerows([("id", "time", "author", "comment"), *rows])
    for name in ("ledger", "other"):
        assert crowdfade("build", tmp_path / "thread.csv", "--to", tmp_path / name, "--quiet").code == 0
    before = table(tmp_path / "ledger", "responses").set_index("source_response_id")
    assert before.loc["2", "copy_of"] == before.loc["1", "response_id"]
    done = crowdfade("forget", tmp_path / "ledger", "--author", "moss_hill")
    assert (
        "copies of the same words by others are still there" in done.out and before.loc["2", "response_id"] in done.out
    )
    assert "1 responses of others still name the person" in done.out
    now = table(tmp_path / "ledger", "responses").set_index("source_response_id")
    assert pd.isna(now.loc["2", "copy_of"]) and now.loc["4", "copy_of"] == now.loc["2", "response_id"]
    reports = table(tmp_path / "ledger").set_index("source_response_id")
    assert reports.loc["2", "usable"] and not reports.loc["4", "usable"]
    assert crowdfade("forget", tmp_path / "other", "--author", "moss_hill", "--with-copies").code == 0
    assert list(table(tmp_path / "other", "responses")["source_response_id"]) == ["3"]


def test_decisions_about_them_go(ledger: Path, crowdfade: Callable[..., Done]) -> None:
    reports = table(ledger)
    own = reports[reports["author_key"] == AUTHOR_KEY].iloc[0]
    other = reports[reports["author_key"] != AUTHOR_KEY].iloc[0]
    head = "response_id;report_id;field;kind;value;why\n"
    lines = [f"{one['response_id']};{one['report_id']};loss_pct;right;;checked by hand\n" for one in (own, other)]
    (ledger / "corrections.csv").write_text(head + "".join(lines))
    done = crowdfade("forget", ledger, "--author", PERSON)
    assert "1 decisions" in done.out
    assert (ledger / "corrections.csv").read_text().replace("\r\n", "\n") == head + lines[1]


@pytest.mark.parametrize("dies_at", range(6))
def test_a_removal_that_was_cut_short_is_finished_by_the_next(
    dies_at: int, ledger: Path, crowdfade: Callable[..., Done], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CROWDFADE_KEY", KEY)
    calls = 0
    real = os.replace

    def replace(one: Any, two: Any) -> None:
        nonlocal calls
        if calls == dies_at:
            raise KeyboardInterrupt
        calls += 1
        real(one, two)

    monkeypatch.setattr(forgetting.os, "replace", replace)
    with pytest.raises(KeyboardInterrupt):
        forgetting.forget(ledger, author=PERSON)
    monkeypatch.undo()
    # Nothing is torn: every table can be read, whether it was rewritten or not.
    assert len(table(ledger, "responses")) and len(table(ledger, "evidence"))
    done = crowdfade("forget", ledger) if dies_at else crowdfade("forget", ledger, "--author", PERSON)
    assert done.code == 0, done.err
    assert (dies_at > 0) == ("an earlier removal was not finished; it is now" in done.out)
    left = everything(ledger)
    assert str(AUTHOR_KEY) not in left and json.loads((ledger / "forgotten.json").read_text())["pending"] is False
    record = json.loads((ledger / "latest" / "run.json").read_text())
    assert record["tables"]["responses"]["rows"] == len(table(ledger, "responses"))


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--author", "nobody_at_all"], 2, "nobody with the handle"),
        (["--author", " @ "], 2, "is no handle"),
        (["--response", "sb999"], 2, "no response 'sb999'"),
        (["--author", "x", "--response", "y"], 2, "both"),
    ],
)
def test_mistakes_change_nothing(
    words: list[str], code: int, told: str, ledger: Path, crowdfade: Callable[..., Done]
) -> None:
    before = everything(ledger)
    done = crowdfade("forget", ledger, *words)
    assert done.code == code and told in done.err and "Traceback" not in done.err
    assert everything(ledger) == before


def test_another_key_is_refused(ledger: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.problems import KeyProblem

    monkeypatch.setenv("CROWDFADE_KEY", "some other key of forty signs or about so")
    with pytest.raises(KeyProblem):
        forgetting.forget(ledger, author=PERSON)


def test_no_ledger_is_made_by_forgetting(tmp_path: Path, crowdfade: Callable[..., Done]) -> None:
    done = crowdfade("forget", tmp_path / "none", "--author", "x")
    assert done.code == 5 and not (tmp_path / "none").exists()


def test_the_list_of_the_forgotten_says_nothing_of_them(ledger: Path, crowdfade: Callable[..., Done]) -> None:
    assert crowdfade("forget", ledger, "--author", PERSON).code == 0
    kept = (ledger / "forgotten.json").read_text()
    assert PERSON not in kept and str(AUTHOR_KEY) not in kept
    note = json.loads(kept)["notes"][0]
    assert set(note) == {"at", "responses", "reports"}
