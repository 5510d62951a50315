"""Takes a filled-in sheet back: changed cells become decisions, bad cells are named, and no good one is lost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from json import dumps, loads
from pathlib import Path

from pipeline.correct_readings.attach import Wanted, find_report, find_responses
from pipeline.correct_readings.decisions import Decision, moment
from pipeline.correct_readings.describe import Refused, RunView
from pipeline.correct_readings.sheet import COLUMNS, FIELD_CHOICES, OPEN, ROW, ROW_CHOICES
from pipeline.correct_readings.sheet_files import Cells, letter, read_sheet
from pipeline.correct_readings.values import ABSENT_WORDS, read_value
from pipeline.keep_ledger.rows import value_text
from pipeline.problems import UsageProblem


@dataclass(frozen=True, slots=True)
class BadCell:
    """A cell that cannot be taken: where it stands, what was given there, what is accepted, and its line's report."""

    sheet: str
    row: int
    column: str
    name: str
    given: str
    accepted: str
    report: str = ""

    def __str__(self) -> str:
        what = f"{self.given!r} is not accepted" if self.given else "is empty"
        return f"{self.sheet}, row {self.row}, column {self.column} ({self.name}): {what}; accepted: {self.accepted}"


@dataclass(slots=True)
class TakenBack:
    """What a sheet says: new decisions, the cells that are bad, and how many say what was decided or is so already."""

    decisions: list[Decision] = field(default_factory=list)
    bad: list[BadCell] = field(default_factory=list)
    already: int = 0


@dataclass(frozen=True, slots=True)
class _Place:
    sheet: str
    row: int
    columns: Mapping[str, int]
    report: str

    def bad(self, name: str, given: str, accepted: str) -> BadCell:
        column = letter(self.columns.get(name, 0))
        return BadCell(self.sheet, self.row, column, name, given, accepted, self.report)


def take_back(path: Path, view: RunView, known: Sequence[Decision], *, who: str, when: str) -> TakenBack:
    """Reads a sheet that `crowdfade queue` wrote and people filled in.

    `known` are the ledger's decisions: what they say already is not said again.  `who` is taken where the sheet does
    not say it.  Raises `UsageProblem` where the file is no such sheet.
    """
    sheet, rows = read_sheet(path)
    columns = {str(name): place for place, name in enumerate(rows[0])} if rows else {}
    lost = [name for name in COLUMNS if name not in columns]
    if lost:
        raise UsageProblem(
            f"is no sheet of `crowdfade queue`: it has no column {lost[0]!r}",
            where=f"{path}, row 1",
            todo="leave the header as it was; crowdfade queue LEDGER --to FILE writes a new sheet",
        )
    taken = TakenBack()
    lines = [
        (
            _Place(sheet, number, columns, str(_at(row, columns["report"]))),
            {name: _at(row, place) for name, place in columns.items()},
        )
        for number, row in enumerate(rows[1:], start=2)
    ]
    filled = [(place, cells) for place, cells in lines if any(cells[name] != "" for name in OPEN)]
    reports = _reports_of([cells for _, cells in filled], view)
    verified: list[tuple[_Place, Decision]] = []
    for place, cells in filled:
        report = reports.get((str(cells["report"]), str(cells["text mark"]), str(cells["places"])))
        if report is None and _taken_out(place.report, known):
            taken.already += 1
            continue
        if report is None:
            accepted = "the id of a report of the latest run, as the sheet was written"
            taken.bad.append(place.bad("report", str(cells["report"]), accepted))
            continue
        try:
            decision = _decided(cells, report, view, who=who, when=when)
        except Refused as refused:
            taken.bad.append(place.bad(_column(refused.column), refused.given, refused.accepted))
            continue
        if decision is None:
            taken.already += 1
        elif decision.kind == "verified" and not decision.field:
            verified.append((place, decision))
        else:
            taken.decisions.append(decision)
    _add_verified(verified, taken, view)
    _leave_out_known(taken, known)
    return taken


def _taken_out(report: str, known: Sequence[Decision]) -> bool:
    """Whether a report is not there any more because a person took it out."""
    response = report.rpartition("-")[0]
    return any(
        (one.kind == "not-a-report" and one.report == report) or (one.kind == "drop" and one.response == response)
        for one in known
    )


def _at(row: Cells, place: int) -> str | float:
    return row[place] if place < len(row) else ""


def _column(name: str) -> str:
    """The sheet's name of a decision's column."""
    return {"value": "new value", "field": "new value", "words": "words for it", "response": "report"}.get(name, name)


def _reports_of(lines: Iterable[Mapping[str, str | float]], view: RunView) -> dict[tuple[str, str, str], str]:
    """What the locked cells of a line say -> the report now; by the text where ids have changed since."""
    keys = {(str(cells["report"]), str(cells["text mark"]), str(cells["places"])) for cells in lines}
    wanted = {key: Wanted(key[0].rpartition("-")[0], key[1]) for key in keys}
    found = find_responses(wanted.values(), view.tables["responses"])
    there = {key: response for key in keys if (response := found[wanted[key]].response) is not None}
    view.hold(there.values())
    reports = {}
    for key, response in there.items():
        home = view.response(response)
        if home is not None and (report := find_report(key[0], key[2], home.places())) is not None:
            reports[key] = report
    return reports


def _decided(cells: Mapping[str, str | float], report: str, view: RunView, *, who: str, when: str) -> Decision | None:
    """The decision of one line, or None where it changes nothing.  Raises `Refused`."""
    line, given, said = str(cells["line"]), cells["new value"], str(cells["decision"])
    of_row = line == ROW
    choices = ROW_CHOICES if of_row else FIELD_CHOICES
    if said and said.casefold() not in choices:
        raise Refused("decision", said, "one of " + ", ".join(choices))
    kind = choices.get(said.casefold(), "")
    if not of_row and line not in view.columns:
        raise Refused("line", line, f"{ROW}, or a field: " + ", ".join(view.columns))
    field_name, value = "" if of_row else line, given
    if of_row and given != "" and kind != "split":
        raise Refused("new value", str(given), "nothing in this line (only a split names fields here)")
    if of_row and kind == "split":
        field_name, value = str(given), ""
        if not field_name:
            raise Refused("new value", "", "the fields of the second vehicle, with commas: odometer_km, loss_pct")
    if not of_row and given != "":
        if kind in ("absent", "as-read"):
            raise Refused("new value", str(given), f"nothing beside the decision {said!r}")
        says_absent = isinstance(given, str) and given.casefold() in ABSENT_WORDS
        kind = "absent" if says_absent else "value"
        value = "" if says_absent else given
    if not kind:
        raise Refused("decision", "", "one of " + ", ".join(choices) + ("" if of_row else ", or a new value"))
    by = str(cells["who"]) or who
    why = str(cells["why"]) or ("looked at" if kind == "verified" else "")
    if not why:
        raise Refused("why", "", "a reason, in a few words")
    if not by:
        raise Refused("who", "", "who decided, here or with --who")
    home = view.report(report)
    of_response = kind in ("drop", "copy-of", "not-a-copy")
    decision = view.decide(
        kind, report="" if of_response else report, response=report.rpartition("-")[0], field=field_name, value=value,
        other=str(cells["other"]), words=str(cells["words for it"]), who=by, why=why, when=when,
    )  # fmt: skip
    if kind == "value" and home is not None:
        now = home.report(report)[field_name]
        new = read_value(view.columns[field_name], value).value
        return None if now is not None and value_text(now) == value_text(new) else decision
    if kind == "absent" and home is not None and home.report(report)[field_name] is None:
        return None
    return decision


def _add_verified(verified: Sequence[tuple[_Place, Decision]], taken: TakenBack, view: RunView) -> None:
    """Adds the rows that were found right, with what the same sheet corrects in them counted in."""
    not_whole = {bad.report for bad in taken.bad}
    for place, decision in verified:
        values = loads(decision.was)
        for other in taken.decisions:
            if other.report != decision.report or other.kind not in ("value", "absent"):
                continue
            values.pop(other.field, None)
            if other.kind == "value":
                values[other.field] = read_value(view.columns[other.field], other.value).value
        if place.report in not_whole:
            accepted = "nothing yet: a cell of this row is bad; mend it first"
            taken.bad.append(place.bad("decision", "right", accepted))
            continue
        taken.decisions.append(replace(decision, was=dumps(values, ensure_ascii=False, separators=(", ", ": "))))


def _leave_out_known(taken: TakenBack, known: Sequence[Decision]) -> None:
    """Takes out what the ledger's latest decision about the same says already."""
    latest: dict[tuple[str, str, str], Decision] = {}
    for decision in sorted(known, key=lambda one: moment(one.when)):
        latest[decision.slot()] = decision
    fresh = []
    for decision in taken.decisions:
        before = latest.get(decision.slot())
        same_row = decision.kind != "verified" or (before is not None and before.was == decision.was)
        if before is not None and before.says_the_same(decision) and same_row:
            taken.already += 1
        else:
            fresh.append(decision)
    taken.decisions = fresh
