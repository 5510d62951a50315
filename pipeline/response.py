"""The words that every stage shares: what goes in (a response), what is found in it (values), what comes out (reports).

The data's way: an export is read into `Response` objects (`read_exports`); quantities and cue words in a response's
text become `FoundValue` objects or `Refusal` objects (`find_values`); values that speak of one vehicle are gathered
into a `Report` (`group_reports`).  All offsets are code-point offsets into `Response.text`, the text as exported.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime


@dataclass(slots=True)
class SurveyAnswer:
    """One cell of a survey export that answers a question by itself, read with its question.

    `field` is a field of the labelling guide, or one of the parts that make one: `range_new`, `range_now` (a distance
    at full charge), `energy_new`, `energy_now` (kWh), `health_pct` (state of health), `ac_share_pct`.
    `start` and `end` point at the answer inside `Response.text`; `unit` is the unit that the question, a neighbouring
    unit column or the answer's own header names ("km", "mi", "mil", "%", "months", "years", "kWh", "per day",
    "per week", "per month", "per year"), or None.
    """

    field: str
    question: str
    start: int
    end: int
    unit: str | None = None


@dataclass(slots=True)
class Response:
    """One response as exported: a comment, a post, or a survey row.

    For a survey row, `text` holds one `question: answer` line for each answered question, then the free text, so
    that every value can be traced to a place in one text.  `author` is the handle as exported; it never reaches a
    table (see `keep_ledger.pseudonym`).  `posted_at` is aware and in UTC, or None.  `parent_id` is the export's own
    id of the response that this one answers.  `profile` is the profile, flair or signature line that the export
    gives in a column of its own, appended to `text` when it is present (`profile_start` says where it begins).
    """

    response_id: str
    source: str
    source_response_id: str
    text: str
    thread_id: str | None = None
    parent_id: str | None = None
    author: str | None = None
    posted_at: datetime | None = None
    lang: str | None = None
    likes: int | None = None
    link: str | None = None
    answers: tuple[SurveyAnswer, ...] = ()
    profile_start: int | None = None


@dataclass(slots=True)
class Reject:
    """One input record that could not be read: where it stands, why, and what the person can do about it."""

    source: str
    record: str
    reason: str
    detail: str
    hint: str = ""


@dataclass(slots=True)
class FoundValue:
    """One value of one field, with everything needed to say where it came from.

    `raw` is `text[start:end]`.  A value made from two places (a range pair) keeps the second place in `parts`, as
    `(raw, start, end)` triples.  `origin` is rule, model, column, list or correction.
    """

    field: str
    value: float | int | str
    unit: str | None
    raw: str
    start: int
    end: int
    rule_id: str
    rule_pack: str
    derivation: str
    confidence: float = 1.0
    origin: str = "rule"
    parts: tuple[tuple[str, int, int], ...] = ()


@dataclass(slots=True)
class Refusal:
    """A value that was seen and not taken, and the rule that turned it down ("a question", "a warranty term")."""

    field: str
    raw: str
    start: int
    end: int
    rule_id: str
    reason: str


@dataclass(slots=True)
class Report:
    """One reading of one vehicle in one response: at most one value a field, under the guide's field names."""

    values: dict[str, FoundValue] = field(default_factory=dict)
    confidence: float = 1.0
    flags: list[str] = field(default_factory=list)

    def plain(self) -> dict[str, float | int | str]:
        """The report as field -> value, the shape that labelled responses have."""
        return {name: found.value for name, found in self.values.items()}


@dataclass(slots=True)
class Reading:
    """What was made of one response: its reports, and what was refused."""

    reports: list[Report] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
