"""Decisions about the values of reports, and about whether they are reports: which counts, and what it changes."""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.correct_readings.attach import number_of
from pipeline.correct_readings.decisions import Decision, moment
from pipeline.correct_readings.held import NAMED, Held, Row
from pipeline.correct_readings.outcomes import Outcome
from pipeline.correct_readings.values import BadValue, Given, read_value
from pipeline.dataset_columns import FIELD_NAMES, Column
from pipeline.group_reports.vehicle_list import VehicleList
from pipeline.keep_ledger.rows import value_text

KINDS_HERE = ("value", "absent", "verified", "not-a-report")

FOLLOWS = {"loss_pct": "loss_origin"}
"""A field that means nothing without another: taken out with it where nothing was decided about it."""


@dataclass(frozen=True, slots=True)
class Ruling:
    """What a decision says of one field: a value, or None for absent."""

    outcome: Outcome
    given: Given | None
    of_row: bool = False

    @property
    def rank(self) -> tuple[float, bool]:
        """Later goes before earlier, one field's decision before a whole row's."""
        return (moment(self.outcome.decision.when), not self.of_row)


def decide_fields(
    work: Iterable[Outcome],
    held: Mapping[str, Held],
    columns: Mapping[str, Column],
    names: Sequence[str],
    listed: VehicleList | None,
) -> set[str]:
    """Carries the decisions out on the rows of `held`; gives the reports that a person found right as a whole.

    `work` is in the order of time, `columns` are those that may be corrected, `names` all columns of the reports.  A
    value that was decided for a report which is not read any more makes the report anew.
    """
    groups: dict[tuple[str, str, str], list[Outcome]] = defaultdict(list)
    for one in work:
        if one.decision.kind in KINDS_HERE:
            groups[str(one.response), one.report or "", "" if one.report else one.decision.report].append(one)
    verified: set[str] = set()
    for (response, report, lost), outcomes in sorted(groups.items()):
        deciding = _Deciding(held[response], columns, outcomes)
        if not report:
            if not deciding.says_values():
                for one in outcomes:
                    one.end("no-report")
                continue
            report = held[response].new_report(names, number_of(lost))
            for one in deciding.alive():
                one.report = report
                one.detail = one.detail or "nothing was read here; the report is the person's"
        if deciding.carry_out(report, listed):
            verified.add(report)
    return verified


class _Deciding:
    """The decisions about one report."""

    def __init__(self, home: Held, columns: Mapping[str, Column], outcomes: Sequence[Outcome]) -> None:
        self._home = home
        self._columns = columns
        self._outcomes = list(outcomes)
        self._rulings: dict[str, list[Ruling]] = defaultdict(list)
        self._row: Outcome | None = None
        for one in self._outcomes:
            self._read(one)

    def alive(self) -> list[Outcome]:
        """The decisions of which nothing is settled yet."""
        return [one for one in self._outcomes if not one.outcome]

    def says_values(self) -> bool:
        """Whether any decision gives a value."""
        of_row = self._row is not None and self._row.decision.was.strip("{} ") != ""
        return of_row or any(ruling.given is not None for some in self._rulings.values() for ruling in some)

    def _read(self, one: Outcome) -> None:
        decision = one.decision
        if decision.kind == "not-a-report":
            return
        if not decision.field:  # a row that was found right
            if self._row is not None:
                self._row.end("superseded")
            self._row = one
            return
        column = self._columns.get(decision.field)
        if column is None:
            one.end("not-sound", f"there is no field {decision.field!r}; use one of {', '.join(self._columns)}")
            return
        try:
            given = None
            if decision.kind == "value":
                given = read_value(column, decision.value)
            elif decision.kind == "verified":
                if not decision.text and not decision.was:
                    return  # written by hand, with no word of what was there: it is right as it is read
                given = read_value(column, decision.was) if decision.was else None
        except BadValue as bad:
            one.end("not-sound", f"{bad}; accepted: {bad.accepted}")
            return
        self._rulings[decision.field].append(Ruling(one, given))

    def carry_out(self, report: str, listed: VehicleList | None) -> bool:
        """Changes the rows; whether a person found the report right as a whole."""
        self._read_row(report)
        if self._is_no_report(report):
            return False
        chosen = {name: ruling for name, rulings in sorted(self._rulings.items()) if (ruling := _latest(rulings))}
        decided = set(chosen)
        changed = {name for name, ruling in chosen.items() if self._rule(report, name, ruling)}
        for name, follower in FOLLOWS.items():
            row = self._home.report(report)
            if name in changed and row[name] is None and row[follower] is not None and follower not in decided:
                self._home.take_out(report, follower)
        if listed is not None and changed.intersection(NAMED):
            self._home.fill_from_list(report, listed, sorted(decided))
        if self._row is not None and not self._row.outcome:
            self._home.sure_of_row(report)
            self._row.end("applied")
            return True
        return False

    def _read_row(self, report: str) -> None:
        """The rulings of a row that was found right: every field as it was then, read or not."""
        if self._row is None or self._row.outcome or not self._row.decision.was:
            return
        try:
            then = dict(json.loads(self._row.decision.was))
            given = {name: read_value(self._columns[name], value) for name, value in then.items()}
        except (ValueError, TypeError, KeyError):
            self._row.end("not-sound", "what was found right cannot be read from the column `was`")
            return
        for name in FIELD_NAMES:
            old = self._home.evidence_of(report, name)
            if name in given or (old is not None and old["origin"] != "list"):
                self._rulings[name].append(Ruling(self._row, given.get(name), of_row=True))
        for name in given.keys() - set(FIELD_NAMES):
            self._rulings[name].append(Ruling(self._row, given[name], of_row=True))

    def _is_no_report(self, report: str) -> bool:
        against = [one for one in self.alive() if one.decision.kind == "not-a-report"]
        if not against:
            return False
        last = against[-1]
        for one in against[:-1]:
            one.end("superseded")
        at = moment(last.decision.when)
        if any(moment(one.decision.when) > at and one.decision.kind in ("value", "verified") for one in self.alive()):
            last.end("superseded", "a later decision speaks of it as a report")
            return False
        for one in self.alive():
            if one is not last:
                one.end("superseded", f"no report, by {last.decision.told()}")
        self._home.remove(report)
        last.end("applied")
        return True

    def _rule(self, report: str, name: str, ruling: Ruling) -> bool:
        """Carries one ruling out; whether it changed the value."""
        one, given = ruling.outcome, ruling.given
        kind = one.decision.kind
        now = self._home.report(report)[name]
        if _same(now, None if given is None else given.value):
            self._home.sure(report, name)
            if not ruling.of_row:
                one.end("applied" if kind == "verified" else "already-so")
            return False
        remark = ""
        self._home.note(report, name)
        if given is None:
            self._home.take_out(report, name)
        else:
            decision = one.decision if not ruling.of_row else _without_words(one.decision)
            remark = self._home.put(
                report, self._columns[name], given, decision, "verified" if kind == "verified" else "corrected"
            )
        if kind == "verified":
            remark = f"{name} is read as {'absent' if now is None else value_text(now)} now"
        if ruling.of_row:
            one.detail = f"{one.detail}; {remark}" if one.detail else remark
        else:
            one.end("applied", remark)
        return True


def _without_words(decision: Decision) -> Decision:
    return Decision(decision.kind, who=decision.who, when=decision.when, why=decision.why)


def _latest(rulings: Sequence[Ruling]) -> Ruling | None:
    """The ruling that counts; None where two of the same rank contradict each other."""
    alive = [ruling for ruling in rulings if not ruling.outcome.outcome or ruling.of_row]
    if not alive:
        return None
    top = max(ruling.rank for ruling in alive)
    best = [ruling for ruling in alive if ruling.rank == top]
    for ruling in alive:
        if ruling.rank < top and not ruling.of_row:
            ruling.outcome.end("superseded")
    if any(not _same(_value(ruling), _value(best[0])) for ruling in best[1:]):
        for ruling in best:
            ruling.outcome.end("contradicted")
        return None
    for ruling in best[:-1]:
        if not ruling.of_row:
            ruling.outcome.end("superseded")
    return best[-1]


def _value(ruling: Ruling) -> Any:
    return None if ruling.given is None else ruling.given.value


def _same(one: Any, other: Any) -> bool:
    if one is None or other is None or isinstance(one, str) or isinstance(other, str):
        return bool(one == other)
    return math.isclose(one, other, rel_tol=1e-9)


def values_then(row: Row, evidence: Iterable[Row]) -> str:
    """The values of a report as `was` keeps them for a row that was found right; those from the vehicle list not."""
    listed = {one["field"] for one in evidence if one["origin"] == "list"}
    shown = [name for name in row if name in FIELD_NAMES or name in {one["field"] for one in evidence}]
    values = {name: row[name] for name in shown if row[name] is not None and name not in listed}
    return json.dumps(values, ensure_ascii=False, separators=(", ", ": "))
