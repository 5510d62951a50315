"""One build: exports in, a whole new run of a ledger out.

    read_exports -> batches of responses -> reader -> rows, staged -> copies -> checks -> tables -> latest

What the later stages need of all responses at once (copies, checks) they get as Arrow tables mapped from the disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pipeline.dataset_columns import FIELD_NAMES, TABLES, arrow_schema
from pipeline.group_reports.vehicle_list import load_vehicle_list
from pipeline.keep_ledger.ledger import NewRun, writing_to
from pipeline.keep_ledger.pseudonym import load_key
from pipeline.keep_ledger.rows import RunTables
from pipeline.keep_ledger.run_record import RunRecord, file_record, table_record
from pipeline.keep_ledger.tables import ledger_errors, looked_up, open_staged, write_table
from pipeline.problems import ExportProblem, UsageProblem
from pipeline.read_text.language import LanguageTeller
from pipeline.take_in import Clock, Export, Reader, TakingIn, Watch

if TYPE_CHECKING:
    import pyarrow

    from pipeline.read_exports.column_mapping import ColumnMapping

JOIN_COLUMNS = (
    "response_id", "source_response_id", "source", "author_key", "posted_at", "lang", "text", "thread_id", "parent_id",
)  # fmt: skip
"""The columns of responses that the copies stage is given."""

SETTLED_LATER = ("vehicle_key", "copy_of", "usable")
"""The columns of reports that are not known before the copies and the checks."""


class Joined(Protocol):
    """What the copies stage found: response_id -> response_id, and report_id -> report_id, key or flags."""

    @property
    def response_copy_of(self) -> Mapping[str, str]: ...  # noqa: D102
    @property
    def report_copy_of(self) -> Mapping[str, str]: ...  # noqa: D102
    @property
    def vehicle_key(self) -> Mapping[str, str]: ...  # noqa: D102
    @property
    def flags(self) -> Mapping[str, list[str]]: ...  # noqa: D102
    @property
    def links(self) -> pyarrow.Table: ...  # noqa: D102


Read = Callable[..., Iterable[Export]]
Join = Callable[["pyarrow.Table", "pyarrow.Table", "pyarrow.Table"], Joined]
Check = Callable[["pyarrow.Table", Any], tuple[list[list[str]], list[bool]]]


@dataclass(frozen=True, slots=True)
class Built:
    """A finished build: the run's folder and its record."""

    folder: Path
    record: RunRecord


def build(
    inputs: Sequence[str],
    ledger: Path,
    *,
    vehicles: Path | None = None,
    rules: Sequence[Path] = (),
    mapping: ColumnMapping | None = None,
    keep_text: bool = True,
    lang: str | None = None,
    read: Read | None = None,
    reader: Reader | None = None,
    join: Join | None = None,
    check: Check | None = None,
    watch: Watch | None = None,
) -> Built:
    """Reads the exports `inputs` (files, folders, globs, URLs) into a new run of the ledger and makes it the latest.

    `vehicles` is a vehicle list (CSV), `rules` are rule packs over the built-in one, `mapping` a `ColumnMapping` that
    says which column is what; `lang` (BCP 47) is taken for every response's language, which otherwise the export says
    or its words tell.  `read`, `reader`,
    `join` and `check` stand in for the stages of the same place.

    Raises `ExportProblem` where not one response could be read, and any other `Problem`; the ledger's latest run is
    then what it was before.
    """
    if vehicles is not None and not vehicles.is_file():
        raise UsageProblem("there is no such vehicle list", where=str(vehicles), todo="give a CSV file to --vehicles")
    _refuse_own_files(inputs, ledger)
    watch = watch or Watch()
    clock = Clock()
    started = datetime.now(UTC)
    with writing_to(ledger) as home:
        key = load_key(create=home.fingerprint is None)
        home = home.keep_fingerprint(key.fingerprint)
        watch.stage("loading the rules")
        with clock.time("load_rules"):
            reader = reader or _real_reader(rules, vehicles, lang)
            listed = load_vehicle_list(vehicles) if vehicles is not None else None
        read, join, check = read or _real_read(), join or _real_join(), check or _real_check()
        with home.new_run(started) as run:
            record = RunRecord(run.name, _moment(started))
            record.rules = [{key: getattr(pack, key) for key in ("name", "version", "sha256")} for pack in reader.packs]
            record.vehicles = file_record(vehicles) if vehicles else None
            record.options = {"keep_text": keep_text, "lang": lang, "mapping": str(mapping) if mapping else None}
            watch.stage("reading")
            with RunTables(run.folder, run.work, key, keep_text=keep_text, lang=lang) as tables:
                taking = TakingIn(tables, reader, clock, watch, listed, LanguageTeller(forced=lang))
                record.inputs.extend(taking.take_in(export) for export in read(inputs, mapping=mapping))
            record.counts = _told_counts(record, tables)
            if not tables.rows("responses"):
                raise _nothing_read(record)
            finishing = _Finishing(run, tables, clock, watch)
            finishing.settle(join, check, vehicles)
            record.counts |= finishing.write(keep_text=keep_text)
            record.tables = finishing.table_records()
            record.timings = {stage: round(seconds, 3) for stage, seconds in clock.seconds.items()}
            record.finished_at = _moment(datetime.now(UTC))
            record.write(run.folder)
            return Built(run.publish(), record)


class _Finishing:
    """The second half of a build: copies, checks, and the finished tables of a run."""

    def __init__(self, run: NewRun, tables: RunTables, clock: Clock, watch: Watch) -> None:
        self._run = run
        self._clock = clock
        self._watch = watch
        self._staged = {name: open_staged(tables.paths[name]) for name in ("responses", "reports", "evidence")}
        self._rows = {name: tables.rows(name) for name in ("rejects", "parts", "refusals", "marks")}
        self._links = arrow_schema("links").empty_table()

    def settle(self, join: Join, check: Check, vehicles: Path | None) -> None:
        """Fills in what only the whole of the responses shows: copies, one vehicle's reports, findings, use."""
        import pyarrow as pa
        import pyarrow.compute as pc

        responses, reports = self._staged["responses"], self._staged["reports"]
        self._watch.stage("joining copies")
        with self._clock.time("join_copies"):
            joined = join(responses.select(JOIN_COLUMNS), reports.drop_columns(SETTLED_LATER), self._staged["evidence"])
            responses = _with(responses, "copy_of", looked_up(responses["response_id"], joined.response_copy_of))
            reports = _with(reports, "copy_of", looked_up(reports["report_id"], joined.report_copy_of))
            reports = _with(reports, "vehicle_key", looked_up(reports["report_id"], joined.vehicle_key))
            found = [joined.flags.get(report_id, []) for report_id in reports["report_id"].to_pylist()]
            reports = _with(reports, "flags", _merged(reports["flags"], found))
            schema = arrow_schema("links")
            self._links = joined.links.select(schema.names).cast(schema)
        self._watch.stage("checking")
        with self._clock.time("check_reports"):
            findings, usable = check(reports.drop_columns(["usable"]), vehicles)
            reports = _with(reports, "flags", _merged(reports["flags"], findings))
            alone = pc.and_(pa.array(usable, pa.bool_()), pc.is_null(reports["copy_of"]).combine_chunks())
            reports = _with(reports, "usable", alone)
        self._staged |= {"responses": responses, "reports": reports}

    def write(self, *, keep_text: bool) -> dict[str, Any]:
        """Writes the finished tables and gives their counts."""
        import pyarrow as pa
        import pyarrow.compute as pc

        self._watch.stage("writing")
        responses, reports = self._staged["responses"], self._staged["reports"]
        with self._clock.time("write_tables"):
            if not keep_text:
                responses = _with(responses, "text", pa.nulls(responses.num_rows, pa.string()))
            for name, table in {**self._staged, "responses": responses, "links": self._links}.items():
                self._rows[name] = write_table(name, table, self._run.folder / f"{name}.parquet")
        flags = pc.value_counts(pc.list_flatten(reports["flags"])).to_pylist()
        return {
            "responses": responses.num_rows,
            "response_copies": responses.num_rows - responses["copy_of"].null_count,
            "reports": reports.num_rows,
            "report_copies": reports.num_rows - reports["copy_of"].null_count,
            "vehicles": len(pc.unique(reports["vehicle_key"]).drop_null()),
            "usable": pc.sum(reports["usable"]).as_py() or 0,
            "flagged": pc.sum(pc.greater(pc.list_value_length(reports["flags"]), 0)).as_py() or 0,
            "refusals": self._rows["refusals"],
            "fields": {name: reports.num_rows - reports[name].null_count for name in FIELD_NAMES},
            "flags": {entry["values"]: entry["counts"] for entry in sorted(flags, key=lambda entry: entry["values"])},
        }

    def table_records(self) -> dict[str, dict[str, Any]]:
        """Each table's file, rows, size and SHA-256, for run.json."""
        folder = self._run.folder
        with ledger_errors(folder, "reading the finished tables"):
            return {name: table_record(folder / f"{name}.parquet", self._rows[name]) for name in TABLES}


def _refuse_own_files(inputs: Sequence[str], ledger: Path) -> None:
    """Refuses a ledger inside a folder of exports: its tables and records would be read as exports the next time."""
    for given in inputs:
        if Path(given).is_dir() and ledger.resolve().is_relative_to(Path(given).resolve()):
            raise UsageProblem(
                "the ledger lies inside a folder of exports and would be read as one of them",
                where=str(ledger),
                todo="put the ledger elsewhere, or name the export files one by one",
            )


def _with(table: pyarrow.Table, column: str, values: Any) -> pyarrow.Table:
    place = table.schema.get_field_index(column)
    return table.set_column(place, table.schema.field(place), values)


def _merged(flags: pyarrow.ChunkedArray, more: Sequence[Sequence[str]]) -> pyarrow.Array:
    """The flags of each row and more of them, each once, sorted; `more` must have as many entries as rows."""
    import pyarrow as pa

    pairs = zip(flags.to_pylist(), more, strict=True)
    return pa.array([sorted({*have, *new}) for have, new in pairs], flags.type)


def _told_counts(record: RunRecord, tables: RunTables) -> dict[str, Any]:
    """The counts of what was read, checked: read = kept + rejected for each export and in the tables."""
    failed = sum(1 for one in record.inputs if one.problem)
    read, kept, rejected = (sum(getattr(one, name) for one in record.inputs) for name in ("read", "kept", "rejected"))
    uneven = [one.source for one in record.inputs if one.read != one.kept + one.rejected]
    if uneven or kept != tables.rows("responses") or rejected + failed != tables.rows("rejects"):
        raise RuntimeError(f"records were lost: read {read}, kept {kept}, rejected {rejected}, sources {uneven}")
    return {
        "files": {"read": len(record.inputs) - failed, "failed": failed},
        "records": {"read": read, "kept": kept, "rejected": rejected},
        "rejects": dict(sorted(tables.reject_reasons.items())),
    }


def _nothing_read(record: RunRecord) -> ExportProblem:
    reasons = [one.problem or f"{one.source}: {one.read} records, none of them a response" for one in record.inputs]
    shown = reasons[:5] + ([f"... and {len(reasons) - 5} more"] if len(reasons) > 5 else [])
    told = record.counts["rejects"]
    return ExportProblem(
        "\n".join(["no response could be read; the ledger is as it was", *shown] if shown else ["no export was found"])
        + (f"\nrejected: {', '.join(f'{reason} {count}' for reason, count in told.items())}" if told else ""),
        todo="check the files, or say which column holds the text: --columns text=NAME",
    )


def _moment(at: datetime) -> str:
    return at.isoformat(timespec="seconds")


def _real_read() -> Read:
    from pipeline.read_exports.read_exports import read_exports

    return read_exports


def _real_reader(rules: Sequence[Path], vehicles: Path | None, lang: str | None) -> Reader:
    from pipeline.find_values.reader import ResponseReader

    return ResponseReader(rules=list(rules), vehicles=vehicles, lang=lang)


def _real_join() -> Join:
    from pipeline.join_copies.join import join_copies

    return join_copies


def _real_check() -> Check:
    from pipeline.check_reports.check import check_reports

    return check_reports
