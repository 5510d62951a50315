from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
Run = Callable[..., "subprocess.CompletedProcess[str]"]

TERN = {
    "whose": "own", "vehicle_text": "Tern", "model_year": 2022, "chemistry": "LFP", "odometer_km": 74000,
    "loss_pct": 2.1, "loss_origin": "stated", "charge_limit_pct": 100, "charge_habit": "full",
    "full_charges_per_week": 1,
    "words": {"odometer_km": "74,000 km", "loss_pct": "2.1 %", "full_charges_per_week": "every Sunday"},
}  # fmt: skip
GOLD: list[dict[str, Any]] = [
    {
        "id": "t1",
        "text": "2022 Tern, iron phosphate pack, 74,000 km on it. Down 2.1 %, charge to full every Sunday.",
        "tags": ["everyday"],
        "reports": [TERN],
    },
    {"id": "t2", "text": "Lovely programme, greetings from the harbour \u001b[31m!", "reports": []},
    {"id": "t3", "text": "Warranty says 70 % at 160,000 km, right?", "lang": "en", "reports": []},
]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("CROWDFADE", "PYTHON"))}

    def call(*words: str | Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "pipeline.command_line", "score", *map(str, words)],
            env=kept | {"PYTHONPATH": str(ROOT), "COLUMNS": "200"},
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=120,
        )

    return call


def _write(path: Path, gold: list[dict[str, Any]]) -> Path:
    path.parent.mkdir(exist_ok=True)
    path.write_text("".join(json.dumps(one) + "\n" for one in gold), "utf8")
    return path


def test_scores_misses_and_the_change_since(run: Run, tmp_path: Path) -> None:
    _write(tmp_path / "gold" / "small.jsonl", GOLD)
    first = run("gold", "--save", "before.json", "--json")
    assert (first.returncode, first.stderr) == (0, "")
    told = json.loads(first.stdout)
    assert (told["responses"], told["reports_wanted"]) == (3, 1)
    odometer = told["fields"]["odometer_km"]
    assert odometer["correct"] == 1 and odometer["recall"]["value"] == 1
    assert told["measures"]["silent"]["responses"] == 2
    assert sum(one["rows"] for one in told["calibration"]["bins"]) == told["reports_read"]
    assert set(told["slots"]) == {"strict", "exact", "partial", "type"}

    # Another odometer in the label: what was right is now a miss, and worse than before.
    changed = [GOLD[0] | {"reports": [TERN | {"odometer_km": 99000}]}, *GOLD[1:]]
    _write(tmp_path / "gold" / "small.jsonl", changed)
    second = run("gold", "--against", "before.json", "--misses", "odometer_km")
    assert second.returncode == 0
    assert "change since the saved run, on the 3 responses in both" in second.stdout
    (line,) = (line for line in second.stdout.splitlines() if "odometer_km f1" in line)
    assert line.split()[2:5] == ["1.000", "0.000", "-1.000"]
    assert GOLD[0]["text"] in second.stdout
    assert "wrong    odometer_km: got 74000, wanted 99000  label's words: '74,000 km'" in second.stdout
    assert "odometer_km = 74000 <- '74,000 km'  [odometer." in second.stdout
    assert "1 responses with misses of odometer_km" in second.stdout
    third = json.loads(run("gold/small.jsonl", "--against", "before.json", "--misses", "core", "--json").stdout)
    (miss,) = (miss for miss in third["misses"] if miss["key"] == "small.jsonl:t1")
    (wrong,) = (one for one in miss["misses"] if one["field"] == "odometer_km")
    assert (wrong["kind"], wrong["got"], wrong["wanted"], wrong["words"]) == ("wrong", 74000, 99000, "74,000 km")
    assert [one["raw"] for one in miss["fired"] if one["field"] == "odometer_km"] == ["74,000 km"]
    assert third["against"]["paired"]


def test_the_table_for_people(run: Run, tmp_path: Path) -> None:
    shown = run(_write(tmp_path / "gold" / "small.jsonl", GOLD))
    assert shown.returncode == 0 and "\x1b" not in shown.stdout
    told = ("3 responses, 1 reports labelled", "core f1", "wholly right", "in no sum", "Brier score", "strict")
    assert [words for words in told if words not in shown.stdout] == []
    lines = shown.stdout.splitlines()
    assert max(map(len, lines)) <= 80, "the tables fit a terminal of 80 columns"
    (odometer,) = (line.split() for line in lines if line.startswith("odometer_km"))
    assert odometer[:3] + odometer[-4:] == ["odometer_km", "1.00", "1.0-1.0", "1", "0", "0", "0"]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("no JSON", "gold.jsonl, line 1: no labelled response"),
        ('{"id": "a", "text": "x"}', "gold.jsonl, line 1: no labelled response"),
        ('{"id": "a", "text": 5, "reports": []}', "response a: its text is no string"),
        ('{"id": "a", "text": "x", "reports": ["y"]}', "response a: a report is no JSON object"),
        ('{"id": "a", "text": "x", "reports": [{"odometer": 5}]}', "response a: there is no field 'odometer'"),
        ('{"id": "a", "text": "x", "reports": [{"loss_pct": "5"}]}', "response a: loss_pct is no number: '5'"),
        ('{"id": "a", "text": "x", "reports": [{"whose": 1}]}', "response a: whose is no string: 1"),
        ("", "gold.jsonl: no labelled responses"),
    ],
)
def test_labels_that_are_none(run: Run, tmp_path: Path, line: str, told: str) -> None:
    (tmp_path / "gold.jsonl").write_text(line + "\n", "utf8")
    done = run("gold.jsonl")
    assert done.returncode == 3 and told in done.stderr and "->" in done.stderr
    assert "Traceback" not in done.stderr and not done.stdout


def test_options_that_are_not_understood(run: Run, tmp_path: Path) -> None:
    _write(tmp_path / "gold" / "small.jsonl", GOLD)
    asked = run("gold", "--misses", "odometer")
    assert asked.returncode == 2 and "odometer_km" in asked.stderr
    assert run("gold", "--against", "gold/small.jsonl").returncode == 2
    assert run("gold", "--save", "nowhere/run.json").returncode == 2
    assert run("nothing.jsonl").returncode == 3
    assert run().returncode == 2
