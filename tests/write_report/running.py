"""How these tests run the program: in a process of its own, with a key of their own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
KEY = "the test's own key, long enough"

Run = Callable[..., "subprocess.CompletedProcess[str]"]


def crowdfade(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Runs `crowdfade` as people do; `stdout`, `stderr` and `returncode` tell the outcome."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("CROWDFADE", "PYTHON"))}
    environ = kept | {"PYTHONPATH": str(ROOT), "CROWDFADE_KEY": KEY, "COLUMNS": "200"}
    command = [sys.executable, "-m", "pipeline.command_line", *map(str, words)]
    return subprocess.run(command, env=environ, cwd=cwd, capture_output=True, text=True, timeout=300)
