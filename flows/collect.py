"""Collect: which exports of an inbox are new or changed; each is looked at in a task of its own."""

from __future__ import annotations

from pathlib import Path

from prefect import flow, get_run_logger, task
from prefect.cache_policies import NO_CACHE
from prefect.tasks import exponential_backoff

from flows.parameters import INBOX, LEDGER, Seconds
from flows.states import TRIES, came_through, can_help
from pipeline.collect_exports.inbox import Found, Inbox, Look
from pipeline.collect_exports.listing import Lying

retried = {"retries": TRIES, "retry_delay_seconds": exponential_backoff(10), "retry_condition_fn": can_help}


@task(name="look", task_run_name="look into {where}", cache_policy=NO_CACHE, **retried)
def look_into(where: str, inbox: Inbox, settle_seconds: float, patience_seconds: float) -> Look:
    """What has changed in the inbox, and is at rest."""
    look = inbox.look(where, settle_seconds=settle_seconds, patience_seconds=patience_seconds)
    log = get_run_logger()
    log.info("%d to look at, %d as they were, %d still growing", len(look.candidates), look.same, len(look.waiting))
    for one in look.waiting:
        log.info("left for the next time, it is still growing: %s", one.name)
    return look


@task(name="examine", task_run_name="examine {one.name}", cache_policy=NO_CACHE, **retried)
def examine(one: Lying, inbox: Inbox) -> Found | None:
    """An export's content: new, or taken already under whatever name."""
    return inbox.examine(one)


@flow(name="collect", flow_run_name="collect from {inbox}")
def collect(
    inbox: str = INBOX, ledger: Path = LEDGER, settle_seconds: Seconds = 5, patience_seconds: Seconds = 60
) -> list[Found]:
    """The new and changed exports of INBOX (a folder, a pattern, or an address that fsspec opens)."""
    known = Inbox(ledger)
    look = look_into(inbox, known, settle_seconds, patience_seconds)
    found = came_through([examine(one, known, return_state=True) for one in look.candidates])
    known.keep()
    return found
