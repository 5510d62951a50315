"""Makes a decision of what a person says about a run: checks it, and adds what is needed to find its place again."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.correct_readings.decisions import KINDS, Decision, missing, text_mark, write_places
from pipeline.correct_readings.field_decisions import values_then
from pipeline.correct_readings.held import Held, hold, places_of
from pipeline.correct_readings.values import BadValue, correctable, read_value
from pipeline.dataset_columns import declared_fields
from pipeline.keep_ledger.rows import value_text
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem

TABLES_USED = ("responses", "reports", "evidence", "parts")


class Refused(ValueError):
    """What a person said is no decision: `column` names what is wrong, `given` it, `accepted` what would be right."""

    def __init__(self, column: str, given: str, accepted: str) -> None:
        super().__init__(f"{column}: {given!r} is not accepted; accepted: {accepted}")
        self.column = column
        self.given = given
        self.accepted = accepted


def now() -> str:
    """The time now as decisions hold it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class RunView:
    """A run as people decide about it; `folder` is the run's, and only what is asked for is read of it."""

    def __init__(self, folder: Path) -> None:
        import pyarrow.parquet as pq

        self.folder = folder
        self.tables: dict[str, Any] = {}
        for name in TABLES_USED:
            path = folder / f"{name}.parquet"
            try:
                with ledger_errors(path, "reading a table", todo="build again"):
                    self.tables[name] = pq.read_table(path)
            except ValueError as error:  # pyarrow's ArrowInvalid is one
                raise LedgerProblem("this table is damaged", where=str(path), todo="build again") from error
        self.columns = correctable(declared_fields(self.tables["reports"].schema))
        self._held: dict[str, Held] = {}

    def hold(self, responses: Iterable[str]) -> None:
        """Reads these responses at once; what is asked for later is read one by one."""
        wanted = {one for one in responses if one not in self._held}
        if wanted:
            self._held |= hold(self.tables, wanted)

    def response(self, response: str) -> Held | None:
        """A response by its id in the ledger, or None."""
        self.hold([response])
        return self._held.get(response)

    def report(self, report: str) -> Held | None:
        """The response of a report by the report's id, or None."""
        home = self.response(report.rpartition("-")[0])
        return home if home is not None and report in home.report_ids() else None

    def find(self, given: str, *, report: bool) -> str:
        """The id in the ledger of what a person calls `given`: the ledger's id or the export's own ("k1", "k1-2").

        Raises `Refused` where there is none, or several.
        """
        import pyarrow.compute as pc

        if report and self.report(given) is not None:
            return given
        if not report and self.response(given) is not None:
            return given
        column, numbered = "response_id" if report else "source_response_id", self.tables["reports"]
        if report:
            own, dash, number = given.rpartition("-")
            named = numbered.filter(pc.equal(numbered["source_response_id"], own if dash else given))
            ids = [one for one in named["report_id"].to_pylist() if dash and one.endswith(f"-{number}")]
            if not ids:
                same = numbered.filter(
                    pc.or_(pc.equal(numbered["source_response_id"], given), pc.equal(numbered[column], given))
                )
                ids = same["report_id"].to_pylist()
        else:
            responses = self.tables["responses"]
            ids = responses.filter(pc.equal(responses[column], given))["response_id"].to_pylist()
        if len(ids) == 1:
            return str(ids[0])
        what = "report" if report else "response"
        several = f"the id of one {what}; there are {', '.join(ids[:5])}"
        raise Refused(what, given, several if ids else f"the id of a {what} of the latest run (crowdfade show)")

    def decide(
        self,
        kind: str,
        *,
        who: str,
        why: str,
        when: str,
        report: str = "",
        response: str = "",
        field: str = "",
        value: str | float = "",
        other: str = "",
        words: str = "",
    ) -> Decision:
        """The decision that a person makes; ids are the ledger's.  Raises `Refused` where it is none."""
        if kind not in KINDS:
            raise Refused("decision", kind, "one of " + ", ".join(KINDS))
        home = self.report(report) if report else self.response(response)
        if home is None and report and kind == "value":
            home = self.response(report.rpartition("-")[0])
        if home is None:
            raise Refused("report" if report else "response", report or response, "an id of the latest run")
        of_fields = [name for name in (field.split(",") if kind == "split" else [field]) if name.strip()]
        for name in of_fields:
            if name.strip() not in self.columns:
                raise Refused("field", name.strip(), "one of " + ", ".join(self.columns))
        given = value_text(value) if isinstance(value, int | float) else value.strip()
        if kind == "value":
            try:
                read_value(self.columns[field], value if given else "")
            except (BadValue, KeyError) as bad:
                taken = bad.accepted if isinstance(bad, BadValue) else "a field to give it to"
                raise Refused("value", given, taken) from None
        text = home.response["text"]
        if words and text is not None and words not in text:
            raise Refused("words", words, "words that stand in the text, exactly as there")
        decision = Decision(
            kind=kind,
            response=home.response["response_id"],
            report=report,
            field=",".join(name.strip() for name in of_fields),
            value=given,
            words=words,
            who=who.strip(),
            when=when,
            why=" ".join(why.split()),
            was=self._was(kind, home, report, field),
            source=home.response["source"],
            source_id=home.response["source_response_id"],
            text="" if text is None else text_mark(text),
            places=_places(home, report) if report else "",
            **self._other(kind, home, other),
        )
        if wrong := missing(decision):
            column, _, what = wrong[0].partition(" is ")
            raise Refused(column, "" if what == "empty" else what, f"{column} must be given")
        return decision

    def _was(self, kind: str, home: Held, report: str, field: str) -> str:
        if report not in home.report_ids():
            return ""
        row = home.report(report)
        if kind == "verified" and not field:
            return values_then(row, home.evidence.get(report, ()))
        if kind in ("value", "absent", "verified") and row.get(field) is not None:
            return value_text(row[field])
        return ""

    def _other(self, kind: str, home: Held, other: str) -> dict[str, str]:
        """What a decision says of the other row, if its kind has one."""
        if kind == "not-a-copy":
            column = self.tables["responses"]
            place = column["response_id"].index(home.response["response_id"]).as_py()
            other = column["copy_of"][place].as_py() or ""
        elif "other" not in KINDS[kind].needs:
            if other:
                raise Refused("other", other, f"nothing: {kind} has no other row")
            return {}
        if not other:
            return {}
        of_report = "vehicle" in kind
        there = self.report(other) if of_report else self.response(other)
        if there is None:
            raise Refused("other", other, f"the id of another {'report' if of_report else 'response'}")
        text = there.response["text"]
        return {
            "other": other,
            "other_text": "" if text is None else text_mark(text),
            "other_places": _places(there, other) if of_report else "",
        }


def _places(home: Held, report: str) -> str:
    return write_places(places_of([*home.evidence.get(report, ()), *home.parts.get(report, ())]))
