"""DEVELOPERS.md says what is so: its rooms are there, its example of a rule is one, its files and libraries exist."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
import yaml

from pipeline.find_values.reader import ResponseReader
from pipeline.find_values.rule_files import KEYS
from pipeline.response import Response
from pipeline.score_readings.compare import agrees

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    """The rule of the text as a rule pack of its own."""
    (rules,) = re.findall(r"^```yaml\n(.*?)^```$", TEXT, re.M | re.S)
    (tmp_path / "loss").mkdir()
    (tmp_path / "loss" / "en.yaml").write_text(rules, encoding="utf-8")
    (tmp_path / "pack.yaml").write_text("name: shown\nversion: 1.0.0\n", encoding="utf-8")
    return tmp_path


def test_the_rule_that_is_shown_reads_what_it_says(pack: Path) -> None:
    (rule,) = yaml.safe_load((pack / "loss" / "en.yaml").read_text("utf-8"))["rules"]
    assert set(rule) <= KEYS
    reader = ResponseReader(rules=[pack])

    def read(text: str) -> list[dict[str, float | int | str]]:
        return [report.plain() for report in reader.read_one(Response("r1", "s", "1", text, lang="en")).reports]

    for example in rule["examples"]:
        ((text, wanted),) = example.items()
        (report,) = read(text)
        assert all(agrees(field, report[field], value) for field, value in wanted.items())
    for text in rule["look_alikes"]:
        assert read(text) == []
    for example in rule["known_misses"]:
        ((text, _),) = example.items()
        assert read(text) == []


def test_files_and_folders_that_are_named_are_there() -> None:
    named = set(re.findall(r"`((?:pipeline|tests|fixtures|flows|\.ci)/[\w./-]*)`", TEXT))
    assert len(named) > 15
    # Git keeps no empty folder, and the flows come later than the library that they call.
    assert not [path for path in named if not (ROOT / path).exists() and path != "flows/"]
    rooms = re.findall(r"^\| `pipeline/(\w+)/` \|", TEXT, re.M)
    there = {path.parent.name for path in ROOT.glob("pipeline/*/__init__.py")}
    assert {*rooms, "commands"} == there


def test_every_library_is_named() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    for requirement in project["dependencies"]:
        name = re.split(r"[<>=\[]", requirement)[0]
        assert re.search(rf"\b{re.escape(name)}\b", TEXT, re.I), name
