"""What `once` and `schedule` share: their options, and the nightly flow's parameters made of them."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from pipeline.problems import UsageProblem, WorkersProblem

PATH = click.Path(path_type=Path)


def nightly_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options of the nightly flow; what is not given is left out of the parameters."""
    for option in reversed(
        (
            click.option("--inbox", required=True, metavar="PLACE", help="Folder, pattern or address of the exports."),
            click.option("--to", "ledger", required=True, type=PATH, metavar="LEDGER", help="Where to keep them."),
            click.option("--releases", type=PATH, metavar="FOLDER", help="Where releases go [LEDGER-releases]."),
            click.option("--reports", type=PATH, metavar="FOLDER", help="Where reports go [LEDGER-reports]."),
            click.option("--vehicles", type=PATH, metavar="LIST.csv", help="A list of vehicles to resolve."),
            click.option("--rules", type=PATH, multiple=True, metavar="PACK", help="A rule pack to add."),
            click.option("--lang", metavar="CODE", help="Take this for every response's language (BCP 47)."),
            click.option("--labelled", type=PATH, multiple=True, metavar="GOLD", help="Labelled responses to score."),
            click.option("--k", "least_k", type=click.IntRange(2), help="Least people in a group of a release [5]."),
            click.option("--accept", multiple=True, metavar="GATE", help="Let pass: rejects, score, headline, claims."),
            click.option("--pictures/--no-pictures", default=True, help="Draw the report's charts as pictures too."),
            click.option(
                "--settle", type=click.FloatRange(0), metavar="SECONDS", help="A file at rest so long is whole [5]."
            ),
            click.option("--runner", type=click.Choice(["in-process", "processes", "dask"]), help="Where to read."),
            click.option("--processes", type=click.IntRange(1), metavar="N", help="Read in N processes."),
            click.option("--scheduler", metavar="ADDRESS", help="Read on a Dask cluster: tcp://HOST:PORT."),
            click.option("--key-block", metavar="NAME", help="The Prefect Secret block that holds the pseudonym key."),
        )
    ):
        command = option(command)
    return command


def parameters(given: dict[str, Any]) -> dict[str, Any]:
    """The nightly flow's parameters, paths absolute: a scheduled run starts in a folder of its own.

    Raises `UsageProblem` where Prefect is not installed, or an option is not understood.
    """
    if importlib.util.find_spec("prefect") is None or importlib.util.find_spec("prefect_dask") is None:
        raise UsageProblem("Prefect is not installed", todo="pip install 'crowdfade[flows]'")
    from pipeline.guard_publication.gates import Limits
    from pipeline.run_partitions.choose import choose_runner

    choose_runner(given["runner"], given["processes"], given["scheduler"])
    ledger = given["ledger"].absolute()
    inbox = given["inbox"] if "://" in given["inbox"] else str(Path(given["inbox"]).expanduser().absolute())
    return {
        "inbox": inbox,
        "ledger": ledger,
        "releases": _beside(given["releases"], ledger, "releases"),
        "reports": _beside(given["reports"], ledger, "reports"),
        "vehicles": given["vehicles"] and given["vehicles"].absolute(),
        "rules": tuple(pack.absolute() for pack in given["rules"]),
        "lang": given["lang"],
        "labelled": tuple(gold.absolute() for gold in given["labelled"]),
        "limits": Limits() if given["least_k"] is None else Limits(least_k=given["least_k"]),
        "accept": given["accept"],
        "pictures": given["pictures"],
        "settle_seconds": 5 if given["settle"] is None else given["settle"],
        "runner": given["runner"],
        "processes": given["processes"],
        "scheduler": given["scheduler"],
        "key_block": given["key_block"],
    }


def _beside(given: Path | None, ledger: Path, what: str) -> Path:
    return given.absolute() if given is not None else ledger.with_name(f"{ledger.name}-{what}")


def refused_by_prefect(error: Exception) -> UsageProblem:
    """A parameter that the flow's types refuse, as a `UsageProblem`."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return UsageProblem(" ".join(lines)[:300], where="the flow's parameters", todo="mend the option")


def no_server(address: str, error: Exception | None = None) -> WorkersProblem:
    """That no Prefect server answers at an address."""
    detail = f" ({error})" if error is not None else ""
    return WorkersProblem(
        f"no Prefect server answers{detail}",
        where=address,
        todo="start one: prefect server start; or name it: --server http://HOST:4200/api",
    )
