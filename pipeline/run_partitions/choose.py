"""The runner that a person asked for."""

from __future__ import annotations

from pipeline.problems import UsageProblem
from pipeline.run_partitions.partition import Runner

RUNNERS = ("in-process", "processes", "dask")


def choose_runner(runner: str | None, processes: int | None, scheduler: str | None) -> Runner | None:
    """The runner of that name (None: the one that the others imply), or None for reading in this process.

    Raises `UsageProblem` where the three do not go together.
    """
    implied = "dask" if scheduler else "processes" if processes else "in-process"
    name = runner or implied
    if name not in RUNNERS:
        raise UsageProblem(f"there is no runner {name!r}", where="--runner", todo="give one of " + ", ".join(RUNNERS))
    if processes is not None and name != "processes":
        raise UsageProblem(f"--processes is not for the runner {name}", todo="leave one of the two out")
    if scheduler and name != "dask":
        raise UsageProblem(f"--scheduler is not for the runner {name}", todo="leave one of the two out")
    if name == "dask":
        from pipeline.run_partitions.dask_cluster import DaskCluster

        if not scheduler:
            raise UsageProblem("no scheduler is named", where="--runner dask", todo="add --scheduler tcp://HOST:PORT")
        return DaskCluster(scheduler)
    if name == "processes":
        import os

        from pipeline.run_partitions.processes import Processes

        return Processes(processes if processes is not None else os.cpu_count() or 1)
    return None
