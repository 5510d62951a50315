"""What tests of several rooms need."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system with room for 1 MiB; skipped where this user may mount none."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    if os.geteuid() != 0 or shutil.which("mount") is None or subprocess.run(command, capture_output=True).returncode:
        pytest.skip("cannot mount a small file system here")
    yield place
    subprocess.run(["umount", str(place)], check=True)
