"""run.json: what went into a run, what came out, and by which rules and program; enough to make it again."""

from __future__ import annotations

import json
import platform
from dataclasses import asdict, dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import pipeline
from pipeline.keep_ledger.tables import file_sha256, ledger_errors
from pipeline.problems import LedgerProblem

RUN_RECORD = "run.json"
LIBRARIES = ("pyarrow", "spacy", "quantulum3", "rapidfuzz", "datasketch")
"""Libraries whose version can change a table."""


@dataclass(slots=True)
class InputRecord:
    """One export: `read` = `kept` + `rejected` records; `problem` says why the whole file could not be read, or ""."""

    source: str
    path: str
    kind: str
    sha256: str
    size_bytes: int | None
    roles: str
    read: int = 0
    kept: int = 0
    rejected: int = 0
    problem: str = ""


@dataclass(slots=True)
class RunRecord:
    """A run as run.json tells it; times are UTC (ISO 8601), timings are seconds.

    `rules` are the packs, `fields` what they declared as new fields.
    """

    run: str
    started_at: str
    finished_at: str = ""
    inputs: list[InputRecord] = field(default_factory=list)
    rules: list[dict[str, str]] = field(default_factory=list)
    fields: list[dict[str, Any]] = field(default_factory=list)
    vehicles: dict[str, str] | None = None
    options: dict[str, Any] = field(default_factory=dict)
    counts: dict[str, Any] = field(default_factory=dict)
    timings: dict[str, float] = field(default_factory=dict)
    tables: dict[str, dict[str, Any]] = field(default_factory=dict)

    def plain(self) -> dict[str, Any]:
        """The record as JSON holds it, with the program's and the libraries' versions."""
        whole = asdict(self)
        return {
            "run": whole.pop("run"),
            "program": {
                "name": "crowdfade",
                "version": pipeline.__version__,
                "python": platform.python_version(),
                "libraries": _library_versions(),
            },
            **whole,
        }

    def write(self, folder: Path) -> Path:
        """Writes run.json into a run's folder.  Raises `LedgerProblem`."""
        path = folder / RUN_RECORD
        with ledger_errors(path, "writing the run's record"):
            path.write_text(json.dumps(self.plain(), indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        return path


def file_record(path: Path) -> dict[str, str]:
    """A file that a run took in beside the exports: its path and SHA-256."""
    return {"path": str(path), "sha256": file_sha256(path)}


def table_record(path: Path, rows: int) -> dict[str, Any]:
    """A table that a run wrote: its file, rows, bytes and SHA-256."""
    return {"file": path.name, "rows": rows, "size_bytes": path.stat().st_size, "sha256": file_sha256(path)}


def read_run_record(folder: Path) -> dict[str, Any]:
    """run.json of a run's folder, as `RunRecord.plain` wrote it.  Raises `LedgerProblem`."""
    path = folder / RUN_RECORD
    try:
        with ledger_errors(path, "reading the run's record", todo="build again"):
            return dict(json.loads(path.read_text(encoding="utf-8")))
    except ValueError as error:
        raise LedgerProblem("the run's record is damaged", where=str(path), todo="build again") from error


def _library_versions() -> dict[str, str]:
    found = {}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
