from __future__ import annotations

import pytest
from running import Run, crowdfade


@pytest.fixture(scope="session")
def run() -> Run:
    """Runs `crowdfade` as people do."""
    return crowdfade
