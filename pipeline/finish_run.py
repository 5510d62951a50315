"""The second half of every run, whether exports were read or kept responses: staged rows in, a finished run out.

    rows in the order of their source -> corrections -> copies and vehicles -> checks -> tables

The rows that a stage after the reading changes for good (corrections; findings that the reader itself raised) are kept
as they were read in `for-rerun/`, so that the next run can start from readings and never from what was made of them.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pipeline.correct_readings.apply import Corrected, apply
from pipeline.correct_readings.corrections_file import CORRECTIONS, CorrectionsFile, read_corrections
from pipeline.correct_readings.outcomes import summed_up, table_of
from pipeline.correct_readings.vehicle_decisions import settle_joined
from pipeline.dataset_columns import FIELD_NAMES, TABLES, Column, arrow_schema
from pipeline.group_reports.vehicle_list import load_vehicle_list
from pipeline.keep_ledger.ledger import NewRun
from pipeline.keep_ledger.run_record import table_record
from pipeline.keep_ledger.tables import ledger_errors, looked_up, write_table
from pipeline.take_in import Clock, Watch

if TYPE_CHECKING:
    import pyarrow

JOIN_COLUMNS = (
    "response_id", "source_response_id", "source", "author_key", "posted_at", "lang", "text", "thread_id", "parent_id",
)  # fmt: skip
"""The columns of responses that the copies stage is given."""

SETTLED_LATER = ("vehicle_key", "copy_of", "usable")
"""The columns of reports that are not known before the copies and the checks."""

FOR_RERUN = "for-rerun"
"""The subfolder of a run that holds what a rerun needs besides the tables."""

VEHICLES = "vehicles"
"""The subfolder of `FOR_RERUN` that holds the vehicle list under its own name."""

CHANGED = "changed"
"""The table in `FOR_RERUN` that names the responses whose rows are kept there as they were read."""

AS_READ = ("reports", "evidence", "parts", "refusals")
"""The tables whose rows are kept as they were read, for the responses that were changed after reading."""


class Readings(Protocol):
    """What readings hang on, as `take_back.fingerprints` tells it."""

    def write(self, folder: Path) -> None: ...  # noqa: D102


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


Join = Callable[..., Joined]
"""(responses, reports, evidence[, orders]) -> what belongs together."""
JoinAgain = Callable[..., Joined]
"""(responses, reports, evidence, ids of the responses that corrections changed) -> the same, from what was joined."""
Check = Callable[..., tuple[list[list[str]], list[bool]]]
"""(reports, path of the vehicle list or None, responses) -> findings of each report, and whether statistics take it."""


class Finishing:
    """Makes a run of staged tables: `tables` are those of `rows.STAGED`, rows in their final order.

    `fields` are the fields that rule packs declare.  The steps are to be called in the order `correct`, `settle`,
    `write`, `keep_for_rerun`, `table_records`.
    """

    def __init__(
        self,
        run: NewRun,
        tables: Mapping[str, pyarrow.Table],
        clock: Clock,
        watch: Watch,
        fields: Sequence[Column] = (),
    ) -> None:
        self.home = run.ledger.path
        self.tables = dict(tables)
        self.orders: Any = None
        self.changed: set[str] = set()
        self._as_read = dict(tables)
        self._folder = run.folder
        self._clock = clock
        self._watch = watch
        self._fields = tuple(fields)
        self._rows: dict[str, int] = {}
        self._decided = CorrectionsFile(self.home / CORRECTIONS)
        self._corrected = Corrected(dict(tables))

    def correct(self, vehicles: Path | None = None) -> None:
        """Lets people's corrections outrank what was read.

        Replaces `tables`, sets `orders` (for the joining), and adds to `changed` each response whose rows it touched;
        depends on the tables as read, the vehicle list and the ledger's corrections alone.
        """
        self._watch.stage("correcting")
        with self._clock.time("correct_readings"):
            self._decided = read_corrections(self.home)
            listed = load_vehicle_list(vehicles) if vehicles is not None and self._decided.kept else None
            self._corrected = apply(self.tables, self._decided.kept, listed)
        self.tables = self._corrected.tables
        self.orders = self._corrected.orders
        self.changed |= self._corrected.changed

    def settle(self, join: Join, check: Check, vehicles: Path | None, again: JoinAgain | None = None) -> None:
        """Fills in what only the whole of the responses shows: copies, one vehicle's reports, findings, use.

        `again` joins what was joined before, where only reports have changed; not taken where people's orders count.
        """
        import pyarrow as pa
        import pyarrow.compute as pc

        responses, reports = self.tables["responses"], self.tables["reports"]
        self._watch.stage("joining copies")
        with self._clock.time("join_copies"):
            asked = (responses.select(JOIN_COLUMNS), reports.drop_columns(SETTLED_LATER), self.tables["evidence"])
            if again is not None and not self.orders:
                joined = again(*asked, self.changed)
            else:
                joined = join(*asked, self.orders) if self.orders else join(*asked)
            responses = with_column(responses, "copy_of", looked_up(responses["response_id"], joined.response_copy_of))
            reports = with_column(reports, "copy_of", looked_up(reports["report_id"], joined.report_copy_of))
            reports = with_column(reports, "vehicle_key", looked_up(reports["report_id"], joined.vehicle_key))
            found = [joined.flags.get(report_id, []) for report_id in reports["report_id"].to_pylist()]
            reports = with_column(reports, "flags", _merged(reports["flags"], found))
            schema = arrow_schema("links")
            self.tables["links"] = joined.links.select(schema.names).cast(schema)
            settle_joined(self._corrected.outcomes, joined)
        self._watch.stage("checking")
        with self._clock.time("check_reports"):
            findings, usable = check(reports.drop_columns(["usable"]), vehicles, responses)
            reports = with_column(reports, "flags", _merged(reports["flags"], findings))
            verified = pc.is_in(reports["report_id"], pa.array(sorted(self._corrected.verified), pa.string()))
            # a person who has looked at the row goes before a rule
            sound = pc.or_(pa.array(usable, pa.bool_()), verified.combine_chunks())
            alone = pc.and_(sound, pc.is_null(reports["copy_of"]).combine_chunks())
            reports = with_column(reports, "usable", alone)
        self.tables |= {"responses": responses, "reports": reports}

    def write(self, *, keep_text: bool) -> dict[str, Any]:
        """Writes the finished tables and gives their counts."""
        import pyarrow as pa
        import pyarrow.compute as pc

        self._watch.stage("writing")
        responses, reports = self.tables["responses"], self.tables["reports"]
        self.tables["corrections"] = table_of(self._corrected.outcomes)
        with self._clock.time("write_tables"):
            if not keep_text:
                self.tables["responses"] = with_column(responses, "text", pa.nulls(responses.num_rows, pa.string()))
            for name in TABLES:
                self._rows[name] = write_table(name, self.tables[name], self._folder / f"{name}.parquet", self._fields)
        flags = pc.value_counts(pc.list_flatten(reports["flags"])).to_pylist()
        names = (*FIELD_NAMES, *(column.name for column in self._fields))
        return {
            "responses": responses.num_rows,
            "response_copies": responses.num_rows - responses["copy_of"].null_count,
            "reports": reports.num_rows,
            "report_copies": reports.num_rows - reports["copy_of"].null_count,
            "vehicles": len(pc.unique(reports["vehicle_key"]).drop_null()),
            "usable": pc.sum(reports["usable"]).as_py() or 0,
            "flagged": pc.sum(pc.greater(pc.list_value_length(reports["flags"]), 0)).as_py() or 0,
            "refusals": self._rows["refusals"],
            "fields": {name: reports.num_rows - reports[name].null_count for name in names},
            "flags": {entry["values"]: entry["counts"] for entry in sorted(flags, key=lambda entry: entry["values"])},
            "corrections": summed_up(self._corrected.outcomes, self._decided.sha256),
        }

    def table_records(self) -> dict[str, dict[str, Any]]:
        """Each table's file, rows, size and SHA-256, for run.json."""
        with ledger_errors(self._folder, "reading the finished tables"):
            return {name: table_record(self._folder / f"{name}.parquet", self._rows[name]) for name in TABLES}

    def keep_for_rerun(self, readings: Readings, vehicles: Path | None) -> None:
        """Keeps what a rerun needs besides the tables: what readings hang on, the vehicle list, rows as read."""
        folder = self._folder / FOR_RERUN
        with self._clock.time("write_tables"), ledger_errors(folder, "keeping what a rerun needs"):
            readings.write(folder)
            self._keep_as_read()
            if vehicles is not None:
                (folder / VEHICLES).mkdir()
                shutil.copyfile(vehicles, folder / VEHICLES / vehicles.name)

    def _keep_as_read(self) -> None:
        """Keeps the rows as read of the responses that were changed since, in tables of the same columns."""
        import pyarrow as pa
        import pyarrow.compute as pc
        import pyarrow.parquet as pq

        reports = self._as_read["reports"]
        flagged = reports.filter(pc.greater(pc.list_value_length(reports["flags"]), 0))["response_id"].to_pylist()
        changed = pa.array(sorted(self.changed.union(flagged)), pa.string())
        folder = self._folder / FOR_RERUN
        with ledger_errors(folder, "writing a table"):
            folder.mkdir(exist_ok=True)
        pq.write_table(pa.table({"response_id": changed}), folder / f"{CHANGED}.parquet")
        for name in AS_READ:
            table = self._as_read[name]
            kept = table.filter(pc.is_in(table["response_id"], changed))
            write_table(name, kept, folder / f"{name}.parquet", self._fields)


def with_column(table: pyarrow.Table, column: str, values: Any) -> pyarrow.Table:
    """The table with other values in one of its columns."""
    place = table.schema.get_field_index(column)
    return table.set_column(place, table.schema.field(place), values)


def _merged(flags: pyarrow.ChunkedArray, more: Sequence[Sequence[str]]) -> pyarrow.Array:
    """The flags of each row and more of them, each once, sorted; `more` must have as many entries as rows."""
    import pyarrow as pa

    pairs = zip(flags.to_pylist(), more, strict=True)
    return pa.array([sorted({*have, *new}) for have, new in pairs], flags.type)
