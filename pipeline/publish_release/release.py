"""Makes a release folder of a ledger's run, in one step: whole, or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pipeline
from pipeline.keep_ledger.ledger import open_ledger
from pipeline.keep_ledger.run_columns import columns_of_run
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import UsageProblem
from pipeline.publish_release.allowed_columns import allowed_columns
from pipeline.publish_release.anonymise import Anonymised, anonymise
from pipeline.publish_release.compare_releases import compare_releases
from pipeline.publish_release.descriptors import About, citation_cff, croissant, data_package, datacite
from pipeline.publish_release.documents import Facts, changelog, codebook, method, to_page
from pipeline.publish_release.hierarchies import load_hierarchies
from pipeline.publish_release.keys import ReleaseKey
from pipeline.publish_release.page import index_page
from pipeline.publish_release.published_tables import Table, make_tables
from pipeline.publish_release.release_figures import release_figures
from pipeline.publish_release.sources import alias_sources
from pipeline.publish_release.split_classes import Rules
from pipeline.publish_release.write_tables import write_tables

if TYPE_CHECKING:
    import pandas

RECORD = "release.json"
SUMS = "SHA256SUMS"
FORMAT = 1
PRESETS = (3, 5, 11)
"""Values of k that offices use: fewer than 3 or 5 (OECD glossary), a risk of 0.09, about 1/11 (EMA policy 0070)."""

Told = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Released:
    """A finished release: where it is, what is in it, and what anonymising cost."""

    folder: Path
    anonymised: Anonymised
    tables: list[Table]
    record: dict[str, Any]


def release(
    ledger: Path,
    folder: Path,
    about: About,
    *,
    rules: Rules | None = None,
    key: ReleaseKey | None = None,
    run: str | None = None,
    before: Path | None = None,
    accuracy: Path | None = None,
    told: Told = lambda done, total: None,
) -> Released:
    """Publishes a run of a ledger (the latest) as the new folder `folder`; the ledger is only read.

    `key` is fresh where none is given; the same run, key, `about` and options give the same bytes.  `before` is the
    release before, for the changelog; `accuracy` a file that `crowdfade score --save` wrote.

    Raises `UsageProblem` where the folder is there already, `ReleaseProblem` where the answers are too few or a column
    has no privacy class, and `LedgerProblem`.
    """
    rules, key = rules or Rules(), key or ReleaseKey.fresh()
    _refuse_without_libraries()
    _refuse_present(folder)
    source = _run_folder(ledger, run)
    record = read_run_record(source)
    frame, columns = _read_reports(source)
    attributes, sensitive = load_hierarchies()
    allowed = allowed_columns(columns, list(frame.columns), attributes, sensitive)
    frame, sources = alias_sources(frame, record, rules.k)
    made = anonymise(frame, allowed, key, rules, {one.name: one.kind for one in sources.every}, told)
    figures = release_figures(made.reports)
    tables = make_tables(made, allowed.columns, figures, rules.k)
    facts = Facts.gather(about, rules, key.linkable, record, sources, frame, made, tables, accuracy)
    compared = compare_releases(before, made, tables) if before is not None else None
    content = _record(about, rules, key, made, tables)
    parent = folder.absolute().parent
    with ledger_errors(folder, "writing the release"):
        parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=parent))
        try:
            draft.chmod(0o755)
            write_tables(tables, draft)
            _write_documents(draft, facts, compared)
            _write(draft, "datapackage.json", _json(data_package(about, tables, draft)))
            _write(draft, "croissant.json", _json(croissant(about, tables, draft)))
            _write(draft, RECORD, _json(content))
            _write(draft, "index.html", index_page(facts, draft))
            _write(draft, SUMS, sums_of(draft))
            _put_in_place(draft, folder)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    return Released(folder, made, tables, content)


def _run_folder(ledger: Path, run: str | None) -> Path:
    home = open_ledger(ledger)
    if run is None:
        return home.latest()
    for place in home.runs():
        if place.name == run or place.name.split("-")[0].lstrip("0") == run.lstrip("0"):
            return place
    raise UsageProblem(
        f"there is no run {run!r}", where=str(ledger), todo="one of: " + ", ".join(place.name for place in home.runs())
    )


def _read_reports(source: Path) -> tuple[pandas.DataFrame, Any]:
    import pyarrow.parquet as pq

    columns = columns_of_run(source)["reports"]
    with ledger_errors(source, "reading the reports", todo="build again"):
        return pq.read_table(source / "reports.parquet").to_pandas(), columns


def _refuse_without_libraries() -> None:
    missing = [name for name in ("jinja2", "markdown_it") if find_spec(name) is None]
    if missing:
        raise UsageProblem(
            f"a release needs libraries that are not installed ({', '.join(missing)})",
            todo='pip install "crowdfade[release]"',
        )


def _refuse_present(folder: Path) -> None:
    if folder.is_symlink() or (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))):
        raise UsageProblem(
            "is there already; a release is never written over",
            where=str(folder),
            todo="give a new folder to --to, and the old one to --before",
        )


def _put_in_place(draft: Path, folder: Path) -> None:
    """One rename; an empty folder gives way, anything else makes the rename fail."""
    for path in sorted(draft.rglob("*"), reverse=True):
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    os.rename(draft, folder)


def _write(folder: Path, name: str, text: str) -> None:
    (folder / name).write_text(text, encoding="utf-8", newline="\n")


def _json(value: Any) -> str:
    return json.dumps(value, indent=2, ensure_ascii=False) + "\n"


def _write_documents(draft: Path, facts: Facts, compared: Any) -> None:
    about = facts.about
    sizes = [f"{len(table.frame)} rows ({table.name})" for table in facts.tables]
    _write(draft, "LICENSE.txt", about.licence.text)
    _write(draft, "CITATION.cff", citation_cff(about))
    _write(draft, "datacite.json", _json(datacite(about, sizes)))
    for name, text in (
        ("codebook", codebook(facts)),
        ("method", method(facts)),
        ("CHANGELOG", changelog(facts, compared)),
    ):
        _write(draft, f"{name}.md", text)
        if name != "CHANGELOG":
            _write(draft, f"{name}.html", to_page(text, about))


def _record(about: About, rules: Rules, key: ReleaseKey, made: Anonymised, tables: list[Table]) -> dict[str, Any]:
    """What `verify` holds the folder against, and what the next release compares itself with."""
    cost = asdict(made.cost)
    return {
        "what": "crowdfade release",
        "format": FORMAT,
        "program": pipeline.__version__,
        "version": about.version,
        "title": about.title,
        "licence": about.licence.spdx,
        "k": rules.k,
        "diversity": {"kind": rules.diversity.kind, "level": rules.diversity.level},
        "linkable": key.linkable,
        "quasi": made.quasi,
        "tables": {table.name: len(table.frame) for table in tables},
        "cost": cost,
        "headline": [{**asdict(one), "moved": one.moved} for one in made.changes if one.tellable(rules.k)],
        "moved_at_most": made.moved,
    }


def sums_of(folder: Path) -> str:
    """The lines of SHA256SUMS (as sha256sum reads them) for every file of a folder but itself."""
    lines = []
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.name != SUMS:
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            lines.append(f"{digest}  {path.relative_to(folder).as_posix()}\n")
    return "".join(lines)
