"""What the commands share when they print: consoles, words from exports made safe to show, JSON for machines."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console

# Control characters (but tab and newline) and those that turn the writing direction around: an export must not be
# able to move the cursor, recolour the screen or show words in another order than they stand.
_UNSAFE = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u200e\u200f\u061c]")


def safe(text: str) -> str:
    """The text with every sign that could steer a terminal as U+FFFD; offsets stay what they were."""
    return _UNSAFE.sub("\ufffd", text)


def console(*, to_stderr: bool = False) -> Console:
    """A console for people; colours only where it is a terminal (and NO_COLOR is not set)."""
    from rich.console import Console

    class PipedConsole(Console):
        """Leaves a pipe that was closed at the other end to `command_line.main`; rich itself would exit with 1."""

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    return PipedConsole(stderr=to_stderr, highlight=False, soft_wrap=True)


def print_json(value: Any) -> None:
    """Prints a value for machines: one JSON document in ASCII, times as ISO 8601."""
    click.echo(json.dumps(value, indent=2, default=lambda moment: moment.isoformat()))
