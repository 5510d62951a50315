from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

THREAD: list[dict[str, Any]] = [
    {
        "id": "k1",
        "author": "@Harbour_Nut",
        "at": "2025-03-04T17:20:00+00:00",
        "likes": 4,
        "text": "Tern, 74,000 km on it, lost 3 %. Hers lost 2 %",
    },
    {"id": "k2", "author": "harbour_nut", "text": "When new? 400 km new, 380 km now. LFP. warranty 70 % they say"},
    {"id": "k3", "author": "gulls4ever", "text": "Tern, 74,000 km on it, lost 3 %. Hers lost 2 %", "parent": "k1"},
    {"id": "k4", "text": "Great programme, ＷＯＷ 🚗 but no car here"},
    {"id": "k5", "author": "tallyman", "text": "perhaps lost 9 %"},
    {"id": "k6", "author": "tallyman", "text": "🚙🚙 5,000,000 km on it"},
    {
        "id": "k7",
        "author": None,
        "text": "Loss in %: 6\nthe Skua lost 6 %\nwhite Skua",
        "answers": [{"field": "loss_pct", "question": "Loss in %", "start": 11, "end": 12, "unit": "%"}],
        "profile_start": 31,
    },
]


@pytest.fixture(autouse=True)
def own_key(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("CROWDFADE_KEY", "the test's own key, long enough")
    monkeypatch.delenv("CROWDFADE_KEY_FILE", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.fixture
def write_export(tmp_path: Path) -> Callable[..., Path]:
    def write(entries: list[dict[str, Any] | str], name: str = "thread.jsonl") -> Path:
        path = tmp_path / name
        lines = [entry if isinstance(entry, str) else json.dumps(entry) for entry in entries]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return write


@pytest.fixture
def thread(write_export: Callable[..., Path]) -> Path:
    return write_export([*THREAD, "no JSON at all"])
