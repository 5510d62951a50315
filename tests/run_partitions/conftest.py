from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from dask_processes import Cluster


@pytest.fixture(autouse=True)
def own_key(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("CROWDFADE_KEY", "the test's own key, long enough")
    monkeypatch.delenv("CROWDFADE_KEY_FILE", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    pytest.importorskip("distributed", reason="the extra `flows` is not installed")
    cluster = Cluster()
    cluster.add_worker()
    yield cluster
    cluster.stop()


@pytest.fixture
def own_cluster() -> Iterator[Cluster]:
    """A cluster that the test may break."""
    pytest.importorskip("distributed", reason="the extra `flows` is not installed")
    cluster = Cluster()
    yield cluster
    cluster.stop()
