"""Pinned headlines: what was said in public, with the figure that it rested on, and whether it still holds.

LEDGER/claims.json keeps them, for people to read:

    {"format": 1, "next": 2, "claims": [{"name": "1", "text": "...", "query": {...}, "tolerance": null, "fewest": 5,
      "run": "0001-...", "pinned_at": "2026-11-25T10:00:00+00:00", "measured": {"value": 3.2, "low": ..., ...}}]}

It is written whole to a new name and put in place by a rename, under the ledger's lock.  Numbers are never used twice.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pipeline.keep_ledger.ledger import Ledger, open_ledger, writing_to
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem, UsageProblem
from pipeline.sum_up.cross_section import cross_section
from pipeline.sum_up.headline import FEWEST
from pipeline.write_report.claim_query import (
    STATISTICS,
    Measured,
    Query,
    measure,
    require_libraries,
    select,
    told_value,
)

if TYPE_CHECKING:
    import pandas

CLAIMS = "claims.json"
FORMAT = 1

State = Literal["holds", "moved", "reversed", "unsure", "too few", "unknown"]
STATES: dict[str, str] = {
    "holds": "the figure lies within the interval (or the tolerance) that it was pinned with",
    "moved": "the figure lies outside the interval (or the tolerance) that it was pinned with",
    "reversed": "the difference now has the other sign, or is gone",
    "unsure": "the difference has the same sign, but its interval now reaches zero",
    "too few": "fewer vehicles are left than the claim needs",
    "unknown": "the query cannot be run on this ledger any more",
}
"""Every state of a claim and what it means."""


@dataclass(frozen=True, slots=True)
class Claim:
    """One pinned headline: `measured` is the figure on the run `run`, when it was pinned (`pinned_at`, UTC, ISO 8601).

    `tolerance` is in the figure's unit, None for the pinned interval; below `fewest` vehicles (on either side) a claim
    does not hold.
    """

    name: str
    text: str
    query: Query
    tolerance: float | None
    fewest: int
    run: str
    pinned_at: str
    measured: Measured


@dataclass(frozen=True, slots=True)
class ClaimState:
    """Whether a claim holds on `run`: its state (see `STATES`), the figure now, and a sentence that says why."""

    claim: Claim
    state: State
    measured: Measured | None
    run: str
    why: str

    @property
    def holds(self) -> bool:
        """Whether it may be said again as it was said."""
        return self.state == "holds"

    def plain(self) -> dict[str, Any]:
        """The state as JSON holds it."""
        return {
            "claim": asdict(self.claim),
            "state": self.state,
            "holds": self.holds,
            "measured": asdict(self.measured) if self.measured else None,
            "run": self.run,
            "why": self.why,
        }


def vehicles_of(run: Path) -> pandas.DataFrame:
    """The vehicles of a run that claims are measured on (`sum_up.cross_section`).  Raises `LedgerProblem`."""
    require_libraries()
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = run / "reports.parquet"
    try:
        with ledger_errors(path, "reading a table", todo="build again"):
            return cross_section(pq.read_table(path))
    except pa.ArrowInvalid as error:
        raise LedgerProblem("this table is damaged", where=str(path), todo="build again") from error


def read_claims(ledger: Path) -> list[Claim]:
    """The claims of a ledger, in the order in which they were pinned.  Raises `LedgerProblem`."""
    return [_claim(entry, ledger / CLAIMS) for entry in _content(ledger)["claims"]]


def check_claims(
    ledger: Path, run: Path | None = None, *, vehicles: pandas.DataFrame | None = None
) -> list[ClaimState]:
    """Every claim of a ledger measured on a run (its folder; the latest where it is not given).

    `vehicles` are the run's, where the caller has them.  [] where nothing is pinned.  Raises `LedgerProblem`.
    """
    folder = run if run is not None else open_ledger(ledger).latest()
    claims = read_claims(ledger)
    if not claims:
        return []
    rows = vehicles if vehicles is not None else vehicles_of(folder)
    return [state_of(claim, rows, folder.name) for claim in claims]


def state_of(claim: Claim, vehicles: pandas.DataFrame, run: str) -> ClaimState:
    """One claim measured on the vehicles of a run."""
    try:
        now = measure(select(vehicles, claim.query), claim.query)
    except UsageProblem as problem:
        return ClaimState(claim, "unknown", None, run, problem.what)
    state, why = _judged(claim, now)
    return ClaimState(claim, state, now, run, why)


def _judged(claim: Claim, now: Measured) -> tuple[State, str]:
    then, unit = claim.measured, claim.query.unit
    if now.value is None or now.fewest < claim.fewest:
        return "too few", f"{now.fewest} vehicles are left where {claim.fewest} are needed"
    assert then.value is not None, "nothing without a value is pinned"
    signed = claim.query.minus is not None
    if signed and then.value and (now.value == 0 or (now.value > 0) != (then.value > 0)):
        told = f"{told_value(then.value, unit, signed=True)} is {told_value(now.value, unit, signed=True)} now"
        return "reversed", f"the difference of {told}"
    if signed and _clear(then) and not _clear(now):
        return "unsure", "the difference was clear of zero and is no more"
    moved = f"{told_value(then.value, unit, signed=signed)} is {told_value(now.value, unit, signed=signed)} now"
    if claim.tolerance is not None:
        inside = abs(now.value - then.value) <= claim.tolerance + 1e-9
        margin = f"the tolerance of {told_value(claim.tolerance, unit)}"
    elif then.low is not None and then.high is not None:
        inside = then.low - 1e-9 <= now.value <= then.high + 1e-9
        margin = "the interval that it was pinned with"
    else:
        inside, margin = abs(now.value - then.value) <= 1e-9, "the one value that it was pinned with"
    return ("holds", f"{moved}, within {margin}") if inside else ("moved", f"{moved}, outside {margin}")


def _clear(measured: Measured) -> bool:
    """Whether an interval keeps clear of zero."""
    return measured.low is not None and measured.high is not None and (measured.low > 0 or measured.high < 0)


def add_claim(
    ledger: Path,
    text: str,
    query: Query,
    *,
    tolerance: float | None = None,
    fewest: int = FEWEST,
    at: datetime | None = None,
) -> Claim:
    """Pins a headline with its figure on the latest run.

    Raises `UsageProblem` where the query is none or rests on fewer than `fewest` vehicles, `LedgerProblem` where the
    ledger is missing or cannot be written.
    """
    if not text.strip():
        raise UsageProblem("a claim needs the words that are said", todo='crowdfade claim add LEDGER "WORDS" ...')
    if tolerance is not None and not tolerance >= 0:
        raise UsageProblem("a tolerance is zero or more", todo="leave it out to take the interval")
    open_ledger(ledger)
    with writing_to(ledger) as opened:
        run = opened.latest()
        measured = measure(select(vehicles_of(run), query), query)
        if measured.value is None or measured.fewest < fewest:
            raise UsageProblem(
                f"this claim rests on {measured.fewest} vehicles; it needs {fewest}",
                where=query.words(),
                todo="widen the condition, wait for more answers, or say --fewest yourself",
            )
        content = _content(ledger)
        moment = (at or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
        claim = Claim(
            str(content["next"]), " ".join(text.split()), query, tolerance, fewest, run.name, moment, measured
        )
        content["claims"].append(asdict(claim))
        content["next"] += 1
        _write(opened, content)
    return claim


def remove_claim(ledger: Path, name: str) -> Claim:
    """Takes a claim off the list and gives it.  Raises `UsageProblem` where there is none of that name."""
    open_ledger(ledger)
    with writing_to(ledger) as opened:
        claim = find_claim(read_claims(ledger), name)
        content = _content(ledger)
        content["claims"] = [entry for entry in content["claims"] if entry["name"] != claim.name]
        _write(opened, content)
    return claim


def find_claim(claims: Sequence[Claim], name: str) -> Claim:
    """The claim of that number, or the only one whose words hold `name`.  Raises `UsageProblem`."""
    for claim in claims:
        if claim.name == name.strip():
            return claim
    found = [claim for claim in claims if name.strip() and name.casefold() in claim.text.casefold()]
    if len(found) == 1:
        return found[0]
    known = ", ".join(f"{claim.name} ({claim.text})" for claim in claims) or "none yet"
    what = f"several claims hold {name!r}" if found else f"there is no claim {name!r}"
    raise UsageProblem(what, todo=f"pinned are: {known}")


def _content(ledger: Path) -> dict[str, Any]:
    path = ledger / CLAIMS
    try:
        with ledger_errors(path, "reading the claims", todo="mend the file's rights"):
            content: dict[str, Any] = {"format": FORMAT}
            if path.exists():
                content = json.loads(path.read_text(encoding="utf-8"))
        if int(content["format"]) > FORMAT:
            raise LedgerProblem(
                "the claims were written by a newer crowdfade", where=str(path), todo="update crowdfade"
            )
        claims = list(content.get("claims", []))
        numbers = [int(entry["name"]) for entry in claims]
        return {"format": FORMAT, "next": max([int(content.get("next", 1)) - 1, *numbers]) + 1, "claims": claims}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise _damaged(path) from error


def _claim(entry: dict[str, Any], path: Path) -> Claim:
    try:
        query, measured = Query(**entry["query"]), Measured(**entry["measured"])
        claim = Claim(**{**entry, "query": query, "measured": measured})
    except (KeyError, TypeError) as error:
        raise _damaged(path) from error
    if claim.measured.value is None or query.statistic not in STATISTICS:
        raise _damaged(path)
    return claim


def _damaged(path: Path) -> LedgerProblem:
    return LedgerProblem(
        "is not a list of claims", where=str(path), todo="mend the file, or move it away and pin the claims again"
    )


def _write(ledger: Ledger, content: dict[str, Any]) -> None:
    target = ledger.path / CLAIMS
    draft = ledger.path / f".{CLAIMS}-new"
    with ledger_errors(target, "writing the claims"):
        with draft.open("w", encoding="utf-8") as file:
            file.write(json.dumps(content, indent=2, ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, target)
