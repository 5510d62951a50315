from __future__ import annotations

import fcntl
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from small_stages import small_build

from pipeline.dataset_columns import TABLES
from pipeline.keep_ledger.ledger import open_ledger, writing_to
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.keep_ledger.tables import file_sha256
from pipeline.problems import LedgerProblem

Write = Callable[..., Path]
SCRIPT = Path(__file__).with_name("small_stages.py")
ROOT = Path(__file__).parents[2]


def start_build(ledger: Path, *exports: Path, **options: Any) -> subprocess.Popen[str]:
    environ = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, str(SCRIPT), str(ledger), *map(str, exports)]
    return subprocess.Popen(command, env=environ, stderr=subprocess.PIPE, text=True, **options)


def check_whole(ledger: Path) -> Path:
    """Fails unless latest/ is a run with every table, each as its own record says."""
    folder = open_ledger(ledger).latest()
    assert folder.parent == ledger.resolve() / "runs"
    for name, entry in read_run_record(folder)["tables"].items():
        path = folder / f"{name}.parquet"
        assert file_sha256(path) == entry["sha256"]
        assert pq.read_table(path).num_rows == entry["rows"]
    assert sorted(path.stem for path in folder.glob("*.parquet")) == sorted(TABLES)
    assert not (folder / "work").exists()
    return folder


@pytest.fixture
def long_export(write_export: Write) -> Path:
    chatter = "and so on " * 20
    entries = [{"id": n, "text": f"{n} km on it, lost {n % 9} %. LFP {chatter}"} for n in range(6_000)]
    return write_export(entries, "long.jsonl")


def test_killing_a_build_at_any_moment_leaves_latest_whole(tmp_path: Path, thread: Path, long_export: Path) -> None:
    ledger = tmp_path / "ledger"
    small_build(ledger, thread)
    begin = time.perf_counter()
    build = start_build(ledger, thread, long_export)
    assert build.wait() == 0
    whole = time.perf_counter() - begin
    finished = len(open_ledger(ledger).runs())
    chance = random.Random(20250304)
    killed_while_staging = 0
    for _ in range(10):
        build = start_build(ledger, thread, long_export)
        # Nothing touches the ledger while Python loads its libraries; the second half is where a kill can hurt.
        time.sleep(whole * chance.uniform(0.3, 1.05))
        build.send_signal(signal.SIGKILL)
        build.wait()
        killed_while_staging += any(ledger.glob(".staging-*"))
        check_whole(ledger)
        for run in open_ledger(ledger).runs():
            assert (run / "run.json").is_file()
    assert killed_while_staging, "no build was killed while it was at work: the test shows nothing"
    last = small_build(ledger, thread)
    assert check_whole(ledger) == last.folder
    assert not list(ledger.glob(".staging-*"))
    assert len(open_ledger(ledger).runs()) > finished


@pytest.mark.parametrize("moment", ["rename", "replace", "fsync", "symlink_to"])
def test_dying_at_each_step_of_publishing_leaves_latest_whole(
    tmp_path: Path, thread: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    ledger = tmp_path / "ledger"
    before = small_build(ledger, thread).folder
    owner: Any = os if moment in ("replace", "fsync") else Path

    def die(*arguments: Any, **options: Any) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(owner, moment, die)
        with pytest.raises(LedgerProblem, match="No space left"):
            small_build(ledger, thread)
    assert check_whole(ledger) == before
    assert check_whole(ledger) != small_build(ledger, thread).folder
    check_whole(ledger)


def test_runs_are_kept_side_by_side_and_sort_by_age(tmp_path: Path, thread: Path) -> None:
    folders = [small_build(tmp_path / "ledger", thread).folder for _ in range(3)]
    ledger = open_ledger(tmp_path / "ledger")
    assert [run.resolve() for run in ledger.runs()] == [folder.resolve() for folder in folders]
    assert sorted(run.name for run in ledger.runs()) == [run.name for run in ledger.runs()]
    assert ledger.latest() == folders[-1].resolve()


def test_the_ledger_can_be_moved(tmp_path: Path, thread: Path) -> None:
    small_build(tmp_path / "ledger", thread)
    (tmp_path / "ledger").rename(tmp_path / "moved")
    check_whole(tmp_path / "moved")


def test_two_builds_never_write_at_once(tmp_path: Path, thread: Path, long_export: Path) -> None:
    ledger = tmp_path / "ledger"
    small_build(ledger, thread)
    builds = [start_build(ledger, long_export) for _ in range(3)]
    told = [build.communicate()[1] for build in builds]
    codes = [build.returncode for build in builds]
    assert 0 in codes
    for code, message in zip(codes, told, strict=True):
        assert code == 0 or "another crowdfade is writing to this ledger (process " in message
    check_whole(ledger)


def test_a_ledger_in_use_is_told_at_once_and_left_alone(tmp_path: Path, thread: Path) -> None:
    ledger = tmp_path / "ledger"
    before = small_build(ledger, thread).folder
    with (ledger / "lock").open("r+") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        staging = ledger / ".staging-of-the-other"
        staging.mkdir()
        with pytest.raises(LedgerProblem, match="another crowdfade is writing"):
            small_build(ledger, thread)
        assert staging.exists(), "the other's staging folder was swept under its feet"
    after = small_build(ledger, thread).folder
    assert after != before and not staging.exists()


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that any user may enter (pytest's own is for its user alone)."""
    folder = Path(tempfile.mkdtemp(prefix="crowdfade-test-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_ledger_that_this_user_cannot_write_root(open_folder: Path, thread: Path) -> None:
    ledger, export = open_folder / "ledger", open_folder / "thread.jsonl"
    shutil.copy(thread, export)
    export.chmod(0o644)
    small_build(ledger, export)
    for path in [ledger, *ledger.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    before = check_whole(ledger)
    os.seteuid(65534)
    try:
        with pytest.raises(LedgerProblem, match="Permission denied"):
            small_build(ledger, export)
    finally:
        os.seteuid(0)
    assert check_whole(ledger) == before


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_ledger_that_this_user_cannot_write(tmp_path: Path, thread: Path) -> None:
    ledger = tmp_path / "ledger"
    before = small_build(ledger, thread).folder
    ledger.chmod(0o500)
    try:
        with pytest.raises(LedgerProblem, match="Permission denied"):
            small_build(ledger, thread)
        assert check_whole(ledger) == before.resolve()
    finally:
        ledger.chmod(0o700)


def test_a_full_disk_loses_nothing(small_disk: Path, thread: Path, long_export: Path) -> None:
    ledger = small_disk / "ledger"
    before = small_build(ledger, thread).folder
    with pytest.raises(LedgerProblem, match=r"(?s)No space left on device.*make room"):
        small_build(ledger, long_export)
    assert check_whole(ledger) == before.resolve()
    assert not list(ledger.glob(".staging-*"))
    assert small_build(ledger, thread).folder != before


def test_a_read_only_disk_is_told(small_disk: Path, thread: Path) -> None:
    ledger = small_disk / "ledger"
    before = small_build(ledger, thread).folder
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(LedgerProblem, match="Read-only file system"):
        small_build(ledger, thread)
    assert check_whole(ledger) == before.resolve()


def test_a_limit_on_file_sizes_loses_nothing(tmp_path: Path, thread: Path, long_export: Path) -> None:
    ledger = tmp_path / "ledger"
    before = small_build(ledger, thread).folder

    def limit() -> None:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    build = start_build(ledger, long_export, preexec_fn=limit)
    message = build.communicate()[1]
    assert build.returncode == 1
    assert "LedgerProblem" in message and "File too large" in message
    assert check_whole(ledger) == before.resolve()
    assert not list(ledger.glob(".staging-*"))


def test_a_folder_with_other_things_is_left_alone(tmp_path: Path, thread: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "tern.jpg").write_bytes(b"")
    with pytest.raises(LedgerProblem, match=r"holds other things \(tern.jpg\)"):
        small_build(tmp_path / "photos", thread)
    assert os.listdir(tmp_path / "photos") == ["tern.jpg"]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ('{"format": 99}', "newer crowdfade"),
        ("[]", "is not the description of a ledger"),
        ("{", "is not the description of a ledger"),
    ],
)
def test_a_foreign_or_newer_description_is_refused(tmp_path: Path, thread: Path, content: str, message: str) -> None:
    ledger = tmp_path / "ledger"
    ledger.mkdir()
    (ledger / "ledger.json").write_text(content)
    with pytest.raises(LedgerProblem, match=message):
        small_build(ledger, thread)
    with pytest.raises(LedgerProblem, match=message):
        open_ledger(ledger)


def test_a_latest_that_is_no_link_is_not_replaced(tmp_path: Path, thread: Path) -> None:
    ledger = tmp_path / "ledger"
    small_build(ledger, thread)
    (ledger / "latest").unlink()
    (ledger / "latest").mkdir()
    with pytest.raises(LedgerProblem, match="not a link"):
        small_build(ledger, thread)


def test_a_first_build_that_died_early_can_be_made_again(tmp_path: Path, thread: Path) -> None:
    ledger = tmp_path / "ledger"
    with writing_to(ledger) as home, pytest.raises(ZeroDivisionError), home.new_run() as run:
        (run.folder / "reports.parquet").write_bytes(b"half")
        raise ZeroDivisionError
    (ledger / ".staging-dead").mkdir()
    (ledger / ".latest-new").symlink_to("runs/nowhere")
    with pytest.raises(LedgerProblem):
        open_ledger(ledger)
    small_build(ledger, thread)
    check_whole(ledger)
    assert not (ledger / ".staging-dead").exists() and not (ledger / ".latest-new").is_symlink()


def test_a_ledger_without_a_run_and_a_missing_one_are_told(tmp_path: Path) -> None:
    with writing_to(tmp_path / "ledger") as home:
        home.keep_fingerprint("0123456789abcdef")
    with pytest.raises(LedgerProblem, match="no finished run yet"):
        open_ledger(tmp_path / "ledger").latest()
    with pytest.raises(LedgerProblem, match="no such ledger"):
        open_ledger(tmp_path / "gone")
    (tmp_path / "file").write_text("")
    with pytest.raises(LedgerProblem, match="this is a file"), writing_to(tmp_path / "file"):
        pass


def test_the_key_itself_is_nowhere_in_the_ledger(tmp_path: Path, thread: Path) -> None:
    small_build(tmp_path / "ledger", thread)
    kept = [path.read_bytes() for path in (tmp_path / "ledger").rglob("*") if path.is_file()]
    assert not any(b"the test's own key" in content for content in kept)
    assert len(json.loads((tmp_path / "ledger" / "ledger.json").read_text())["key_fingerprint"]) == 16
