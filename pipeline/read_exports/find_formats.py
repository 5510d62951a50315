"""Finds the format modules by looking in `formats/`, and picks the one that knows a file."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from functools import cache
from typing import Protocol, cast

from pipeline.problems import ExportProblem
from pipeline.read_exports import formats
from pipeline.read_exports.raw_table import ExportFile, RawTable

HEAD = 1 << 16
"""Bytes that `looks_like` is shown."""


class FormatModule(Protocol):
    """What a module in `formats/` defines; see that package's docstring."""

    NAME: str

    def looks_like(self, head: bytes, name: str) -> int:
        """0 (surely not) to 100 (surely)."""

    def read_tables(self, file: ExportFile) -> Iterator[RawTable]:
        """The tables of a file."""


KNOWN_STRANGERS: tuple[tuple[bytes, str, str], ...] = (
    (b"%PDF", "a PDF document", "export the responses as CSV, or copy the text into a .txt file"),
    (b"\x89PNG", "a picture", "export the responses as text; pictures are not read"),
    (b"\xff\xd8\xff", "a picture", "export the responses as text; pictures are not read"),
    (b"GIF8", "a picture", "export the responses as text; pictures are not read"),
    (b"SQLite format 3", "a database", "export the table of responses as CSV"),
    (b"PAR1", "a Parquet table", "write it as CSV or JSON lines"),
    (b"Rar!", "a RAR archive", "unpack it and give the files that come out"),
    (b"7z\xbc\xaf", "a 7z archive", "unpack it and give the files that come out"),
    (b"\x1f\x9d", "a file packed with compress", "unpack it and give the file that comes out"),
    (b"\x7fELF", "a program", "give an export file"),
    (b"MZ", "a program", "give an export file"),
    (b"{\\rtf", "a rich-text document", "save it as plain text"),
    (b"\xd0\xcf\x11\xe0", "an old or locked office document", "save it as .xlsx or .csv, without a password"),
    (b"PK\x03\x04", "an office document that is no table", "save the table in it as .xlsx, .ods or .csv"),
)


@cache
def format_modules() -> tuple[FormatModule, ...]:
    """Every module in `formats/`, in the order of their names."""
    found: list[FormatModule] = []
    for info in sorted(pkgutil.iter_modules(formats.__path__), key=lambda info: info.name):
        if not info.name.startswith("_"):
            module = importlib.import_module(f"{formats.__name__}.{info.name}")
            if hasattr(module, "looks_like") and hasattr(module, "read_tables"):
                found.append(cast(FormatModule, module))
    return tuple(found)


def pick_format(head: bytes, name: str, where: str) -> FormatModule:
    """The module that is surest of the file; raises `ExportProblem` where none is.

    `head` is the file's first 64 KiB, unpacked, `name` its name, `where` the path for messages.
    """
    if not head:
        raise ExportProblem("the file is empty", where=where, todo="export it again")
    if not head.strip(b"\x00\xef\xbb\xbf\xff\xfe \t\r\n"):
        raise ExportProblem("the file holds nothing but white space", where=where, todo="export it again")
    lower = name.lower()
    best, best_score = None, 0
    for module in format_modules():
        score = module.looks_like(head, lower)
        if score > best_score:
            best, best_score = module, score
    if best is not None:
        return best
    for start, what, todo in KNOWN_STRANGERS:
        if head.startswith(start):
            raise ExportProblem(f"this is {what}, not an export that can be read", where=where, todo=todo)
    if head[257:262] == b"ustar":
        todo = "unpack it and give the files that come out"
        raise ExportProblem("this is a tar archive, not an export that can be read", where=where, todo=todo)
    raise ExportProblem(
        "this is no kind of export that is known here"
        + (" (it is binary, not text)" if b"\x00" in head[:4096] else ""),
        where=where,
        todo=f"give one of: {', '.join(module.NAME for module in format_modules())}",
    )
