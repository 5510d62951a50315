"""Partitions read by the workers of a Dask cluster (extra `flows`).

A worker that dies is the scheduler's to replace: it gives the worker's partitions to others.  What cannot be mended, a
scheduler that is gone or a cluster without workers, ends the run with a `WorkersProblem`; the ledger stays as it was.
"""

from __future__ import annotations

import socket
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from pipeline.problems import Problem, UsageProblem, WorkersProblem
from pipeline.run_partitions.partition import P, Reader, Readings, Recipe, Timed, read_partition

AHEAD = 4
"""Partitions a worker thread that are out at once: over a network the next ones must be there when one is done."""

CONNECT_SECONDS = 10.0
LOOK_SECONDS = 2.0
"""How often a wait for readings looks whether scheduler and workers are still there."""
WORKERLESS_SECONDS = 60.0
"""How long a cluster may be without any worker: one that is restarted by its keeper needs some time."""

START = "dask scheduler, and on each machine: dask worker ADDRESS --nworkers N --nthreads 1"


class DaskCluster:
    """Reads partitions on the cluster of the scheduler at `address` (tcp://host:port), or of a connected `client`."""

    def __init__(self, address: str = "", *, client: Any = None) -> None:
        self._address = address
        self._client = client

    def read(self, reader: Reader, partitions: Iterable[P], timed: Timed) -> Generator[tuple[P, Readings], None, None]:
        """As `Runner.read` says; needs every worker to have this crowdfade installed."""
        with self._connected() as client:
            recipe = client.scatter(Recipe.of(reader), broadcast=True, hash=False)
            out: deque[tuple[P, Any]] = deque()
            for partition in partitions:
                out.append((partition, self._sent(client, recipe, partition)))
                if len(out) >= _threads(client) * AHEAD:
                    yield _first(client, out, timed)
            while out:
                yield _first(client, out, timed)

    @staticmethod
    def _sent(client: Any, recipe: Any, partition: P) -> Any:
        if not partition.responses:
            return None
        return client.submit(read_partition, recipe, list(partition.responses), pure=False)

    @contextmanager
    def _connected(self) -> Iterator[Any]:
        if self._client is not None:
            _await_workers(self._client)
            yield self._client
            return
        try:
            import distributed
        except ImportError as error:
            raise UsageProblem(
                f"Dask is not installed ({error})", where="--runner dask", todo="pip install 'crowdfade[flows]'"
            ) from error
        try:
            connect: Any = distributed.Client
            client = connect(self._address, timeout=CONNECT_SECONDS, set_as_default=False, name="crowdfade")
        except ValueError as error:
            raise UsageProblem(
                f"this is no scheduler's address ({error})", where="--scheduler", todo="give tcp://HOST:PORT"
            ) from error
        except OSError as error:
            raise WorkersProblem(
                f"no Dask scheduler answers ({error})", where=self._address, todo=f"start one: {START}"
            ) from error
        with client:
            _await_workers(client)
            yield client


def _threads(client: Any) -> int:
    """The threads of all workers, at least one, as the client was last told."""
    return max(1, sum(int(worker["nthreads"]) for worker in _workers(client).values()))


def _workers(client: Any) -> dict[str, Any]:
    return dict(client.scheduler_info(n_workers=-1)["workers"])


def _await_workers(client: Any) -> None:
    try:
        client.wait_for_workers(1, timeout=CONNECT_SECONDS)
    except TimeoutError as error:
        raise WorkersProblem(
            "the Dask cluster has no workers", where=_address(client), todo=f"start some: {START}"
        ) from error


def _address(client: Any) -> str:
    return str(client.scheduler.address) if client.scheduler else ""


def _first(client: Any, out: deque[tuple[P, Any]], timed: Timed) -> tuple[P, Readings]:
    partition, reading = out.popleft()
    if reading is None:
        return partition, []
    with timed():
        return partition, _awaited(client, reading)


def _awaited(client: Any, reading: Any) -> Readings:
    """The readings of a future, looking in between whether they can still come."""
    from distributed import CancelledError, KilledWorker

    workerless = 0.0
    while True:
        try:
            return list(reading.result(timeout=LOOK_SECONDS))
        except TimeoutError:
            if client.status != "running":
                raise _gone(client) from None
            workerless = 0.0 if _workers(client) else workerless + LOOK_SECONDS
            if workerless >= WORKERLESS_SECONDS:
                raise WorkersProblem(
                    f"the Dask cluster has had no worker for {WORKERLESS_SECONDS:.0f} seconds",
                    where=_address(client),
                    todo=f"start some: {START}",
                ) from None
        except Problem:
            raise
        except KilledWorker as error:
            raise WorkersProblem(
                f"every Dask worker that was given a partition died ({error})",
                where=_address(client),
                todo="look at the workers' logs; give them more memory",
            ) from error
        except (CancelledError, OSError) as error:
            raise _gone(client) from error


def _gone(client: Any) -> WorkersProblem:
    return WorkersProblem(
        "the Dask scheduler went away while it was at work; the ledger is as it was",
        where=_address(client),
        todo=f"start it again, then the build: {START}",
    )


def check_scheduler(address: str) -> None:
    """Raises `WorkersProblem` where nothing answers at a scheduler's address (tcp://host:port)."""
    host, _, port = address.rpartition("://")[2].rpartition(":")
    try:
        socket.create_connection((host.strip("[]"), int(port)), timeout=CONNECT_SECONDS).close()
    except ValueError as error:
        raise UsageProblem("this is no scheduler's address", where=address, todo="give tcp://HOST:PORT") from error
    except OSError as error:
        raise WorkersProblem(
            f"no Dask scheduler answers ({error})", where=address, todo=f"start one: {START}"
        ) from error
