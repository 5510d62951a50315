"""`crowdfade schedule`: serves the nightly flow on a schedule, until it is stopped."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import click

from flows.commands.options import nightly_options, no_server, parameters, refused_by_prefect
from pipeline.command_line import debug_option
from pipeline.problems import UsageProblem

LOCAL = "http://127.0.0.1:4200/api"
"""Where `prefect server start` listens where nothing else is said."""


@click.command(name="schedule")
@click.option("--cron", required=True, metavar="CRON", help='When: "0 5 * * *" is every day at five.')
@click.option("--timezone", default="UTC", show_default=True, metavar="ZONE", help="The clock that --cron goes by.")
@click.option("--server", metavar="URL", help=f"The Prefect server's API [PREFECT_API_URL, or {LOCAL}].")
@nightly_options
@debug_option
def command(cron: str, timezone: str, server: str | None, **given: Any) -> None:
    """Serve the nightly flow: on schedule, and whenever someone starts it on the server's pages.

    One run at a time writes to LEDGER; one that comes due meanwhile waits.  Stop it with Ctrl-C.
    """
    told = parameters(given)
    from prefect.settings import PREFECT_API_URL, temporary_settings

    address = server or PREFECT_API_URL.value() or LOCAL
    _refuse_silence(address)
    os.environ["PREFECT_API_URL"] = address  # for the runs, which have processes of their own
    with temporary_settings({PREFECT_API_URL: address}):
        _serve(told, cron, timezone, address)


def _serve(told: dict[str, Any], cron: str, timezone: str, address: str) -> None:
    from prefect import serve
    from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy
    from prefect.client.schemas.schedules import CronSchedule
    from prefect.deployments.runner import EntrypointType
    from prefect.exceptions import ParameterTypeError

    from flows.nightly import nightly

    name = deployment_name(told["ledger"])
    try:
        nightly.validate_parameters(told)
        deployment = nightly.to_deployment(
            name,
            schedule=CronSchedule(cron=cron, timezone=timezone),
            parameters={key: _plain(value) for key, value in told.items()},
            concurrency_limit=ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.ENQUEUE),
            entrypoint_type=EntrypointType.MODULE_PATH,
            description=f"Exports of {told['inbox']} into {told['ledger']}.",
        )
    except ParameterTypeError as error:
        raise refused_by_prefect(error) from error
    except ValueError as error:
        what = f"this is no schedule ({_first_line(error)})"
        raise UsageProblem(what, where="--cron", todo='give "0 5 * * *"') from error
    click.echo(f"serving nightly/{name} at {address}: {cron} ({timezone}); Ctrl-C stops it")
    serve(deployment, limit=1, print_starting_message=False)


def deployment_name(ledger: Path) -> str:
    """One deployment a ledger: its name and a few digits of its path, so that two of one name stay two."""
    return f"{ledger.name}-{hashlib.sha256(str(ledger.resolve()).encode()).hexdigest()[:6]}"


def _refuse_silence(address: str) -> None:
    import httpx

    try:
        httpx.get(f"{address.rstrip('/')}/health", timeout=10).raise_for_status()
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise no_server(address, error) from error


def _plain(value: Any) -> Any:
    """A parameter as JSON holds it."""
    from dataclasses import asdict, is_dataclass

    if isinstance(value, Path):
        return str(value)
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return asdict(value) if is_dataclass(value) and not isinstance(value, type) else value


def _first_line(error: Exception) -> str:
    return " ".join(str(error).split())[:200]
