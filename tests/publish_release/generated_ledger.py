"""A ledger of any number of invented reports, for load and for the intruder: made by a real build with small stages.

    python tests/publish_release/generated_ledger.py LEDGER [REPORTS]

Who answers, with which car, how far, when and in which language is drawn with a fixed seed: common and rare models, a
long tail of distances, people with two cars, follow-ups half a year later, much that is not said.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipeline.build import Built, build
from pipeline.dataset_columns import arrow_schema
from pipeline.response import FoundValue, Reading, Report, Response

MODELS = (
    ("Norrvik", "Tern", 30, ("LFP", "NMC")),
    ("Norrvik", "Skua", 20, ("NMC", "NCA")),
    ("Norrvik", "Dunlin", 9, ("NMC", None)),
    ("Calder", "Fell", 14, ("NMC", "nickel")),
    ("Calder", "Ridge", 12, ("NCA", "LFP")),
    ("Calder", "Moss", 7, ("LFP", None)),
    ("Ondine", "40", 5, ("LMO", "LFP")),
    ("Ondine", "60", 2.6, ("NMCA", "NMC")),
    ("Ondine", "Sprat", 0.4, ("LTO", "Na-ion")),
)
SOURCES = (("episode.csv", 0.55, 2025, 3), ("forum.csv", 0.25, 2024, 1), ("survey.csv", 0.2, 2025, 9))
LANGUAGES = (("en", 84), ("de", 7), ("nl", 3), ("nb", 2.5), ("fr", 2), ("es", 1), ("sv", 0.5))


@dataclass
class Made:
    source: str
    responses: list[tuple[Response, Report]]
    kind: str = "CSV"
    roles_line: str = "text = 'comment', author = 'author'"
    sha256: str = "0" * 64
    size_bytes: int = 0
    problem: Any = None

    def __post_init__(self) -> None:
        self.path = self.source
        if "survey" in self.source:
            self.roles_line += ", odometer_km = 'How far has it gone?'"

    def items(self) -> Iterator[Response]:
        return (response for response, _ in self.responses)


@dataclass
class Prepared:
    """Gives each response the report that it was made with."""

    reports: dict[str, Report]
    packs: Sequence[Any] = ()

    def read(self, responses: Sequence[Response]) -> list[Reading]:
        return [Reading([self.reports[response.response_id]]) for response in responses]


@dataclass
class Vehicles:
    vehicle_key: dict[str, str]
    response_copy_of: dict[str, str] = field(default_factory=dict)
    report_copy_of: dict[str, str] = field(default_factory=dict)
    flags: dict[str, list[str]] = field(default_factory=dict)
    links: pa.Table = field(default_factory=lambda: arrow_schema("links").empty_table())


def generate(count: int, seed: int = 41) -> tuple[list[Made], Prepared, Vehicles]:
    chance = random.Random(seed)
    exports = {name: Made(name, []) for name, *_ in SOURCES}
    reports: dict[str, Report] = {}
    vehicles: dict[str, str] = {}
    number = person = 0
    while number < count:
        person += 1
        for car in range(2 if chance.random() < 0.04 else 1):
            make, model, _, cells = chance.choices(MODELS, [one[2] for one in MODELS])[0]
            year = min(2025, max(2013, round(chance.gauss(2021, 2))))
            yearly = chance.lognormvariate(9.75, 0.45)
            chemistry = chance.choice(cells) if chance.random() < 0.8 else None
            fade = {"LFP": 0.032, None: 0.055}.get(chemistry, 0.068)
            language = chance.choices([one[0] for one in LANGUAGES], [one[1] for one in LANGUAGES])[0]
            shares = {"year": 0.87, "km": 0.93, "loss": 0.88, "limit": 0.7, "fast": 0.25, "name": 0.9}
            spoken = {name: chance.random() < share for name, share in shares.items()}
            name, _, begin, month = chance.choices(SOURCES, [one[1] for one in SOURCES])[0]
            at = datetime(begin, month, 1, tzinfo=UTC) + timedelta(days=min(600, chance.expovariate(1 / 20)))
            for again in range(2 if chance.random() < 0.05 else 1):
                if number >= count:
                    break
                number += 1
                at += timedelta(days=180 * again)
                km = round(max(900, yearly * max(0.3, at.year + at.month / 12 - year)))
                km = round(km, -3) if chance.random() < 0.6 else km
                loss = round(max(-1.0, fade * km / 1000 + chance.gauss(0.6, 1.6)), chance.choice((0, 0, 1)))
                values: dict[str, Any] = {"whose": "other" if chance.random() < 0.05 else "own"}
                values |= {"model_year": year} if spoken["year"] else {}
                values |= {"chemistry": chemistry} if chemistry else {}
                values |= {"odometer_km": float(km)} if spoken["km"] else {}
                values |= {"loss_pct": loss, "loss_origin": "stated"} if spoken["loss"] else {}
                values |= {"make": make, "model": model} if spoken["name"] else {}
                limit = chance.choice((70, 80, 80, 80, 90, 90, 100, 100, 100))
                habit = "full" if limit == 100 else "partial"
                values |= {"charge_limit_pct": limit, "charge_habit": habit} if spoken["limit"] else {}
                values |= {"dc_fast_share_pct": chance.choice((0, 0, 10, 20, 50, 90))} if spoken["fast"] else {}
                values |= {"age_months": float(12 * chance.randint(1, 8))} if chance.random() < 0.06 else {}
                response_id = f"r{number:019d}"
                text = f"number {number}: " + ", ".join(f"{key} {value}" for key, value in values.items())
                report = Report({key: _found(key, value, text) for key, value in values.items()}, chance.random())
                response = Response(response_id, name, str(number), text, author=f"listener_{person}_of_many",
                                    posted_at=at, lang=language)  # fmt: skip
                exports[name].responses.append((response, report))
                reports[response_id] = report
                vehicles[f"{response_id}-1"] = f"v{person}-{car}"
    return list(exports.values()), Prepared(reports), Vehicles(vehicles)


def _found(name: str, value: Any, text: str) -> FoundValue:
    raw = str(value)
    start = text.index(f"{name} {raw}") + len(name) + 1
    return FoundValue(name, value, None, raw, start, start + len(raw), "made", "made 1", "as made", 0.9)


def build_generated(ledger: Path, count: int, seed: int = 41) -> Built:
    exports, prepared, vehicles = generate(count, seed)
    return build(
        ["made"],
        ledger,
        read=lambda inputs, mapping=None: iter(exports),
        reader=prepared,
        join=lambda *tables: vehicles,
        check=lambda reports, *others: ([[]] * reports.num_rows, [True] * reports.num_rows),
    )


if __name__ == "__main__":
    build_generated(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 20_000)
