"""What lies in an inbox now: a folder, a pattern, or an address that fsspec opens."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

from pipeline.problems import ExportProblem, Unreachable, UsageProblem
from pipeline.read_exports.unpack import is_clutter

UNFINISHED = (".part", ".partial", ".filepart", ".crdownload", ".download", ".tmp", "~")
"""How programs name files that they are still writing."""

_MOMENTS = ("mtime", "LastModified", "last_modified", "updated", "timeModified", "created")
"""Where the file systems of fsspec say when a file was last changed."""


@dataclass(frozen=True, slots=True)
class Lying:
    """A file in the inbox: `path` as `build` takes it, and `mark`, which changes whenever the file does."""

    path: str
    mark: str
    changed_at: float | None

    @property
    def name(self) -> str:
        """The file's bare name."""
        return self.path.rstrip("/").rsplit("/", 1)[-1]


def listing(inbox: str) -> list[Lying]:
    """The files in an inbox by path, without clutter and files whose name says that they are being written.

    Raises `ExportProblem` where the inbox is not there, `Unreachable` where it does not answer, and `UsageProblem` for
    an address of a kind that cannot be opened here.
    """
    from fsspec.core import url_to_fs

    try:
        system, path = url_to_fs(os.path.expanduser(inbox))
        system.invalidate_cache()  # object stores are listed from memory otherwise
        found = _found(system, path)
    except (ImportError, ValueError) as error:
        todo = "install what it needs, or give a folder"
        raise UsageProblem(f"an inbox of this kind cannot be opened here ({error})", where=inbox, todo=todo) from error
    except PermissionError as error:
        raise ExportProblem(
            f"the inbox may not be read ({error})", where=inbox, todo="give the right to read"
        ) from error
    except ExportProblem:
        raise
    except Exception as error:  # every file system of fsspec has its own errors
        detail = " ".join(str(error).split())[:200] or type(error).__name__
        raise Unreachable(f"the inbox cannot be reached ({detail})", where=inbox, todo="try again later") from error
    if found is None:
        raise ExportProblem("there is no such inbox", where=inbox, todo="make the folder, or mend --inbox")
    local = "file" in system.protocol
    return sorted(
        (
            Lying(name if local else str(system.unstrip_protocol(name)), _mark(about), _changed_at(about))
            for name, about in found.items()
            if not is_clutter(os.path.basename(name)) and not name.lower().endswith(UNFINISHED)
        ),
        key=lambda lying: lying.path,
    )


def _found(system: Any, path: str) -> dict[str, dict[str, Any]] | None:
    """Name -> what the file system says of it, for every file; None where the inbox is not there."""
    if any(sign in path for sign in "*?["):
        folder = path[: min(path.index(sign) for sign in "*?[" if sign in path)].rsplit("/", 1)[0]
        if folder and not system.isdir(folder):
            return None
        return {name: about for name, about in system.glob(path, detail=True).items() if about.get("type") == "file"}
    if system.isdir(path):
        return dict(system.find(path, detail=True))
    if system.isfile(path):
        return {path: system.info(path)}
    return None


def _mark(about: dict[str, Any]) -> str:
    tag = about.get("ETag") or about.get("etag") or next((about[key] for key in _MOMENTS if about.get(key)), "")
    return f"{about.get('size')} {tag}"


def _changed_at(about: dict[str, Any]) -> float | None:
    moment = next((about[key] for key in _MOMENTS if about.get(key)), None)
    if moment is None or isinstance(moment, str):
        return None
    return float(moment.timestamp() if hasattr(moment, "timestamp") else moment)
