"""The documented findings of `findings.yaml`: the one table that checks, codebook and terminal draw on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from pipeline.dataset_columns import REPORTS
from pipeline.declarative_files import parse_yaml
from pipeline.problems import RuleProblem

STAGES = ("check", "reading", "join_copies")
"""What may raise a finding."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One documented code.  `limits` are the numbers of the rule; their names end in their unit (`_km`, `_pct`)."""

    code: str
    rule: str
    fields: tuple[str, ...]
    limits: Mapping[str, float]
    keeps_out: bool
    todo: str
    source: str
    raised_by: str


@cache
def findings() -> dict[str, Finding]:
    """Code -> finding, in the file's order.  Raises `RuleProblem` where the file does not hold together."""
    text = resources.files("pipeline.check_reports").joinpath("findings.yaml").read_text("utf-8")
    return read_findings(text, "check_reports/findings.yaml")


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
                rule=" ".join(str(entry["rule"]).split()).format_map({k: f"{v:,g}" for k, v in limits.items()}),
                fields=tuple(entry["fields"]),
                limits=limits,
                keeps_out=entry["keeps_out"],
                todo=" ".join(str(entry["todo"]).split()),
                source=" ".join(str(entry["source"]).split()),
                raised_by=str(entry.get("raised_by", "check")),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise RuleProblem(
                f"the finding does not hold together: {type(error).__name__} {error}",
                where=f"{where}: {code}",
                todo="give code, rule, fields, limits, keeps_out, todo and source; rule may name limits only",
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
