"""One decision by a person about one value, report or response: its kinds, its columns, what each kind needs."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Literal

Target = Literal["field", "report", "response"]


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of decision: what it is about, what it does, which columns it must have (besides who, when and why)."""

    about: tuple[Target, ...]
    meaning: str
    needs: tuple[str, ...] = ()


KINDS: dict[str, Kind] = {
    "value": Kind(("field",), "the field has this value, whatever was read (also where nothing was)", ("value",)),
    "absent": Kind(("field",), "the text says nothing of the field; what was read is taken out"),
    "verified": Kind(("field", "report"), "looked at and right; it stays as it was then, whatever is read later"),
    "as-read": Kind(("field", "report", "response"), "takes earlier decisions about it back: it is as it is read"),
    "not-a-report": Kind(("report",), "no report of a vehicle; the row is taken out"),
    "drop": Kind(("response",), "nothing is taken from this response"),
    "split": Kind(("report",), "the report holds two vehicles: these fields go to a report of their own", ("field",)),
    "one-vehicle": Kind(("report",), "the two reports are of one vehicle", ("other",)),
    "two-vehicles": Kind(("report",), "the two reports are of two vehicles", ("other",)),
    "copy-of": Kind(("response",), "the response repeats the other one", ("other",)),
    "not-a-copy": Kind(("response",), "the response repeats no other one"),
}
"""Every kind of decision, as `kind` names it."""

NEEDED = ("who", "when", "why")
"""What every decision says."""


@dataclass(frozen=True, slots=True)
class Decision:
    """One row of the corrections file.  All are words, "" where nothing is said.

    `response` and `report` are ids, `field` a column of the reports (for `split` several, with commas), `value` as a
    person wrote it (`values.read_value` gives it its meaning), `other` the response or report that it is told apart
    from or joined with.  `words` are the words of the text that say the value.  The rest is what the program needs to
    find the place again: `was` is what was read, `source` and `source_id` the export and its own id, `text` the
    `text_mark` of the response's text, `places` the places of the report's words in it ("12-20 25-33");
    `other_text` and `other_places` the same of `other`.
    """

    kind: str
    response: str = ""
    report: str = ""
    field: str = ""
    value: str = ""
    other: str = ""
    words: str = ""
    who: str = ""
    when: str = ""
    why: str = ""
    was: str = ""
    source: str = ""
    source_id: str = ""
    text: str = ""
    places: str = ""
    other_text: str = ""
    other_places: str = ""

    def told(self) -> str:
        """Who decided it when and why, for derivations and links."""
        return f"{self.who} on {self.when[:10]}: {self.why}"

    def slot(self) -> tuple[str, str, str]:
        """What it is about; of two decisions about the same the later one counts."""
        if self.kind in ("value", "absent", "verified"):
            return (self.report, "value", self.field)
        if self.kind in ("copy-of", "not-a-copy"):
            return (self.response, "copy", "")
        if self.kind in ("one-vehicle", "two-vehicles"):
            return (min(self.report, self.other), "vehicle", max(self.report, self.other))
        if self.kind == "split":
            return (self.report, "split", ",".join(sorted(self.field_names())))
        return (self.report or self.response, self.kind, self.field)

    def field_names(self) -> list[str]:
        """The fields that it names."""
        return [name.strip() for name in self.field.split(",") if name.strip()]

    def says_the_same(self, other: Decision) -> bool:
        """Whether both decide the same about the same, whenever and however it was written down."""
        return (self.slot(), self.kind, self.value, self.words) == (
            other.slot(),
            other.kind,
            other.value,
            other.words,
        )


COLUMNS = tuple(column.name for column in fields(Decision))
"""The columns of the corrections file, in their order."""


def missing(decision: Decision) -> list[str]:
    """What keeps a decision from being one, as sentences; [] for a sound one."""
    kind = KINDS.get(decision.kind)
    if kind is None:
        return [f"there is no kind {decision.kind!r}; the kinds are {', '.join(KINDS)}"]
    found = [f"{name} is empty" for name in (*kind.needs, *NEEDED) if not getattr(decision, name).strip()]
    if decision.when.strip() and moment(decision.when) == -math.inf:
        found.append(f"when is {decision.when!r}, and no date like 2026-11-25 or 2026-11-25T10:30:00Z")
    if "response" in kind.about and not decision.report and not decision.response:
        found.append("response is empty")
    if "response" not in kind.about and not decision.report:
        found.append("report is empty")
    if kind.about == ("field",) and not decision.field.strip():
        found.append("field is empty")
    return found


def moment(when: str) -> float:
    """The time of a decision in seconds since 1970; a day without a time is its midnight in UTC, what is none -inf."""
    try:
        at = datetime.fromisoformat(when.strip())
    except ValueError:
        return -math.inf
    return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()


def plain_kind(word: str) -> str:
    """A kind as people may write it ("Not a report", "copy_of") as `KINDS` names it; unknown words stay."""
    return re.sub(r"[\s_-]+", "-", word.strip().casefold())


def text_mark(text: str) -> str:
    """The mark by which a text is known again: "t" and 20 hex digits of its SHA-256 (no spreadsheet takes it for a
    number)."""
    return "t" + hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:20]


def write_places(places: Sequence[tuple[int, int]]) -> str:
    """Places in a text as the file holds them: "12-20 25-33"."""
    return " ".join(f"{start}-{end}" for start, end in sorted(set(places)) if start < end)


def read_places(written: str) -> list[tuple[int, int]]:
    """What `write_places` wrote; what is no place is passed over."""
    return [(int(start), int(end)) for start, end in re.findall(r"(?<!\d)(\d{1,9})-(\d{1,9})(?!\d)", written)]
