"""Small stages for tests of the ledger: they read JSON lines and a few plain phrases, and nothing else.

`python small_stages.py LEDGER EXPORT...` runs one build with them (for tests that kill it).
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipeline.build import Built, build
from pipeline.dataset_columns import arrow_schema
from pipeline.problems import ExportProblem
from pipeline.response import FoundValue, Reading, Refusal, Reject, Report, Response, SurveyAnswer


@dataclass
class LinesExport:
    path: str
    kind: str = "JSON lines"
    roles_line: str = "text = text, author = author"
    problem: ExportProblem | None = None
    breaks_after: int | None = None

    def __post_init__(self) -> None:
        self.source = Path(self.path).name
        if not Path(self.path).is_file():
            self.problem, self.sha256, self.size_bytes = ExportProblem("no such file", where=self.source), "", None
            return
        content = Path(self.path).read_bytes()
        self.sha256, self.size_bytes = hashlib.sha256(content).hexdigest(), len(content)
        if content.startswith(b"broken"):
            self.problem = ExportProblem("is no JSON", where=self.source, todo="mend it")

    def items(self) -> Iterator[Response | Reject]:
        with open(self.path, encoding="utf-8") as lines:
            for number, line in enumerate(lines, start=1):
                if line.startswith("!"):
                    raise ValueError("cut in half")
                try:
                    entry = json.loads(line)
                except ValueError as error:
                    yield Reject(self.source, f"line {number}", "bad_json", str(error), "mend the line")
                    continue
                own = str(entry.get("id", number))
                name = f"{self.source}\x1f{own}".encode("utf-8", "surrogatepass")
                yield Response(
                    response_id="r" + hashlib.sha256(name).hexdigest()[:20],
                    source=self.source,
                    source_response_id=own,
                    text=entry["text"],
                    author=entry.get("author"),
                    posted_at=datetime.fromisoformat(entry["at"]) if "at" in entry else None,
                    thread_id="t1",
                    parent_id=entry.get("parent"),
                    likes=entry.get("likes"),
                    answers=tuple(SurveyAnswer(**answer) for answer in entry.get("answers", ())),
                    profile_start=entry.get("profile_start"),
                )


def read_lines(inputs: Sequence[str], *, mapping: Any = None) -> Iterator[LinesExport]:
    for path in inputs:
        yield LinesExport(path)


@dataclass
class SmallPack:
    name: str
    version: str
    sha256: str


class PhraseReader:
    """Takes "N km", "lost N %", "N to N km" and "LFP" as a report, and refuses "warranty N %"."""

    packs = [SmallPack("phrases", "1", "0" * 64)]

    def __init__(self, rules: Sequence[Path] = (), vehicles: Path | None = None, lang: str | None = None) -> None:
        pass

    def read(self, responses: Sequence[Response]) -> list[Reading]:
        return [self._one(response.text) for response in responses]

    def _one(self, text: str) -> Reading:
        if "CRASH" in text:
            raise ZeroDivisionError("a mistake in a rule")
        reading = Reading()
        for sentence in re.finditer(r"[^.]+", text):
            values: dict[str, FoundValue] = {}
            for name, pattern, unit in (
                ("odometer_km", r"(\d[\d,]*) km on it", "km"),
                ("loss_pct", r"lost (\d+) ?%", "%"),
                ("chemistry", r"\bLFP\b", None),
            ):
                if found := re.compile(pattern).search(text, sentence.start(), sentence.end()):
                    value: float | str = found[0] if name == "chemistry" else float(found[1].replace(",", ""))
                    values[name] = _value(name, value, unit, found[0], found.start(), "as written")
            if pair := re.compile(r"(\d+) km new, (\d+) km now").search(text, sentence.start(), sentence.end()):
                loss = 100 * (1 - float(pair[2]) / float(pair[1]))
                values["loss_pct"] = _value("loss_pct", loss, "%", pair[1], pair.start(1), "pair")
                values["loss_pct"].parts = ((pair[2], *pair.span(2)),)
            for wrong in re.compile(r"warranty \d+ ?%").finditer(text, sentence.start(), sentence.end()):
                reading.refusals.append(
                    Refusal("loss_pct", wrong[0], wrong.start(), wrong.end(), "no-warranty", "a warranty term")
                )
            if values:
                low = 0.4 if "perhaps" in sentence[0] else 0.9
                reading.reports.append(Report(values, low, ["unsure"] if low < 0.5 else []))
        return reading


def _value(name: str, value: float | str, unit: str | None, raw: str, start: int, how: str) -> FoundValue:
    return FoundValue(name, value, unit, raw, start, start + len(raw), f"phrase-{name}", "phrases 1", how, 0.9)


@dataclass
class SmallJoined:
    response_copy_of: dict[str, str] = field(default_factory=dict)
    report_copy_of: dict[str, str] = field(default_factory=dict)
    vehicle_key: dict[str, str] = field(default_factory=dict)
    flags: dict[str, list[str]] = field(default_factory=dict)
    links: pa.Table = field(default_factory=lambda: arrow_schema("links").empty_table())


def join_exact(responses: pa.Table, reports: pa.Table, evidence: pa.Table, orders: Any = None) -> SmallJoined:
    joined = SmallJoined()
    first: dict[str, str] = {}
    links = []
    for row in responses.select(["response_id", "text"]).to_pylist():
        original = first.setdefault(row["text"], row["response_id"])
        if original != row["response_id"]:
            joined.response_copy_of[row["response_id"]] = original
            links.append(("copy", row["response_id"], original, 1.0, "the same words"))
    for row in reports.select(["report_id", "response_id", "author_key"]).to_pylist():
        number = row["report_id"].rsplit("-", 1)[1]
        if original := joined.response_copy_of.get(row["response_id"]):
            joined.report_copy_of[row["report_id"]] = f"{original}-{number}"
            joined.flags[row["report_id"]] = ["repeat"]
        if row["author_key"]:
            joined.vehicle_key[row["report_id"]] = f"v{row['author_key'][:8]}"
    if links:
        names = arrow_schema("links").names
        joined.links = pa.table(dict(zip(names, zip(*links, strict=True), strict=True)))
    return joined


def check_far(reports: pa.Table, vehicles: Any, responses: Any = None) -> tuple[list[list[str]], list[bool]]:
    far = [(km or 0) > 1_000_000 for km in reports["odometer_km"].to_pylist()]
    return [["odometer-impossible"] if one else [] for one in far], [not one for one in far]


STAGES: dict[str, Any] = {"read": read_lines, "join": join_exact, "check": check_far}


def small_build(ledger: Path, *exports: Path | str, **options: Any) -> Built:
    stages = {**STAGES, "reader": PhraseReader(), **options}
    return build([str(export) for export in exports], ledger, **stages)


if __name__ == "__main__":
    small_build(Path(sys.argv[1]), *sys.argv[2:])
