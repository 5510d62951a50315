"""Nightly: collect, refresh, publish."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from prefect import State, flow

from flows.collect import collect
from flows.parameters import (
    INBOX,
    LABELLED,
    LEDGER,
    RELEASES,
    REPORTS,
    VEHICLES,
    Address,
    BlockName,
    Count,
    GateName,
    RunnerName,
    Seconds,
)
from flows.publish import publish
from flows.refresh import refresh
from flows.states import ends_like
from flows.workers import with_workers
from pipeline.guard_publication.gates import Limits


@flow(name="nightly", flow_run_name="nightly {ledger}")
def nightly(
    inbox: str = INBOX,
    ledger: Path = LEDGER,
    releases: Path = RELEASES,
    reports: Path = REPORTS,
    vehicles: Path | None = VEHICLES,
    rules: tuple[Path, ...] = (),
    lang: str | None = None,
    labelled: tuple[Path, ...] = LABELLED,
    limits: Limits = Limits(),  # noqa: B008 (frozen)
    accept: tuple[GateName, ...] = (),
    pictures: bool = True,
    settle_seconds: Seconds = 5,
    patience_seconds: Seconds = 60,
    runner: RunnerName | None = None,
    processes: Count | None = None,
    scheduler: Address | None = None,
    key_block: BlockName | None = None,
) -> State[Any]:
    """From INBOX to what is published: new exports into LEDGER, then a release and a report, if the gates let it."""
    found = collect(inbox, ledger, settle_seconds, patience_seconds)
    with_workers(refresh, scheduler)(found, ledger, vehicles, rules, lang, runner, processes, scheduler, key_block)
    last = publish(ledger, releases, reports, labelled, vehicles, rules, limits, accept, pictures, return_state=True)
    return ends_like(last)
