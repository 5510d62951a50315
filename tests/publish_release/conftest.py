"""The demo's ledger and its release, made once for these tests by the same commands that people type."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from release_demo import DEMO, EXPORTS, KEY, ROOT, Done


@pytest.fixture(scope="session")
def crowdfade() -> Callable[..., Done]:
    def run(*words: Any) -> Done:
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.command_line", *map(str, words)], cwd=ROOT, capture_output=True, text=True,
            env=os.environ | {"PYTHONPATH": str(ROOT), "CROWDFADE_KEY": KEY, "COLUMNS": "160"},
        )  # fmt: skip
        return Done(done.returncode, done.stdout, done.stderr)

    return run


@pytest.fixture(scope="session")
def demo_ledger(tmp_path_factory: pytest.TempPathFactory, crowdfade: Callable[..., Done]) -> Path:
    ledger = tmp_path_factory.mktemp("demo") / "ledger"
    done = crowdfade("build", *EXPORTS, "--vehicles", DEMO / "vehicles.csv", "--to", ledger, "--quiet")
    assert (done.code, done.err) == (0, "")
    return ledger


@pytest.fixture(scope="session")
def demo_release(
    tmp_path_factory: pytest.TempPathFactory, crowdfade: Callable[..., Done], demo_ledger: Path
) -> tuple[Path, dict[str, Any]]:
    """The folder of the demo's release, and what `--json` told of it."""
    folder = tmp_path_factory.mktemp("release") / "battery-answers"
    done = crowdfade(
        "release", demo_ledger, "--to", folder, "--creator", "The Second Battery", "--date", "2026-11-25", "--question",
        "How far has your car gone, and what has the battery lost?", "--json",
    )  # fmt: skip
    assert (done.code, done.err) == (0, ""), done
    return folder, json.loads(done.out)
