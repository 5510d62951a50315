"""The documented findings of `findings.yaml`: the one table that checks, codebook and terminal draw on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from pipeline.dataset_columns import REPORTS
from pipeline.declarative_files import parse_yaml
from pipeline.problems import RuleProblem

STAGES = ("check", "reading", "join_copies")
"""What may raise a finding."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One documented code.  `limits` are the numbers of the rule; their names end in their unit (`_km`, `_pct`).

    `example` is what raises it and `unlike` what does not, each a list of values as findings.yaml describes them.
    """

    code: str
    rule: str
    fields: tuple[str, ...]
    limits: Mapping[str, float]
    keeps_out: bool
    todo: str
    source: str
    raised_by: str
    example: tuple[Mapping[str, Any], ...]
    unlike: tuple[Mapping[str, Any], ...]


@cache
def findings() -> dict[str, Finding]:
    """Code -> finding, in the file's order.  Raises `RuleProblem` where the file does not hold together."""
    text = resources.files("pipeline.check_reports").joinpath("findings.yaml").read_text("utf-8")
    return read_findings(text, "check_reports/findings.yaml")


def example_list() -> str:
    """The vehicle list (CSV) of the examples."""
    text = resources.files("pipeline.check_reports").joinpath("findings.yaml").read_text("utf-8")
    return str(parse_yaml(text, "check_reports/findings.yaml")["example_list"])


def told_flag(code: str, row: Mapping[str, Any]) -> str:
    """A report's flag explained: the rule, the report's values that it looks at, and what to do; "" if unknown."""
    finding = findings().get(code)
    if finding is None:
        return ""
    values = [f"{name} {_shown(row[name])}" for name in finding.fields if row.get(name) is not None]
    here = f" (here: {', '.join(values)})" if values else ""
    out = "; keeps the row out" if finding.keeps_out else ""
    return f"{finding.rule}{here}{out} -> {finding.todo}"


def _shown(value: Any) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _values(given: Any) -> tuple[Mapping[str, Any], ...]:
    several = given if isinstance(given, list) else [given]
    return tuple(dict(one) for one in several)


def read_findings(text: str, where: str) -> dict[str, Finding]:
    """The findings in a YAML text; each is checked for what a reader needs."""
    columns = {column.name for column in REPORTS}
    found: dict[str, Finding] = {}
    for number, entry in enumerate(parse_yaml(text, where).get("findings") or (), start=1):
        code = str(entry.get("code") or f"entry {number}")
        try:
            limits = {str(name): float(limit) for name, limit in entry["limits"].items()}
            finding = Finding(
                code=code,
                rule=" ".join(str(entry["rule"]).split()).format_map({k: f"{v:,.10g}" for k, v in limits.items()}),
                fields=tuple(entry["fields"]),
                limits=limits,
                keeps_out=entry["keeps_out"],
                todo=" ".join(str(entry["todo"]).split()),
                source=" ".join(str(entry["source"]).split()),
                raised_by=str(entry.get("raised_by", "check")),
                example=_values(entry["example"]),
                unlike=_values(entry["unlike"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise RuleProblem(
                f"the finding does not hold together: {type(error).__name__} {error}",
                where=f"{where}: {code}",
                todo="give code, rule (it may name limits), fields, limits, keeps_out, todo, source, example, unlike",
            ) from None
        wrong = [name for name in finding.fields if name not in columns]
        known = isinstance(finding.keeps_out, bool) and finding.raised_by in STAGES
        if wrong or code in found or not known:
            what = f"names what is no column of the reports: {', '.join(wrong)}" if wrong else "is not sound"
            raise RuleProblem(
                f"the finding {what}",
                where=f"{where}: {code}",
                todo=f"use columns of reports, each code once, true or false, raised_by one of {', '.join(STAGES)}",
            )
        found[code] = finding
    return found
