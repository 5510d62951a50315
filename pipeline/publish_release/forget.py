"""Removes a person, or one response, from a ledger: from every run, from corrections, and from all later builds.

First the keyed hashes go to forgotten.json, marked as pending; then every table of every run is rewritten, each in one
step; then the mark is taken off.  What was removed is told by those hashes alone, so a removal that was cut short is
finished by the next one, whatever state it left.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.check_reports.findings import findings
from pipeline.dataset_columns import FIELD_NAMES
from pipeline.keep_ledger.forgotten import Forgotten, load_forgotten
from pipeline.keep_ledger.ledger import Ledger, open_ledger, writing_to
from pipeline.keep_ledger.pseudonym import PseudonymKey, load_key, normal_handle
from pipeline.keep_ledger.run_record import RUN_RECORD, read_run_record, table_record
from pipeline.keep_ledger.tables import GROUP_ROWS, PARQUET_SETTINGS, ledger_errors
from pipeline.problems import KeyProblem, UsageProblem
from pipeline.publish_release.words import MENTION

if TYPE_CHECKING:
    import pyarrow

CORRECTIONS = "corrections.csv"
ID_COLUMNS = ("response_id", "report_id", "id", "other_id")
"""Columns that name a response or a report of one (its id, a dash and a number)."""


@dataclass(slots=True)
class Removed:
    """What a removal took out, and what is left that the person may mind."""

    responses: int = 0
    reports: int = 0
    runs: int = 0
    decisions: int = 0
    copies: list[str] = field(default_factory=list)
    mentions: int = 0
    finished_earlier: bool = False


def forget(
    ledger: Path,
    *,
    author: str | None = None,
    response: str | None = None,
    with_copies: bool = False,
    today: date | None = None,
    told: Callable[[str], None] = lambda run: None,
) -> Removed:
    """Forgets an author (by handle) or a response (by its id here or the export's); neither: finishes what is pending.

    `with_copies` forgets other people's copies of the same words too.  Raises `UsageProblem` where nobody or nothing of
    that name is in the ledger, `KeyProblem` without the ledger's key, and `LedgerProblem`; what was begun is then
    finished by the next call.
    """
    open_ledger(ledger)
    with writing_to(ledger) as home:
        key = _own_key(home)
        forgotten = load_forgotten(ledger, key)
        removed = Removed(finished_earlier=forgotten.pending)
        if author is not None or response is not None:
            found = _found(home, key, author, response)
            copies = _copies_of(home, found)
            if with_copies:
                found |= copies
            if not found:
                _nothing(ledger, forgotten, key, author, response)
            elif author is not None:
                forgotten.authors.add(forgotten.author_hash(str(key.author_key(author))))
            forgotten.responses |= {forgotten.response_hash(name) for name in found}
            forgotten.pending = True
            forgotten.write()
            removed.copies = sorted(copies - found)
        for run in home.runs():
            told(run.name)
            _rewrite_run(run, forgotten, removed, (today or date.today()).isoformat())
        removed.decisions = _rewrite_corrections(ledger, forgotten)
        removed.mentions = _mentions(home, author)
        if removed.responses or removed.decisions:
            note = {
                "at": (today or date.today()).isoformat(),
                "responses": removed.responses,
                "reports": removed.reports,
            }
            forgotten.notes.append(note)
        if forgotten.pending or removed.responses:
            forgotten.pending = False
            forgotten.write()
    return removed


def _own_key(home: Ledger) -> PseudonymKey:
    key = load_key(create=False)
    if home.fingerprint is not None and key.fingerprint != home.fingerprint:
        raise KeyProblem(
            "this is not the key that the ledger was made with, so nobody can be found in it",
            where=key.origin,
            todo="set CROWDFADE_KEY_FILE to the ledger's key",
        )
    return key


def _responses(home: Ledger, columns: list[str]) -> Iterable[dict[str, Any]]:
    import pyarrow.parquet as pq

    for run in home.runs():
        with ledger_errors(run, "reading the responses"):
            yield from pq.read_table(run / "responses.parquet", columns=columns).to_pylist()


def _found(home: Ledger, key: PseudonymKey, author: str | None, response: str | None) -> set[str]:
    """The ids of all responses of an author, or of one response; an own id of several exports is refused."""
    if author is not None:
        author_key = key.author_key(author)
        if author_key is None:
            raise UsageProblem(f"{author!r} is no handle", todo="give the handle as the export has it")
        rows = _responses(home, ["response_id", "author_key"])
        return {row["response_id"] for row in rows if row["author_key"] == author_key}
    found: dict[str, str] = {}
    for row in _responses(home, ["response_id", "source_response_id", "source"]):
        if row["response_id"] == response:
            return {row["response_id"]}
        if row["source_response_id"] == response:
            found[row["response_id"]] = row["source"]
    if len(found) > 1:
        raise UsageProblem(
            f"{len(found)} responses have the id {response!r}",
            where=str(home.path),
            todo="give one of: " + ", ".join(f"{name} ({source})" for name, source in sorted(found.items())),
        )
    return set(found)


def _copies_of(home: Ledger, found: set[str]) -> set[str]:
    """Other responses that repeat the words of the found ones, in any run."""
    originals: dict[str, set[str]] = {}
    for row in _responses(home, ["response_id", "copy_of"]):
        if row["copy_of"]:
            originals.setdefault(row["copy_of"], {row["copy_of"]}).add(row["response_id"])
    alike = {name for group in originals.values() if group & found for name in group}
    return alike - found


def _nothing(ledger: Path, forgotten: Forgotten, key: PseudonymKey, author: str | None, response: str | None) -> None:
    """Nothing of that name is there: fine where it was forgotten before, else a mistake that must be told."""
    if author is not None:
        known = forgotten.author_hash(str(key.author_key(author))) in forgotten.authors
    else:
        known = forgotten.response_hash(str(response)) in forgotten.responses
    if not known:
        what = f"nobody with the handle {author!r}" if author is not None else f"no response {response!r}"
        raise UsageProblem(
            f"there is {what} in this ledger; nothing was changed",
            where=str(ledger),
            todo="look for it: crowdfade show LEDGER",
        )


class _Run:
    """What is to go from one run: asked by id, each answered once."""

    def __init__(self, forgotten: Forgotten) -> None:
        self._forgotten = forgotten
        self._known: dict[str, bool] = {}

    def goes(self, name: str | None, author_key: str | None = None) -> bool:
        """Whether a response's or report's id (or its author) is forgotten."""
        if name is None:
            return author_key is not None and self._forgotten.holds(author_key, "")
        if author_key is not None and self._forgotten.holds(author_key, name):
            return True
        if name not in self._known:
            self._known[name] = self._forgotten.holds(None, name) or (
                "-" in name and self._forgotten.holds(None, name.rsplit("-", 1)[0])
            )
        return self._known[name]


def _rewrite_run(run: Path, forgotten: Forgotten, removed: Removed, today: str) -> None:
    import pyarrow.parquet as pq

    ask = _Run(forgotten)
    counts = {"responses": 0, "reports": 0}
    with ledger_errors(run, "reading a table"):
        own_ids = _own_ids(run, ask)
        paths = sorted(run.rglob("*.parquet"))
    for path in paths:
        with ledger_errors(path, "reading a table"):
            table = pq.read_table(path)
        kept = _without(table, ask, own_ids)
        gone = table.num_rows - kept.num_rows
        if path.parent == run and path.stem in counts:
            counts[path.stem] += gone
        if gone or not kept.equals(table):
            _replace_table(path, kept)
    if counts["responses"] or counts["reports"]:
        removed.runs += 1
        removed.responses = max(removed.responses, counts["responses"])
        removed.reports = max(removed.reports, counts["reports"])
    _rewrite_record(run, counts, today)


def _own_ids(run: Path, ask: _Run) -> set[tuple[str, str]]:
    """(source, the export's own id) of the responses that go: replies and rejects name them by these."""
    import pyarrow.parquet as pq

    columns = ["response_id", "author_key", "source", "source_response_id"]
    rows = pq.read_table(run / "responses.parquet", columns=columns).to_pylist()
    return {
        (row["source"], row["source_response_id"]) for row in rows if ask.goes(row["response_id"], row["author_key"])
    }


def _without(table: pyarrow.Table, ask: _Run, own_ids: set[tuple[str, str]]) -> pyarrow.Table:
    """A table without the rows of what is forgotten, and without words that still point there."""
    import pyarrow as pa

    names = [name for name in ID_COLUMNS if name in table.column_names]
    authors = table["author_key"].to_pylist() if "author_key" in table.column_names else [None] * table.num_rows
    stays = [True] * table.num_rows
    for name in names:
        values = zip(table[name].to_pylist(), authors, strict=True)
        stays = [stay and not ask.goes(value, author) for stay, (value, author) in zip(stays, values, strict=True)]
    if {"source", "record"} <= set(table.column_names):
        pairs = zip(table["source"].to_pylist(), table["record"].to_pylist(), strict=True)
        stays = [stay and pair not in own_ids for stay, pair in zip(stays, pairs, strict=True)]
    kept = table.filter(pa.array(stays, pa.bool_())) if not all(stays) else table
    for name in ("parent_id", "thread_id"):
        if name in kept.column_names and "source" in kept.column_names:
            points = zip(kept["source"].to_pylist(), kept[name].to_pylist(), strict=True)
            told = [None if point in own_ids else point[1] for point in points]
            kept = _set(kept, name, told)
    return _promoted(kept, ask) if "copy_of" in kept.column_names else kept


def _promoted(table: pyarrow.Table, ask: _Run) -> pyarrow.Table:
    """Where an original went, its first copy becomes the original of the others."""
    own = "report_id" if "report_id" in table.column_names else "response_id"
    ids, copies = table[own].to_pylist(), table["copy_of"].to_pylist()
    heirs: dict[str, str] = {}
    for name, original in zip(ids, copies, strict=True):
        if original is not None and ask.goes(original):
            heirs.setdefault(original, name)
    if not heirs:
        return table
    promoted = set(heirs.values())
    told = [
        None if name in promoted else heirs.get(original, original) for name, original in zip(ids, copies, strict=True)
    ]
    table = _set(table, "copy_of", told)
    if "usable" in table.column_names:
        book = findings()
        usable = [
            use or (name in promoted and not any(flag in book and book[flag].keeps_out for flag in flags))
            for use, name, flags in zip(table["usable"].to_pylist(), ids, table["flags"].to_pylist(), strict=True)
        ]
        table = _set(table, "usable", usable)
    return table


def _set(table: pyarrow.Table, name: str, values: list[Any]) -> pyarrow.Table:
    import pyarrow as pa

    place = table.schema.get_field_index(name)
    return table.set_column(place, table.schema.field(place), pa.array(values, table.schema.field(place).type))


def _replace_table(path: Path, table: pyarrow.Table) -> None:
    import pyarrow.parquet as pq

    draft = path.with_name(f".{path.name}-new")
    with ledger_errors(path, "rewriting a table"):
        pq.write_table(table, draft, row_group_size=GROUP_ROWS, **PARQUET_SETTINGS)
        _flush(draft)
        os.replace(draft, path)


def _rewrite_record(run: Path, counts: dict[str, int], today: str) -> None:
    """Brings run.json in line with the tables; what its counts say of the records read stays as it was."""
    import pyarrow.parquet as pq

    record = read_run_record(run)
    tables = {
        name: table_record(run / f"{name}.parquet", pq.read_metadata(run / f"{name}.parquet").num_rows)
        for name in record["tables"]
        if (run / f"{name}.parquet").is_file()
    }
    if tables == record["tables"]:
        return
    record["tables"] = tables
    record["counts"] |= _counts(run, tables)
    record.setdefault("forgotten", []).append({"at": today, **counts})
    draft = run / f".{RUN_RECORD}-new"
    with ledger_errors(run / RUN_RECORD, "rewriting the run's record"):
        draft.write_text(json.dumps(record, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        _flush(draft)
        os.replace(draft, run / RUN_RECORD)


def _counts(run: Path, tables: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """The counts of run.json that follow from the tables, as a build counts them."""
    import pyarrow.parquet as pq

    reports = pq.read_table(run / "reports.parquet").to_pandas()
    copies = pq.read_table(run / "responses.parquet", columns=["copy_of"])["copy_of"]
    flags = [flag for row in reports["flags"] for flag in row]
    return {
        "responses": tables["responses"]["rows"],
        "response_copies": len(copies) - copies.null_count,
        "reports": len(reports),
        "report_copies": int(reports["copy_of"].notna().sum()),
        "vehicles": int(reports["vehicle_key"].nunique()),
        "usable": int(reports["usable"].sum()),
        "flagged": sum(1 for row in reports["flags"] if len(row)),
        "refusals": tables["refusals"]["rows"],
        "fields": {name: int(reports[name].notna().sum()) for name in FIELD_NAMES},
        "flags": {flag: flags.count(flag) for flag in sorted(set(flags))},
    }


def _rewrite_corrections(ledger: Path, forgotten: Forgotten) -> int:
    """Takes decisions about forgotten responses out of corrections.csv; gives how many went."""
    path = ledger / CORRECTIONS
    if not path.is_file():
        return 0
    with ledger_errors(path, "rewriting the corrections"):
        text = path.read_text("utf-8-sig")
    head = text.split("\n", 1)[0]
    mark = max(",;\t", key=head.count)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark))
    if not rows:
        return 0
    places = [place for place, name in enumerate(rows[0]) if name.strip() in ID_COLUMNS]
    ask = _Run(forgotten)
    kept = [row for row in rows[1:] if not any(ask.goes(row[place].strip()) for place in places if place < len(row))]
    gone = len(rows) - 1 - len(kept)
    if gone:
        draft = path.with_name(f".{CORRECTIONS}-new")
        with ledger_errors(path, "rewriting the corrections"):
            with draft.open("w", encoding="utf-8", newline="") as file:
                csv.writer(file, delimiter=mark).writerows([rows[0], *kept])
            _flush(draft)
            os.replace(draft, path)
    return gone


def _mentions(home: Ledger, author: str | None) -> int:
    """How many responses of others in the latest run still name the author with an @."""
    import pyarrow.parquet as pq

    if author is None:
        return 0
    wanted = normal_handle(author)
    texts = pq.read_table(home.latest() / "responses.parquet", columns=["text"])["text"].to_pylist()
    return sum(any(normal_handle(name) == wanted for name in MENTION.findall(text)) for text in texts if text)


def _flush(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
