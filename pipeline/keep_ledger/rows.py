"""Turns responses, readings and rejects into rows, and hands them to the tables of a run that is being made."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pipeline.dataset_columns import FIELD_NAMES, FIELDS, REPORTS, Column
from pipeline.keep_ledger.pseudonym import PseudonymKey
from pipeline.keep_ledger.tables import TableWriter
from pipeline.problems import RuleProblem
from pipeline.response import FoundValue, Reading, Refusal, Reject, Response

STAGED = ("responses", "reports", "evidence", "rejects", "parts", "refusals", "marks")
"""The tables that are filled while responses stream in; they are put in order and completed by `finish_run`."""

_FIELD_TYPES = {column.name: column.type for column in FIELDS}
_LIMITS = {"int16": 2**15, "int32": 2**31}
_VALUE_COLUMNS = frozenset(column.name for column in REPORTS) - {
    "report_id", "response_id", "source_response_id", "source", "posted_at", "lang", "author_key",
    "chemistry_origin", "vehicle_key", "copy_of", "confidence", "flags", "usable",
}  # fmt: skip


class RunTables:
    """The tables of one run while responses stream in, staged in the folder `work`.

    `keep_text=False` leaves out what only a later rerun could use; the text itself is staged all the same, because
    copies are told by it, and the staged file is removed before the run is put in place.  `fields` are those that rule
    packs declare.
    """

    def __init__(
        self, work: Path, key: PseudonymKey, *, keep_text: bool, lang: str | None, fields: Sequence[Column] = ()
    ) -> None:
        self._fields = tuple(fields)
        self._types = _FIELD_TYPES | {column.name: column.type for column in fields}
        self._key = key
        self._keep_text = keep_text
        self._lang = lang
        self._open = ExitStack()
        self._author_keys: dict[str, str | None] = {}
        self.paths = {name: work / f"{name}.arrow" for name in STAGED}
        self._writers: dict[str, TableWriter] = {}
        self.reject_reasons: Counter[str] = Counter()

    def __enter__(self) -> Self:
        with ExitStack() as opening:
            for name, path in self.paths.items():
                self._writers[name] = opening.enter_context(TableWriter(name, path, self._fields))
            self._open = opening.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        return self._open.__exit__(kind, error, trace)

    def rows(self, table: str) -> int:
        """How many rows a table has been given so far."""
        return self._writers[table].rows

    def reject(self, reject: Reject) -> None:
        """Keeps a record that could not be read."""
        self.reject_reasons[reject.reason] += 1
        self._writers["rejects"].append(
            tuple(sound(text) for text in (reject.source, reject.record, reject.reason, reject.detail, reject.hint))
        )

    def keep(self, response: Response, reading: Reading) -> None:
        """Keeps a response and what was made of it.

        Raises `RuleProblem`, and writes nothing of the response, where a value does not stand at the place that it
        names or no column can hold it: evidence that points elsewhere would be worse than none.
        """
        lang = response.lang or self._lang
        author_key = self.author_key(response.author)
        reports: list[tuple[Any, ...]] = []
        evidence: list[tuple[Any, ...]] = []
        parts: list[tuple[Any, ...]] = []
        for number, report in enumerate(reading.reports, start=1):
            report_id = f"{response.response_id}-{number}"
            for name, found in report.values.items():
                self._check_value(name, found, response)
                evidence.append(_evidence_row(report_id, response.response_id, name, found))
                parts += [
                    (report_id, response.response_id, name, part, raw, start, end)
                    for part, (raw, start, end) in enumerate(found.parts, start=2)
                ]
            values = {
                name: _fitted(name, self._types.get(name, "string"), found, response)
                for name, found in report.values.items()
            }
            chemistry = report.values.get("chemistry")
            reports.append(
                (
                    report_id,
                    response.response_id,
                    response.source_response_id,
                    response.source,
                    response.posted_at,
                    lang,
                    author_key,
                    *(values.get(name) for name in FIELD_NAMES),
                    *(values.get(column.name) for column in self._fields),
                    values.get("make"),
                    values.get("model"),
                    None if chemistry is None else "listed" if chemistry.origin == "list" else "stated",
                    None,
                    None,
                    float(report.confidence),
                    sorted(set(report.flags)),
                    True,
                )
            )
        refusals = [_refusal_row(response, refusal) for refusal in reading.refusals]
        self._writers["responses"].append(
            (
                response.response_id,
                response.source_response_id,
                response.source,
                response.thread_id,
                response.parent_id,
                author_key,
                response.posted_at,
                lang,
                response.likes,
                response.text,
                None,
                None if response.link is None else sound(response.link),
            )
        )
        for table, rows in (("reports", reports), ("evidence", evidence), ("parts", parts), ("refusals", refusals)):
            for row in rows:
                self._writers[table].append(row)
        if self._keep_text:
            self._keep_marks(response)

    def _check_value(self, name: str, found: FoundValue, response: Response) -> None:
        places = ((found.raw, found.start, found.end), *found.parts)
        for raw, start, end in places:
            if start < 0 or response.text[start:end] != raw:
                raise RuleProblem(
                    f"the words {raw!r} of {name} do not stand at {start}:{end} of response {response.response_id}",
                    where=f"{found.rule_pack} {found.rule_id}",
                    todo="mend the rule or switch it off",
                )
        if name not in _VALUE_COLUMNS and name not in self._types:
            raise RuleProblem(
                f"gives the field {name!r}, which no column holds",
                where=f"{found.rule_pack} {found.rule_id}",
                todo="use one of: " + ", ".join(self._types),
            )

    def _keep_marks(self, response: Response) -> None:
        write = self._writers["marks"].append
        for answer in response.answers:
            place = (answer.start, answer.end, answer.unit)
            write((response.response_id, "answer", answer.field, sound(answer.question), *place))
        if response.profile_start is not None:
            end = len(response.text)
            write((response.response_id, "profile", None, None, response.profile_start, end, None))

    def author_key(self, author: str | None) -> str | None:
        """The pseudonym of a handle under the ledger's key, None where there is no handle."""
        if author is None:
            return None
        if author not in self._author_keys:
            if len(self._author_keys) >= 100_000:
                self._author_keys.clear()
            self._author_keys[author] = self._key.author_key(author)
        return self._author_keys[author]


def sound(text: str) -> str:
    """The text with lone surrogates, which no UTF-8 file can hold, as U+FFFD; every offset stays what it was."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return "".join("\ufffd" if "\ud800" <= sign <= "\udfff" else sign for sign in text)
    return text


def make_sound(response: Response) -> Response:
    """Makes a response's strings fit for the tables, in place; must run before it is read, so that words match."""
    response.text = sound(response.text)
    response.source_response_id = sound(response.source_response_id)
    for name in ("thread_id", "parent_id", "lang"):
        if (value := getattr(response, name)) is not None:
            setattr(response, name, sound(value))
    return response


def value_text(value: float | int | str) -> str:
    """A value as evidence shows it: whole numbers without a point, others with every digit they have."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def _fitted(name: str, kind: str, found: FoundValue, response: Response) -> float | int | str:
    """The value in its column's type.  Raises `RuleProblem` where it is none (a fraction as a year, not a number)."""
    value = found.value
    if isinstance(value, str):
        if kind == "string":
            return value
    elif not isinstance(value, bool) and math.isfinite(value):
        if kind == "double":
            return float(value)
        if kind in _LIMITS and float(value).is_integer() and abs(value) < _LIMITS[kind]:
            return int(value)
    raise RuleProblem(
        f"gives {name} = {value!r}, which is no {kind} (response {response.response_id})",
        where=f"{found.rule_pack} {found.rule_id}",
        todo="mend the rule or switch it off",
    )


def _evidence_row(report_id: str, response_id: str, name: str, found: FoundValue) -> tuple[Any, ...]:
    return (
        report_id, response_id, name, value_text(found.value), found.unit, found.raw, found.start, found.end,
        found.rule_id, found.rule_pack, found.derivation, float(found.confidence), found.origin,
    )  # fmt: skip


def _refusal_row(response: Response, refusal: Refusal) -> tuple[Any, ...]:
    if refusal.start < 0 or response.text[refusal.start : refusal.end] != refusal.raw:
        raise RuleProblem(
            f"the refused words {refusal.raw!r} do not stand at {refusal.start}:{refusal.end} of response "
            f"{response.response_id}",
            where=refusal.rule_id,
            todo="mend the rule or switch it off",
        )
    return (
        response.response_id, refusal.field, refusal.raw, refusal.start, refusal.end, refusal.rule_id, refusal.reason,
    )  # fmt: skip
