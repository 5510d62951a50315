"""Whichever runner reads: the same tables byte for byte, and a worker's death costs no response and adds none."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from dask_processes import ROOT, Cluster
from odd_readers import OddReader, OtherRules

from pipeline.build import Built, build
from pipeline.dataset_columns import TABLES
from pipeline.problems import RuleProblem, UsageProblem, WorkersProblem
from pipeline.run_partitions import dask_cluster
from pipeline.run_partitions.choose import choose_runner
from pipeline.run_partitions.dask_cluster import DaskCluster
from pipeline.run_partitions.partition import Runner
from pipeline.run_partitions.processes import Processes

DEMO = ROOT / "fixtures" / "demo"


def export(folder: Path, name: str, texts: list[str]) -> Path:
    path = folder / name
    lines = [json.dumps({"id": f"{name}-{n}", "author": f"p{n}", "text": text}) for n, text in enumerate(texts)]
    path.write_text("\n".join(lines) + "\nno JSON at all\n", encoding="utf-8")
    return path


@pytest.fixture
def exports(tmp_path: Path) -> list[str]:
    """Several exports, one of many partitions, with rejects between and inside the partitions."""
    long = [f"{n} km on the Tern" if n % 3 else "CRASH" if n % 30 == 0 else "warranty" for n in range(1, 1400)]
    few = ["12 km", "CRASH", "", "warranty"]
    return [str(export(tmp_path, "long.jsonl", long)), str(export(tmp_path, "few.jsonl", few))]


def tables(built: Built) -> dict[str, bytes]:
    return {name: (built.folder / f"{name}.parquet").read_bytes() for name in TABLES}


def read(exports: list[str], ledger: Path, runner: Runner | None, reader: Any = None) -> Built:
    return build(exports, ledger, reader=reader or OddReader(), runner=runner)


def test_processes_give_the_same_bytes(tmp_path: Path, exports: list[str]) -> None:
    here = read(exports, tmp_path / "here", None)
    assert here.record.counts["rejects"]["reading_failed"] == 47 and here.record.counts["reports"] == 934
    there = read(exports, tmp_path / "there", Processes(2))
    assert tables(there) == tables(here)
    assert [vars_of(one) for one in there.record.inputs] == [vars_of(one) for one in here.record.inputs]


def vars_of(record: Any) -> tuple[Any, ...]:
    return (record.source, record.read, record.kept, record.rejected, record.problem)


def test_dask_gives_the_same_bytes(tmp_path: Path, exports: list[str], cluster: Cluster) -> None:
    here = read(exports, tmp_path / "here", None)
    there = read(exports, tmp_path / "there", DaskCluster(cluster.address))
    assert tables(there) == tables(here)


def test_the_real_reader_reads_the_same_everywhere(tmp_path: Path, cluster: Cluster) -> None:
    few = tmp_path / "thread.csv"
    few.write_text("".join((DEMO / "thread.csv").read_text("utf-8").splitlines(keepends=True)[:40]), "utf-8")
    exports = [str(few), str(DEMO / "survey-autumn.xlsx")]

    def made(name: str, runner: Runner | None) -> dict[str, bytes]:
        return tables(build(exports, tmp_path / name, vehicles=DEMO / "vehicles.csv", runner=runner))

    here = made("here", None)
    assert made("dask", DaskCluster(cluster.address)) == here
    assert made("processes", Processes(1)) == here


def test_a_process_that_dies_is_replaced(tmp_path: Path, exports: list[str]) -> None:
    here = read(exports, tmp_path / "here", None)
    mark = tmp_path / "died"
    texts = [f"DIE ONCE {mark}" if n == 700 else f"{n} km" for n in range(1400)]
    dying = [str(export(tmp_path, "dying.jsonl", texts))]
    there = read([*dying, *exports], tmp_path / "there", Processes(2))
    assert mark.exists()
    assert there.record.counts["responses"] == here.record.counts["responses"] + 1400
    ids = pq.read_table(there.folder / "responses.parquet")["response_id"].to_pylist()
    assert len(set(ids)) == len(ids)


def test_processes_that_die_again_and_again_are_a_problem(tmp_path: Path, exports: list[str]) -> None:
    kept = read(exports, tmp_path / "ledger", None).folder
    dying = [str(export(tmp_path, "dying.jsonl", ["1 km on the Tern", "DIE", "nothing to report"]))]
    with pytest.raises(WorkersProblem, match=r"(?s)dying.*died 3 times in a row.*fewer --processes"):
        read(dying, tmp_path / "ledger", Processes(1))
    assert (tmp_path / "ledger" / "latest").resolve() == kept.resolve()


def test_a_problem_in_a_worker_comes_back_as_it_is(tmp_path: Path, cluster: Cluster) -> None:
    broken = [str(export(tmp_path, "broken.jsonl", ["1 km on the Tern", "BAD RULE", "nothing to report"]))]
    for runner in (Processes(1), DaskCluster(cluster.address)):
        with pytest.raises(RuleProblem) as caught:
            read(broken, tmp_path / "ledger", runner)
        assert str(caught.value) == "odd.yaml: a rule is broken\n  -> mend it"


def test_workers_with_other_rules_are_refused(tmp_path: Path, exports: list[str], cluster: Cluster) -> None:
    for runner in (Processes(1), DaskCluster(cluster.address)):
        with pytest.raises(WorkersProblem, match="other rules"):
            read(exports, tmp_path / "ledger", runner, OtherRules())


def test_a_dask_worker_killed_in_mid_run_costs_nothing(
    tmp_path: Path, exports: list[str], own_cluster: Cluster
) -> None:
    here = read(exports, tmp_path / "here", None)
    victim = own_cluster.add_worker()
    own_cluster.add_worker()
    killed = in_background(lambda: (time.sleep(2.5), victim.kill()))
    there = read(exports, tmp_path / "there", DaskCluster(own_cluster.address), OddReader(seconds_each=0.006))
    killed.join()
    assert victim.wait(10) != 0
    assert there.record.timings["find_values"] > 2.5, "the worker was killed after the run"
    assert tables(there) == tables(here)


def test_a_dask_scheduler_that_goes_away_is_told(tmp_path: Path, exports: list[str], own_cluster: Cluster) -> None:
    kept = read(exports, tmp_path / "ledger", None).folder
    own_cluster.add_worker()
    killed = in_background(lambda: (time.sleep(4), own_cluster.scheduler.kill()))
    with pytest.raises(WorkersProblem, match=r"scheduler went away.*the ledger is as it was"):
        read(exports, tmp_path / "ledger", DaskCluster(own_cluster.address), OddReader(seconds_each=0.01))
    killed.join()
    assert (tmp_path / "ledger" / "latest").resolve() == kept.resolve()


def test_no_scheduler_and_no_workers_are_told(
    tmp_path: Path, exports: list[str], own_cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_cluster, "CONNECT_SECONDS", 1.0)
    with pytest.raises(WorkersProblem, match=r"(?s)has no workers.*dask worker"):
        read(exports, tmp_path / "ledger", DaskCluster(own_cluster.address))
    own_cluster.stop()
    with pytest.raises(WorkersProblem, match=r"(?s)no Dask scheduler answers.*dask scheduler"):
        read(exports, tmp_path / "ledger", DaskCluster(own_cluster.address))
    with pytest.raises(WorkersProblem, match="no Dask scheduler answers"):
        dask_cluster.check_scheduler(own_cluster.address)


def in_background(work: Callable[[], Any]) -> threading.Thread:
    thread = threading.Thread(target=work)
    thread.start()
    return thread


def test_workers_end_with_a_caller_that_is_killed(tmp_path: Path) -> None:
    script = (
        "from pathlib import Path; from pipeline.build import build; from odd_readers import OddReader\n"
        "from pipeline.run_partitions.processes import Processes\n"
        "if __name__ == '__main__':\n"
        f"    build([{str(export(tmp_path, 'slow.jsonl', ['1 km'] * 2000))!r}], Path({str(tmp_path / 'ledger')!r}),\n"
        "          reader=OddReader(seconds_each=0.01), runner=Processes(1))\n"
    )
    (tmp_path / "caller.py").write_text(script)
    path = os.pathsep.join((str(ROOT), str(Path(__file__).parent)))
    caller = subprocess.Popen([sys.executable, str(tmp_path / "caller.py")], env=os.environ | {"PYTHONPATH": path})
    workers = until(lambda: [pid for pid in children(caller.pid) if "spawn_main" in command_of(pid)])
    caller.kill()
    caller.wait()
    until(lambda: not any(Path(f"/proc/{pid}").exists() and "spawn_main" in command_of(pid) for pid in workers))


def children(pid: int) -> list[int]:
    found = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(child) for child in found.read_text().split()] if found.exists() else []


def command_of(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")
    except OSError:
        return ""


def until(what: Callable[[], Any], seconds: float = 30) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := what():
            return found
        time.sleep(0.05)
    raise AssertionError("it did not come to pass")


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (("in-process", 2, None), "--processes is not for the runner in-process"),
        (("processes", 2, "tcp://127.0.0.1:1"), "--scheduler is not for the runner processes"),
        (("dask", None, None), "no scheduler is named"),
        (("cloud", None, None), "there is no runner 'cloud'"),
        ((None, 0, None), None),
    ],
)
def test_what_does_not_go_together_is_refused(given: tuple[Any, ...], message: str | None) -> None:
    if message is None:
        with pytest.raises(UsageProblem, match="0 processes"):
            Processes(0)
        return
    with pytest.raises(UsageProblem, match=message):
        choose_runner(*given)


def test_the_options_imply_their_runner() -> None:
    assert choose_runner(None, None, None) is None
    chosen = choose_runner(None, 3, None)
    assert isinstance(chosen, Processes) and chosen.count == 3
    assert isinstance(choose_runner(None, None, "tcp://127.0.0.1:1"), DaskCluster)
