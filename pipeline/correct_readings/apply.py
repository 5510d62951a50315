"""Lets people's decisions outrank what was read: tables as read in, corrected tables and orders for the joining out.

    decisions -> attached to responses -> drops, splits, merges -> attached to reports -> values -> rows

Depends on the tables and the decisions alone, not on the order of either.  Only responses that a decision is about are
touched; all other rows are passed on as they are.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from pipeline.correct_readings.attach import Wanted, find_report, find_responses, number_of
from pipeline.correct_readings.corrections_file import Kept
from pipeline.correct_readings.decisions import Decision, missing, moment
from pipeline.correct_readings.field_decisions import decide_fields
from pipeline.correct_readings.held import Held, hold
from pipeline.correct_readings.outcomes import Outcome
from pipeline.correct_readings.values import correctable
from pipeline.correct_readings.vehicle_decisions import orders_of
from pipeline.dataset_columns import declared_fields
from pipeline.group_reports.vehicle_list import VehicleList
from pipeline.join_copies.orders import NO_ORDERS, Orders

if TYPE_CHECKING:
    import pyarrow

CHANGED = ("reports", "evidence", "parts")
"""The tables that decisions change before the joining."""


@dataclass(slots=True)
class Corrected:
    """Tables with the decisions applied; `changed` are the responses of which a row differs, `verified` the reports
    that a person found right, `orders` what the joining has to obey."""

    tables: dict[str, pyarrow.Table]
    outcomes: list[Outcome] = field(default_factory=list)
    orders: Orders = NO_ORDERS
    verified: set[str] = field(default_factory=set)
    changed: set[str] = field(default_factory=set)


def apply(
    tables: Mapping[str, pyarrow.Table], decisions: Sequence[Kept], listed: VehicleList | None = None
) -> Corrected:
    """Applies `decisions` to the tables `responses`, `reports`, `evidence` and `parts` as they were read.

    `listed` is the run's vehicle list: make, model and chemistry are filled in anew where a name or a year was
    corrected.  Nothing is raised for a decision that cannot be applied: its outcome says so.
    """
    corrected = Corrected(dict(tables))
    outcomes = [Outcome(one.decision, one.line) for one in sorted(decisions, key=_rank)]
    corrected.outcomes = outcomes
    if not outcomes:
        return corrected
    for one in outcomes:
        if wrong := missing(one.decision):
            one.end("not-sound", "; ".join(wrong))
    _attach_responses([one for one in outcomes if not one.outcome], tables["responses"])
    work = [one for one in outcomes if not one.outcome]
    held = hold(tables, {name for one in work for name in (one.response, _response_of_other(one)) if name})
    columns = correctable(declared_fields(tables["reports"].schema))
    names = tables["reports"].column_names
    _take_back_and_drop(work, held)
    _split(_open(work, "split"), held, names, columns)
    _attach_reports(_open(work), held)
    _merge(_open(work, "one-vehicle"), held, work)
    corrected.verified = decide_fields(_open(work), held, columns, names, listed)
    there = {report for one in held.values() for report in one.report_ids()}
    named = {name for one in _open(work) for name in (one.report, one.other) if name and "-" in name}
    changed = {report: frozenset(fields) for one in held.values() for report, fields in sorted(one.decided.items())}
    corrected.orders = replace(orders_of(_open(work), named - there), decided=changed)
    for one in outcomes:
        one.end("applied")
    corrected.changed = {name for name, one in held.items() if one.changed}
    if corrected.changed:
        for table in CHANGED:
            corrected.tables[table] = _rebuilt(tables, table, held, corrected.changed)
    return corrected


def _rank(kept: Kept) -> tuple[Any, ...]:
    decision = kept.decision
    return (moment(decision.when), *(getattr(decision, name) for name in Decision.__slots__), kept.line)


def _open(work: Iterable[Outcome], *kinds: str) -> list[Outcome]:
    """Those of which nothing is settled yet, of some kinds or of all."""
    return [one for one in work if not one.outcome and (not kinds or one.decision.kind in kinds)]


# -- attaching --------------------------------------------------------------------------------------------------------


def _wanted(decision: Decision) -> Wanted:
    response = decision.response or decision.report.rpartition("-")[0]
    return Wanted(response, decision.text, decision.source, decision.source_id)


def _wanted_other(decision: Decision) -> Wanted | None:
    if not decision.other:
        return None
    of_report = decision.kind in ("one-vehicle", "two-vehicles")
    return Wanted(decision.other.rpartition("-")[0] if of_report else decision.other, decision.other_text)


def _attach_responses(work: list[Outcome], responses: pyarrow.Table) -> None:
    wanted = {one for each in work for one in (_wanted(each.decision), _wanted_other(each.decision)) if one}
    found = find_responses(wanted, responses)
    for one in work:
        here = found[_wanted(one.decision)]
        one.response = here.response
        if here.response is None:
            one.end(here.outcome, here.detail)
            continue
        if here.detail:
            one.detail = here.detail
        if (other := _wanted_other(one.decision)) is None:
            continue
        there = found[other]
        if there.response is None:
            # What a "not a copy" was taken for a copy of is only told.
            if one.decision.kind != "not-a-copy":
                one.end(there.outcome, f"the other one: {there.detail}")
            continue
        one.other = there.response


def _response_of_other(one: Outcome) -> str | None:
    return one.other if one.decision.kind in ("one-vehicle", "two-vehicles") else None


def _attach_reports(work: list[Outcome], held: Mapping[str, Held]) -> None:
    """Finds the reports that are meant."""
    for one in work:
        decision = one.decision
        if decision.report and one.response:
            one.report = find_report(decision.report, decision.places, held[one.response].places())
        if decision.kind in ("one-vehicle", "two-vehicles"):
            one.other = find_report(decision.other, decision.other_places, held[str(one.other)].places())
            if one.report is None or one.other is None:
                one.end("no-report")
            elif one.report == one.other:
                one.end("overruled", "both are one report")
        elif one.report is None and decision.report and decision.kind not in ("value", "verified"):
            one.end("already-so" if decision.kind in ("not-a-report", "absent") else "no-report")


# -- whole responses and reports --------------------------------------------------------------------------------------


def _take_back_and_drop(work: list[Outcome], held: Mapping[str, Held]) -> None:
    """Settles what was taken back (`as-read`), and takes the reports of dropped responses out."""
    for back in _open(work, "as-read"):
        given, at = back.decision, moment(back.decision.when)
        for one in _open(work):
            decision = one.decision
            if one is back or one.response != back.response or moment(decision.when) > at:
                continue
            if decision.kind == "as-read" and moment(decision.when) == at:
                continue
            about_response = not given.report and not decision.report
            about_report = bool(given.report) and given.report == decision.report
            if about_response or (about_report and given.field in ("", decision.field)):
                one.end("superseded", f"taken back by {given.told()}")
    latest: dict[str, Outcome] = {}
    for one in _open(work, "drop"):
        if one.response in latest:
            latest[one.response].end("superseded")
        latest[str(one.response)] = one
    for response, drop in latest.items():
        for one in _open(work):
            if one.response == response and one is not drop:
                one.end("superseded", f"the response was dropped by {drop.decision.told()}")
        for row in list(held[response].reports):
            held[response].remove(row["report_id"])


def _split(work: list[Outcome], held: Mapping[str, Held], names: Sequence[str], columns: Mapping[str, Any]) -> None:
    attached: dict[tuple[str, str, tuple[str, ...]], Outcome] = {}
    for one in work:
        decision, home = one.decision, held[str(one.response)]
        wrong = [name for name in decision.field_names() if name not in columns]
        one.report = find_report(decision.report, decision.places, home.places())
        if wrong:
            one.end("not-sound", f"there is no field {wrong[0]!r}")
        elif one.report is None:
            one.end("no-report")
        else:
            key = (home.response["response_id"], one.report, tuple(sorted(decision.field_names())))
            if key in attached:
                attached[key].end("superseded")
            attached[key] = one
    for (_, report, fields), one in sorted(attached.items(), key=lambda entry: entry[0]):
        home = held[str(one.response)]
        there = [name for name in fields if home.report(report)[name] is not None]
        if not there:
            one.end("already-so", "the report holds none of these fields any more")
            continue
        new = home.new_report(names)
        home.move(report, new, there)
        if home.report(new)["whose"] is None and (whose := home.evidence_of(report, "whose")) is not None:
            home.report(new)["whose"] = home.report(report)["whose"]
            home.evidence[new].append({**whose, "report_id": new})
        home.report(new)["confidence"] = home.report(report)["confidence"]
        one.end("applied", f"its second vehicle is {new}")


def _merge(joining: list[Outcome], held: Mapping[str, Held], work: Iterable[Outcome]) -> None:
    """Makes two reports of one response that are of one vehicle one report, as the labelling guide wants it.

    Decisions of `work` about the one that goes are then about the one that stays.
    """
    for one in joining:
        if one.report is None or one.other is None or one.report.rpartition("-")[0] != one.other.rpartition("-")[0]:
            continue
        home = held[str(one.response)]
        if one.report == one.other:
            one.end("already-so", "other decisions make them one")
            continue
        kept, gone = sorted((one.report, one.other), key=number_of)
        moved = home.move(gone, kept, [name for name in home.report(gone) if name in _movable(home, gone)])
        home.remove(gone)
        for other in work:
            other.report = kept if other.report == gone else other.report
            other.other = kept if other.other == gone else other.other
        one.end("applied", f"{gone} went into {kept}" + (f" with {', '.join(moved)}" if moved else ""))


def _movable(home: Held, report: str) -> set[str]:
    return {row["field"] for row in home.evidence.get(report, ())}


# -- tables -----------------------------------------------------------------------------------------------------------


def _rebuilt(
    tables: Mapping[str, pyarrow.Table], table: str, held: Mapping[str, Held], changed: set[str]
) -> pyarrow.Table:
    """A table with the rows of changed responses in the place of the old ones, in the order of `responses`."""
    import pyarrow as pa
    import pyarrow.compute as pc

    data = tables[table]
    kept = data.filter(pc.invert(pc.is_in(data["response_id"], pa.array(sorted(changed), pa.string()))))
    rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for name in changed:
        for report in held[name].reports:
            if table == "reports":
                rows[name].append(report)
            else:
                rows[name] += getattr(held[name], table).get(report["report_id"], ())
    new = [row for name in sorted(rows) for row in rows[name]]
    whole = pa.concat_tables([kept, pa.Table.from_pylist(new, schema=data.schema)])
    places = pc.index_in(whole["response_id"], value_set=tables["responses"]["response_id"].combine_chunks())
    return whole.take(pc.sort_indices(pa.table({"at": places}), sort_keys=[("at", "ascending")]))
