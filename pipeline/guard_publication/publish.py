"""Publishes a ledger's latest run, a release and a report, if the gates let it; else all stays as it was."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pipeline.guard_publication.gates import Limits, Verdict, guard
from pipeline.guard_publication.published import Published, keep_published, read_published
from pipeline.keep_ledger.ledger import LATEST, RUNS, open_ledger
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.keep_ledger.tables import ledger_errors

GATES = ("rejects", "score", "headline", "claims")
"""The gates that a person can let pass by name; the size of groups in a release is none of them."""


@dataclass(frozen=True, slots=True)
class Publication:
    """What came of it: the run, every gate's verdict, and the folders of report and release ("" where held back)."""

    run: str
    verdicts: tuple[Verdict, ...]
    report: str = ""
    release: str = ""

    @property
    def held(self) -> list[str]:
        """Why it was held back, a sentence a gate; empty where it was published."""
        return [f"{one.gate}: {one.seen}" for one in self.verdicts if not one.passes]


def due(ledger: Path, *, again: bool = False) -> str:
    """The run that has been neither published nor held back yet (`again`: or held back), "" where there is none."""
    if not (ledger / LATEST).exists():
        return ""
    latest, published = open_ledger(ledger).latest().name, read_published(ledger)
    dealt_with = latest == published.run or (latest == published.held and not again)
    return "" if dealt_with else latest


def standing(ledger: Path) -> str:
    """What stands where nothing is due, in a sentence."""
    published = read_published(ledger)
    if published.held:
        return f"nothing new; run {published.held} is still held back: {'; '.join(published.reasons)}"
    return f"nothing new; run {published.run} is published" if published.run else "nothing to publish yet"


def fields_filled(ledger: Path) -> tuple[str, dict[str, int]]:
    """The latest run's name, and field -> how many of its reports have it."""
    run = open_ledger(ledger).latest()
    return run.name, dict(read_run_record(run)["counts"]["fields"])


def judge(ledger: Path, limits: Limits, *, score: float | None = None, accept: Sequence[str] = ()) -> Publication:
    """The gates' verdicts on the latest run; those that `accept` names pass whatever they see."""
    from pipeline.write_report.claims import check_claims

    run, published = open_ledger(ledger).latest(), read_published(ledger)
    last = ledger / RUNS / published.run if published.run else None
    broken = [f"{state.claim.name} ({state.why})" for state in check_claims(ledger, run) if not state.holds]
    verdicts = guard(
        run,
        last if last is not None and last.is_dir() else None,
        limits,
        score=score,
        last_score=published.score,
        broken_claims=broken,
    )
    return Publication(run.name, tuple(_accepted(one) if one.gate in accept else one for one in verdicts))


def publish(
    ledger: Path,
    judged: Publication,
    releases: Path,
    reports: Path,
    limits: Limits,
    *,
    score: float | None = None,
    pictures: bool = True,
) -> Publication:
    """Makes the release and the report of a run that every gate lets pass, and keeps what was published or held.

    A release that cannot give every group `least_k` people is a gate too: nothing is published then.  `releases` and
    `reports` get a folder for each run, and `latest` in both is turned to the new one when it is whole; `pictures` says
    whether the report's charts are drawn as pictures too.  Raises any `Problem`.
    """
    before = read_published(ledger)
    if not judged.held:
        judged = _made(ledger, judged, releases, reports, limits, pictures=pictures)
    if judged.held:
        before.held, before.reasons = judged.run, judged.held
        keep_published(ledger, before)
        return judged
    at = datetime.now(UTC).isoformat(timespec="seconds")
    keep_published(ledger, Published(judged.run, score, at, judged.report, judged.release))
    return judged


def _made(
    ledger: Path, judged: Publication, releases: Path, reports: Path, limits: Limits, *, pictures: bool
) -> Publication:
    from pipeline.problems import ReleaseProblem

    verdicts = judged.verdicts
    try:
        release = _release(ledger, judged.run, releases, limits.least_k)
    except ReleaseProblem as problem:
        return Publication(judged.run, (*verdicts, Verdict("k", False, problem.what)))
    report = _report(ledger, judged.run, reports, pictures=pictures)
    _turn(releases / LATEST, release)
    passed = Verdict("k", True, f"every group of the release has at least {limits.least_k} people")
    return Publication(judged.run, (*verdicts, passed), str(report), str(release))


def _release(ledger: Path, run: str, releases: Path, least_k: int) -> Path:
    """The release of a run in a folder of its own; one that an interrupted publication has made stands as it is."""
    from pipeline.publish_release.descriptors import About
    from pipeline.publish_release.licences import licence_of
    from pipeline.publish_release.release import release
    from pipeline.publish_release.split_classes import Rules

    folder = releases / run
    if folder.is_dir() and any(folder.iterdir()):
        return folder
    day = datetime.now(UTC).date()
    name = "Unnamed creator"
    about = About("Answers on electric vehicles' batteries", name, name, day, licence_of("CC-BY-4.0"))
    before = releases / LATEST
    earlier = before.resolve() if before.is_dir() else None
    return release(ledger, folder, about, rules=Rules(least_k), run=run, before=earlier).folder


def _report(ledger: Path, run: str, reports: Path, *, pictures: bool) -> Path:
    from pipeline.write_report.write import write_report

    return write_report(ledger, reports, run=run, pictures=pictures).folder


def _turn(link: Path, folder: Path) -> None:
    """Turns a link to a folder beside it, in one step."""
    draft = link.with_name(f".{link.name}-new")
    with ledger_errors(link, "turning the link to the newest release"):
        draft.unlink(missing_ok=True)
        draft.symlink_to(folder.name, target_is_directory=True)
        os.replace(draft, link)


def _accepted(verdict: Verdict) -> Verdict:
    return verdict if verdict.passes else Verdict(verdict.gate, True, f"accepted by a person: {verdict.seen}")
