"""Where responses are read: here, in processes, or by the workers of a Dask cluster through prefect-dask."""

from __future__ import annotations

from typing import Any

from prefect import Flow
from prefect.context import FlowRunContext
from prefect_dask import DaskTaskRunner

from pipeline.run_partitions.choose import choose_runner
from pipeline.run_partitions.dask_cluster import DaskCluster, check_scheduler
from pipeline.run_partitions.partition import Runner


def with_workers(flow: Flow[Any, Any], scheduler: str | None) -> Flow[Any, Any]:
    """The flow, its tasks on the cluster of that scheduler where one is named."""
    if scheduler is None:
        return flow
    check_scheduler(scheduler)
    return flow.with_options(task_runner=DaskTaskRunner(address=scheduler))


def runner_of(runner: str | None, processes: int | None, scheduler: str | None) -> Runner | None:
    """The runner of the flow that this runs in; on a cluster it shares the connection of the flow's tasks."""
    context = FlowRunContext.get()
    if context is not None and isinstance(context.task_runner, DaskTaskRunner):
        return DaskCluster(client=context.task_runner.client)
    return choose_runner(runner, processes, scheduler)
