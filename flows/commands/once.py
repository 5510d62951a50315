"""`crowdfade once`: the nightly flow a single time, without a standing server."""

from __future__ import annotations

from typing import Any

import click

from flows.commands.options import nightly_options, parameters, refused_by_prefect
from pipeline.command_line import debug_option
from pipeline.problems import HeldBack, Problem


@click.command(name="once")
@nightly_options
@debug_option
def command(**given: Any) -> None:
    """Bring what is new in an inbox into LEDGER and publish it, if the gates let it.

    Where nothing is new, nothing is started.  Where a gate holds something back, what was published before stays.
    """
    told = parameters(given)
    from pipeline.collect_exports.bring_in import anything_to_do
    from pipeline.guard_publication.publish import due, standing

    again = bool(told["accept"])
    if not anything_to_do(told["inbox"], told["ledger"], told["rules"]) and not due(told["ledger"], again=again):
        click.echo(standing(told["ledger"]))
        return
    click.echo(_run(told))


def _run(told: dict[str, Any]) -> str:
    """The flow's last word.  Raises `HeldBack` where a gate did not let pass, else what a stage raised."""
    from prefect.exceptions import ParameterTypeError

    from flows.nightly import nightly

    try:
        state = nightly(**told, return_state=True)
    except ParameterTypeError as error:
        raise refused_by_prefect(error) from error
    if state.is_completed():
        return state.message or ""
    if state.name == "Held back":
        todo = "look at it; --accept GATE lets it pass"
        raise HeldBack(state.message or "", where=str(told["ledger"]), todo=todo)
    error = state.result(raise_on_failure=False)
    raise error if isinstance(error, BaseException) else Problem(state.message or "the flow did not end well")
