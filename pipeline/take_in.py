"""The first half of a build: exports are opened one by one, and every record of them is kept, read, or rejected.

Responses pass through in partitions, which a runner (`run_partitions`) reads here, in other processes or on a cluster;
they are never all held as Python objects.  What is kept is kept here, in the exports' order, whichever runner reads.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from itertools import islice
from typing import Protocol

from pipeline.group_reports.vehicle_list import VehicleList
from pipeline.keep_ledger.forgotten import Forgotten
from pipeline.keep_ledger.rows import RunTables, make_sound
from pipeline.keep_ledger.run_record import InputRecord
from pipeline.problems import ExportProblem, NoTextColumn, Problem, UnsafeArchive
from pipeline.read_text.language import ExportTeller, LanguageTeller
from pipeline.response import Reject, Response
from pipeline.run_partitions.in_process import InProcess
from pipeline.run_partitions.partition import Pack, Reader, Readings, Runner

__all__ = ["BATCH", "Clock", "Export", "Pack", "Reader", "TakingIn", "Watch"]

BATCH = 256
"""Responses of a partition: enough to keep a reader busy, few enough to hold."""

REJECT_REASONS: dict[str, str] = {
    "unreadable_file": "the whole file could not be read",
    "no_text_column": "no column of the file holds the responses' text",
    "unsafe_archive": "the archive unpacks to far more than it should, or leads outside itself",
    "broken_off": "the file broke off here; what stood before this place was kept",
    "repeated_record": "the same id with the same words stood in this export before",
    "forgotten": "the person withdrew it (`crowdfade forget`); nothing of it is kept",
    "reading_failed": "the program failed on this response; a mistake of the program",
}
"""The reasons that a build adds to those of `read_exports`."""


class Export(Protocol):
    """One export file as `read_exports` opens it."""

    @property
    def source(self) -> str: ...  # noqa: D102
    @property
    def path(self) -> str: ...  # noqa: D102
    @property
    def sha256(self) -> str: ...  # noqa: D102
    @property
    def size_bytes(self) -> int | None: ...  # noqa: D102
    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def roles_line(self) -> str: ...  # noqa: D102
    @property
    def problem(self) -> ExportProblem | None: ...  # noqa: D102
    def items(self) -> Iterator[Response | Reject]: ...  # noqa: D102


class Watch:
    """Told how a build goes on; this one says nothing, the command line's draws a progress bar."""

    def stage(self, name: str) -> None:
        """A stage begins."""

    def export(self, source: str, size_bytes: int | None) -> None:
        """The reading of an export begins."""

    def records(self, count: int, characters: int) -> None:
        """So many more responses of the export, with so many characters of text, have been read."""


class Clock:
    """Adds up how long each stage took, in seconds."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def time(self, stage: str) -> Iterator[None]:
        """Times what runs inside and adds it to the stage."""
        begin = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[stage] = self.seconds.get(stage, 0.0) + time.perf_counter() - begin


@dataclass(slots=True)
class _Part:
    """Some responses of an export on their way, and the records rejected between them; `failed`: the whole file."""

    record: InputRecord
    responses: list[Response] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    failed: Reject | None = None
    begins: bool = False
    ends: bool = False


class TakingIn:
    """Takes exports in: reads their records and hands them, with what was found in them, to a run's tables.

    `listed` is the vehicle list that names are resolved against; `teller` tells the language of responses that do not
    say theirs; `runner` says where partitions are read (here, where none is given).  Responses of people whom the
    ledger has `forgotten` are rejected unread, and nothing of them is kept.
    """

    def __init__(
        self,
        tables: RunTables,
        reader: Reader,
        clock: Clock,
        watch: Watch,
        listed: VehicleList | None = None,
        teller: LanguageTeller | None = None,
        runner: Runner | None = None,
        forgotten: Forgotten | None = None,
    ) -> None:
        self._listed = listed
        self._teller = teller or LanguageTeller()
        self._tables = tables
        self._reader = reader
        self._clock = clock
        self._watch = watch
        self._runner = runner or InProcess()
        self._forgotten = forgotten
        self._seen: dict[int, int] = {}
        self._places: dict[str, int] = {}

    def take_in_all(self, exports: Iterable[Export]) -> Iterator[InputRecord]:
        """Reads exports to their end and gives each one's line for run.json once all of its rows are in the tables.

        Only failures of records are caught.  A runner with workers takes exports ahead of the one that is given.
        """
        for part in self._read(part for export in exports for part in self._parts(export)):
            if part.ends:
                yield part.record

    def take_in(self, export: Export) -> InputRecord:
        """Reads one export, as `take_in_all` does."""
        (record,) = self.take_in_all([export])
        return record

    def take_back(self, responses: Iterable[Response]) -> int:
        """Reads kept responses again, under the ids and languages that they have, and gives how many."""
        record = InputRecord("", "", "", "", None, "")
        several = iter(responses)
        parts = iter(lambda: _Part(record, list(islice(several, BATCH))), _Part(record))
        return sum(len(part.responses) for part in self._read(parts))

    def _read(self, parts: Iterable[_Part]) -> Iterator[_Part]:
        """Each part once it has been read and is kept."""
        reading = self._runner.read(self._reader, parts, lambda: self._clock.time("find_values"))
        with closing(reading):
            for part, readings in reading:
                self._keep(part, readings)
                yield part

    def _parts(self, export: Export) -> Iterator[_Part]:
        record = InputRecord(export.source, export.path, export.kind, export.sha256, export.size_bytes, "")
        # Ids are hashes over the source, and sources differ: no id of another export can come again.
        self._seen.clear()
        part = _Part(record, begins=True)
        if export.problem is None:
            yield part
            part = _Part(record)
            for item in self._told(export):
                record.read += 1
                unique = item if isinstance(item, Reject) else self._remembered(item, self._unique(item))
                if isinstance(unique, Reject):
                    part.rejects.append(unique)
                else:
                    part.responses.append(unique)
                if len(part.responses) == BATCH or len(part.rejects) == BATCH:
                    yield part
                    part = _Part(record)
        record.kind, record.sha256, record.roles = export.kind, export.sha256, export.roles_line
        if export.problem is not None:
            record.problem = str(export.problem)
            part.failed = _file_reject(export.source, export.problem)
        part.ends = True
        yield part

    def _told(self, export: Export) -> Iterator[Response | Reject]:
        return ExportTeller(self._teller).told(
            item if isinstance(item, Reject) else make_sound(item) for item in self._items(export)
        )

    def _items(self, export: Export) -> Iterator[Response | Reject]:
        items = iter(export.items())
        count = 0
        while True:
            try:
                with self._clock.time("read_exports"):
                    item = next(items, None)
            except Exception as error:
                if isinstance(error, Problem) and not isinstance(error, ExportProblem):
                    raise
                what = str(error) if isinstance(error, Problem) else f"{type(error).__name__}: {error}"
                yield Reject(export.source, f"after record {count}", "broken_off", what, "look at the file there")
                return
            if item is None:
                return
            count += 1
            yield item

    def _unique(self, response: Response) -> Response | Reject:
        """The response under an id of its own; a record that says the same under the same id again is rejected.

        Exports do give one id to two posts (an edited one, two merged forums); the later one then gets an id made of
        the shared id and its words, so that neither is lost.
        """
        words = _small_hash(response.text)
        name = _small_hash(response.response_id)
        if self._seen.get(name, words) != words:
            response.response_id = "r" + _sha256(response.response_id, response.text)[:20]
            name = _small_hash(response.response_id)
        if name in self._seen:
            what = f"the id {response.source_response_id} and its words stood in this export before"
            return Reject(response.source, response.source_response_id, "repeated_record", what)
        self._seen[name] = words
        return response

    def _remembered(self, response: Response, unique: Response | Reject) -> Response | Reject:
        """What was made of a response, or a reject that says nothing of it where it, or its writer, was forgotten."""
        if self._forgotten:
            author_key = self._tables.author_key(response.author)
            if self._forgotten.holds(author_key, response.response_id):
                return Reject(response.source, "a withdrawn record", "forgotten", "")
        return unique

    def _keep(self, part: _Part, readings: Readings) -> None:
        record = part.record
        if part.begins:
            self._places.clear()
            if not part.ends:
                self._watch.export(record.source, record.size_bytes)
        with self._clock.time("stage_rows"):
            for reject in part.rejects:
                record.rejected += 1
                self._reject(reject)
            for response, reading in zip(part.responses, readings, strict=True):
                if isinstance(reading, Reject):
                    record.rejected += 1
                    self._reject(reading)
                else:
                    record.kept += 1
                    self._tables.keep(response, self._listed.fill(reading) if self._listed else reading)
        if part.failed is not None:
            self._reject(part.failed)
        if part.responses:
            self._watch.records(len(part.responses), sum(len(response.text) for response in part.responses))

    def _reject(self, reject: Reject) -> None:
        """Keeps a reject under a record name that no other reject of its export has."""
        times = self._places[reject.record] = self._places.get(reject.record, 0) + 1
        if times > 1:
            reject.record = f"{reject.record} (time {times})"
        self._tables.reject(reject)


def _file_reject(source: str, problem: ExportProblem) -> Reject:
    reason = "unreadable_file"
    if isinstance(problem, NoTextColumn):
        reason = "no_text_column"
    elif isinstance(problem, UnsafeArchive):
        reason = "unsafe_archive"
    return Reject(source, "file", reason, problem.what, problem.todo)


def _sha256(*parts: str) -> str:
    return hashlib.sha256("\x1f".join(parts).encode("utf-8", "surrogatepass")).hexdigest()


def _small_hash(text: str) -> int:
    """64 bits of a hash, the same in every run (Python's own differs from run to run)."""
    return int.from_bytes(hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=8).digest(), "little")
