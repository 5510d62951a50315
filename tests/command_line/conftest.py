from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
WITH_SMALL_STAGES = Path(__file__).with_name("with_small_stages.py")

Run = Callable[..., "subprocess.CompletedProcess[str]"]

ENTRIES = [
    {"id": "k1", "author": "@Harbour_Nut", "text": "Tern, 74,000 km on it, lost 3 %. Hers lost 2 %"},
    {"id": "k2", "author": "harbour_nut", "text": "When new? 400 km new, 380 km now. LFP. warranty 70 % they say"},
    {"id": "k3", "author": "gulls4ever", "text": "Tern, 74,000 km on it, lost 3 %. Hers lost 2 %"},
    {"id": "k4", "text": "Great programme but no car here"},
    {"id": "k5", "author": "tallyman", "text": "perhaps lost 9 %"},
    {"id": "k6", "text": "\x1b[31mred\x1b[0m \u202e 5,000,000 km on it"},
    {"id": "k7", "text": "So. " + "long story " * 90 + "and it lost 6 % in the end. " + "more " * 90},
]


@pytest.fixture
def environ(tmp_path: Path) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("CROWDFADE", "PYTHON"))}
    return kept | {
        "PYTHONPATH": str(ROOT),
        "XDG_CONFIG_HOME": str(tmp_path / "config"),
        "CROWDFADE_KEY": "the test's own key, long enough",
        "COLUMNS": "200",
    }


@pytest.fixture
def run(environ: dict[str, str], tmp_path: Path) -> Run:
    """Runs `crowdfade` with small stages in place of the readers; `real=True` runs the program as it is."""

    def call(*words: str | Path, real: bool = False, **more: str) -> subprocess.CompletedProcess[str]:
        program = ["-m", "pipeline.command_line"] if real else [str(WITH_SMALL_STAGES)]
        return subprocess.run(
            [sys.executable, *program, *map(str, words)],
            env=environ | more,
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=120,
        )

    return call


@pytest.fixture
def export(tmp_path: Path) -> Path:
    path = tmp_path / "thread.jsonl"
    path.write_text("".join(json.dumps(entry) + "\n" for entry in ENTRIES) + "no JSON\n")
    return path


@pytest.fixture
def ledger(run: Run, export: Path, tmp_path: Path) -> Path:
    done = run("build", export, "--to", tmp_path / "ledger", "--quiet")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    return tmp_path / "ledger"
