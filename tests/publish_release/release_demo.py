"""What the tests of the release share: the demo's files, the key, and what a command gave."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "fixtures" / "demo"
EXPORTS = [str(DEMO / name) for name in ("thread.csv", "survey-spring.csv", "survey-autumn.xlsx")]
KEY = "a key of these tests, forty signs long..."


@dataclass
class Done:
    code: int
    out: str
    err: str
