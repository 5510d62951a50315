"""Refresh: new exports are read into a new run of the ledger, or all is read again where the rules have changed."""

from __future__ import annotations

from pathlib import Path

from prefect import flow, task
from prefect.cache_policies import NO_CACHE

from flows import tell
from flows.collect import collect
from flows.parameters import LEDGER, VEHICLES, Address, BlockName, Count, RunnerName
from flows.secret_key import pseudonym_key
from flows.workers import runner_of
from pipeline.build import Built
from pipeline.collect_exports.bring_in import bring_in
from pipeline.collect_exports.inbox import Found, names_of
from pipeline.guard_publication.since_last import since_last
from pipeline.run_partitions.partition import Runner


@task(name="build", task_run_name="build {names}", cache_policy=NO_CACHE)
def build(
    names: str,
    found: list[Found],
    ledger: Path,
    vehicles: Path | None,
    rules: tuple[Path, ...],
    lang: str | None,
    runner: Runner | None,
) -> Built | None:
    """A new run of the ledger, put in place in one step; None where nothing has changed."""
    return bring_in(
        found, ledger, vehicles=vehicles, rules=rules, lang=lang, watch=tell.LogWatch(), runner=runner
    )  # fmt: skip


@task(name="compare", task_run_name="compare with the run before", cache_policy=NO_CACHE)
def compare_with_last(ledger: Path) -> None:
    """The comparison with the run before, as Markdown."""
    tell.comparison(since_last(ledger))


@flow(name="refresh", flow_run_name="refresh {ledger}")
def refresh(
    found: list[Found] | None = None,
    ledger: Path = LEDGER,
    vehicles: Path | None = VEHICLES,
    rules: tuple[Path, ...] = (),
    lang: str | None = None,
    runner: RunnerName | None = None,
    processes: Count | None = None,
    scheduler: Address | None = None,
    key_block: BlockName | None = None,
) -> str | None:
    """Brings exports (those that `collect` finds, where none are given) into LEDGER; the new run's name, if any."""
    exports = collect(ledger=ledger) if found is None else found
    chosen = runner_of(runner, processes, scheduler)
    with pseudonym_key(key_block):
        built = build(names_of(exports), exports, ledger, vehicles, rules, lang, chosen)
    if built is None:
        return None
    tell.counts(built)
    compare_with_last(ledger)
    return built.folder.name
