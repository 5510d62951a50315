"""One real Prefect server for all tests of the flows: SQLite in a temporary folder, a free port, nothing sent home."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from running_server import DEMO, KEY, LABELLED, ROOT, Served, Server, drop, free_port

# As `flows` itself does, before Prefect is imported: nothing is sent home.
os.environ |= {"PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}

EXPORTS = ("thread.csv", "survey-spring.csv", "survey-autumn.xlsx")


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    home = tmp_path_factory.mktemp("prefect")
    port = free_port()
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("CROWDFADE", "PREFECT"))}
    environ = kept | {
        "PYTHONPATH": str(ROOT),
        "XDG_CONFIG_HOME": str(home / "config"),
        "PREFECT_HOME": str(home),
        "PREFECT_API_URL": f"http://127.0.0.1:{port}/api",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "PREFECT_CLI_COLORS": "false",
        "OMP_NUM_THREADS": "1",
    }
    log = home / "server.log"
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port)],
            env=environ,
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
    end = time.monotonic() + 120
    while True:
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/api/health", timeout=2).close()
            break
        except OSError:
            assert process.poll() is None and time.monotonic() < end, log.read_text()
            time.sleep(0.2)
    yield Server(environ["PREFECT_API_URL"], home, environ, log)
    os.killpg(process.pid, signal.SIGTERM)
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


@pytest.fixture(scope="session", autouse=True)
def served(server: Server, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Every minute, while the other tests run; the key is in a Secret block and nowhere else."""
    from prefect.blocks.system import Secret
    from prefect.settings import PREFECT_API_URL, temporary_settings

    folder = tmp_path_factory.mktemp("team")
    (folder / "inbox").mkdir()
    with temporary_settings({PREFECT_API_URL: server.url}):
        Secret(value=KEY).save("team-key")
    options = ["--inbox", str(folder / "inbox"), "--to", str(folder / "ledger"), "--settle", "1"]
    options += ["--vehicles", str(DEMO / "vehicles.csv"), "--labelled", str(LABELLED), "--no-pictures"]
    options += ["--key-block", "team-key"]
    log = folder / "schedule.log"
    with log.open("w") as out:
        process = server.crowdfade(
            "schedule", "--cron", "* * * * *", *options, stdout=out, stderr=out, start_new_session=True
        )
    for name in EXPORTS:
        (folder / "inbox" / name).write_bytes((DEMO / name).read_bytes())
    yield Served(process, folder, log, options)
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


@pytest.fixture
def here(server: Server, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Server]:
    """Flows run in this process, against the server."""
    monkeypatch.setenv("CROWDFADE_KEY", KEY)
    monkeypatch.delenv("CROWDFADE_KEY_FILE", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    from prefect.settings import PREFECT_API_URL, PREFECT_HOME, temporary_settings

    with temporary_settings({PREFECT_API_URL: server.url, PREFECT_HOME: str(server.home)}):
        yield server


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    """An inbox with one small export, at rest."""
    folder = tmp_path / "inbox"
    folder.mkdir()
    drop(folder, "spring.csv", '1,wren,"2022 Tern, 74,000 km on it, down 2.1 %"', "2,moss,What a lovely show that was")
    return folder


@pytest.fixture
def cluster() -> Iterator[str]:
    """The address of a Dask scheduler with one worker, both processes of their own."""
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    environ = os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    dask = [sys.executable, "-m", "dask"]
    quiet: dict[str, Any] = {"env": environ, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = subprocess.Popen(
        [*dask, "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"], **quiet
    )
    worker = subprocess.Popen([*dask, "worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard"], **quiet)
    end = time.monotonic() + 60
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            break
        except OSError:
            assert scheduler.poll() is None and time.monotonic() < end
            time.sleep(0.1)
    yield address
    for process in (worker, scheduler):
        process.kill()
        process.wait()
