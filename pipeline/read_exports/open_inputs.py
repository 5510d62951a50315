"""Finds the files behind what was named (files, folders, globs, URLs) and opens them, unpacked and hashed."""

from __future__ import annotations

import glob
import hashlib
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, cast

from pipeline.problems import ExportProblem
from pipeline.read_exports.spool import CHUNK, Budget, Limits, Spool
from pipeline.read_exports.unpack import Unpacked, bare_name, cannot_open, is_clutter, unpack


@dataclass(slots=True)
class Place:
    """One file as it was named or found: `path` is shown, `fetch` opens it; `problem` where it cannot be had."""

    path: str
    folder: str
    name: str
    fetch: Callable[[], BinaryIO] | None = None
    local: bool = True
    siblings: tuple[str, ...] = ()
    problem: ExportProblem | None = None


@dataclass(slots=True)
class InputFile:
    """One file, unpacked.  `sha256` and `size_bytes` are those of the file as given (for members, the archive's).

    `siblings` are the names of the files of the same folder or archive that are read in the same call.
    """

    name: str
    path: str
    folder: str
    sha256: str
    size_bytes: int
    open: Callable[[], BinaryIO]
    size: int | None = None
    siblings: tuple[str, ...] = ()
    broken: str = ""
    problem: ExportProblem | None = None


def list_places(inputs: Sequence[str]) -> list[Place]:
    """Every file that `inputs` names, in the order given, folders and globs sorted by path, each file once.

    What is not there comes as a `Place` with a `problem`.
    """
    places: list[Place] = []
    for given in inputs:
        places.extend(_remote_places(given) if _is_url(given) else _local_places(given))
    seen: set[str] = set()
    once: list[Place] = []
    for place in places:
        key = os.path.realpath(place.path) if place.local else place.path
        if key not in seen:
            seen.add(key)
            once.append(place)
    folders: dict[str, list[str]] = {}
    for place in once:
        folders.setdefault(place.folder, []).append(place.name)
    for place in once:
        place.siblings = tuple(folders[place.folder])
    return once


def open_place(place: Place, limits: Limits | None = None) -> Iterator[InputFile]:
    """The files that are in one place once all packing is off; at least one, with a `problem` where it has one."""
    if place.problem is not None or place.fetch is None:
        yield InputFile(place.name, place.path, place.folder, "", 0, _nothing, problem=place.problem)
        return
    fetch = place.fetch
    try:
        sha256, size, opener = _hash_file(fetch) if place.local else _hash_into_spool(fetch)
    except Exception as error:  # every file system of fsspec has its own errors
        yield InputFile(place.name, place.path, place.folder, "", 0, _nothing, problem=cannot_open(error, place.path))
        return
    budget = Budget(size, limits or Limits(), place.path)
    for part in unpack(Unpacked(place.name, "", opener, size, place.siblings), budget):
        inner = bool(part.inner)
        yield InputFile(
            name=part.name,
            path=f"{place.path}!{part.inner}" if inner else place.path,
            folder=f"{place.path}!{os.path.dirname(part.inner)}" if inner else place.folder,
            sha256=sha256,
            size_bytes=size,
            open=part.open,
            size=part.size,
            siblings=part.siblings,
            broken=part.broken,
            problem=part.problem,
        )


def shown_name(place: Place) -> str:
    """The name that a place's rows carry when it holds one file."""
    return bare_name(place.name)


def _nothing() -> BinaryIO:
    raise FileNotFoundError("this input could not be opened")


def _is_url(given: str) -> bool:
    scheme = given.split("://", 1)[0].split("::", 1)[0]
    return ("://" in given or "::" in given) and scheme.replace("+", "").isalnum() and len(scheme) > 1


def _local_places(given: str) -> list[Place]:
    path = os.path.expanduser(given)
    if os.path.lexists(path):
        if os.path.isdir(path):
            found = _walk(path)
            if not found:
                return [_missing(given, "the folder holds no files", "look at the path")]
            return [_local_place(file) for file in found]
        return [_local_place(path)]
    if glob.has_magic(path):
        files: list[str] = []
        for match in sorted(glob.glob(path, recursive=True)):
            files.extend(_walk(match) if os.path.isdir(match) else [match])
        if files:
            return [_local_place(file) for file in files]
        return [_missing(given, "nothing matches the pattern", "look at the path and at the pattern")]
    return [_missing(given, "there is no such file or folder", "look at the path; quote names that hold spaces")]


def _walk(folder: str) -> list[str]:
    found: list[str] = []
    for parent, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not is_clutter(name))
        found.extend(os.path.join(parent, name) for name in files if not is_clutter(name))
    return sorted(found)


def _local_place(path: str) -> Place:
    place = Place(path, os.path.dirname(path), os.path.basename(path), fetch=lambda: open(path, "rb"))  # noqa: SIM115
    try:
        mode = os.stat(path).st_mode
    except OSError as error:
        place.problem = cannot_open(error, path)
        return place
    if not stat.S_ISREG(mode):
        place.problem = ExportProblem(
            "this is a device or a pipe, not a file", where=path, todo="save what it gives to a file first"
        )
    return place


def _missing(given: str, what: str, todo: str, *, local: bool = True) -> Place:
    problem = ExportProblem(what, where=given, todo=todo)
    return Place(given, os.path.dirname(given), Path(given).name or given, local=local, problem=problem)


def _remote_places(given: str) -> list[Place]:
    try:
        from fsspec.core import url_to_fs

        system, path = cast("tuple[Any, str]", url_to_fs(given))
        if glob.has_magic(path):
            found = sorted(str(name) for name in system.glob(path) if not system.isdir(name))
        elif system.isdir(path):
            found = sorted(str(name) for name in system.find(path))
        else:
            found = [path] if system.exists(path) else []
    except ImportError as error:
        todo = "install what it needs, or download the file and give its path"
        return [_missing(given, f"addresses of this kind cannot be opened here ({error})", todo, local=False)]
    except Exception as error:  # every file system of fsspec has its own errors
        detail = str(error) or type(error).__name__
        return [_missing(given, f"the address cannot be opened ({detail})", "look at the address", local=False)]
    found = [name for name in found if not is_clutter(os.path.basename(name))]
    if not found:
        return [_missing(given, "there is nothing at this address", "look at the address", local=False)]
    return [_remote_place(system, name) for name in found]


def _remote_place(system: Any, path: str) -> Place:
    shown = str(system.unstrip_protocol(path))
    name = path.rstrip("/").rsplit("/", 1)[-1]
    return Place(
        shown, shown.rsplit("/", 1)[0], name, fetch=lambda: cast(BinaryIO, system.open(path, "rb")), local=False
    )


def _hash_file(fetch: Callable[[], BinaryIO]) -> tuple[str, int, Callable[[], BinaryIO]]:
    digest = hashlib.sha256()
    size = 0
    with fetch() as stream:
        while data := stream.read(CHUNK):
            digest.update(data)
            size += len(data)
    return digest.hexdigest(), size, fetch


def _hash_into_spool(fetch: Callable[[], BinaryIO]) -> tuple[str, int, Callable[[], BinaryIO]]:
    digest = hashlib.sha256()
    spool = Spool()
    with fetch() as stream:
        while data := stream.read(CHUNK):
            digest.update(data)
            spool.write(data)
    return digest.hexdigest(), spool.size, spool.open


@dataclass(slots=True)
class Names:
    """Gives every file a source name of its own: its bare name, with its folder in front where two files share it."""

    shared: set[str] = field(default_factory=set)
    taken: set[str] = field(default_factory=set)

    @classmethod
    def for_places(cls, places: Sequence[Place]) -> Names:
        """Knows beforehand which names are shared, so that a name does not hang on the order of the inputs."""
        names = [shown_name(place) for place in places]
        return cls({name for name in names if names.count(name) > 1})

    def name_for(self, file: InputFile) -> str:
        """The source name for a file, never given before."""
        name = bare_name(file.name) or "export"
        folder = os.path.basename(file.folder.replace("!", "/").rstrip("/"))
        wanted = f"{folder}/{name}" if folder and (name in self.shared or name in self.taken) else name
        unique, number = wanted, 1
        while unique in self.taken:
            number += 1
            unique = f"{wanted} ({number})"
        self.taken.add(unique)
        return unique
