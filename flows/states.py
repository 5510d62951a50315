"""When a task is tried again, what is left where some of many failed, and how a flow ends as its last part did."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from prefect import State, get_run_logger

from pipeline.problems import Unreachable

TRIES = 3


def can_help(task: Any, run: Any, state: State[Any]) -> bool:
    """Whether trying again can help: only where a source did not answer."""
    return isinstance(state.result(raise_on_failure=False), Unreachable)


def came_through(states: Sequence[State[Any]]) -> list[Any]:
    """The results of those that did not fail; a failure is told in the log and stops no other."""
    for state in states:
        if not state.is_completed():
            get_run_logger().warning("left out: %s", state.message)
    results = [state.result() for state in states if state.is_completed()]
    return [result for result in results if result is not None]


def ends_like(state: State[Any]) -> State[Any]:
    """A state for a flow that ends as its last part did (given that part's own, Prefect would sum it up)."""
    return State(type=state.type, name=state.name, message=state.message, data=state.data)
