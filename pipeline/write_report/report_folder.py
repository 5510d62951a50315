"""The folder of reports: each report in a folder of its own, put in place whole; earlier ones stay.

FOLDER/reports.json         what this folder is
FOLDER/lock                 held by the one program that writes
FOLDER/0002-TIME/           a report: index.html, report.json, pictures/, tables/ and what sections add
FOLDER/latest               a link to the newest
"""

from __future__ import annotations

import fcntl
import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem

DESCRIPTION = "reports.json"
WHAT = "crowdfade reports"
FORMAT = 1
LATEST, LOCK = "latest", "lock"
FIGURES = "report.json"
_STAGING = ".staging-"
_NEW_LATEST = ".latest-new"
_NAME = re.compile(r"(\d{4,})-\d{8}T\d{6}Z")
_OTHER = "give a new or an empty folder to --to"


def earlier_reports(folder: Path) -> list[Path]:
    """The folders of the reports in a folder of reports, oldest first; [] where there are none."""
    if not folder.is_dir():
        return []
    numbered = [(int(found[1]), entry) for entry in folder.iterdir() if (found := _NAME.fullmatch(entry.name))]
    return [entry for _, entry in sorted(numbered)]


def earlier_figures(folder: Path) -> Mapping[str, Any] | None:
    """report.json of the newest earlier report, or None where there is none that can be read."""
    for report in reversed(earlier_reports(folder)):
        try:
            held = json.loads((report / FIGURES).read_text("utf-8"))
        except (OSError, ValueError):
            continue
        if isinstance(held, dict):
            return held
    return None


@contextmanager
def writing_reports(folder: Path) -> Iterator[None]:
    """Holds a folder of reports for one writer; makes it where there is none.

    Raises `LedgerProblem` where the folder holds other things, cannot be written, or is being written to.
    """
    with ledger_errors(folder, "opening the folder of reports"):
        if folder.exists() and not folder.is_dir():
            raise LedgerProblem("reports go into a folder, this is a file", where=str(folder), todo=_OTHER)
        _refuse_foreign(folder)
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        lock = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise LedgerProblem(
                "another crowdfade is writing a report here", where=str(folder), todo="wait until it is done"
            ) from None
        with ledger_errors(folder, "opening the folder of reports"):
            (folder / DESCRIPTION).write_text(json.dumps({"what": WHAT, "format": FORMAT}) + "\n", encoding="utf-8")
            for entry in folder.iterdir():
                if entry.name.startswith(_STAGING):
                    shutil.rmtree(entry, ignore_errors=True)
        yield
    finally:
        os.close(lock)


def put_in_place(folder: Path, files: Iterator[tuple[str, str | bytes]], at: datetime) -> Path:
    """Writes a report's files (relative path, content) beside the others and makes it the latest; gives its folder.

    Must be called within `writing_reports`.  A report that fails half-way leaves nothing.  Raises `LedgerProblem`.
    """
    with ledger_errors(folder, "writing the report"):
        staging = Path(tempfile.mkdtemp(prefix=_STAGING, dir=folder))
        try:
            for name, content in files:
                path = staging / _inside(name)
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content if isinstance(content, bytes) else content.encode())
            last = max((int(report.name.split("-")[0]) for report in earlier_reports(folder)), default=0)
            place = folder / f"{last + 1:04d}-{at:%Y%m%dT%H%M%SZ}"
            staging.rename(place)
        except BaseException:
            shutil.rmtree(staging, ignore_errors=True)
            raise
        link = folder / _NEW_LATEST
        link.unlink(missing_ok=True)
        link.symlink_to(place.name, target_is_directory=True)
        os.replace(link, folder / LATEST)
    return place


def _inside(name: str) -> PurePosixPath:
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or not path.parts:
        raise ValueError(f"{name!r} is no place inside a report")
    return path


def _refuse_foreign(folder: Path) -> None:
    if not folder.is_dir() or not any(folder.iterdir()):
        return
    try:
        described = json.loads((folder / DESCRIPTION).read_text("utf-8"))
        ours, number = described["what"] == WHAT, int(described["format"])
    except (OSError, ValueError, KeyError, TypeError):
        ours, number = False, FORMAT
    if not ours:
        raise LedgerProblem("this folder holds other things than reports", where=str(folder), todo=_OTHER)
    if number > FORMAT:
        raise LedgerProblem("these reports are of a newer crowdfade", where=str(folder), todo="update crowdfade")
    latest = folder / LATEST
    if latest.exists() and not latest.is_symlink():
        raise LedgerProblem("`latest` is not a link that crowdfade made", where=str(latest), todo="move it away")
