"""A Dask scheduler and workers, each a process of its own, for the tests that kill them."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Cluster:
    """A Dask scheduler and workers, each a process of its own."""

    def __init__(self) -> None:
        self.address = f"tcp://127.0.0.1:{free_port()}"
        self.workers: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._start("scheduler", "--host", "127.0.0.1", "--port", self.address.rsplit(":", 1)[1])
        self._wait_for_port()

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        path = os.pathsep.join((str(ROOT), str(HERE)))
        return subprocess.Popen(
            [sys.executable, "-m", "dask", *words, "--no-dashboard"],
            env=os.environ | {"PYTHONPATH": path, "OMP_NUM_THREADS": "1"},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def _wait_for_port(self) -> None:
        end = time.monotonic() + 60
        while time.monotonic() < end:
            try:
                socket.create_connection(("127.0.0.1", int(self.address.rsplit(":", 1)[1])), timeout=1).close()
                return
            except OSError:
                assert self.scheduler.poll() is None, "the scheduler ended"
                time.sleep(0.1)
        raise AssertionError("the scheduler does not answer")

    def add_worker(self) -> subprocess.Popen[bytes]:
        worker = self._start("worker", self.address, "--nthreads", "1", "--no-nanny", "--death-timeout", "120")
        self.workers.append(worker)
        return worker

    def stop(self) -> None:
        for process in (*self.workers, self.scheduler):
            if process.poll() is None:
                process.send_signal(signal.SIGKILL)
            process.wait()
