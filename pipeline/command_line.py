"""The command line: `crowdfade COMMAND`.  Only this module and `pipeline.commands` print.

A command's module is imported when the command is called, and heavy libraries inside the command, so that
`crowdfade --help` answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any

import click

import pipeline
from pipeline.commands.console import safe
from pipeline.problems import EXIT_CODES, Problem

COMMANDS: dict[str, tuple[str, str]] = {
    "build": ("pipeline.commands.build", "Read exports and make the dataset of them."),
    "rerun": ("pipeline.commands.rerun", "Read what a ledger holds again, as far as a change reaches."),
    "runs": ("pipeline.commands.runs", "List the runs of a ledger; score or remove some."),
    "compare": ("pipeline.commands.compare", "Set two runs side by side: is the later one better?"),
    "trace": ("pipeline.commands.trace", "Show the rows, words and conversions that stand behind a figure."),
    "show": ("pipeline.commands.show", "Show reports with the words that each value was read from."),
    "queue": ("pipeline.commands.queue", "Put the reports first that are most worth a person's look."),
    "correct": ("pipeline.commands.correct", "Correct readings by hand: one decision, or a sheet of them."),
    "score": ("pipeline.commands.score", "Measure on labelled responses how well they are read."),
    "rules": ("pipeline.commands.rules", "List the rules, check a rule pack, or begin one."),
    "report": ("pipeline.commands.report", "Write a page, pictures and tables that hold up to a second look."),
    "claim": ("pipeline.commands.claim", "Pin a headline with its figure, and see whether it still holds."),
    "correction": ("pipeline.commands.correction", "Write the correction of a headline that no longer holds."),
    "release": ("pipeline.commands.release", "Publish an anonymised, documented dataset of a ledger."),
    "verify": (
        "pipeline.commands.verify",
        "Check a release: checksums, schema, groups, nobody's words.",
    ),
    "forget": ("pipeline.commands.forget", "Remove a person from a ledger for good."),
    # The only two that need Prefect: they stand with the flows, which `pipeline` itself never imports.
    "once": ("flows.commands.once", "Bring what is new in an inbox to a published dataset, once."),
    "schedule": ("flows.commands.schedule", "The same on a schedule, unattended, with a Prefect server."),
}
"""Name -> the module that holds a click command `command`, and the line that `--help` shows for it."""


class LazyCommands(click.Group):
    """A group whose commands are imported when they are called, and listed without being imported."""

    def list_commands(self, context: click.Context) -> list[str]:
        """The names of the commands."""
        return list(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        """The command of that name, imported now, or None."""
        if name not in COMMANDS:
            return None
        command = import_module(COMMANDS[name][0]).command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        """Writes the list of commands into the help."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def format_epilog(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        """Writes the exit codes into the help."""
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code), meaning) for code, meaning in EXIT_CODES.items()])


@click.group(cls=LazyCommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(pipeline.__version__, prog_name="crowdfade")
@click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of a problem.")
def crowdfade() -> None:
    """Read what an audience says about its electric vehicles' batteries into a tidy, traceable dataset."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Runs the command line and exits with one of `problems.EXIT_CODES`."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    # `--debug` is taken at any place before `--`, because people add it to the end of the line that failed.
    mine = words[: words.index("--")] if "--" in words else words
    debug = "--debug" in mine
    try:
        code = crowdfade.main(words, prog_name="crowdfade", standalone_mode=False)
        sys.stdout.flush()
        sys.exit(code if isinstance(code, int) else 0)
    except Problem as problem:
        if debug:
            raise
        _tell(str(problem))
        sys.exit(problem.exit_code)
    except click.exceptions.Exit as end:
        sys.exit(end.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (KeyboardInterrupt, click.Abort):
        if debug:
            raise
        _tell("interrupted; the ledger stays as it was")
        sys.exit(130)
    except BrokenPipeError:
        # The reader of our output (head, less) has seen enough; Python must not try to flush to it again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)


def _tell(message: str) -> None:
    click.echo(f"crowdfade: {safe(message)}", err=True)


def debug_option(command: Any) -> Any:
    """Lets a command take `--debug` too; `main` has looked for it already."""
    return click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of a problem.")(command)


if __name__ == "__main__":
    # The commands import this module by its name; run as a script it would otherwise be there twice.
    import_module("pipeline.command_line").main()
