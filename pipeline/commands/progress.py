"""The progress bar that a run draws on a terminal while it is made."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from pipeline.commands.console import console, safe
from pipeline.take_in import Watch


@contextmanager
def progress(*, shown: bool) -> Iterator[Watch]:
    """A watch that draws a bar on the terminal (stderr); where there is none, or none is wanted, a silent one."""
    if not (shown and sys.stderr.isatty()):
        yield Watch()
        return
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    with Progress(
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[told]}"),
        TimeElapsedColumn(),
        console=console(to_stderr=True),
        transient=True,
    ) as bar:
        yield _Bar(bar)


class _Bar(Watch):
    """Draws how far a build is: a pulse for a stage, for an export a bar by the size of what has been read."""

    def __init__(self, bar: Any) -> None:
        self._bar = bar
        self._task = bar.add_task("starting", total=None, told="")
        self._source = ""
        self._size: int | None = None
        self._done = 0
        self._count = 0

    def stage(self, name: str) -> None:
        self._bar.update(self._task, description=name, total=None, told=self._told())

    def export(self, source: str, size_bytes: int | None) -> None:
        self._size, self._done = size_bytes, 0
        self._bar.update(
            self._task, description=f"reading {safe(source)}", total=size_bytes, completed=0, told=self._told()
        )

    def records(self, count: int, characters: int) -> None:
        self._count += count
        self._done += characters
        # A text is smaller than its record and may be larger than its compressed file: the bar is a near guess.
        done = min(self._done, int(self._size * 0.99)) if self._size else self._done
        self._bar.update(self._task, completed=done, told=self._told())

    def _told(self) -> str:
        return f"{self._count:,} responses" if self._count else ""
