"""What the tests of the flows share: the server that runs, and exports put into an inbox."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "fixtures" / "demo"
LABELLED = ROOT / "fixtures" / "labelled" / "en" / "test"
KEY = "a pseudonym key that must be seen nowhere 5f1c"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Server:
    """A running Prefect server, and the environment that its clients need."""

    url: str
    home: Path
    environ: dict[str, str]
    log: Path

    def crowdfade(self, *words: str | Path, **more: Any) -> subprocess.Popen[str]:
        """Starts the command line with this server."""
        return subprocess.Popen(
            [sys.executable, "-m", "pipeline.command_line", *map(str, words)],
            env=self.environ | more.pop("env", {}),
            text=True,
            **more,
        )

    def ran(self, *words: str | Path, **more: Any) -> subprocess.CompletedProcess[str]:
        """Runs the command line to its end."""
        started = self.crowdfade(*words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **more)
        out, err = started.communicate(timeout=170)
        return subprocess.CompletedProcess(words, started.returncode, out, err)


def drop(folder: Path, name: str, *rows: str) -> Path:
    path = folder / name
    path.write_text("\n".join(["id,author,comment", *rows]) + "\n", encoding="utf-8")
    os.utime(path, (time.time() - 600,) * 2)
    return path


@dataclass
class Served:
    """A served schedule: its process, folders, what it prints, and the options that it was given."""

    process: subprocess.Popen[str]
    folder: Path
    log: Path
    options: list[str]
