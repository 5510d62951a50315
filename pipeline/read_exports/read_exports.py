"""The boundary of the reading stage: export files in, `Response` and `Reject` out, one stream a file."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain, islice

from pipeline.problems import ExportProblem, NoTextColumn, Problem, UsageProblem
from pipeline.read_exports.column_mapping import ColumnMapping, find_column, missing_column
from pipeline.read_exports.column_names import is_known_name
from pipeline.read_exports.column_roles import SAMPLE_ROWS, Roles, work_out_roles
from pipeline.read_exports.find_formats import HEAD, FormatModule, pick_format
from pipeline.read_exports.open_inputs import InputFile, Names, list_places, open_place
from pipeline.read_exports.pages import Pages
from pipeline.read_exports.raw_table import ExportFile, RawRow, RawTable
from pipeline.read_exports.spool import Limits
from pipeline.read_exports.to_responses import Repeats, RowReader
from pipeline.response import Reject, Response

__all__ = ["ColumnMapping", "OpenExport", "read_exports"]


@dataclass(slots=True)
class OpenExport:
    """One export file, looked at and ready to be read.

    `source` is the name that its rows carry, `path` where it stands, `sha256` and `size_bytes` those of the file as it
    was given, `kind` the word for its format, `roles_line` which column is what.  Where the file cannot be read at all,
    `problem` says why and `items()` gives nothing.
    """

    source: str
    path: str
    sha256: str
    size_bytes: int
    kind: str = ""
    roles_line: str = ""
    problem: ExportProblem | None = None
    _reading: _Reading | None = field(default=None, repr=False)

    def items(self) -> Iterator[Response | Reject]:
        """Every record as a response or a reject, streamed; may be read once.  Never raises for bad input."""
        reading, self._reading = self._reading, None
        if reading is not None and self.problem is None:
            yield from reading.items(self)


def read_exports(
    inputs: Sequence[str], *, mapping: ColumnMapping | None = None, limits: Limits | None = None
) -> Iterator[OpenExport]:
    """Opens what `inputs` name (files, folders, globs, URLs that fsspec opens), one export after the other.

    Inputs come in the order given, folders, globs and archives sorted by path.  Raises `UsageProblem` where `mapping`
    names a column that no file has; any other trouble is in an export's `problem` or in its rejects.
    """
    places = list_places(inputs)
    names = Names.for_places(places)
    pages = Pages(names)
    told = _MappingUse(mapping, alone=len(places) == 1)
    for place in places:
        for file in open_place(place, limits):
            yield _open(file, names, pages, told)
    told.finish()


def _open(file: InputFile, names: Names, pages: Pages, told: _MappingUse) -> OpenExport:
    export = OpenExport("", file.path, file.sha256, file.size_bytes, problem=file.problem)
    if file.problem is not None:
        export.source = names.name_for(file)
        return export
    try:
        with file.open() as stream:
            head = stream.read(HEAD)
        module = pick_format(head, file.name, file.path)
    except ExportProblem as problem:
        export.source, export.problem = names.name_for(file), problem
        return export
    except OSError as error:
        export.source = names.name_for(file)
        export.problem = ExportProblem(f"the file cannot be read ({error})", where=file.path, todo="copy it anew")
        return export
    export.kind = module.NAME
    export.source, thread, repeats = pages.place_of(file, head)
    reading = _Reading(file, module, export.source, thread, repeats, told)
    try:
        reading.look(export)
        export._reading = reading
    except UsageProblem:
        raise
    except ExportProblem as problem:
        export.problem = problem
        if not problem.where:
            problem.where = file.path
    except Exception as error:  # whatever a library throws at bytes that it does not expect
        export.problem = _unreadable(error, module, file.path)
    return export


def _unreadable(error: Exception, module: FormatModule, where: str) -> ExportProblem:
    detail = " ".join(str(error).split())[:300] or type(error).__name__
    return ExportProblem(
        f"the file looks like {module.NAME} but cannot be read as such ({detail})",
        where=where,
        todo="look whether it is whole; export it again",
    )


@dataclass(slots=True)
class _Table:
    """A table whose first rows have been looked at, with the roles of its columns."""

    table: RawTable
    rows: Iterator[RawRow | Reject]
    roles: Roles


@dataclass(slots=True)
class _Reading:
    """The reading of one file: looks ahead until a table with responses is found, then streams."""

    file: InputFile
    module: FormatModule
    source: str
    thread: str | None
    repeats: Repeats
    told: _MappingUse
    _tables: Iterator[RawTable] = field(default_factory=lambda: iter(()))
    _first: _Table | None = None
    _left_out: list[Reject] = field(default_factory=list)
    _lines: list[str] = field(default_factory=list)
    _notes: list[str] = field(default_factory=list)

    def look(self, export: OpenExport) -> None:
        """Finds the first table that holds responses and says in the export which column is what."""
        asked_for = self.told.asked_for(self.file, self.source)
        file = ExportFile(self.file.name, self.source, self.file.open, self.file.size, tuple(asked_for.values()))
        self._tables = self.module.read_tables(file)
        refused: NoTextColumn | None = None
        count = 0
        for table in self._tables:
            count += 1
            try:
                self._first = self._settle(table)
            except NoTextColumn as problem:
                refused = refused or problem
                self._leave_out(table, problem)
                continue
            if self._first is not None:
                break
        if self._first is None:
            if refused is not None:
                raise refused
            detail = f" ({self.file.broken})" if self.file.broken else ""
            todo = "look at the file; export it again"
            raise ExportProblem(f"the file holds no records{detail}", where=self.file.path, todo=todo)
        self._say(export, self._first)

    def items(self, export: OpenExport) -> Iterator[Response | Reject]:
        """The file's records.  Where the packing broke off, the last record is doubtful and becomes a reject."""
        stream = self._streamed(export)
        if not self.file.broken:
            yield from stream
            return
        last: Response | Reject | None = None
        for item in stream:
            if last is not None:
                yield last
            last = item
        if last is not None and (isinstance(last, Response) or last.reason != "broken_off"):
            record = last.record if isinstance(last, Reject) else f"from {last.source_response_id} on"
            last = Reject(self.source, record, "broken_off", self.file.broken, "fetch the file again; it is not whole")
        if last is not None:
            yield last

    def _streamed(self, export: OpenExport) -> Iterator[Response | Reject]:
        yield from self._left_out
        self._left_out = []
        done = 0
        try:
            table = self._first
            self._first = None
            while table is not None:
                sheet = f"{table.table.name}: " if table.table.name and done else ""
                reader = RowReader(
                    table.roles,
                    self.source,
                    self.repeats,
                    thread=self.thread,
                    joint=getattr(table.table, "delimiter", ""),
                    record_prefix=sheet,
                )
                for row in table.rows:
                    done += 1
                    yield row if isinstance(row, Reject) else reader.read(row)
                table = yield from self._next_table(export)
        except Exception as error:  # the file breaks off, in whatever way its library puts it
            what = str(error.what) if isinstance(error, Problem) else str(error)
            detail = " ".join(what.split())[:300] or type(error).__name__
            hint = "what stood before was kept; look whether the file is whole"
            yield Reject(self.source, f"after record {done}", "broken_off", detail, hint)

    def _next_table(self, export: OpenExport) -> Generator[Reject, None, _Table | None]:
        for table in self._tables:
            try:
                found = self._settle(table)
            except NoTextColumn as problem:
                self._leave_out(table, problem)
                yield self._left_out.pop()
                found = None
            if found is not None:
                self._say(export, found)
                return found
        self._say(export, None)
        return None

    def _settle(self, table: RawTable) -> _Table | None:
        """The table with its roles; None where it is empty, or prose on a sheet of its own."""
        rows = iter(table.rows)
        first = list(islice(rows, SAMPLE_ROWS))
        if not first:
            return None
        sample = [item.cells for item in first if isinstance(item, RawRow)]
        wanted = self.told.for_table(self.file, self.source, table.columns)
        if table.name and not wanted and not table.roles and _is_prose(table):
            self._notes.append(f"left out: sheet {table.name!r} holds prose only")
            return None
        roles = work_out_roles(table.columns, sample, fixed=table.roles, wanted=wanted, where=self.file.path)
        return _Table(table, chain(first, rows), roles)

    def _leave_out(self, table: RawTable, problem: NoTextColumn) -> None:
        name = table.name or "a table"
        self._notes.append(f"left out: {name!r} has no text column")
        self._left_out.append(Reject(self.source, f"all of {name}", "no_text_column", problem.what, problem.todo))

    def _say(self, export: OpenExport, table: _Table | None) -> None:
        if table is not None:
            sheet = f"{table.table.name}: " if table.table.name else ""
            self._lines.append(sheet + table.roles.line())
        export.roles_line = "; ".join([*self._lines, *self._notes])


def _is_prose(table: RawTable) -> bool:
    """Whether a sheet is a page of words: one column, without a name that columns have."""
    return len(table.columns) == 1 and not is_known_name(table.columns[0])


@dataclass(slots=True)
class _MappingUse:
    """Keeps count of the columns that a person asked for, to say which of them no file has."""

    mapping: ColumnMapping | None
    alone: bool
    missing: dict[tuple[str, str], UsageProblem] = field(default_factory=dict)
    found: set[tuple[str, str]] = field(default_factory=set)

    def asked_for(self, file: InputFile, source: str) -> dict[str, str]:
        """Role -> column name that a person gave for this file; empty where none was given."""
        if self.mapping is None:
            return {}
        return self.mapping.for_file(file.name) or self.mapping.for_file(source)

    def for_table(self, file: InputFile, source: str, columns: Sequence[str]) -> dict[str, str]:
        """The wanted columns that this table has; a table with some but not all of them, or the only one, is a problem.

        Another export of the same call may have none of them: it is then read as if nothing was asked for.
        """
        wanted = self.asked_for(file, source)
        here = {role: name for role, name in wanted.items() if find_column(name, columns) is not None}
        self.found.update(here.items())
        for role, name in wanted.items() - here.items():
            problem = missing_column(role, name, columns, file.path)
            if here:
                raise problem
            self.missing.setdefault((role, name), problem)
        return here

    def finish(self) -> None:
        """Raises for a wanted column that was in no table."""
        for key, problem in self.missing.items():
            if key not in self.found:
                raise problem
