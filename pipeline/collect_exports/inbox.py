"""Which exports of an inbox are new or changed, by their content; kept in the ledger as `inbox.json`.

A file that has not changed since it was taken is not opened.  One that is still growing waits for the next time.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from pipeline.collect_exports.listing import Lying, listing
from pipeline.keep_ledger.ledger import DESCRIPTION
from pipeline.keep_ledger.run_record import InputRecord
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import ExportProblem, LedgerProblem, Unreachable

KEPT_IN = "inbox.json"
FORMAT = 1
CHUNK = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Found:
    """An export to take: its path, its mark when it was looked at, and its content's SHA-256."""

    path: str
    mark: str
    sha256: str

    @property
    def name(self) -> str:
        """The file's bare name."""
        return self.path.rstrip("/").rsplit("/", 1)[-1]


@dataclass(slots=True)
class Known:
    """What became of an export: `state` is taken, failed (`why`), or double (its content was taken from elsewhere)."""

    mark: str
    sha256: str
    state: str
    why: str = ""
    run: str = ""


@dataclass(slots=True)
class Look:
    """One look at an inbox: `candidates` are new or changed and at rest, `waiting` still growing, `same` as before."""

    candidates: list[Lying] = field(default_factory=list)
    waiting: list[Lying] = field(default_factory=list)
    same: int = 0


class Inbox:
    """The exports of a ledger's inboxes that have been dealt with.  Raises `LedgerProblem` for a damaged record."""

    def __init__(self, ledger: Path) -> None:
        self.file = ledger / KEPT_IN
        self.known: dict[str, Known] = {}
        self._read: dict[str, Any] = {}
        try:
            content = json.loads(self.file.read_text("utf-8"))
            if content["format"] != FORMAT:
                raise ValueError(f"format {content['format']}")
            self.known = {path: Known(**entry) for path, entry in content["exports"].items()}
            self._read = self._plain()
        except FileNotFoundError:
            pass
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise LedgerProblem(
                f"the record of the inbox cannot be read ({error})",
                where=str(self.file),
                todo="move it away; exports that are in the ledger are told by their content and not taken twice",
            ) from error

    def look(
        self,
        inbox: str,
        *,
        settle_seconds: float = 5.0,
        patience_seconds: float = 60.0,
        sleep: Callable[[float], None] = time.sleep,
    ) -> Look:
        """What is new or changed, by the files' marks.

        A file is at rest when it has not changed for `settle_seconds`; for those that are not, this waits up to
        `patience_seconds` in all, and leaves what is still growing then to the next time.  Raises as `listing` does.
        """
        seen = listing(inbox)
        began = time.time()
        resting = {one.path for one in seen if _rested(one, began, settle_seconds)}
        spent = 0.0
        while settle_seconds > 0 and spent < patience_seconds and self._moving(seen, resting):
            sleep(settle_seconds)
            spent += settle_seconds
            before = {one.path: one.mark for one in seen}
            seen = listing(inbox)
            resting = {one.path for one in seen if before.get(one.path) == one.mark}
        look = Look()
        for one in seen:
            if not self._is_new(one):
                look.same += 1
            elif one.path in resting or settle_seconds <= 0:
                look.candidates.append(one)
            else:
                look.waiting.append(one)
        return look

    def examine(self, one: Lying) -> Found | None:
        """The export with its content's hash; None where that content has been taken already (which is then kept).

        Raises `ExportProblem` where the file is gone, `Unreachable` where it cannot be had now.
        """
        sha256 = content_sha256(one.path)
        old = self.known.get(one.path)
        if old is not None and old.sha256 == sha256:
            old.mark = one.mark
            return None
        if any(known.sha256 == sha256 and known.state == "taken" for known in self.known.values()):
            self.known[one.path] = Known(one.mark, sha256, "double")
            return None
        return Found(one.path, one.mark, sha256)

    def taken(self, found: Iterable[Found], inputs: Sequence[InputRecord], run: str) -> None:
        """Notes what a run made of the exports that it was given; `inputs` are the lines of its record."""
        for one in found:
            mine = [line for line in inputs if line.path == one.path or line.path.startswith(one.path + "!")]
            problems = [line.problem for line in mine if line.problem]
            if mine and len(problems) == len(mine):
                if any(line.sha256 for line in mine):  # else its content was never seen: try again
                    self.failed([one], problems[0])
            else:
                self.known[one.path] = Known(one.mark, one.sha256, "taken", run=run)

    def failed(self, found: Iterable[Found], why: str) -> None:
        """Notes exports that cannot be read; they are tried again only when they change."""
        for one in found:
            self.known[one.path] = Known(one.mark, one.sha256, "failed", why)

    def keep(self) -> None:
        """Writes the record in one step, if it has changed and there is a ledger yet.  Raises `LedgerProblem`."""
        content = self._plain()
        if content == self._read or not (self.file.parent / DESCRIPTION).exists():
            return
        draft = self.file.with_name(f".{KEPT_IN}-new")
        with ledger_errors(self.file, "writing the record of the inbox"):
            try:
                with draft.open("w", encoding="utf-8") as stream:
                    json.dump(content, stream, indent=1, ensure_ascii=False)
                    stream.write("\n")
                    stream.flush()
                    os.fsync(stream.fileno())
                os.replace(draft, self.file)
            finally:
                draft.unlink(missing_ok=True)

    def _plain(self) -> dict[str, Any]:
        exports = {path: asdict(known) for path, known in sorted(self.known.items())}
        return {"format": FORMAT, "exports": exports}

    def _is_new(self, one: Lying) -> bool:
        known = self.known.get(one.path)
        return known is None or known.mark != one.mark

    def _moving(self, seen: Iterable[Lying], resting: set[str]) -> bool:
        return any(self._is_new(one) and one.path not in resting for one in seen)


def _rested(one: Lying, now: float, seconds: float) -> bool:
    return one.changed_at is not None and one.changed_at <= now - seconds


def names_of(found: Sequence[Found], most: int = 3) -> str:
    """The exports' names for a person: the first few, and how many more."""
    if not found:
        return "what the ledger holds"
    names = ", ".join(one.name for one in found[:most])
    return names if len(found) <= most else f"{names} and {len(found) - most} more"


def content_sha256(path: str) -> str:
    """SHA-256 of what a path or address holds, as hex digits.  Raises `ExportProblem` or `Unreachable`."""
    from fsspec.core import url_to_fs

    try:
        system, inner = url_to_fs(path)
        digest = hashlib.sha256()
        with system.open(inner, "rb") as stream:
            while data := stream.read(CHUNK):
                digest.update(data)
    except (FileNotFoundError, PermissionError) as error:
        raise ExportProblem(f"the export cannot be read ({error})", where=path, todo="look at the file") from error
    except Exception as error:  # every file system of fsspec has its own errors
        detail = " ".join(str(error).split())[:200] or type(error).__name__
        raise Unreachable(f"the export cannot be reached ({detail})", where=path, todo="try again later") from error
    return digest.hexdigest()
