"""From end to end: a server, a schedule, exports in the inbox, and in the end a dataset that is published."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from running_server import KEY, Served, Server

pytest.importorskip("prefect_dask", reason="the extra `flows` is not installed")


def flow_runs(server: Server) -> list[Any]:
    """The runs of the nightly flow that the schedule started, oldest first."""
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import DeploymentFilter, DeploymentFilterName, FlowRunFilter
    from prefect.settings import PREFECT_API_URL, temporary_settings

    with temporary_settings({PREFECT_API_URL: server.url}), get_client(sync_client=True) as client:
        ours = DeploymentFilter(name=DeploymentFilterName(like_="ledger-"))
        runs = client.read_flow_runs(flow_run_filter=FlowRunFilter(), deployment_filter=ours, limit=100)
        return sorted((run for run in runs if run.start_time), key=lambda run: run.start_time)


def artifacts(server: Server) -> dict[str, Any]:
    from prefect.client.orchestration import get_client
    from prefect.settings import PREFECT_API_URL, temporary_settings

    with temporary_settings({PREFECT_API_URL: server.url}), get_client(sync_client=True) as client:
        newest, mine = sorted(client.read_artifacts(limit=200), key=lambda one: one.created), family(server, client)
        return {one.key: one for one in newest if one.flow_run_id in mine}


def family(server: Server, client: Any) -> set[Any]:
    """The ids of the scheduled runs and of the flows inside them."""
    from prefect.client.schemas.filters import FlowRunFilter, FlowRunFilterParentFlowRunId

    mine = [run.id for run in flow_runs(server)]
    inside = client.read_flow_runs(
        flow_run_filter=FlowRunFilter(parent_flow_run_id=FlowRunFilterParentFlowRunId(any_=mine)), limit=200
    )
    return {*mine, *(run.id for run in inside)}


def test_exports_become_a_published_dataset_unattended(server: Server, served: Served) -> None:
    ledger = served.folder / "ledger"
    published = ledger / "published.json"
    end = time.monotonic() + 170
    while not published.exists():
        assert served.process.poll() is None, served.log.read_text()
        assert time.monotonic() < end, served.log.read_text()[-5000:]
        time.sleep(0.5)
    told = json.loads(published.read_text())
    assert told["run"] and not told["held"], told

    responses = pq.read_table(ledger / "latest" / "responses.parquet")
    assert responses.num_rows == 361
    release = Path(told["release"])
    assert (release / "datapackage.json").is_file() and (release.parent / "latest").resolve() == release
    assert (Path(told["report"]) / "index.html").is_file()

    run = next(run for run in reversed(flow_runs(server)) if run.state_name in ("Running", "Completed"))
    while not run.state.is_final():
        assert time.monotonic() < end + 60
        time.sleep(0.5)
        run = next(one for one in flow_runs(server) if one.id == run.id)
    shown = artifacts(server)
    assert {"counts", "fields", "comparison", "gates", "report", "release"} <= shown.keys()
    every = json.loads(shown["counts"].data)[-1]
    assert every["export"] == "all" and every["read"] == every["kept"] + every["rejected"] and every["kept"] == 361
    loss = next(row for row in json.loads(shown["fields"].data) if row["field"] == "loss_pct")
    assert loss["reports"] > 100 and 0.7 < loss["low"] <= loss["f1"] <= loss["high"] <= 1
    assert all(row["passes"] for row in json.loads(shown["gates"].data))
    assert "first run" in shown["comparison"].data
    assert release.as_uri() in shown["release"].data and "index.html" in shown["report"].data

    names = task_names(server, run)
    assert {"examine thread.csv", "build survey-autumn.xlsx, survey-spring.csv, thread.csv"} <= names


def task_names(server: Server, run: Any) -> set[str]:
    from prefect.client.orchestration import get_client
    from prefect.settings import PREFECT_API_URL, temporary_settings

    with temporary_settings({PREFECT_API_URL: server.url}), get_client(sync_client=True) as client:
        return {one.name for one in client.read_task_runs(limit=200)}


def test_nothing_new_costs_next_to_nothing(server: Server, served: Served) -> None:
    first = max(flow_runs(server), key=lambda run: run.total_run_time)
    begin = time.monotonic()
    server.ran("--version")
    started = time.monotonic()
    done = server.ran("once", *served.options)
    spent = (time.monotonic() - started) - (started - begin)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("nothing new; run 0001-") and done.stdout.strip().endswith("is published")
    assert spent < first.total_run_time.total_seconds() / 10
    assert len(list((served.folder / "ledger" / "runs").iterdir())) == 1


def test_one_run_at_a_time_writes_a_ledger(server: Server, served: Served) -> None:
    from prefect.client.orchestration import get_client
    from prefect.settings import PREFECT_API_URL, temporary_settings

    with temporary_settings({PREFECT_API_URL: server.url}), get_client(sync_client=True) as client:
        (deployment,) = client.read_deployments()
    assert deployment.global_concurrency_limit.limit == 1
    assert deployment.concurrency_options.collision_strategy.value == "ENQUEUE"
    assert deployment.schedules[0].schedule.cron == "* * * * *"


def test_the_key_is_nowhere_to_be_seen(server: Server, served: Served) -> None:
    secret = KEY.encode()
    looked_at = 0
    for folder in (server.home, served.folder):
        for path in folder.rglob("*"):
            if path.is_file():
                looked_at += 1
                assert secret not in path.read_bytes(), path
    assert (server.home / "prefect.db").is_file() and looked_at > 20
    shown = [artifact.data for artifact in artifacts(server).values()]
    assert shown and not [data for data in shown if KEY in str(data)]


def test_without_a_server_the_schedule_says_what_to_do(server: Server, tmp_path: Path) -> None:
    words = ("schedule", "--cron", "0 5 * * *", "--inbox", tmp_path, "--to", tmp_path / "ledger")
    done = server.ran(*words, "--server", "http://127.0.0.1:9/api")
    assert done.returncode == 7 and "Traceback" not in done.stderr
    assert "no Prefect server answers" in done.stderr and "prefect server start" in done.stderr


def test_a_cron_line_that_is_none_is_refused(server: Server, tmp_path: Path) -> None:
    done = server.ran("schedule", "--cron", "at dawn", "--inbox", tmp_path, "--to", tmp_path / "ledger")
    assert done.returncode == 2 and "this is no schedule" in done.stderr and "Traceback" not in done.stderr


def test_without_the_extra_the_commands_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from flows.commands.once import command
    from pipeline.problems import UsageProblem

    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    done = CliRunner().invoke(command, ["--inbox", "exports", "--to", "ledger"])
    assert isinstance(done.exception, UsageProblem) and "pip install 'crowdfade[flows]'" in str(done.exception)
