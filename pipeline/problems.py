"""The errors that a person can cause and mend.  Each says what is wrong, where, and what to do next.

    Problem
    |-- ExportProblem        a file that cannot be read as an export
    |   |-- Unreachable      a source that does not answer now: the one problem that trying again can mend
    |   |-- NoTextColumn     a table in which no column holds the responses' text
    |   `-- UnsafeArchive    an archive that unpacks to far more than it should
    |-- RuleProblem          a rule file that does not hold together
    |-- LedgerProblem        a ledger that is missing, foreign, locked or not writable
    |-- KeyProblem           the pseudonym key cannot be read, is too open, or is not the ledger's
    |-- WorkersProblem       processes, a cluster or a server that cannot be reached or died at work
    |-- ReleaseProblem       a release that cannot be made, or does not hold what it says
    |-- HeldBack             a gate did not let something be published; what was published stays
    `-- UsageProblem         an option or a value that is not understood

The command line prints `str(problem)` and exits with `problem.exit_code`; it never shows a traceback for these.
"""

from __future__ import annotations

EXIT_CODES: dict[int, str] = {
    0: "fine (exports that could not be read, and rejected records, are told and counted)",
    1: "something else went wrong",
    2: "an option or a value was not understood",
    3: "nothing could be read from the exports; the ledger stays as it was",
    4: "a rule file does not hold together",
    5: "the ledger is missing, foreign, locked or not writable",
    6: "the pseudonym key cannot be read, is too open, or is not the ledger's",
    7: "worker processes, a cluster or a server cannot be reached, or died at work; the ledger stays as it was",
    8: "a release cannot be made, or a check of it failed",
    9: "a gate held a publication back; what was published before stays",
    130: "interrupted; the ledger stays as it was",
}
"""Every exit code of the command line and what it means."""


class Problem(Exception):
    """What is wrong (`what`), where (`where`: file, row, column, rule), and what to do (`todo`)."""

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", todo: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.todo = todo

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f"\n  -> {self.todo}" if self.todo else ""
        return f"{place}{self.what}{advice}"


class UsageProblem(Problem):
    """An option or a value that is not understood."""

    exit_code = 2


class ExportProblem(Problem):
    """A file that cannot be read as an export."""

    exit_code = 3


class Unreachable(ExportProblem):
    """A source that does not answer now; trying again may help, which it does for no other problem."""


class NoTextColumn(ExportProblem):
    """A table in which no column holds the responses' text; names the columns and the option to give."""


class UnsafeArchive(ExportProblem):
    """An archive that unpacks to far more than it should, or that leads outside itself."""


class RuleProblem(Problem):
    """A rule file that does not hold together; names file, rule and what was expected."""

    exit_code = 4


class LedgerProblem(Problem):
    """A ledger that is missing, foreign, locked or not writable."""

    exit_code = 5


class KeyProblem(Problem):
    """The pseudonym key cannot be read, is too open, or is not the ledger's."""

    exit_code = 6


class WorkersProblem(Problem):
    """Processes, a cluster or a server that cannot be reached, or that died at work."""

    exit_code = 7


class HeldBack(Problem):
    """A gate did not let a run be published; what was published before stays."""

    exit_code = 9


class ReleaseProblem(Problem):
    """A release that cannot be made, or that does not hold what it says."""

    exit_code = 8
