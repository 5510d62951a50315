"""Checks a release folder again, from its files alone or beside the ledger that it was made of."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import REPORTS
from pipeline.problems import ReleaseProblem
from pipeline.publish_release.hierarchies import Sensitive, load_hierarchies
from pipeline.publish_release.link_rows import linked_patterns
from pipeline.publish_release.measures import Diversity, codes_of
from pipeline.publish_release.read_back import Package, read_package, schema_faults
from pipeline.publish_release.release import RECORD, SUMS
from pipeline.publish_release.release_figures import release_figures
from pipeline.publish_release.tell_values import alike_classes, categories
from pipeline.publish_release.words import exported_handles, ledger_handles, words_found

if TYPE_CHECKING:
    import pandas

SHOWN = 5
"""Faults that a check names one by one."""


@dataclass(slots=True)
class Check:
    """One check: what it is, and its faults (none: passed); `note` says what a passed check rests on."""

    name: str
    faults: list[str] = field(default_factory=list)
    note: str = ""

    @property
    def passed(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def verify(folder: Path, *, ledger: Path | None = None, exports: Sequence[str] = ()) -> list[Check]:
    """Every check of a release folder; with `ledger` also for words of its texts, with `exports` for their authors.

    Raises `ReleaseProblem` where the folder is no release at all; `LedgerProblem` or `ExportProblem` for the others.
    """
    try:
        record = json.loads((folder / RECORD).read_text("utf-8"))
        if record["what"] != "crowdfade release":
            raise ValueError
        k, quasi = int(record["k"]), [str(name) for name in record["quasi"]]
        diversity = Diversity(str(record["diversity"]["kind"]), float(record["diversity"]["level"]))
    except (OSError, ValueError, KeyError, TypeError):
        raise ReleaseProblem(
            f"is no release (it has no sound {RECORD})", where=str(folder), todo="give what `release --to` was given"
        ) from None
    checks = [_checksums(folder)]
    package: Package | None = None
    checks.append(one := Check("schema"))
    try:
        package = read_package(folder)
        one.faults += schema_faults(package)
        one.note = f"{len(package.tables)} tables, CSV and Parquet alike"
    except Exception as error:  # a damaged file of any kind is a fault of the release, not of this program
        one.faults.append(f"the tables cannot be read: {type(error).__name__}: {str(error).splitlines()[0]}")
    if package is not None and "reports" in package.tables:
        frame = package.tables["reports"]
        checks += [
            _tried("allowed columns", lambda: _columns(package)),
            _tried(f"k: {k} people a class", lambda: _k(frame, quasi, k)),
            _tried(f"l: {diversity.kind} {diversity.level:g}", lambda: _diversity(frame, quasi, diversity)),
            _tried("joined rows", lambda: _patterns(frame, k)),
            _tried("small cells", lambda: _small_cells(package, k)),
            _tried("figures", lambda: _figures(package)),
        ]
    if ledger is not None or exports:
        checks += _words(folder, ledger, exports)
    return checks


def _tried(name: str, check: Callable[[], Iterator[str]]) -> Check:
    """A check; a release that lacks what the check looks at fails it."""
    try:
        return Check(name, list(check()))
    except (KeyError, ValueError, TypeError, IndexError, AttributeError) as error:
        return Check(name, [f"cannot be checked: {type(error).__name__}: {error}"])


def _checksums(folder: Path) -> Check:
    check = Check("checksums")
    try:
        lines = (folder / SUMS).read_text("utf-8").splitlines()
        wanted = {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
    except (OSError, ValueError):
        check.faults.append(f"{SUMS} is missing or damaged")
        return check
    there = {
        path.relative_to(folder).as_posix(): path
        for path in folder.rglob("*")
        if not path.is_dir() or path.is_symlink()
    }
    for name, path in sorted(there.items()):
        if path.is_symlink():
            check.faults.append(f"{name}: is a link")
        elif name != SUMS and name not in wanted:
            check.faults.append(f"{name}: is not listed")
    for name, digest in sorted(wanted.items()):
        found = there.get(name)
        if found is None:
            check.faults.append(f"{name}: is missing")
        elif not found.is_symlink() and hashlib.sha256(found.read_bytes()).hexdigest() != digest:
            check.faults.append(f"{name}: was changed")
    check.note = f"{len(wanted)} files"
    return check


def _columns(package: Package) -> Iterator[str]:
    private = {column.name for column in REPORTS if column.privacy in ("private", "pseudonym")}
    for name in package.tables["reports"].columns:
        if name in private:
            yield f"reports.{name}: a private column"
    for table, fields in package.fields.items():
        for one in fields:
            if not one.get("role"):
                yield f"{table}.{one['name']}: does not say how it was treated"


def _k(frame: pandas.DataFrame, quasi: list[str], k: int) -> Iterator[str]:
    classes = codes_of(*[frame[name] for name in quasi])
    sizes = frame["person"].groupby(classes).nunique()
    for number, people in sizes[sizes < k].items():
        row = int(frame["row"][classes == number].iloc[0])
        yield f"the class of row {row} holds {people} people"
    if len(set(zip(classes, frame["class"], strict=True))) != len(sizes) or frame["class"].nunique() != len(sizes):
        yield "the column `class` is not what the generalised columns make"


def _diversity(frame: pandas.DataFrame, quasi: list[str], diversity: Diversity) -> Iterator[str]:
    classes = codes_of(*[frame[name] for name in quasi])
    rules = load_hierarchies()[1]
    for column in REPORTS:
        if column.privacy == "sensitive" and column.name in frame.columns:
            groups = categories(frame[column.name], rules.get(column.name, Sensitive(column.name)))
            for rows in alike_classes(classes, groups, diversity):
                yield f"{column.name}: the class of row {int(frame['row'].iloc[rows[0]])} holds values too alike"


def _patterns(frame: pandas.DataFrame, k: int) -> Iterator[str]:
    keys = [None if name != name or name is None else str(name) for name in frame["person"]]
    for pattern, people in linked_patterns(frame["class"].tolist(), keys).items():
        if people < k and (len(pattern) > 1 or pattern[0][1] > 1):
            yield f"{people} keys join rows of the classes {', '.join(str(number) for number, _ in pattern)}"


def _small_cells(package: Package, k: int) -> Iterator[str]:
    for name in ("figures", "counts", "classes"):
        frame = package.tables[name]
        for place in frame.index[frame["people"] < k]:
            yield f"{name}, line {place + 2}: {int(frame['people'][place])} people are told"


def _figures(package: Package) -> Iterator[str]:
    rows = package.tables["figures"].to_dict("records")
    told = {(row["chemistry"], row["band"]): row for row in rows}
    for one in release_figures(package.tables["reports"], resamples=1):
        row = told.get((one.chemistry, one.band))
        if row is None:
            if one.vehicles:
                yield f"{one.chemistry} {one.band}: is missing"
        elif not row["hidden"]:
            median = None if math.isnan(row["median"]) else row["median"]
            if (int(row["vehicles"]), int(row["people"])) != (one.vehicles, one.people) or not _same(
                median, one.median
            ):
                yield f"{one.chemistry} {one.band}: is not what the reports give"


def _same(one: Any, other: Any) -> bool:
    return (one is None) == (other is None) and (one is None or abs(one - other) < 1e-9)


def _words(folder: Path, ledger: Path | None, exports: Sequence[str]) -> list[Check]:
    handles = set(exported_handles(exports)) if exports else set()
    mentioned, texts, vehicles = ledger_handles(ledger) if ledger is not None else (set(), [], set())
    found = words_found(folder, handles, mentioned, texts, vehicles)
    checks = [Check("no author's handle", found.handles, f"{len(handles)} of exports, {len(mentioned)} named in texts")]
    if ledger is not None:
        note = f"{found.runs} runs of six words" if texts else "the ledger keeps no texts: nothing could be looked for"
        checks.append(Check("no six words of a text", found.words, note))
    return checks
