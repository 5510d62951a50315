"""The inbox: each content once, whatever it is called; what grows waits; what is gone or silent is told."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from pipeline.collect_exports.bring_in import anything_to_do, bring_in
from pipeline.collect_exports.inbox import Found, Inbox, names_of
from pipeline.keep_ledger.ledger import open_ledger
from pipeline.problems import ExportProblem, LedgerProblem, Unreachable, UsageProblem

HEAD = "id,author,comment\n"
ROWS = ['1,wren,"2022 Tern, 74,000 km on it, down 2.1 %"\n', "2,moss,What a lovely show that was\n"]


@pytest.fixture(autouse=True)
def own_key(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("CROWDFADE_KEY", "the test's own key, long enough")
    monkeypatch.delenv("CROWDFADE_KEY_FILE", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    drop(folder, "spring.csv")
    drop(folder, "autumn.csv", ["9,reed,My Skua has 51,000 km on it and lost 4 %\n", *ROWS])
    return folder


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    return tmp_path / "ledger"


def drop(folder: Path, name: str, rows: list[str] = ROWS, *, seconds_ago: float = 3600) -> Path:
    path = folder / name
    path.write_text(HEAD + "".join(rows), encoding="utf-8")
    os.utime(path, (time.time() - seconds_ago,) * 2)
    return path


def found(inbox: Path | str, ledger: Path, **more: Any) -> list[Found]:
    known = Inbox(ledger)
    look = known.look(str(inbox), **more)
    examined = [known.examine(one) for one in look.candidates]
    known.keep()
    return [one for one in examined if one is not None]


def night(inbox: Path | str, ledger: Path) -> list[str]:
    """What one night brings in, by name."""
    new = found(inbox, ledger)
    bring_in(new, ledger)
    return [one.name for one in new]


def texts(ledger: Path) -> list[str]:
    rows = pq.read_table(ledger / "latest" / "responses.parquet")["text"].to_pylist()
    return sorted(rows)


def test_each_export_is_taken_once(inbox: Path, ledger: Path) -> None:
    assert night(inbox, ledger) == ["autumn.csv", "spring.csv"]
    assert len(texts(ledger)) == 5
    assert night(inbox, ledger) == []
    assert len(open_ledger(ledger).runs()) == 1
    drop(inbox, "winter.csv", ['4,dove,"Fell, 20,000 km, no loss at all"\n'])
    assert night(inbox, ledger) == ["winter.csv"]
    assert len(texts(ledger)) == 6 and len(open_ledger(ledger).runs()) == 2
    assert not anything_to_do(str(inbox), ledger)


def test_unchanged_exports_are_not_opened(inbox: Path, ledger: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    night(inbox, ledger)
    monkeypatch.setattr("pipeline.collect_exports.inbox.content_sha256", lambda path: pytest.fail(f"{path} was opened"))
    assert found(inbox, ledger) == []


def test_a_changed_export_replaces_what_it_was(inbox: Path, ledger: Path) -> None:
    night(inbox, ledger)
    drop(inbox, "spring.csv", [*ROWS, "3,teal,Ridge with 33,000 km and 1 % lost\n"], seconds_ago=60)
    assert night(inbox, ledger) == ["spring.csv"]
    assert len(texts(ledger)) == 6


def test_the_same_content_is_not_taken_twice(inbox: Path, ledger: Path) -> None:
    night(inbox, ledger)
    before = texts(ledger)
    drop(inbox, "spring (copy).csv")
    (inbox / "autumn.csv").touch()
    os.utime(inbox / "autumn.csv", (time.time() - 60,) * 2)
    assert night(inbox, ledger) == []
    assert texts(ledger) == before
    known = Inbox(ledger).known
    assert known[str(inbox / "spring (copy).csv")].state == "double"
    assert not anything_to_do(str(inbox), ledger)


def test_an_interrupted_night_leaves_no_double_row(inbox: Path, ledger: Path) -> None:
    """The run is in place, and the program dies before the inbox is noted."""
    new = found(inbox, ledger)
    bring_in(new, ledger)
    whole = texts(ledger)
    (ledger / "inbox.json").unlink()
    assert night(inbox, ledger) == ["autumn.csv", "spring.csv"]
    assert texts(ledger) == whole
    assert night(inbox, ledger) == []


def test_an_export_that_cannot_be_read_stops_no_other(inbox: Path, ledger: Path) -> None:
    (inbox / "torn.xlsx").write_bytes(b"PK\x03\x04 torn")
    os.utime(inbox / "torn.xlsx", (time.time() - 60,) * 2)
    assert night(inbox, ledger) == ["autumn.csv", "spring.csv", "torn.xlsx"]
    assert len(texts(ledger)) == 5
    torn = Inbox(ledger).known[str(inbox / "torn.xlsx")]
    assert torn.state == "failed" and torn.why
    assert night(inbox, ledger) == []


def test_a_night_with_nothing_but_unreadable_exports_is_told_once(inbox: Path, ledger: Path) -> None:
    night(inbox, ledger)
    (inbox / "torn.xlsx").write_bytes(b"PK\x03\x04 torn")
    os.utime(inbox / "torn.xlsx", (time.time() - 60,) * 2)
    before = texts(ledger)
    try:
        night(inbox, ledger)
    except ExportProblem as problem:
        assert "torn.xlsx" in str(problem)
    assert texts(ledger) == before
    assert night(inbox, ledger) == []
    assert Inbox(ledger).known[str(inbox / "torn.xlsx")].state == "failed"


def test_a_file_that_is_being_uploaded_is_waited_for(inbox: Path, ledger: Path) -> None:
    growing = drop(inbox, "upload.csv", seconds_ago=0)
    slept = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        if len(slept) < 3:
            with growing.open("a") as file:
                file.write(f"{len(slept) + 10},lark,Tern 1{len(slept)},000 km\n")

    look = Inbox(ledger).look(str(inbox), settle_seconds=2, patience_seconds=60, sleep=sleep)
    assert slept == [2, 2, 2]
    assert [one.name for one in look.candidates] == ["autumn.csv", "spring.csv", "upload.csv"] and not look.waiting


def test_a_file_that_keeps_growing_is_left_for_the_next_time(inbox: Path, ledger: Path) -> None:
    growing = drop(inbox, "upload.csv", seconds_ago=0)

    def sleep(seconds: float) -> None:
        with growing.open("a") as file:
            file.write("11,lark,Tern\n")

    look = Inbox(ledger).look(str(inbox), settle_seconds=2, patience_seconds=6, sleep=sleep)
    assert [one.name for one in look.candidates] == ["autumn.csv", "spring.csv"]
    assert [one.name for one in look.waiting] == ["upload.csv"]


def test_what_is_still_being_written_by_its_name_is_no_export(inbox: Path, ledger: Path) -> None:
    for name in ("a.csv.part", "b.crdownload", ".c.csv", "d.csv.tmp"):
        drop(inbox, name)
    assert [one.name for one in found(inbox, ledger)] == ["autumn.csv", "spring.csv"]


def test_patterns_single_files_and_folders_below_are_inboxes(inbox: Path, ledger: Path) -> None:
    (inbox / "below").mkdir()
    drop(inbox / "below", "deep.csv", ROWS[:1])
    assert [one.name for one in found(inbox / "s*.csv", ledger)] == ["spring.csv"]
    assert [one.name for one in found(inbox / "spring.csv", ledger)] == ["spring.csv"]
    assert "deep.csv" in [one.name for one in found(inbox, ledger)]
    assert names_of(found(inbox, ledger), most=2) == "autumn.csv, deep.csv and 1 more"


def test_a_vanished_inbox_is_told(inbox: Path, ledger: Path) -> None:
    night(inbox, ledger)
    inbox.rename(inbox.with_name("elsewhere"))
    for place in (inbox, inbox / "*.csv"):
        with pytest.raises(ExportProblem, match="there is no such inbox") as caught:
            found(place, ledger)
        assert not isinstance(caught.value, Unreachable)
    assert len(texts(ledger)) == 5


def test_an_export_that_vanishes_between_look_and_reading_is_told(inbox: Path, ledger: Path) -> None:
    known = Inbox(ledger)
    (one, *_) = known.look(str(inbox)).candidates
    Path(one.path).unlink()
    with pytest.raises(ExportProblem, match="cannot be read"):
        known.examine(one)


def test_a_source_that_does_not_answer_may_be_tried_again(ledger: Path) -> None:
    with pytest.raises(Unreachable, match="cannot be reached"):
        found("ftp://127.0.0.1:9/exports", ledger)


def test_an_address_of_an_unknown_kind_is_refused(ledger: Path) -> None:
    with pytest.raises(UsageProblem, match="cannot be opened here"):
        found("pigeon://loft/exports", ledger)


def test_a_damaged_record_is_told(inbox: Path, ledger: Path) -> None:
    night(inbox, ledger)
    (ledger / "inbox.json").write_text("{")
    with pytest.raises(LedgerProblem, match="record of the inbox cannot be read"):
        Inbox(ledger)


def test_changed_rules_read_the_ledger_again(inbox: Path, ledger: Path, tmp_path: Path) -> None:
    night(inbox, ledger)
    pack = tmp_path / "pack"
    (pack / "loss").mkdir(parents=True)
    (pack / "pack.yaml").write_text("name: more\nversion: 1.0.0\n")
    (pack / "loss" / "en.yaml").write_text(
        "rules:\n  - id: loss.dwindled\n    priority: 90\n    set: {loss_origin: stated}\n"
        '    patterns: ["dwindled by? {loss:percent}"]\n'
    )
    assert anything_to_do(str(inbox), ledger, (pack,))
    assert bring_in([], ledger, rules=(pack,)) is not None
    assert not anything_to_do(str(inbox), ledger, (pack,))
    assert bring_in([], ledger, rules=(pack,)) is None


@pytest.fixture
def bucket() -> Iterator[str]:
    """A bucket on an S3-compatible server of this machine."""
    pytest.importorskip("moto", reason="moto is not installed")
    pytest.importorskip("s3fs", reason="s3fs is not installed")
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    endpoint = f"http://127.0.0.1:{port}"
    server = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    names = {"AWS_ENDPOINT_URL": endpoint, "AWS_ACCESS_KEY_ID": "x", "AWS_SECRET_ACCESS_KEY": "x"}
    names |= {"AWS_DEFAULT_REGION": "us-east-1"}
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(names)
    try:
        end = time.monotonic() + 60
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                assert time.monotonic() < end and server.poll() is None
                time.sleep(0.1)
        yield endpoint
    finally:
        server.kill()
        server.wait()
        for name, value in before.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value


def test_an_inbox_on_object_storage(bucket: str, ledger: Path) -> None:
    import fsspec

    system = fsspec.filesystem("s3", skip_instance_cache=True)
    system.mkdir("inbox")
    system.pipe("inbox/spring.csv", (HEAD + "".join(ROWS)).encode())
    assert night("s3://inbox", ledger) == ["spring.csv"]
    assert night("s3://inbox", ledger) == []
    system.pipe(
        "inbox/late/autumn.csv", (HEAD + "7,reed,My Skua has 51,000 km on it and lost 4 %\n" + ROWS[1]).encode()
    )
    assert night("s3://inbox", ledger) == ["autumn.csv"]
    assert len(texts(ledger)) == 4
    kept = json.loads((ledger / "inbox.json").read_text())
    assert sorted(kept["exports"]) == ["s3://inbox/late/autumn.csv", "s3://inbox/spring.csv"]
