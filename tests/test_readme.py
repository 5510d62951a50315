"""The README says what is so: its tables name what there is, its example is read so, its commands and blocks run."""

from __future__ import annotations

import csv
import json
import os
import re
import shlex
import subprocess
import sys
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
import yaml

from pipeline.dataset_columns import FIELD_NAMES, TABLES
from pipeline.find_values.reader import ResponseReader
from pipeline.read_exports.column_mapping import ColumnMapping
from pipeline.read_exports.raw_table import ROLES
from pipeline.response import Response
from pipeline.score_readings.compare import compare

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEMO = ROOT / "fixtures" / "demo"

BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.M | re.S)
SET_UP = "python3 -m venv"
"""How the two set-up commands begin; `.ci/run` runs the second, and the first is the second's kin."""


def blocks(kind: str) -> list[str]:
    return [text for language, text in BLOCK.findall(README) if language == kind]


COMMANDS = [line for block in blocks("sh") for line in block.splitlines() if line and not line.startswith(SET_UP)]
SET_UP_COMMANDS = [line for block in blocks("sh") for line in block.splitlines() if line.startswith(SET_UP)]


@pytest.fixture(scope="module")
def environ(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    config = tmp_path_factory.mktemp("config")
    return os.environ | {"PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": str(config), "COLUMNS": "120"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, environ: dict[str, str]) -> Path:
    """A folder as a reader has it after the first command: a smaller demo ledger, the fixtures, files of their own."""
    folder = tmp_path_factory.mktemp("reader")
    (folder / "fixtures").symlink_to(ROOT / "fixtures")
    with (DEMO / "thread.csv").open(encoding="utf-8", newline="") as thread:
        rows = list(islice(csv.reader(thread), 70))
    with (folder / "few.csv").open("w", encoding="utf-8", newline="") as few:
        csv.writer(few).writerows(rows)
    with (folder / "my-thread.csv").open("w", encoding="utf-8", newline="") as mine:
        lines = [["Nickname", "Your comment"], ["wren", "My Skua has 51,000 km on it and lost 4 %"], ["moss", "Hello!"]]
        csv.writer(mine).writerows(lines)
    (folder / "columns.yaml").write_text(blocks("yaml")[0], encoding="utf-8")
    crowdfade(
        f"crowdfade build few.csv --vehicles {shlex.quote(str(DEMO / 'vehicles.csv'))} --to demo-ledger",
        folder,
        environ,
    )
    return folder


def crowdfade(command: str, folder: Path, environ: dict[str, str]) -> str:
    name, *words = shlex.split(command)
    assert name == "crowdfade"
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.command_line", *words], cwd=folder, env=environ, capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, ""), command
    return done.stdout


def test_the_set_up_commands_are_the_two_that_are_promised() -> None:
    build, tests = SET_UP_COMMANDS
    for word in (
        "fixtures/demo/thread.csv", "fixtures/demo/survey-spring.csv", "fixtures/demo/survey-autumn.xlsx",
        "--vehicles fixtures/demo/vehicles.csv", "--to demo-ledger",
    ):  # fmt: skip
        assert word in build
    for path in re.findall(r"fixtures/\S+", build):
        assert (ROOT / path).is_file(), path
    assert build.endswith("crowdfade show demo-ledger")
    assert tests.endswith("-m pytest")


def test_ci_runs_the_readme_s_test_command() -> None:
    script = ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    function = re.search(r"^readme_test_command\(\) \{\n(.*?)^\}$", script.read_text("utf-8"), re.M | re.S)
    assert function and function[1].strip() == SET_UP_COMMANDS[1]
    assert "--system-site-packages" not in script.read_text("utf-8")


def test_the_sentence_is_read_into_the_record() -> None:
    (sentence, *_), (record, *_) = blocks("text"), blocks("json")
    reading = ResponseReader().read_one(Response("r1", "readme", "1", sentence.strip()))
    wanted = json.loads(record)
    compared = compare([report.plain() for report in reading.reports], [wanted])
    assert [outcome for outcome in compared.outcomes if outcome.kind != "correct"] == []
    assert list(wanted) == [name for name in FIELD_NAMES if name in wanted]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_runs(command: str, folder: Path, environ: dict[str, str]) -> None:
    assert crowdfade(command, folder, environ).strip()


def test_a_response_is_explained_as_the_text_says(folder: Path, environ: dict[str, str]) -> None:
    (command,) = [command for command in COMMANDS if "--response" in command]
    (told,) = json.loads(crowdfade(f"{command} --json", folder, environ))
    assert told["reports"] == [] and told["refusals"]


@pytest.mark.parametrize("code", blocks("python"), ids=lambda code: code.split()[1])
def test_a_block_opens_the_usable_reports(code: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    assert len(code.strip().splitlines()) == 2
    names: dict[str, Any] = {}
    exec(code, names)
    shown = json.loads((folder / "demo-ledger" / "latest" / "run.json").read_text("utf-8"))
    assert len(names["reports"]) == shown["counts"]["usable"] > 0


def test_the_mapping_file_is_one(folder: Path) -> None:
    mapping = ColumnMapping.from_file(folder / "columns.yaml")
    assert mapping.for_file("my-thread.csv") == {"text": "Your comment", "author": "Nickname"}
    assert mapping.for_file("autumn-2025.xlsx")["text"] == "Anything else?"
    assert yaml.safe_load(blocks("yaml")[0])


def rows_of(first_header: str) -> list[str]:
    """The names in the first column of the table with that first header."""
    table = re.search(rf"^\| {first_header} \|.*\n\|[-| ]+\|\n((?:\|.*\n)+)", README, re.M)
    assert table
    return [re.findall(r"`([^`]+)`", row)[0] for row in table[1].splitlines()]


def test_the_tables_name_what_there_is(folder: Path) -> None:
    assert rows_of("field") == list(FIELD_NAMES)
    assert rows_of("file") == [
        "responses.parquet",
        "reports.parquet",
        "evidence.parquet",
        "rejects.parquet",
        "run.json",
    ]
    there = {path.name for path in (folder / "demo-ledger" / "latest").iterdir()}
    assert there == {f"{name}.parquet" for name in TABLES} | {"run.json", "for-rerun"}
    assert all(f"`{name}`" in README for name in ("parts", "refusals", "links", "marks", *ROLES))
    for path in re.findall(r"\]\(([\w./-]+)\)", README):
        assert (ROOT / path).is_file(), path
