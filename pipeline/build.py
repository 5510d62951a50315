"""Makes runs: of exports (`build`), of what a run of the ledger holds (`rerun`), or of both (`build` with `add`).

    read_exports -> batches of responses -> reader -> rows, staged   \
    kept run -> rows as read, and responses that are read again      -> one order -> finish_run -> latest

What the later stages need of all responses at once (copies, checks) they get as Arrow tables mapped from the disk.
Whichever way responses came, the same responses, rules and program give the same tables, byte for byte.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.finish_run import Check, Finishing, Join
from pipeline.group_reports.vehicle_list import load_vehicle_list
from pipeline.keep_ledger.forgotten import load_forgotten
from pipeline.keep_ledger.ledger import Ledger, NewRun, writing_to
from pipeline.keep_ledger.name_runs import named_run
from pipeline.keep_ledger.pseudonym import PseudonymKey, load_key
from pipeline.keep_ledger.rows import RunTables
from pipeline.keep_ledger.run_record import RunRecord, file_record
from pipeline.keep_ledger.tables import open_staged
from pipeline.problems import ExportProblem, UsageProblem
from pipeline.read_text.language import LanguageTeller
from pipeline.run_partitions.in_process import InProcess
from pipeline.run_partitions.partition import Runner
from pipeline.take_back.adding import AsBefore, new_exports
from pipeline.take_back.fingerprints import readings_of
from pipeline.take_back.kept_run import KeptRun, open_kept
from pipeline.take_back.put_together import by_source
from pipeline.take_back.start_from import Start
from pipeline.take_in import Clock, Export, Reader, TakingIn, Watch

if TYPE_CHECKING:
    import pyarrow

    from pipeline.read_exports.column_mapping import ColumnMapping

Read = Callable[..., Iterable[Export]]


@dataclass(frozen=True, slots=True)
class Built:
    """A finished run: its folder and its record."""

    folder: Path
    record: RunRecord


@dataclass(frozen=True, slots=True)
class Stages:
    """The stages that a run goes through; what is None is the program's own.

    `reader` makes readings, `join` and `check` stand for the stages of the same place, `runner` says where responses
    are read (here, in other processes, on a cluster), which changes no byte of the tables.
    """

    reader: Reader | None = None
    join: Join | None = None
    check: Check | None = None
    runner: Runner | None = None


def build(
    inputs: Sequence[str],
    ledger: Path,
    *,
    vehicles: Path | None = None,
    rules: Sequence[Path] = (),
    mapping: ColumnMapping | None = None,
    keep_text: bool = True,
    lang: str | None = None,
    add: bool = False,
    read: Read | None = None,
    reader: Reader | None = None,
    join: Join | None = None,
    check: Check | None = None,
    watch: Watch | None = None,
    runner: Runner | None = None,
) -> Built:
    """Reads the exports `inputs` (files, folders, globs, URLs) into a new run of the ledger and makes it the latest.

    `vehicles` is a vehicle list (CSV), `rules` are rule packs over the built-in one, `mapping` a `ColumnMapping` that
    says which column is what; `lang` (BCP 47) is taken for every response's language, which otherwise the export says
    or its words tell.  `read` stands in for the opening of exports, the others for what `Stages` says.

    With `add`, the exports are added to those that the ledger's latest run holds: the tables are those of a build of
    all of them.  What is held with the same bytes is left out, what stands at the same place with other bytes replaces
    what is held.  Vehicle list, rules and language are then those of the latest run where none are given.

    Raises `ExportProblem` where not one response could be read, and any other `Problem`; the ledger's latest run is
    then what it was before.
    """
    _refuse_missing(vehicles)
    _refuse_own_files(inputs, ledger)
    with _Making(ledger, Stages(reader, join, check, runner), watch) as making:
        kept = open_kept(making.home.latest()) if add and making.home.runs() else None
        making.settle(kept, vehicles, (rules or None) if add else rules, lang, keep_text=keep_text)
        making.record.options["mapping"] = str(mapping) if mapping else None
        return making.make((read or _real_read())(inputs, mapping=mapping))


def rerun(
    ledger: Path,
    *,
    run: str = "latest",
    rules: Sequence[Path] | None = None,
    vehicles: Path | None = None,
    lang: str | None = None,
    full: bool = False,
    reader: Reader | None = None,
    join: Join | None = None,
    check: Check | None = None,
    watch: Watch | None = None,
    runner: Runner | None = None,
) -> Built:
    """Makes a new run of what a run of the ledger holds, without its exports, and makes it the latest.

    `run` names the run to start from.  `rules`, `vehicles` and `lang` are as in `build`; None stands for what the kept
    run was made with (`rules=()`: the built-in rules alone).  Only responses that the difference can touch are read
    again (`full`: all); the tables are those that a build of the same exports would give.  What was read again and why
    stands in the record's `options["rerun"]`.

    Raises `LedgerProblem` where the run did not keep its texts, and any other `Problem`.
    """
    _refuse_missing(vehicles)
    if not ledger.is_dir():
        raise UsageProblem("there is no such ledger", where=str(ledger), todo="crowdfade build EXPORT... --to LEDGER")
    with _Making(ledger, Stages(reader, join, check, runner), watch) as making:
        kept = open_kept(named_run(making.home, run))
        making.settle(kept, vehicles, rules, lang, keep_text=True, full=full)
        making.record.options["mapping"] = kept.record["options"].get("mapping")
        return making.make(())


class _Making:
    """One run on its way: holds the ledger's lock while it is entered; `settle`, then `make`."""

    def __init__(self, ledger: Path, stages: Stages, watch: Watch | None) -> None:
        self.home: Ledger
        self.record: RunRecord
        self._ledger = ledger
        self._stages = stages
        self._watch = watch or Watch()
        self._clock = Clock()
        self._open = ExitStack()
        self._started = datetime.now(UTC)
        self._key: PseudonymKey
        self._run: NewRun
        self._reader: Reader
        self._kept: KeptRun | None = None
        self._vehicles: Path | None = None
        self._lang: str | None = None
        self._keep_text = True
        self._full = False

    def __enter__(self) -> _Making:
        with ExitStack() as opening:
            home = opening.enter_context(writing_to(self._ledger))
            self._key = load_key(create=home.fingerprint is None)
            self.home = home.keep_fingerprint(self._key.fingerprint)
            self._open = opening.pop_all()
        return self

    def __exit__(self, *error: Any) -> None:
        self._open.__exit__(*error)

    def settle(
        self,
        kept: KeptRun | None,
        vehicles: Path | None,
        rules: Sequence[Path] | None,
        lang: str | None,
        *,
        keep_text: bool,
        full: bool = False,
    ) -> None:
        """Settles what the run is made with: what is not given is as in the kept run; loads the rules."""
        self._watch.stage("loading the rules")
        self._kept, self._keep_text, self._full = kept, keep_text, full
        listed = file_record(vehicles) if vehicles is not None else None
        if kept is not None:
            lang = lang or kept.lang
            if vehicles is None:
                vehicles, listed = kept.vehicle_list(), kept.record.get("vehicles")
            if rules is None:
                rules = kept.packs if self._stages.reader is None else ()
        self._lang, self._vehicles = lang, vehicles
        with self._clock.time("load_rules"):
            self._reader = self._stages.reader or _real_reader(rules or (), vehicles, lang)
        self._run = self._open.enter_context(self.home.new_run(self._started))
        self.record = RunRecord(self._run.name, _moment(self._started))
        packs = self._reader.packs
        self.record.rules = [{name: getattr(pack, name) for name in ("name", "version", "sha256")} for pack in packs]
        self.record.fields = [one.plain() for one in getattr(self._reader, "declared", ())]
        self.record.vehicles = listed
        self.record.options = {"keep_text": keep_text, "lang": lang}

    def make(self, exports: Iterable[Export]) -> Built:
        """Reads, joins, checks, writes and publishes; gives the finished run."""
        record, run, clock = self.record, self._run, self._clock
        declared = getattr(self._reader, "fields", ())
        with clock.time("load_rules"):
            vehicle_list = load_vehicle_list(self._vehicles) if self._vehicles is not None else None
        start = self._start(declared)
        runner = self._stages.runner or InProcess()
        if start is not None:
            exports = new_exports(exports, start.kept, start.added)
            runner = start.as_before = AsBefore(start.kept, start.added.replaced, start.again, runner)
        self._watch.stage("reading")
        teller = LanguageTeller(forced=self._lang)
        with RunTables(run.work, self._key, keep_text=self._keep_text, lang=self._lang, fields=declared) as tables:
            forgotten = load_forgotten(self.home.path, self._key)
            taking = TakingIn(tables, self._reader, clock, self._watch, vehicle_list, teller, runner, forgotten)
            record.inputs.extend(taking.take_in_all(exports))
        staged = {name: open_staged(path) for name, path in tables.paths.items()}
        if start is not None:
            work = run.work / "again"
            work.mkdir()
            with RunTables(work, self._key, keep_text=self._keep_text, lang=self._lang, fields=declared) as tables:
                taking = TakingIn(tables, self._reader, clock, self._watch, vehicle_list, teller, self._stages.runner)
                rows = start.to_be_read()
                taking.take_back(start.kept.responses(rows))
            again = {name: open_staged(path) for name, path in tables.paths.items()}
            with clock.time("put_together"):
                staged = start.put_together(staged, again, keep_text=self._keep_text)
            record.inputs = start.inputs(record.inputs)
            record.options["rerun"] = start.told(len(rows))
        else:
            staged = _in_order(staged)
        record.counts = _told_counts(record, staged)
        if not staged["responses"].num_rows:
            raise _nothing_read(record)
        self._finish(staged, start, declared)
        return Built(run.publish(), record)

    def _start(self, declared: Sequence[Any]) -> Start | None:
        if self._kept is None:
            return None
        with self._clock.time("take_back"):
            self._watch.stage("taking the kept run back")
            self._kept.load(declared)
            return Start.of(self._kept, self._reader, self._lang, self._listed, full=self._full)

    @property
    def _listed(self) -> tuple[str, str] | None:
        """The vehicle list as readings know it: name and SHA-256."""
        if self._vehicles is None or self.record.vehicles is None:
            return None
        return self._vehicles.name, self.record.vehicles["sha256"]

    def _finish(self, staged: dict[str, pyarrow.Table], start: Start | None, declared: Sequence[Any]) -> None:
        record, run = self.record, self._run
        finishing = Finishing(run, staged, self._clock, self._watch, declared)
        finishing.correct(self._vehicles)
        # a stand-in for the joining knows nothing of what was joined before
        again = start.join_again() if start is not None and self._stages.join is None else None
        join, check = self._stages.join or _real_join(), self._stages.check or _real_check()
        finishing.settle(join, check, self._vehicles, again)
        record.counts |= finishing.write(keep_text=self._keep_text)
        if self._keep_text:
            readings = readings_of(self._reader, staged["responses"]["lang"].unique().to_pylist(), self._listed)
            readings.orders = bool(finishing.orders)
            finishing.keep_for_rerun(readings, self._vehicles)
        record.tables = finishing.table_records()
        record.timings = {stage: round(seconds, 3) for stage, seconds in self._clock.seconds.items()}
        record.finished_at = _moment(datetime.now(UTC))
        record.write(run.folder)


def _in_order(staged: dict[str, pyarrow.Table]) -> dict[str, pyarrow.Table]:
    """Staged tables with their rows in the order of the sources' names, whatever the order of the exports was."""
    from pipeline.take_back.put_together import put_in_order

    responses = by_source(staged["responses"])
    if responses is staged["responses"]:
        return {**staged, "rejects": by_source(staged["rejects"])}
    ids = responses["response_id"]
    ordered = {name: put_in_order(table, ids) for name, table in staged.items() if name not in ("responses", "rejects")}
    return {**ordered, "responses": responses, "rejects": by_source(staged["rejects"])}


def _refuse_missing(vehicles: Path | None) -> None:
    if vehicles is not None and not vehicles.is_file():
        raise UsageProblem("there is no such vehicle list", where=str(vehicles), todo="give a CSV file to --vehicles")


def _refuse_own_files(inputs: Sequence[str], ledger: Path) -> None:
    """Refuses a ledger inside a folder of exports: its tables and records would be read as exports the next time."""
    for given in inputs:
        if Path(given).is_dir() and ledger.resolve().is_relative_to(Path(given).resolve()):
            raise UsageProblem(
                "the ledger lies inside a folder of exports and would be read as one of them",
                where=str(ledger),
                todo="put the ledger elsewhere, or name the export files one by one",
            )


def _told_counts(record: RunRecord, staged: dict[str, pyarrow.Table]) -> dict[str, Any]:
    """The counts of what was read, checked: read = kept + rejected for each export and in the tables."""
    import pyarrow.compute as pc

    failed = sum(1 for one in record.inputs if one.problem)
    read, kept, rejected = (sum(getattr(one, name) for one in record.inputs) for name in ("read", "kept", "rejected"))
    uneven = [one.source for one in record.inputs if one.read != one.kept + one.rejected]
    rejects = staged["rejects"]
    if uneven or kept != staged["responses"].num_rows or rejected + failed != rejects.num_rows:
        raise RuntimeError(f"records were lost: read {read}, kept {kept}, rejected {rejected}, sources {uneven}")
    reasons = {entry["values"]: entry["counts"] for entry in pc.value_counts(rejects["reason"]).to_pylist()}
    return {
        "files": {"read": len(record.inputs) - failed, "failed": failed},
        "records": {"read": read, "kept": kept, "rejected": rejected},
        "rejects": dict(sorted(reasons.items())),
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
