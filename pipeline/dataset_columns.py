"""Every column of every table, once: type, unit, meaning, origin and privacy class.

The Parquet schemas, the codebook, the release's allow-list and the tests are all drawn from this list.  A column that
is not here cannot be written; a column without a privacy class cannot leave in a release.

Privacy classes
    open        may be published as it is (no person can be found by it)
    quasi       may be published after generalisation and suppression (could help to find a person)
    sensitive   the statements themselves; published, watched for attribute disclosure
    pseudonym   a key; replaced by a new one in each release
    private     never leaves the ledger
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, cast

if TYPE_CHECKING:
    import pyarrow

Privacy = Literal["open", "quasi", "sensitive", "pseudonym", "private"]
Type = Literal["string", "int16", "int32", "int64", "double", "timestamp", "bool", "strings"]

KM_PER_MILE = 1.609344
"""Kilometres in one international mile, exactly (yard and pound agreement of 1959; NIST SP 811, appendix B.8)."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: `unit` is "" where there is none; `values` lists the words that a closed column may hold."""

    name: str
    type: Type
    meaning: str
    privacy: Privacy
    unit: str = ""
    values: tuple[str, ...] = ()
    nullable: bool = True


CHEMISTRIES = ("LFP", "NMC", "NCA", "NMCA", "LMO", "LTO", "LNMO", "Na-ion", "nickel")
LOSS_ORIGINS = ("stated", "health", "range", "energy", "none")
HABITS = ("full", "partial", "mixed")

FIELDS: tuple[Column, ...] = (
    Column(
        "whose",
        "string",
        "own: the responder's or their household's; other: anyone else's, or a fleet",
        "quasi",
        values=("own", "other"),
    ),
    Column("vehicle_text", "string", "the vehicle's name as written", "private"),
    Column("model_year", "int16", "the vehicle's model year, or its build or purchase-new year", "quasi", "a"),
    Column("chemistry", "string", "cathode chemistry", "quasi", values=CHEMISTRIES),
    Column("odometer_km", "double", "distance on the vehicle", "quasi", "km"),
    Column("age_months", "double", "age of the vehicle, or time owned from new", "quasi", "months"),
    Column("loss_pct", "double", "capacity or range lost since new; positive = lost", "sensitive", "%"),
    Column("loss_max_pct", "double", "upper bound of the loss, where only a bound is said", "sensitive", "%"),
    Column("loss_origin", "string", "how the loss was said", "open", values=LOSS_ORIGINS),
    Column("charge_limit_pct", "double", "usual upper limit of everyday charging", "sensitive", "% SoC"),
    Column("charge_floor_pct", "double", "usual lower end of everyday charging", "sensitive", "% SoC"),
    Column("full_charges_per_week", "double", "how often it is charged to 100 %", "sensitive", "1/week"),
    Column("charge_habit", "string", "usually charged to full, stopped below, or both", "sensitive", values=HABITS),
    Column("dc_fast_share_pct", "double", "share of charging that is DC fast charging", "sensitive", "%"),
    Column("pack_kwh", "double", "the pack's size as said", "quasi", "kWh"),
)
"""The fields of the labelling guide, in the order in which they stand in `reports.parquet`."""

FIELD_NAMES = tuple(column.name for column in FIELDS)

RESPONSES: tuple[Column, ...] = (
    Column(
        "response_id",
        "string",
        "hash of the source and its own id, or of the content where it has none",
        "private",
        nullable=False,
    ),
    Column("source_response_id", "string", "the export's own id, or its row number as text", "private", nullable=False),
    Column("source", "string", "name of the export", "quasi", nullable=False),
    Column("thread_id", "string", "the export's own id of the thread", "private"),
    Column("parent_id", "string", "the export's own id of the response that this one answers", "private"),
    Column("author_key", "string", "keyed hash (HMAC-SHA-256) of the author's handle", "pseudonym"),
    Column("posted_at", "timestamp", "when the response was posted, UTC", "private"),
    Column("lang", "string", "language, BCP 47", "quasi"),
    Column("likes", "int64", "likes, as exported", "private"),
    Column("text", "string", "the response as exported; null without --keep-text; never in a release", "private"),
    Column("copy_of", "string", "response_id of the first copy; null for an original", "private"),
    Column("link", "string", "where the response stands on the web, as exported", "private"),
)

REPORTS: tuple[Column, ...] = (
    Column("report_id", "string", "the response's id and the report's number in it", "private", nullable=False),
    Column("response_id", "string", "the response that was read", "private", nullable=False),
    Column("source_response_id", "string", "the export's own id, or its row number as text", "private", nullable=False),
    Column("source", "string", "name of the export", "quasi", nullable=False),
    Column("posted_at", "timestamp", "when the response was posted, UTC", "private"),
    Column("lang", "string", "language, BCP 47", "quasi"),
    Column("author_key", "string", "keyed hash (HMAC-SHA-256) of the author's handle", "pseudonym"),
    *FIELDS,
    Column("make", "string", "maker, resolved against the vehicle list", "quasi"),
    Column("model", "string", "model, resolved against the vehicle list", "quasi"),
    Column(
        "chemistry_origin",
        "string",
        "said by the responder, or filled from the vehicle list",
        "open",
        values=("stated", "listed"),
    ),
    Column("vehicle_key", "string", "reports of one physical vehicle by one responder share it", "pseudonym"),
    Column("copy_of", "string", "the report_id that this row repeats; null for an original", "private"),
    Column("confidence", "double", "calibrated chance that every value of the row is right", "open", nullable=False),
    Column("flags", "strings", "plausibility findings, each a documented code", "open", nullable=False),
    Column("usable", "bool", "false where a finding or a copy keeps the row out of statistics", "open", nullable=False),
)

EVIDENCE: tuple[Column, ...] = (
    Column("report_id", "string", "the report that holds the value", "private", nullable=False),
    Column("response_id", "string", "the response that was read", "private", nullable=False),
    Column("field", "string", "the column of reports.parquet that holds the value", "open", nullable=False),
    Column("value", "string", "the value, as text", "private", nullable=False),
    Column("unit", "string", "the value's unit", "open"),
    Column("raw", "string", "the exact words that the value was read from", "private"),
    Column("start", "int64", "where raw begins in the response's text (code points)", "private"),
    Column("end", "int64", "where raw ends in the response's text (code points)", "private"),
    Column("rule_id", "string", "the rule, model, list or correction that gave the value", "open", nullable=False),
    Column("rule_pack", "string", "the rule pack and its version", "open", nullable=False),
    Column("derivation", "string", "how the value was made from the words", "private", nullable=False),
    Column("confidence", "double", "calibrated chance that the value is right", "open", nullable=False),
    Column(
        "origin",
        "string",
        "what gave the value",
        "open",
        values=("rule", "model", "column", "list", "correction"),
        nullable=False,
    ),
)

REJECTS: tuple[Column, ...] = (
    Column("source", "string", "name of the export", "private", nullable=False),
    Column("record", "string", "row, line or entry in it", "private", nullable=False),
    Column("reason", "string", "why it could not be read, a documented code", "open", nullable=False),
    Column("detail", "string", "what was found there", "private"),
    Column("hint", "string", "what to do about it", "open"),
)

PARTS: tuple[Column, ...] = (
    Column("report_id", "string", "the report that holds the value", "private", nullable=False),
    Column("response_id", "string", "the response that was read", "private", nullable=False),
    Column("field", "string", "the column of reports.parquet that holds the value", "private", nullable=False),
    Column("part", "int16", "number of the place, from 2 (the first place is in evidence)", "private", nullable=False),
    Column("raw", "string", "the exact words of this place", "private", nullable=False),
    Column("start", "int64", "where raw begins in the response's text (code points)", "private", nullable=False),
    Column("end", "int64", "where raw ends in the response's text (code points)", "private", nullable=False),
)
"""The further places of a value that was read from several (a range pair); evidence keeps one row a value."""

REFUSALS: tuple[Column, ...] = (
    Column("response_id", "string", "the response that was read", "private", nullable=False),
    Column("field", "string", "the field that the words could have given", "private", nullable=False),
    Column("raw", "string", "the exact words that were not taken", "private", nullable=False),
    Column("start", "int64", "where raw begins in the response's text (code points)", "private", nullable=False),
    Column("end", "int64", "where raw ends in the response's text (code points)", "private", nullable=False),
    Column("rule_id", "string", "the rule that turned the value down", "private", nullable=False),
    Column("reason", "string", "why it was not taken", "private", nullable=False),
)

LINKS: tuple[Column, ...] = (
    Column("kind", "string", "what was joined: a copy, a follow-up, one vehicle told twice", "private", nullable=False),
    Column("id", "string", "the response_id or report_id that was joined to another", "private", nullable=False),
    Column("other_id", "string", "the response_id or report_id that it was joined to", "private", nullable=False),
    Column("score", "double", "how alike the two are, 0 to 1", "private"),
    Column("reason", "string", "why the two were joined", "private"),
)

MARKS: tuple[Column, ...] = (
    Column("response_id", "string", "the response", "private", nullable=False),
    Column(
        "kind",
        "string",
        "answer: a survey cell that answers a question; profile: a profile, flair or signature",
        "private",
        values=("answer", "profile"),
        nullable=False,
    ),
    Column("field", "string", "the field that the question asks for; null for a profile", "private"),
    Column("question", "string", "the question as exported; null for a profile", "private"),
    Column("start", "int64", "where it begins in the response's text (code points)", "private", nullable=False),
    Column("end", "int64", "where it ends in the response's text (code points)", "private", nullable=False),
    Column("unit", "string", "the unit that the question names", "private"),
)
"""What the export itself told apart in a text; with `responses.parquet`, all that a reading needs."""

CORRECTIONS: tuple[Column, ...] = (
    Column("response_id", "string", "the response that the decision is about; null where none was found", "private"),
    Column("report_id", "string", "the report that the decision is about", "private"),
    Column("field", "string", "the field that it is about; for a split those that were moved", "private"),
    Column("kind", "string", "what was decided", "private", nullable=False),
    Column("decided_at", "string", "when it was decided, as written", "private", nullable=False),
    Column("value", "string", "the value, as a person wrote it", "private"),
    Column("was", "string", "what was read when it was decided", "private"),
    Column("other_id", "string", "the response or report that it was joined with or kept apart from", "private"),
    Column("who", "string", "who decided it", "private", nullable=False),
    Column("why", "string", "the reason given", "private", nullable=False),
    Column("outcome", "string", "what came of it in this run, a documented code", "private", nullable=False),
    Column("detail", "string", "further words on the outcome", "private"),
)
"""What people decided about readings, and what came of it (the decisions themselves stand in `corrections.csv`)."""

TABLES: dict[str, tuple[Column, ...]] = {
    "responses": RESPONSES,
    "reports": REPORTS,
    "evidence": EVIDENCE,
    "rejects": REJECTS,
    "parts": PARTS,
    "refusals": REFUSALS,
    "links": LINKS,
    "marks": MARKS,
    "corrections": CORRECTIONS,
}
"""The contract's four tables, then the extra ones that a ledger keeps to explain itself (never in a release)."""


def columns_of(table: str, more: Sequence[Column] = ()) -> tuple[Column, ...]:
    """The columns of a table; `more` are the fields that rule packs declare, which follow the guide's in `reports`."""
    if table != "reports" or not more:
        return TABLES[table]
    after = REPORTS.index(FIELDS[-1]) + 1
    return (*REPORTS[:after], *more, *REPORTS[after:])


def arrow_schema(table: str, more: Sequence[Column] = ()) -> pyarrow.Schema:
    """The one pyarrow schema of a table, with `unit`, `description` and `privacy` in each field's metadata.

    `more` are the fields that rule packs declare (see `columns_of`); theirs also lists the `values` of a closed column
    (JSON), which nothing else could tell.
    """
    import pyarrow as pa

    types = {
        "string": pa.string(),
        "int16": pa.int16(),
        "int32": pa.int32(),
        "int64": pa.int64(),
        "double": pa.float64(),
        "timestamp": pa.timestamp("us", tz="UTC"),
        "bool": pa.bool_(),
        "strings": pa.list_(pa.string()),
    }
    return pa.schema(
        [
            pa.field(
                column.name,
                types[column.type],
                nullable=column.nullable,
                metadata={
                    "unit": column.unit,
                    "description": column.meaning,
                    "privacy": column.privacy,
                    **({"values": json.dumps(column.values)} if column in more and column.values else {}),
                },
            )
            for column in columns_of(table, more)
        ]
    )


_ARROW_NAMES: dict[str, Type] = {"string": "string", "int32": "int32", "double": "double"}
"""The types that a pack's field can have, by the name that pyarrow gives them."""


def declared_fields(schema: pyarrow.Schema) -> tuple[Column, ...]:
    """The columns of a schema of `reports` that rule packs declared, in order, told by their metadata."""
    known = {column.name for column in REPORTS}
    return tuple(
        _declared(field)
        for field in schema
        if field.name not in known and field.metadata is not None and b"privacy" in field.metadata
    )


def _declared(field: Any) -> Column:
    said = {key.decode(): value.decode() for key, value in field.metadata.items()}
    values = tuple(json.loads(said.get("values", "[]")))
    privacy = cast(Privacy, said["privacy"])
    return Column(field.name, _ARROW_NAMES[str(field.type)], said["description"], privacy, said["unit"], values)
