"""Where unpacked bytes go, and how many of them may come: `Spool`, `Limits`, `Budget`."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from io import BytesIO
from typing import IO, BinaryIO

from pipeline.problems import UnsafeArchive

CHUNK = 1 << 18
MEMORY_LIMIT = 4 << 20
"""Bytes of an unpacked file that are held in memory; beyond that it goes to the disk."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How far a file may unpack: bytes in all, times its own size once `free` bytes have come out, members, layers."""

    total: int = 16 << 30
    ratio: int = 200
    free: int = 64 << 20
    members: int = 10_000
    depth: int = 4


class Budget:
    """Counts what has come out of one given file of `size` bytes; raises `UnsafeArchive` where it is too much."""

    def __init__(self, size: int, limits: Limits, where: str) -> None:
        self.size = max(size, 1)
        self.limits = limits
        self.where = where
        self.spent = 0

    def take(self, count: int) -> None:
        """Counts `count` more bytes."""
        self.spent += count
        limits = self.limits
        if self.spent > limits.total:
            self._refuse(f"unpacks to more than {limits.total / 2**30:g} GiB")
        if self.spent > limits.free and self.spent > self.size * limits.ratio:
            self._refuse(f"unpacks to more than {limits.ratio} times its size")

    def take_member(self, number: int) -> None:
        """Counts the member of that number (from 1)."""
        if number > self.limits.members:
            self._refuse(f"holds more than {self.limits.members} files")

    def _refuse(self, what: str) -> None:
        raise UnsafeArchive(
            f"the file {what}, which no export does; it was left alone",
            where=self.where,
            todo="unpack it by hand if you trust it, and give the files that came out",
        )


class Spool:
    """Bytes that were written once and can be read as often as wanted; they go when nobody holds the spool."""

    def __init__(self) -> None:
        self.size = 0
        self._memory: BytesIO | None = BytesIO()
        self._file: IO[bytes] | None = None

    def write(self, data: bytes) -> None:
        """Adds bytes at the end."""
        self.size += len(data)
        if self._memory is not None:
            self._memory.write(data)
            if self.size > MEMORY_LIMIT:
                self._file = tempfile.NamedTemporaryFile(prefix="crowdfade-")  # noqa: SIM115 (lives with the spool)
                self._file.write(self._memory.getvalue())
                self._memory = None
        elif self._file is not None:
            self._file.write(data)

    def open(self) -> BinaryIO:
        """A fresh stream at the beginning."""
        if self._file is None:
            assert self._memory is not None
            return BytesIO(self._memory.getvalue())
        self._file.flush()
        return open(self._file.name, "rb")
