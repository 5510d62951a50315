"""The text of a correction: what was said, what is right, which rows or rules changed it, and when.

The text is for publication and names nobody: no ids, no words of people, no single values.  The rows behind it, with
their ids and values, are kept apart for the files of whoever publishes.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.keep_ledger.ledger import Ledger, open_ledger
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.write_report.claim_changes import REASONS, Changes, RowChange, changes_behind, run_folder
from pipeline.write_report.claim_query import Query, told_measured, told_value
from pipeline.write_report.claims import Claim, ClaimState, find_claim, read_claims, state_of, vehicles_of


@dataclass(frozen=True, slots=True)
class Correction:
    """A correction: `text` for the public (Markdown), the claim's state now, and the rows behind the change.

    `since` is the first run on which the claim no longer held, None where it holds; `changes` is None where the run
    that it was pinned on is no longer in the ledger.
    """

    state: ClaimState
    since: str | None
    changes: Changes | None
    text: str

    def plain(self) -> dict[str, Any]:
        """The correction as JSON holds it."""
        return {
            **self.state.plain(),
            "since": self.since,
            "changes": asdict(self.changes) if self.changes else None,
            "text": self.text,
        }


def correct_claim(ledger: Path, name: str, *, at: datetime | None = None) -> Correction:
    """The correction of a claim (its number or some of its words) against the latest run.

    Raises `UsageProblem` where there is no such claim, `LedgerProblem` where the ledger cannot be read.
    """
    opened = open_ledger(ledger)
    claim = find_claim(read_claims(ledger), name)
    latest = opened.latest()
    state = state_of(claim, vehicles_of(latest), latest.name)
    pinned_on = run_folder(ledger, claim.run)
    changes = None
    if pinned_on is not None and state.measured is not None:
        changes = changes_behind(claim.query, pinned_on, latest)
    since = None if state.holds else _first_broken(opened, claim)
    text = _text(state, since, changes, latest, at or datetime.now(UTC))
    return Correction(state, since, changes, text)


def _first_broken(ledger: Ledger, claim: Claim) -> str | None:
    """The first run of the stretch up to the latest on which the claim does not hold."""
    since = None
    latest = ledger.latest().name
    for run in reversed([one for one in ledger.runs() if claim.run < one.name <= latest] or [ledger.latest()]):
        if state_of(claim, vehicles_of(run), run.name).holds:
            break
        since = run.name
    return since


def _text(state: ClaimState, since: str | None, changes: Changes | None, latest: Path, at: datetime) -> str:
    claim, query = state.claim, state.claim.query
    said = datetime.fromisoformat(claim.pinned_at)
    now = (
        told_measured(state.measured, query) if state.measured is not None else "the figure can no longer be worked out"
    )
    lines = [f"# {'Still right' if state.holds else 'Correction'}, {_day(at)}", ""]
    lines += [f"**What was said** (on {_day(said)}): {claim.text}", ""]
    lines += [f"It rested on this figure: {told_measured(claim.measured, query)}. The figure: {query.words()}.", ""]
    if state.holds:
        lines += [f"**It still holds.** The figure is {now}. There is nothing to correct.", ""]
    else:
        lines += [f"**What is right:** the figure is {now}. {_verdict(state)}", ""]
    if changes is None:
        if state.measured is not None:
            lines += ["The dataset of that day is no longer kept, so the rows that changed it cannot be named.", ""]
    else:
        lines += _what_changed(changes, query)
    if since is not None:
        lines += [f"The statement has not held since the dataset of {_run_day(since, latest)}.", ""]
    lines += [
        f"Dataset of {_run_day(claim.run, latest)} (run {claim.run}) against that of {_run_day(state.run, latest)} "
        f"(run {state.run}). Values are what people said about their own cars; they are no measurement.",
    ]
    return "\n".join(lines) + "\n"


def _verdict(state: ClaimState) -> str:
    fewest = state.claim.fewest
    return {
        "moved": "That is outside what was said.",
        "reversed": "The difference that was stated does not show any more.",
        "unsure": "The difference is no longer clear: its interval reaches zero.",
        "too few": f"That is too few vehicles to say it (at least {fewest} are needed).",
        "unknown": "The statement can no longer be checked.",
    }[state.state]


def _what_changed(changes: Changes, query: Query) -> list[str]:
    if not changes.rows:
        around = f" Around them: {_listed(changes.around)}." if changes.around else ""
        return [f"**What changed:** no row behind the figure changed.{around}", ""]
    lines = ["**What changed:**", ""]
    for reason, effect in changes.effects.items():
        rows = [row for row in changes.rows if row.reason == reason]
        told = f"- {_count(rows)}: {REASONS[reason]}"
        fields = sorted({name for row in rows for name in row.fields})
        if fields:
            told += f" ({', '.join(fields)})"
        rules = sorted(
            {f"{a or 'nothing'} -> {b or 'nothing'}" for row in rows for a, b in row.rules.values() if a != b}
        )
        if rules and reason == "read by another rule":
            told += f"; rules: {', '.join(rules[:3])}{' ...' if len(rules) > 3 else ''}"
        flags = sorted({flag for row in rows for flag in row.flags})
        if flags and reason in ("left out", "taken in"):
            told += f"; findings: {', '.join(flags)}"
        if effect is not None:
            unit = "points" if query.unit == "%" else query.unit
            told += f". Effect on the figure: {told_value(effect, unit, signed=True)}"
        lines.append(told + ".")
    lines.append("")
    if changes.around:
        lines += [f"Between the two datasets {_listed(changes.around)}.", ""]
    return lines


def _count(rows: list[RowChange]) -> str:
    kinds = [(sum(row.kind == kind for row in rows), kind) for kind in ("gained", "lost", "changed")]
    told = [f"{number} {kind}" for number, kind in kinds if number]
    return f"{len(rows)} {'answer' if len(rows) == 1 else 'answers'} ({', '.join(told)})"


def rows_table(changes: Changes) -> tuple[list[str], list[list[str]]]:
    """The rows behind a change as a table for the publisher's own files: headers and rows, all words."""
    headers = ["report_id", "source", "source_response_id", "kind", "reason", "field", "before", "after", "rule before",
               "rule after"]  # fmt: skip
    rows = []
    for row in changes.rows:
        start = [row.report_id, row.source, row.source_response_id, row.kind, row.reason]
        for name, (before, after) in row.fields.items():
            rows.append([*start, name, _plain(before), _plain(after), *row.rules.get(name, ("", ""))])
        if not row.fields:
            rows.append([*start, "", "", "", "", ""])
    return headers, rows


def _plain(value: str | float | None) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else f"{value:.10g}"


def _listed(parts: tuple[str, ...]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _day(moment: datetime) -> str:
    return f"{moment.day} {moment:%B %Y}"


def _run_day(name: str, latest: Path) -> str:
    """The day on which a run was made: from its run.json, else from its name."""
    folder = latest.parent / name
    if folder.is_dir():
        started = str(read_run_record(folder).get("started_at", ""))
        if started:
            return _day(datetime.fromisoformat(started))
    return _day(datetime.strptime(name.split("-")[1][:8], "%Y%m%d"))
