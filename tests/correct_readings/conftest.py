from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from corrected_ledger import CorrectedLedger
from thread import VEHICLES, write_thread

KEY = "the test's own key, long enough"


@pytest.fixture(autouse=True)
def own_key(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("CROWDFADE_KEY", KEY)
    monkeypatch.delenv("CROWDFADE_KEY_FILE", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.fixture(scope="session")
def built_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the thread, the vehicle list and a ledger of them without corrections."""
    folder = tmp_path_factory.mktemp("thread")
    (folder / "vehicles.csv").write_text(VEHICLES, encoding="utf-8")
    write_thread(folder / "thread.csv")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CROWDFADE_KEY", KEY)
        patch.delenv("CROWDFADE_KEY_FILE", raising=False)
        CorrectedLedger(folder).build()
    return folder


@pytest.fixture
def ledger(built_once: Path, tmp_path: Path) -> CorrectedLedger:
    """A copy of that folder, to correct and to build again."""
    folder = tmp_path / "thread"
    shutil.copytree(built_once, folder, symlinks=True)
    return CorrectedLedger(folder)
