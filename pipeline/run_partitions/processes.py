"""Partitions read by processes of this machine; one that dies is replaced and what it held is read again."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Generator, Iterable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait

from pipeline.problems import UsageProblem, WorkersProblem
from pipeline.run_partitions.partition import P, Reader, Readings, Recipe, Timed, read_partition

AHEAD = 3
"""Partitions a process that are out at once: one being read, two so that it never waits for the next."""

DEATHS = 2
"""Times in a row, with no partition read in between, that processes may die before the run is given up."""


class Processes:
    """Reads partitions in `count` processes.  Raises `UsageProblem` for a count below one."""

    def __init__(self, count: int) -> None:
        if count < 1:
            raise UsageProblem(f"{count} processes cannot read", where="--processes", todo="give 1 or more")
        self.count = count

    def read(self, reader: Reader, partitions: Iterable[P], timed: Timed) -> Generator[tuple[P, Readings], None, None]:
        """As `Runner.read` says.  Raises `WorkersProblem` where processes die again and again."""
        pool = _Pool(self.count, Recipe.of(reader))
        try:
            out: deque[tuple[P, Future[Readings]]] = deque()
            for partition in partitions:
                out.append((partition, pool.submit(partition)))
                if len(out) >= self.count * AHEAD:
                    yield _first(pool, out, timed)
            while out:
                yield _first(pool, out, timed)
        finally:
            pool.close()


def _first(pool: _Pool, out: deque[tuple[P, Future[Readings]]], timed: Timed) -> tuple[P, Readings]:
    """Takes the oldest partition off `out`, waiting for its readings; sends all again that died with a process."""
    with timed():
        while True:
            partition, reading = out[0]
            try:
                readings = reading.result()
            except BrokenProcessPool:
                pool.renew(partition)
                for place, (waiting, future) in enumerate(out):
                    if not future.done() or future.exception() is not None:
                        out[place] = (waiting, pool.submit(waiting))
                continue
            pool.deaths = 0
            out.popleft()
            return partition, readings


class _Pool:
    """A pool of processes that can be made anew."""

    def __init__(self, count: int, recipe: Recipe) -> None:
        self._count = count
        self._recipe = recipe
        self._pool = self._made()
        self.deaths = 0

    def _made(self) -> ProcessPoolExecutor:
        # Spawned, not forked: a fork would copy the locks of whatever threads the caller has.
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._count, mp_context=context, initializer=_begin)

    def submit(self, partition: P) -> Future[Readings]:
        if not partition.responses:
            nothing: Future[Readings] = Future()
            nothing.set_result([])
            return nothing
        try:
            return self._pool.submit(read_partition, self._recipe, list(partition.responses))
        except BrokenProcessPool as broken:  # `_first` mends it when it comes to this partition
            failed: Future[Readings] = Future()
            failed.set_exception(broken)
            return failed

    def renew(self, partition: P) -> None:
        """New processes for those that died."""
        self.deaths += 1
        if self.deaths > DEATHS:
            first = next(iter(partition.responses))
            raise WorkersProblem(
                f"worker processes died {self.deaths} times in a row (the system ends processes when memory runs out)",
                where=f"{first.source}, from response {first.source_response_id} on",
                todo="give fewer --processes, or free memory",
            )
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._pool = self._made()

    def close(self) -> None:
        """Ends the processes, whatever they are at."""
        self._pool.shutdown(wait=True, cancel_futures=True)


def _begin() -> None:
    """A worker's beginning: Ctrl-C is the caller's to answer, and when the caller is gone the worker goes too."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    caller = multiprocessing.parent_process()
    if caller is not None:
        threading.Thread(target=_end_with, args=(caller.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
