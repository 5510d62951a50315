"""The ledger: a folder of runs, of which `latest` names the newest that is whole.

    LEDGER/ledger.json          what this folder is: format, fingerprint of the pseudonym key
    LEDGER/lock                 held by the one program that writes
    LEDGER/runs/NAME/           one run, whole: the tables and run.json
    LEDGER/latest               a link to one of the runs
    LEDGER/.staging-*/          a run that is being made; swept when its maker is gone

A run is made in a staging folder, flushed to the disk, and put in place by renames alone, so that a program that dies
at any moment leaves `latest` as it was or as it will be.  Runs that were there are never changed or removed here.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import KeyProblem, LedgerProblem

LEDGER_FORMAT = 1
"""Raised when a ledger's layout changes so that an older program could not read it."""

DESCRIPTION = "ledger.json"
LATEST = "latest"
RUNS = "runs"
LOCK = "lock"
_STAGING = ".staging-"
_NEW_LATEST = ".latest-new"
_RUN_NAME = re.compile(r"(\d{4,})-\d{8}T\d{6}Z")


@dataclass(slots=True)
class NewRun:
    """A run that is being made: its tables go to `folder`, what is needed only while it is made to `work`."""

    ledger: Ledger
    name: str
    folder: Path
    work: Path
    published: bool = False

    def publish(self) -> Path:
        """Puts the run in place as `latest`, in one step, and gives its folder.  Raises `LedgerProblem`."""
        home = self.ledger.path
        with ledger_errors(home, "putting the run in place"):
            shutil.rmtree(self.work)
            for file in sorted(self.folder.rglob("*")):
                _flush_to_disk(file)
            _flush_to_disk(self.folder)
            place = home / RUNS / self.name
            # The link is made before the rename: on a full disk the run is then not half published.
            link = home / _NEW_LATEST
            link.unlink(missing_ok=True)
            link.symlink_to(Path(RUNS) / self.name, target_is_directory=True)
            self.folder.rename(place)
            _flush_to_disk(home / RUNS)
            os.replace(link, home / LATEST)
            _flush_to_disk(home)
        self.published = True
        return place


@dataclass(frozen=True, slots=True)
class Ledger:
    """A ledger on disk; `description` is what its ledger.json holds ({} for one that is still empty)."""

    path: Path
    description: dict[str, Any]

    @property
    def fingerprint(self) -> str | None:
        """The fingerprint of the pseudonym key that this ledger's rows were made with, or None before the first."""
        value = self.description.get("key_fingerprint")
        return str(value) if value else None

    def runs(self) -> list[Path]:
        """The folders of the runs, oldest first."""
        folder = self.path / RUNS
        if not folder.is_dir():
            return []
        numbered = [(int(found[1]), entry) for entry in folder.iterdir() if (found := _RUN_NAME.fullmatch(entry.name))]
        return [entry for _, entry in sorted(numbered)]

    def latest(self) -> Path:
        """The folder of the newest whole run.  Raises `LedgerProblem` where there is none yet."""
        link = self.path / LATEST
        if not link.is_dir():
            raise LedgerProblem(
                "this ledger holds no finished run yet",
                where=str(self.path),
                todo="crowdfade build EXPORT... --to " + str(self.path),
            )
        return link.resolve()

    def keep_fingerprint(self, fingerprint: str) -> Ledger:
        """The ledger with the key's fingerprint kept.  Raises `KeyProblem` where another key's is kept already."""
        known = self.fingerprint
        if known == fingerprint:
            return self
        if known:
            raise KeyProblem(
                f"the pseudonym key (fingerprint {fingerprint}) is not the one of this ledger ({known})",
                where=str(self.path),
                todo="set CROWDFADE_KEY_FILE to the ledger's key, or build into a new ledger",
            )
        described = {
            **self.description,
            "what": "crowdfade ledger",
            "format": LEDGER_FORMAT,
            "key_fingerprint": fingerprint,
        }
        target = self.path / DESCRIPTION
        draft = self.path / f".{DESCRIPTION}-new"
        with ledger_errors(target, "writing the ledger's description"):
            draft.write_text(json.dumps(described, indent=2) + "\n", encoding="utf-8")
            _flush_to_disk(draft)
            os.replace(draft, target)
        return Ledger(self.path, described)

    @contextmanager
    def new_run(self, at: datetime | None = None) -> Iterator[NewRun]:
        """A place for a new run; must be called under `lock`.  What is not published in the end is removed.

        The run's name sorts by its number and shows the time `at` (now, in UTC); the tables never hold it.
        """
        numbers = [int(run.name.split("-")[0]) for run in self.runs()]
        moment = (at or datetime.now(UTC)).strftime("%Y%m%dT%H%M%SZ")
        name = f"{max(numbers, default=0) + 1:04d}-{moment}"
        with ledger_errors(self.path, "making room for the run"):
            (self.path / RUNS).mkdir(exist_ok=True)
            folder = Path(tempfile.mkdtemp(prefix=_STAGING, dir=self.path))
            work = folder / "work"
            work.mkdir()
        run = NewRun(self, name, folder, work)
        try:
            yield run
        finally:
            if not run.published:
                shutil.rmtree(folder, ignore_errors=True)
                (self.path / _NEW_LATEST).unlink(missing_ok=True)


def open_ledger(path: Path) -> Ledger:
    """A ledger for reading; takes the ledger's folder.  Raises `LedgerProblem` where there is none."""
    if not path.is_dir():
        raise LedgerProblem("there is no such ledger", where=str(path), todo="crowdfade build EXPORT... --to LEDGER")
    description = _described(path)
    if not description:
        raise LedgerProblem(
            "this folder is no ledger (it has no ledger.json)",
            where=str(path),
            todo="give the folder that `crowdfade build --to` was given",
        )
    return Ledger(path, description)


@contextmanager
def writing_to(path: Path) -> Iterator[Ledger]:
    """The ledger at `path`, made where it is not there yet, locked for one writer; sweeps what a dead one left.

    Raises `LedgerProblem` where the folder belongs to something else, cannot be written, or is being written to.
    """
    with ledger_errors(path, "opening the ledger"):
        if path.exists() and not path.is_dir():
            raise LedgerProblem("the ledger must be a folder, this is a file", where=str(path), todo="choose another")
        if path.is_dir() and not _described(path):
            _refuse_foreign(path)
        if not path.is_dir():
            path.mkdir(parents=True, mode=0o700)
        if (path / LATEST).exists() and not (path / LATEST).is_symlink():
            raise LedgerProblem(
                "`latest` is not a link that crowdfade made", where=str(path / LATEST), todo="move it away"
            )
        lock = os.open(path / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = _holder(lock)
            raise LedgerProblem(
                "another crowdfade is writing to this ledger" + (f" (process {holder})" if holder else ""),
                where=str(path),
                todo="wait until it is done, then try again",
            ) from None
        with ledger_errors(path, "opening the ledger"):
            os.ftruncate(lock, 0)
            os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
            _sweep(path)
        yield Ledger(path, _described(path))
    finally:
        # The lock file stays: removing it would let two programs lock two files of one name.
        os.close(lock)


def _holder(lock: int) -> str:
    """The number of the process that holds the lock; it writes it a moment after it has taken the lock."""
    for _ in range(50):
        if holder := os.pread(lock, 32, 0).decode("ascii", "replace").strip():
            return holder
        time.sleep(0.01)
    return ""


def _described(path: Path) -> dict[str, Any]:
    """What ledger.json holds, {} where there is none.  Raises `LedgerProblem` for a foreign or newer one."""
    file = path / DESCRIPTION
    try:
        content = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise LedgerProblem(f"cannot be read ({error.strerror})", where=str(file)) from error
    try:
        described = json.loads(content)
        number = int(described["format"])
    except (ValueError, KeyError, TypeError) as error:
        raise LedgerProblem("is not the description of a ledger", where=str(file), todo="choose another") from error
    if number > LEDGER_FORMAT:
        raise LedgerProblem(
            f"was made by a newer crowdfade (format {number}, this one knows {LEDGER_FORMAT})",
            where=str(file),
            todo="update crowdfade",
        )
    return dict(described)


def _refuse_foreign(path: Path) -> None:
    """Refuses a folder that holds other things; what a first build that died may have left is no other thing."""
    ours = {LOCK, RUNS, f".{DESCRIPTION}-new", _NEW_LATEST}
    others = sorted(
        entry.name for entry in path.iterdir() if entry.name not in ours and not entry.name.startswith(_STAGING)
    )
    if others:
        raise LedgerProblem(
            f"this folder holds other things ({', '.join(others[:3])}{' ...' if len(others) > 3 else ''})",
            where=str(path),
            todo="give a new or an empty folder to --to",
        )


def _sweep(path: Path) -> None:
    """Removes what a build that died has left behind; only called under the lock, so its maker is gone."""
    for entry in path.iterdir():
        if entry.name.startswith(_STAGING):
            shutil.rmtree(entry, ignore_errors=True)
    (path / _NEW_LATEST).unlink(missing_ok=True)
    (path / f".{DESCRIPTION}-new").unlink(missing_ok=True)


def _flush_to_disk(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
