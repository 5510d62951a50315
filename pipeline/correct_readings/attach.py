"""Finds the response and the report that a decision is about, also where their ids are other ones by now.

A response is known again by the mark of its text; a report by the places of its words in it, since a changed rule may
number the reports of a response anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.correct_readings.decisions import read_places, text_mark

if TYPE_CHECKING:
    import pyarrow


@dataclass(frozen=True, slots=True)
class Wanted:
    """The response that a decision names: its id then, the mark of its text, the export and its own id there."""

    response: str
    text: str = ""
    source: str = ""
    source_id: str = ""


@dataclass(frozen=True, slots=True)
class Found:
    """Where a response is now; or None and the outcome (a code of `outcomes.OUTCOMES`) that tells why not."""

    response: str | None
    outcome: str = ""
    detail: str = ""


def find_responses(wanted: Iterable[Wanted], responses: pyarrow.Table) -> dict[Wanted, Found]:
    """The responses that are wanted, by id where the text is still the same, else by text.

    `responses` needs response_id, source, source_response_id and text.  Every text is looked at only where an id is
    gone or its text has changed.
    """
    all_wanted = set(wanted)
    marks = _marks_of({one.response for one in all_wanted}, responses)
    found: dict[Wanted, Found] = {}
    astray = []
    for one in all_wanted:
        if one.response in marks and (not one.text or marks[one.response] in ("", one.text)):
            found[one] = Found(one.response)
        elif not one.text:
            found[one] = Found(None, "gone", "no response has this id")
        else:
            astray.append(one)
    if astray:
        told = _told_again({one.text for one in astray}, responses)
        for one in astray:
            found[one] = _by_text(one, told.get(one.text, []), one.response in marks)
    return found


def _marks_of(ids: set[str], responses: pyarrow.Table) -> dict[str, str]:
    """Id -> mark of its text ("" where no text was kept), of those that are there."""
    import pyarrow as pa
    import pyarrow.compute as pc

    rows = responses.filter(pc.is_in(responses["response_id"], pa.array(sorted(ids), pa.string())))
    pairs = zip(rows["response_id"].to_pylist(), rows["text"].to_pylist(), strict=True)
    return {one: "" if text is None else text_mark(text) for one, text in pairs}


def _told_again(marks: set[str], responses: pyarrow.Table) -> dict[str, list[tuple[str, str, str]]]:
    """Mark -> the responses (id, source, its own id there) whose text has it, sorted."""
    found: dict[str, list[tuple[str, str, str]]] = {}
    columns = responses.select(["text", "response_id", "source", "source_response_id"])
    for batch in columns.to_batches(16_384):
        for place, text in enumerate(batch.column(0).to_pylist()):
            if text is not None and (mark := text_mark(text)) in marks:
                found.setdefault(mark, []).append(tuple(batch.column(other)[place].as_py() for other in (1, 2, 3)))
    return {mark: sorted(rows) for mark, rows in found.items()}


def _by_text(wanted: Wanted, rows: Sequence[tuple[str, str, str]], id_is_there: bool) -> Found:
    """The one response that has the text; of several the one of the same own id, then of the same export."""
    for fits in (
        rows,
        [row for row in rows if row[2] == wanted.source_id],
        [row for row in rows if row[1:] == (wanted.source, wanted.source_id)],
        [row for row in rows if row[1] == wanted.source],
    ):
        if len(fits) == 1:
            return Found(fits[0][0], "", f"its id was {wanted.response}")
    if rows:
        return Found(None, "unclear", f"{len(rows)} responses have this text: {', '.join(row[0] for row in rows[:3])}")
    if id_is_there:
        return Found(None, "text-changed", "the response's text is another one than when it was decided")
    return Found(None, "gone", "no response has this id or this text")


def number_of(report: str) -> int:
    """The number of a report in its response; 0 where the id holds none."""
    number = report.rpartition("-")[2]
    return int(number) if number.isdigit() else 0


def find_report(report: str, places: str, there: Mapping[str, Sequence[tuple[int, int]]]) -> str | None:
    """The report of a response that a decision means, or None.

    `report` is its id then, `places` where its words stood (`decisions.write_places`), `there` the reports that the
    response has now with the places of their words.  The one whose words overlap most; without places the one of
    the same number.
    """
    number = number_of(report)
    same_number = next((one for one in there if number_of(one) == number), None)
    then = read_places(places)
    if not then:
        return same_number
    shared = {one: _shared(then, now) for one, now in there.items()}
    most = max(shared.values(), default=0)
    if most == 0:
        # Read from other words than then: surely the same only where there is but one.
        return same_number if len(there) == 1 else None
    best = sorted((one for one, length in shared.items() if length == most), key=number_of)
    return same_number if same_number in best else best[0]


def _shared(then: Sequence[tuple[int, int]], now: Sequence[tuple[int, int]]) -> int:
    """The characters that stand in places of both."""
    pairs = ((max(a, c), min(b, d)) for a, b in set(then) for c, d in set(now))
    return sum(max(0, end - start) for start, end in pairs)
