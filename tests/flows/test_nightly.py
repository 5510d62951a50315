"""The flows against a real server: what they show, what stops them, what they survive."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from running_server import DEMO, KEY, Server, drop

from pipeline.collect_exports import inbox as inbox_module
from pipeline.collect_exports.inbox import Inbox
from pipeline.problems import ExportProblem, KeyProblem, LedgerProblem, Unreachable, WorkersProblem

pytest.importorskip("prefect_dask", reason="the extra `flows` is not installed")


def nightly(inbox: Path, ledger: Path, **more: Any) -> Any:
    """The nightly flow's final state, with the parameters of a small test."""
    from flows.nightly import nightly as flow

    home = ledger.parent
    small = {"vehicles": None, "labelled": (), "settle_seconds": 0, "pictures": False}
    return flow(str(inbox), ledger, home / "releases", home / "reports", **small, **more, return_state=True)


def texts(ledger: Path) -> list[str]:
    return sorted(pq.read_table(ledger / "latest" / "responses.parquet")["text"].to_pylist())


def runs(ledger: Path) -> list[str]:
    return sorted(path.name for path in (ledger / "runs").iterdir())


def fails_with(state: Any, kind: type[Exception], *words: str) -> None:
    error = state.result(raise_on_failure=False)
    assert isinstance(error, kind), error
    assert all(word in str(error) for word in words), str(error)


def task_runs(name: str) -> list[Any]:
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import TaskRunFilter, TaskRunFilterName

    with get_client(sync_client=True) as client:
        named = TaskRunFilter(name=TaskRunFilterName(any_=[name]))
        found: list[Any] = client.read_task_runs(task_run_filter=named, limit=50)
        return found


def test_a_gate_stops_publish_with_its_reason(here: Server, inbox: Path, tmp_path: Path) -> None:
    state = nightly(inbox, tmp_path / "ledger")
    assert state.is_failed() and state.name == "Held back"
    assert state.message.startswith("k: ") and "too few" in state.message
    assert texts(tmp_path / "ledger") == ["2022 Tern, 74,000 km on it, down 2.1 %", "What a lovely show that was"]
    assert not (tmp_path / "releases").exists() and not (tmp_path / "reports").exists()
    again = nightly(inbox, tmp_path / "ledger")
    assert again.is_completed() and "is still held back: k: " in again.message
    assert len(runs(tmp_path / "ledger")) == 1


def test_what_fails_stops_no_other_and_only_silence_is_tried_again(
    here: Server, inbox: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flows import collect

    drop(inbox, "gone.csv", "3,teal,Ridge with 33,000 km")
    drop(inbox, "silent.csv", "4,dove,Fell with 20,000 km on it")
    real, asked = inbox_module.content_sha256, {"gone.csv": 0, "silent.csv": 0, "spring.csv": 0}

    def stubborn(path: str) -> str:
        name = Path(path).name
        asked[name] += 1
        if name == "gone.csv":
            raise ExportProblem("the export cannot be read", where=path)
        if name == "silent.csv" and asked[name] < 3:
            raise Unreachable("the export cannot be reached", where=path)
        return real(path)

    monkeypatch.setattr(inbox_module, "content_sha256", stubborn)
    monkeypatch.setattr(collect, "examine", collect.examine.with_options(retry_delay_seconds=0))
    found = collect.collect(str(inbox), tmp_path / "ledger", 0)
    assert [one.name for one in found] == ["silent.csv", "spring.csv"]
    assert asked == {"gone.csv": 1, "silent.csv": 3, "spring.csv": 1}
    assert collect.examine.retries == 3 and collect.look_into.retries == 3


def test_a_vanished_inbox_fails_at_once(here: Server, inbox: Path, tmp_path: Path) -> None:
    ledger = tmp_path / "ledger"
    nightly(inbox, ledger)
    before = texts(ledger)
    inbox.rename(inbox.with_name("elsewhere"))
    begin = time.monotonic()
    fails_with(nightly(inbox, ledger), ExportProblem, "there is no such inbox")
    assert time.monotonic() - begin < 60, "it was tried again"
    assert texts(ledger) == before


def test_a_full_disk_loses_nothing(here: Server, inbox: Path, small_disk: Path) -> None:
    ledger = small_disk / "ledger"
    nightly(inbox, ledger)
    before, kept = texts(ledger), json.loads((ledger / "inbox.json").read_text())
    noise = random.Random(1)
    rows = [f'{n},p{n},"{noise.randbytes(900).hex()} 74,000 km on it"' for n in range(900)]
    drop(inbox, "flood.csv", *rows)
    fails_with(nightly(inbox, ledger), LedgerProblem, "No space left on device", "make room")
    assert texts(ledger) == before and json.loads((ledger / "inbox.json").read_text()) == kept
    (inbox / "flood.csv").unlink()
    drop(inbox, "autumn.csv", "3,teal,Ridge with 33,000 km")
    nightly(inbox, ledger)
    assert len(texts(ledger)) == 3


def test_a_read_only_target_is_told(here: Server, inbox: Path, small_disk: Path) -> None:
    ledger = small_disk / "ledger"
    nightly(inbox, ledger)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    drop(inbox, "autumn.csv", "3,teal,Ridge with 33,000 km")
    fails_with(nightly(inbox, ledger), LedgerProblem, "Read-only file system")
    assert len(texts(ledger)) == 2


def test_a_failing_publication_is_told_as_what_it_is(here: Server, inbox: Path, tmp_path: Path) -> None:
    ledger = tmp_path / "ledger"
    nightly(inbox, ledger)
    (ledger / "published.json").write_text("{")
    fails_with(nightly(inbox, ledger), LedgerProblem, "record of what was published cannot be read")


def test_parameters_are_validated(here: Server, inbox: Path, tmp_path: Path) -> None:
    from prefect.exceptions import ParameterTypeError

    for wrong in ({"processes": 0}, {"scheduler": "somewhere"}, {"runner": "cloud"}, {"accept": ("k",)}):
        with pytest.raises(ParameterTypeError):
            nightly(inbox, tmp_path / "ledger", **wrong).result()
    assert not (tmp_path / "ledger").exists()


def test_a_secret_block_that_is_not_there_is_told(here: Server, inbox: Path, tmp_path: Path) -> None:
    fails_with(nightly(inbox, tmp_path / "ledger", key_block="nowhere"), KeyProblem, "no such Secret block")


def test_a_scheduler_that_is_not_there_is_told(here: Server, inbox: Path, tmp_path: Path) -> None:
    state = nightly(inbox, tmp_path / "ledger", scheduler="tcp://127.0.0.1:9")
    fails_with(state, WorkersProblem, "no Dask scheduler answers")


def until(what: Callable[[], Any], process: subprocess.Popen[str]) -> None:
    end = time.monotonic() + 120
    while not what():
        assert time.monotonic() < end and process.poll() is None, "it ended before it could be killed"
        time.sleep(0.005)


@pytest.mark.parametrize("moment", ["in mid-reading", "with the run in place"])
def test_a_night_that_is_killed_goes_on_the_next(server: Server, inbox: Path, tmp_path: Path, moment: str) -> None:
    ledger = tmp_path / "ledger"
    words = ("once", "--inbox", inbox, "--to", ledger, "--settle", "0", "--no-pictures")
    own = {"CROWDFADE_KEY": KEY}
    drop(inbox, "long.csv", *(f'{n},p{n},"2022 Tern, {n} km on it, down 2 %"' for n in range(1000, 2500)))
    killed = server.crowdfade(*words, env=own, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    if moment == "in mid-reading":
        until(lambda: list(ledger.glob(".staging-*/work/*.arrow")), killed)
    else:
        until(lambda: (ledger / "latest").exists(), killed)
    killed.send_signal(signal.SIGKILL)
    killed.wait()
    done = server.ran(*words, env=own)
    assert done.returncode in (0, 9), done.stderr[-3000:]
    assert len(texts(ledger)) == len(set(texts(ledger))) == 1502
    assert not list(ledger.glob(".staging-*"))
    assert {known.state for known in Inbox(ledger).known.values()} == {"taken"}
    assert server.ran(*words, env=own).stdout.startswith("nothing new; run ")


def test_once_brings_and_publishes_the_demo_by_dask(server: Server, tmp_path: Path, cluster: str, here: Server) -> None:
    """Through prefect-dask, with the tables of a plain build."""
    from pipeline.build import build

    ledger, exports = tmp_path / "ledger", tmp_path / "exports"
    exports.mkdir()
    lines = (DEMO / "thread.csv").read_text("utf-8").splitlines(keepends=True)
    (exports / "thread.csv").write_text("".join(lines[:60]), "utf-8")
    state = nightly(exports, ledger, scheduler=cluster)
    assert state.name in ("Completed", "Held back"), state.message
    plain = build([str(exports / "thread.csv")], tmp_path / "plain")
    for table in plain.folder.glob("*.parquet"):
        assert table.read_bytes() == (ledger / "latest" / table.name).read_bytes(), table.name
