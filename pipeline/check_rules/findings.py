"""What `crowdfade rules check` finds: each finding names its place, what was expected, what came, and what to do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, Literal

from pipeline.find_values.rule_files import Rule
from pipeline.problems import RuleProblem

CODES: dict[str, tuple[str, str]] = {
    "malformed": ("error", "a file or a rule that does not hold together"),
    "example": ("error", "an example is not read as it says"),
    "look-alike": ("error", "a look-alike is taken for a report, or gives the field that it must not give"),
    "known-miss": ("error", "a known miss is read by now: it belongs to the examples"),
    "dead": ("error", "a rule does nothing on any of its own tests"),
    "beaten": ("error", "a rule matches its own tests, and others take the words every time"),
    "slow": ("error", "a pattern takes far longer the longer a text is"),
    "off-nothing": ("error", "`off` names a rule that is not there"),
    "no-language": ("error", "rules of a language that nothing else is known of: they would never be asked"),
    "not-fed": ("error", "a declared field that no rule gives"),
    "untested": ("note", "a rule without tests of its own"),
    "unlike": ("note", "a rule takes the id of another that does something else"),
    "overlap": ("note", "two rules want the same words for different things"),
    "changes": ("note", "an example of another pack is read otherwise with this one"),
    "glued": ("note", "a part of a pattern stands right behind a group, whose words then never match"),
}
"""Code -> its level, and what it means.  Errors fail the check, notes are for the eye."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding; `file` is "" where it is about the whole pack, `line` 0 where it is not known."""

    code: str
    what: str
    file: str = ""
    line: int = 0
    rule: str = ""
    expected: str = ""
    got: str = ""
    todo: str = ""
    text: str = ""  # of a test that is not read as it says

    @property
    def level(self) -> Literal["error", "note"]:
        """Whether it fails the check."""
        return "error" if CODES[self.code][0] == "error" else "note"

    @property
    def where(self) -> str:
        """The place in one line."""
        line = f", line {self.line}" if self.line else ""
        return f"{self.file}{line}" + (f", rule {self.rule}" if self.rule else "")

    def plain(self) -> dict[str, Any]:
        """The finding for JSON."""
        return {"level": self.level, **asdict(self)}


def about(
    rule: Rule, code: str, what: str, *, expected: str = "", got: str = "", todo: str = "", text: str = ""
) -> Finding:
    """A finding about a rule, at its place."""
    return Finding(code, what, rule.file, rule.line, rule.id, expected, got, todo, text)


def of_problem(problem: RuleProblem) -> Finding:
    """A rule problem as a finding; its place is already in words."""
    return Finding("malformed", problem.what, file=problem.where, todo=problem.todo)


Progress = Callable[[str, int, int], None]
"""Told what is being tried, how many are done, and of how many."""


def silent(doing: str, done: int, total: int) -> None:
    """Tells nobody."""
