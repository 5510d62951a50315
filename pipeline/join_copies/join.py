"""Joins what belongs together: copies of one response, and reports of one vehicle.

    responses -> copies (`copies`) -> which report repeats which (`same_reports`)
              -> each author's other reports -> vehicles and conflicts (`vehicles`) -> keys, flags, links

`join_copies` does it for everything at once; `join_more` adds new responses to what was joined before, compares only
the new with all, and gives exactly what `join_copies` would give for all of them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import FIELD_NAMES, arrow_schema
from pipeline.join_copies.copies import Copies, find_copies, read_texts
from pipeline.join_copies.orders import NO_ORDERS, Orders
from pipeline.join_copies.readings import Reading, read_row
from pipeline.join_copies.same_reports import copy_all, pair_reports
from pipeline.join_copies.vehicles import FLAGS, Link, find_conflicts, gather

if TYPE_CHECKING:
    import pyarrow

KEY_DIGITS = 24
_AUTHORS_AT_ONCE = 20_000
_TEXT_COLUMNS = ("response_id", "author_key", "posted_at", "text")
_REPORT_COLUMNS = (
    "report_id", "response_id", "source", "posted_at", "author_key", *FIELD_NAMES, "make", "model", "chemistry_origin",
)  # fmt: skip
_VEHICLE_KINDS = ("follow-up", "one vehicle told twice", "conflict")
KEPT_APART = "kept apart"
"""The kind of link that says that a person has kept two rows apart."""


def _no_links() -> pyarrow.Table:
    return arrow_schema("links").empty_table()


@dataclass(frozen=True, slots=True)
class Joined:
    """What belongs together.

    `response_copy_of` and `report_copy_of` lead from each copy to its original; `vehicle_key` gives every report its
    vehicle's key; `flags` the conflict codes of a report (`vehicles.FLAGS`); `links` says why, row by row.
    """

    response_copy_of: dict[str, str] = field(default_factory=dict)
    report_copy_of: dict[str, str] = field(default_factory=dict)
    vehicle_key: dict[str, str] = field(default_factory=dict)
    flags: dict[str, list[str]] = field(default_factory=dict)
    links: pyarrow.Table = field(default_factory=_no_links)

    @classmethod
    def from_tables(cls, responses: pyarrow.Table, reports: pyarrow.Table, links: pyarrow.Table) -> Joined:
        """What the tables of a finished ledger say was joined: the `known` of `join_more`."""
        return cls(
            _said(responses, "response_id", "copy_of"),
            _said(reports, "report_id", "copy_of"),
            _said(reports, "report_id", "vehicle_key"),
            {
                report: ours
                for report, flags in zip(reports["report_id"].to_pylist(), reports["flags"].to_pylist(), strict=True)
                if (ours := sorted(flag for flag in flags if flag in FLAGS))
            },
            links,
        )


def join_copies(
    responses: pyarrow.Table, reports: pyarrow.Table, evidence: pyarrow.Table, orders: Orders = NO_ORDERS
) -> Joined:
    """Copies, vehicles and conflicts among all of the responses and their reports.

    `responses` needs response_id, author_key, posted_at and text; `reports` the columns of `reports.parquet` that are
    known before this stage (make and model may be missing); `evidence` is read for the place where a report is told.
    `orders` are a person's decisions, whose ids must be among the rows.  The order of rows plays no part.
    """
    none = (responses.slice(0, 0), reports.slice(0, 0), evidence.slice(0, 0))
    return join_more(Joined(), *none, responses, reports, evidence, orders)


def join_more(
    known: Joined,
    known_responses: pyarrow.Table,
    known_reports: pyarrow.Table,
    known_evidence: pyarrow.Table,
    responses: pyarrow.Table,
    reports: pyarrow.Table,
    evidence: pyarrow.Table,
    orders: Orders = NO_ORDERS,
) -> Joined:
    """Adds new rows to what was joined; gives exactly what `join_copies` gives for the known and the new together.

    Only new responses are compared with all; vehicles are gathered again only for authors who have a new report, or
    a report in a group of copies that a new response has joined.  With `orders` everything is compared again, since
    what was joined before may have been joined without them.
    """
    import pyarrow as pa

    said = pa.concat_tables([_chosen(known_responses, _TEXT_COLUMNS), _chosen(responses, _TEXT_COLUMNS)])
    rows = pa.concat_tables([_chosen(known_reports, _REPORT_COLUMNS), _chosen(reports, _REPORT_COLUMNS)])
    told = pa.concat_tables([_chosen(known_evidence, _PLACE_COLUMNS), _chosen(evidence, _PLACE_COLUMNS)])
    if orders:
        known, known_responses = Joined(), known_responses.slice(0, 0)
    fresh_ids = set(responses["response_id"].to_pylist()) if known_responses.num_rows else None
    copies = find_copies(read_texts(said, fresh_ids), known.response_copy_of, orders)
    links = [
        Link("copy", copy, original, None if alike.score is None else round(alike.score, 4), alike.reason)
        for copy, (original, alike) in copies.links.items()
    ]
    links += [
        Link(KEPT_APART, one, other or one, None, orders.reasons[one]) for one, other in orders.not_copies.items()
    ]
    report_copy_of = _copied_reports(copies, rows, links, orders)
    joining = _Vehicles(known, None if fresh_ids is None else _touched(rows, fresh_ids | copies.changed), orders)
    joining.gather(rows, report_copy_of, said, told)
    return Joined(
        copies.of,
        report_copy_of,
        joining.keys(rows["report_id"].to_pylist(), report_copy_of),
        {report: sorted(flags) for report, flags in sorted(joining.flags.items())},
        _link_table(links + joining.links),
    )


def join_again(
    known: Joined, responses: pyarrow.Table, reports: pyarrow.Table, evidence: pyarrow.Table, changed: set[str]
) -> Joined:
    """Joins the same responses again after the reports of `changed` ones (ids) have changed.

    Gives exactly what `join_copies` gives.  `known` is what was joined before, without a person's orders.  Copies of
    responses hang on their texts alone and stay; reports are paired again in groups of copies with a changed response,
    and vehicles are gathered again for the authors in these and of changed responses.
    """
    import pyarrow.compute as pc

    rows, said = _chosen(reports, _REPORT_COLUMNS), _chosen(responses, _TEXT_COLUMNS)
    of = known.response_copy_of
    touched = {of.get(one, one) for one in changed}
    members = changed | {copy for copy, original in of.items() if original in touched} | (touched & set(of.values()))
    links = [Link(**row) for row in known.links.filter(pc.equal(known.links["kind"], "copy")).to_pylist()]
    response_of = dict(zip(rows["report_id"].to_pylist(), rows["response_id"].to_pylist(), strict=True))
    report_copy_of = {
        copy: original for copy, original in known.report_copy_of.items() if response_of.get(copy) not in members
    }
    report_copy_of = {copy: original for copy, original in report_copy_of.items() if copy in response_of}
    links = [link for link in links if link.id in of or link.id in report_copy_of]
    # in the order of time, as the search for copies gives them
    mine = said.filter(pc.is_in(said["response_id"], _ids(members)))
    late = datetime.max.replace(tzinfo=UTC)
    times = dict(zip(mine["response_id"].to_pylist(), mine["posted_at"].to_pylist(), strict=True))
    ordered = sorted((one for one in members if one in of), key=lambda one: (times[one] or late, one))
    some = Copies({one: of[one] for one in ordered}, {}, set())
    report_copy_of |= _copied_reports(some, rows, links, NO_ORDERS)
    authors = {author for author in mine["author_key"].to_pylist() if author is not None}
    joining = _Vehicles(known, authors)
    joining.gather(rows, report_copy_of, said, _chosen(evidence, _PLACE_COLUMNS))
    return Joined(
        of,
        report_copy_of,
        joining.keys(rows["report_id"].to_pylist(), report_copy_of),
        {report: sorted(flags) for report, flags in sorted(joining.flags.items())},
        _link_table(links + joining.links),
    )


def _ids(names: Iterable[str]) -> pyarrow.Array:
    import pyarrow as pa

    return pa.array(sorted(names), pa.string())


_PLACE_COLUMNS = ("report_id", "start")


class _Vehicles:
    """The vehicles of all authors while they are gathered.

    Those of authors who are not `touched` (None: all are) are taken as they were.
    """

    def __init__(self, known: Joined, touched: set[str] | None, orders: Orders = NO_ORDERS) -> None:
        self._known = known
        self._touched = touched
        self._orders = orders
        self._first: dict[str, str] = {}  # report -> the first report of its vehicle, where it is another one
        self.flags: dict[str, set[str]] = {}
        self.links: list[Link] = []

    def gather(
        self, rows: pyarrow.Table, report_copy_of: dict[str, str], responses: pyarrow.Table, evidence: pyarrow.Table
    ) -> None:
        """Gathers the original reports of each touched author, and takes over those of the others."""
        import pyarrow as pa

        ids, authors = rows["report_id"].to_pylist(), rows["author_key"].to_pylist()
        of_author: dict[str, list[int]] = defaultdict(list)
        for row, (report, author) in enumerate(zip(ids, authors, strict=True)):
            if author is not None and report not in report_copy_of:
                of_author[author].append(row)
        if self._touched is not None:
            self._take_over({ids[row] for author in of_author.keys() - self._touched for row in of_author[author]})
        several = sorted(
            author
            for author, found in of_author.items()
            if len(found) > 1 and (self._touched is None or author in self._touched)
        )
        del ids, authors
        for start in range(0, len(several), _AUTHORS_AT_ONCE):
            chosen = sorted(row for author in several[start : start + _AUTHORS_AT_ONCE] for row in of_author[author])
            self._gather_some(rows.take(pa.array(chosen, pa.int64())), responses, evidence)
        if self._orders.one_vehicle or self._orders.two_vehicles:
            self._obey(rows, report_copy_of, responses, evidence)

    def _obey(
        self, rows: pyarrow.Table, report_copy_of: dict[str, str], responses: pyarrow.Table, evidence: pyarrow.Table
    ) -> None:
        """Makes vehicles one that a person said to be one, of one author or of two; looks for conflicts in them."""
        import pyarrow as pa
        import pyarrow.compute as pc

        for (one, two), reason in self._orders.two_vehicles.items():
            self.links.append(Link(KEPT_APART, two, one, None, reason))
        grown: set[str] = set()
        for (one, two), reason in self._orders.one_vehicle.items():
            left, right = (self._vehicle(report_copy_of.get(report, report)) for report in (one, two))
            if left != right:
                self._first[max(left, right)] = min(left, right)
                grown.add(min(left, right))
            self.links.append(Link("one vehicle told twice", two, one, None, reason))
        grown = {self._vehicle(first) for first in grown}
        if not grown:
            return
        ids = rows["report_id"].to_pylist()
        members = [report for report in ids if report not in report_copy_of and self._vehicle(report) in grown]
        chosen = rows.filter(pc.is_in(rows["report_id"], pa.array(members, pa.string())))
        groups: dict[str, list[Reading]] = defaultdict(list)
        for _, reading in _readings(chosen, responses, evidence):
            groups[self._vehicle(reading.report)].append(reading)
        for _, group in sorted(groups.items()):
            flags, links = find_conflicts(sorted(group, key=lambda reading: reading.rank))
            self.links += links
            for report, codes in flags.items():
                self.flags.setdefault(report, set()).update(codes)

    def _vehicle(self, report: str) -> str:
        """The first report of a report's vehicle, through what a person has joined."""
        while (first := self._first.get(report, report)) != report:
            report = first
        return report

    def _gather_some(self, rows: pyarrow.Table, responses: pyarrow.Table, evidence: pyarrow.Table) -> None:
        readings: dict[str, list[Reading]] = defaultdict(list)
        for author, reading in _readings(rows, responses, evidence):
            readings[author].append(reading)
        for author in sorted(readings):
            vehicles = gather(readings[author], self._orders.two_vehicles)
            for group in vehicles.groups:
                for reading in group[1:]:
                    self._first[reading.report] = group[0].report
            self.links += vehicles.links
            for report, flags in vehicles.flags.items():
                self.flags.setdefault(report, set()).update(flags)

    def _take_over(self, reports: set[str]) -> None:
        firsts: dict[str, str] = {}
        for report in sorted(reports):
            first = firsts.setdefault(self._known.vehicle_key[report], report)
            if first != report:
                self._first[report] = first
            if flags := self._known.flags.get(report):
                self.flags[report] = set(flags)
        for link in self._known.links.to_pylist():
            if link["kind"] in _VEHICLE_KINDS and link["id"] in reports:
                self.links.append(Link(**link))

    def keys(self, reports: Iterable[str], report_copy_of: dict[str, str]) -> dict[str, str]:
        """Each report's vehicle key: a hash of the smallest report_id of its vehicle, copies counted in."""
        first_of: dict[str, str] = {}
        smallest: dict[str, str] = {}
        for report in reports:
            original = report_copy_of.get(report, report)
            first = first_of[report] = self._vehicle(original)
            smallest[first] = min(smallest.get(first, report), report)
        return {report: vehicle_key(smallest[first]) for report, first in first_of.items()}


def vehicle_key(smallest_report: str) -> str:
    """The key of the vehicle whose smallest report_id this is: 24 hex digits of SHA-256."""
    return sha256(f"vehicle {smallest_report}".encode()).hexdigest()[:KEY_DIGITS]


def _copied_reports(copies: Copies, rows: pyarrow.Table, links: list[Link], orders: Orders) -> dict[str, str]:
    """Which report repeats which, over all groups of copies; adds a link for each."""
    import pyarrow as pa
    import pyarrow.compute as pc

    members = copies.of.keys() | set(copies.of.values())
    wanted = pc.is_in(rows["response_id"], pa.array(sorted(members), pa.string()))
    of_response: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows.filter(wanted).to_pylist():
        of_response[row["response_id"]].append(row)
    clusters: dict[str, list[str]] = {}
    for copy, original in copies.of.items():  # in the order of time
        clusters.setdefault(original, [original]).append(copy)
    found: dict[str, str] = {}
    for cluster in clusters.values():
        reports = [sorted(of_response[member], key=lambda row: str(row["report_id"])) for member in cluster]
        for report, (original, share) in pair_reports(reports, orders.decided).items():
            found[report] = original
            links.append(Link("copy", report, original, round(share, 4), "its response is a copy; the values agree"))
        for place, member in enumerate(cluster):
            if member in orders.copies and (left := [row for row in reports[place] if row["report_id"] not in found]):
                copy_all(left, reports[0] or [row for some in reports[:place] for row in some], found)
                links += [
                    Link("copy", row["report_id"], found[row["report_id"]], None, orders.reasons[member])
                    for row in left
                    if row["report_id"] in found
                ]
    return found


def _touched(rows: pyarrow.Table, responses: set[str]) -> set[str]:
    pairs = zip(rows["response_id"].to_pylist(), rows["author_key"].to_pylist(), strict=True)
    return {author for response, author in pairs if author is not None and response in responses}


def _readings(rows: pyarrow.Table, responses: pyarrow.Table, evidence: pyarrow.Table) -> Iterable[tuple[str, Reading]]:
    import pyarrow.compute as pc

    wanted = pc.is_in(responses["response_id"], pc.unique(rows["response_id"]))
    some = responses.filter(wanted)
    said = dict(zip(some["response_id"].to_pylist(), some["text"].to_pylist(), strict=True))
    told = evidence.filter(pc.is_in(evidence["report_id"], pc.unique(rows["report_id"])))
    told = told.group_by("report_id").aggregate([("start", "min")])
    places = dict(zip(told["report_id"].to_pylist(), told["start_min"].to_pylist(), strict=True))
    others = set(rows.filter(pc.equal(rows["whose"], "other"))["report_id"].to_pylist())
    counts: dict[str, list[str]] = defaultdict(list)
    for response, report in zip(rows["response_id"].to_pylist(), rows["report_id"].to_pylist(), strict=True):
        counts[response].append(report)
    order = {report: number for reports in counts.values() for number, report in enumerate(sorted(reports))}
    for batch in rows.to_batches(8192):
        for row in batch.to_pylist():
            report, response = row["report_id"], row["response_id"]
            yield (
                row["author_key"],
                read_row(
                    row,
                    text=said.get(response) or "",
                    number=order[report],
                    alone=len(counts[response]) == 1 or {report} == others.intersection(counts[response]),
                    said_at=places.get(report),
                ),
            )


def _chosen(table: pyarrow.Table, columns: Iterable[str]) -> pyarrow.Table:
    """The columns of a table in one schema, those that it lacks as nulls."""
    import pyarrow as pa

    types = {"posted_at": pa.timestamp("us", tz="UTC"), "start": pa.int64(), "end": pa.int64()}
    types |= {column.name: column.type for column in arrow_schema("reports") if column.name not in types}
    out = {}
    for name in columns:
        wanted = types.get(name, pa.string())
        if name in table.column_names:
            out[name] = table[name].cast(wanted)
        else:
            out[name] = pa.chunked_array([pa.nulls(table.num_rows, wanted)])
    return pa.table(out)


def _said(table: pyarrow.Table, key: str, column: str) -> dict[str, str]:
    pairs = zip(table[key].to_pylist(), table[column].to_pylist(), strict=True)
    return {one: other for one, other in pairs if other is not None}


def _link_table(links: list[Link]) -> pyarrow.Table:
    import pyarrow as pa

    rows = sorted(set(links), key=lambda link: (link.kind, link.id, link.other_id, link.reason))
    columns = ("kind", "id", "other_id", "score", "reason")
    return pa.table({name: [getattr(link, name) for link in rows] for name in columns}, schema=arrow_schema("links"))
