"""The gates: what would make a person stop and look before publishing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.keep_ledger.run_record import read_run_record
from pipeline.problems import UsageProblem
from pipeline.sum_up.headline import Figure, headline

if TYPE_CHECKING:
    import pyarrow

EXPECTED_REJECTS = ("empty", "boilerplate", "repeated_record")
"""Rejects that every healthy export has: they do not count against it."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How much may happen before publication stops (the project's choice; each can be set for a ledger).

    `most_rejects_pct`  rejected records, of those read, but for the expected ones (`EXPECTED_REJECTS`), in per cent
    `most_failed_pct`   exports that could not be read at all, of those given, in per cent
    `most_score_drop`   how much core F1 on the labelled responses may fall since the last publication
    `least_k`           the smallest group of people that a release may show
    `claims_may_break`  whether claims that no longer hold stop the publication
    """

    most_rejects_pct: float = 10.0
    most_failed_pct: float = 25.0
    most_score_drop: float = 0.01
    least_k: int = 5
    claims_may_break: bool = False

    def __post_init__(self) -> None:
        for name in ("most_rejects_pct", "most_failed_pct"):
            if not 0 <= getattr(self, name) <= 100:
                raise UsageProblem(f"{name} is a share in per cent, from 0 to 100", where=str(getattr(self, name)))
        if not 0 <= self.most_score_drop <= 1:
            raise UsageProblem("most_score_drop is a difference of F1, from 0 to 1", where=str(self.most_score_drop))
        if self.least_k < 2:
            raise UsageProblem("least_k is at least 2", where=str(self.least_k))


@dataclass(frozen=True, slots=True)
class Verdict:
    """One gate: whether it lets pass, and what it saw, in a sentence."""

    gate: str
    passes: bool
    seen: str


def rejects_gate(record: Mapping[str, Any], limits: Limits) -> Verdict:
    """Stops where too many records, or whole exports, of a run (its run.json) could not be read."""
    counts = record["counts"]
    read = counts["records"]["read"]
    odd = sum(count for reason, count in counts["rejects"].items() if reason not in EXPECTED_REJECTS)
    failed, files = counts["files"]["failed"], counts["files"]["read"] + counts["files"]["failed"]
    odd -= failed  # a file that cannot be read is a reject, but none of the records read
    share, failed_share = _percent(odd, read), _percent(failed, files)
    passes = share <= limits.most_rejects_pct and failed_share <= limits.most_failed_pct
    seen = (
        f"{odd} of {read} records rejected ({share:.1f} %, at most {limits.most_rejects_pct:g} %), "
        f"{failed} of {files} exports unreadable (at most {limits.most_failed_pct:g} %)"
    )
    return Verdict("rejects", passes, seen)


def score_gate(score: float | None, last: float | None, limits: Limits) -> Verdict:
    """Stops where core F1 on the labelled responses has fallen since the last publication."""
    if score is None:
        return Verdict("score", True, "no labelled responses were given")
    if last is None:
        return Verdict("score", True, f"core F1 {score:.3f}; no earlier publication to compare with")
    seen = f"core F1 {score:.3f}, at the last publication {last:.3f} (may fall by {limits.most_score_drop:g})"
    return Verdict("score", score >= last - limits.most_score_drop - 1e-9, seen)


def headline_gate(now: Sequence[Figure], before: Sequence[Figure]) -> Verdict:
    """Stops where a headline median has left the 95 % interval that it had at the last publication.

    A figure that both have with too few vehicles, or that only one has, tells no jump.
    """
    known = {(one.chemistry, one.band): one for one in before}
    jumps, compared = [], 0
    for one in now:
        old = known.get((one.chemistry, one.band))
        if one.median is None or old is None or old.median is None or old.low is None or old.high is None:
            continue
        compared += 1
        if not old.low <= one.median <= old.high:
            jumps.append(
                f"chemistry {one.chemistry}, distance {one.band}: median loss {one.median:.1f} %, "
                f"was {old.median:.1f} % ({old.low:.1f} to {old.high:.1f})"
            )
    if jumps:
        return Verdict("headline", False, "; ".join(jumps))
    told = f"{compared} figures within their intervals" if before else "no earlier publication to compare with"
    return Verdict("headline", True, told)


def claims_gate(broken: Sequence[str], limits: Limits) -> Verdict:
    """Stops where claims that were published no longer hold; `broken` are those, in words."""
    if not broken:
        return Verdict("claims", True, "every claim holds")
    return Verdict("claims", limits.claims_may_break, "; ".join(broken))


def guard(
    run: Path,
    last: Path | None,
    limits: Limits,
    *,
    score: float | None = None,
    last_score: float | None = None,
    broken_claims: Sequence[str] = (),
) -> list[Verdict]:
    """Every gate's verdict on a run's folder; `last` is the folder of the run published last.

    The gate on the size of groups (k) is the release's own: it measures what it has made, and refuses.
    """
    return [
        rejects_gate(read_run_record(run), limits),
        score_gate(score, last_score, limits),
        headline_gate(headline(_reports(run)), headline(_reports(last)) if last is not None else ()),
        claims_gate(broken_claims, limits),
    ]


def _reports(run: Path) -> pyarrow.Table:
    import pyarrow.parquet as pq

    return pq.read_table(run / "reports.parquet")


def _percent(part: int, whole: int) -> float:
    return 100 * part / whole if whole else 0.0
