"""The options that say where responses are read, for every command that reads many."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

import click


def runner_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Gives a command --runner, --processes and --scheduler, and its function one keyword `runner` (or None)."""

    @click.option("--runner", type=click.Choice(["in-process", "processes", "dask"]), help="Where responses are read.")
    @click.option("--processes", type=click.IntRange(1), metavar="N", help="Read in N processes of this machine.")
    @click.option("--scheduler", metavar="ADDRESS", help="Read on a Dask cluster: tcp://HOST:PORT of its scheduler.")
    @wraps(command)
    def with_runner(*words: Any, runner: str | None, processes: int | None, scheduler: str | None, **more: Any) -> Any:
        from pipeline.run_partitions.choose import choose_runner

        return command(*words, runner=choose_runner(runner, processes, scheduler), **more)

    return with_runner
