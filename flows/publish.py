"""Publish: a release and a report of the latest run, if the gates let it; else the last ones stay."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from prefect import State, flow, task
from prefect.cache_policies import NO_CACHE
from prefect.states import Completed, Failed

from flows import tell
from flows.parameters import LABELLED, LEDGER, RELEASES, REPORTS, VEHICLES, GateName
from pipeline.guard_publication import publish as publication
from pipeline.guard_publication.gates import Limits
from pipeline.guard_publication.labelled_score import LabelledScore, labelled_score


@task(name="score", task_run_name="score {ledger}", cache_policy=NO_CACHE)
def score(
    ledger: Path, labelled: tuple[Path, ...], rules: tuple[Path, ...], vehicles: Path | None
) -> LabelledScore | None:
    """How well the program reads the labelled responses today; None where there are none."""
    scored = labelled_score(labelled, rules=rules, vehicles=vehicles) if labelled else None
    tell.fields(*publication.fields_filled(ledger), scored)
    return scored


@task(name="judge", task_run_name="judge {run}", cache_policy=NO_CACHE)
def judge(
    run: str, ledger: Path, limits: Limits, core_f1: float | None, accept: tuple[GateName, ...]
) -> publication.Publication:
    """Every gate's verdict on the run."""
    return publication.judge(ledger, limits, score=core_f1, accept=accept)


@task(name="publish", task_run_name="publish {judged.run}", cache_policy=NO_CACHE)
def make_public(
    judged: publication.Publication,
    ledger: Path,
    releases: Path,
    reports: Path,
    limits: Limits,
    core_f1: float | None,
    pictures: bool,
) -> publication.Publication:
    """Release and report of the run, or why it is held back."""
    made = publication.publish(ledger, judged, releases, reports, limits, score=core_f1, pictures=pictures)
    tell.publication(made)
    return made


@flow(name="publish", flow_run_name="publish {ledger}")
def publish(
    ledger: Path = LEDGER,
    releases: Path = RELEASES,
    reports: Path = REPORTS,
    labelled: tuple[Path, ...] = LABELLED,
    vehicles: Path | None = VEHICLES,
    rules: tuple[Path, ...] = (),
    limits: Limits = Limits(),  # noqa: B008 (frozen)
    accept: tuple[GateName, ...] = (),
    pictures: bool = True,
) -> State[Any]:
    """Publishes LEDGER's latest run unless that has been done; `accept` lets gates pass that a person has looked at."""
    run = publication.due(ledger, again=bool(accept))
    if not run:
        return Completed(message=publication.standing(ledger))
    scored = score(ledger, labelled, rules, vehicles)
    core_f1 = scored.core_f1 if scored else None
    judged = judge(run, ledger, limits, core_f1, accept)
    made = make_public(judged, ledger, releases, reports, limits, core_f1, pictures)
    if made.held:
        return Failed(name="Held back", message="; ".join(made.held))
    return Completed(message=f"published run {made.run}")
