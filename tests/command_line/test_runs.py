"""rerun, runs, compare, trace and build --add, typed as a person types them, on real files."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

Run = Callable[..., "subprocess.CompletedProcess[str]"]
THREAD = """id,author,date,comment
a1,plover_fan,2025-03-01,"2021 Tern, LFP, 74,000 km on it, lost 3 %"
a2,plover_fan,2025-09-01,"Tern again, 81,000 km on it, lost 4 %"
a3,rook,2025-03-02,"My Fell, LFP, 61,000 km on it, is fit as a fiddle"
a4,jackdaw,2025-03-03,"Nice episode"
"""
PACK = """rules:
  - id: fit.fiddle
    priority: 80
    set: {loss: 0, loss_origin: none}
    patterns: ["fit as a fiddle"]
"""


def done(result: subprocess.CompletedProcess[str]) -> str:
    assert (result.returncode, result.stderr) == (0, ""), result.stderr
    return result.stdout


def refused(result: subprocess.CompletedProcess[str], code: int) -> str:
    assert result.returncode == code and "Traceback" not in result.stderr, result.stderr
    assert result.stderr.startswith("crowdfade: ") and "\n  -> " in result.stderr
    return result.stderr


@pytest.fixture
def two_runs(run: Run, tmp_path: Path) -> Path:
    (tmp_path / "thread.csv").write_text(THREAD, "utf-8")
    (tmp_path / "pack" / "loss").mkdir(parents=True)
    (tmp_path / "pack" / "pack.yaml").write_text('name: fit\nversion: "1"\n', "utf-8")
    (tmp_path / "pack" / "loss" / "en.yaml").write_text(PACK, "utf-8")
    done(run("build", "thread.csv", "--to", "led", "--quiet", real=True))
    (tmp_path / "thread.csv").unlink()
    shown = done(run("rerun", "led", "--rules", "pack", real=True))
    assert "1 of 4 responses" in shown and "rule fit.fiddle (en) added" in shown
    return tmp_path / "led"


def test_an_analyst_s_round(run: Run, two_runs: Path, tmp_path: Path) -> None:
    listed = done(run("runs", "led", real=True))
    assert "2 (latest)" in listed and "fit 1" in listed and "thread.csv" in listed
    plain = json.loads(done(run("runs", "led", "--json", real=True)))
    assert [(one["number"], one["latest"], one["counts"]["responses"]) for one in plain] == [
        (1, False, 4),
        (2, True, 4),
    ]
    assert plain[1]["rerun"]["read_again"] == 1

    shown = done(run("compare", "led", real=True))
    assert shown.splitlines()[1].startswith("whether it is better cannot be told")
    assert "thread.csv a3" in shown and "fit as a fiddle" in shown and "fit.fiddle" in shown
    told = json.loads(done(run("compare", "led", "1", "2", "--json", "--field", "loss_pct", real=True)))
    assert [(one["field"], one["kind"], one["after"]) for one in told["values"]] == [("loss_pct", "gained", 0)]
    back = json.loads(done(run("compare", "led", "2", "led/runs/" + plain[0]["run"], "--json", real=True)))
    assert {one["kind"] for one in back["values"]} == {"lost"}
    done(run("compare", "led", "--to", "change.html", real=True))
    assert "fit.fiddle" in (tmp_path / "change.html").read_text("utf-8")

    traced = done(run("trace", "led", "--where", "chemistry = 'LFP' AND odometer_km > 60000", real=True))
    assert traced.startswith("median loss_pct") and '"fit as a fiddle"' in traced
    assert "does not count: not the latest reading of its vehicle" in traced
    answer = json.loads(done(run("trace", "led", "--sql", "SELECT count(*) AS n FROM responses", "--json", real=True)))
    assert answer == [{"n": 4}]

    more = tmp_path / "more.csv"
    more.write_text('id,comment\nb1,"Skua with 30,000 km on it, lost 2 %"\n', "utf-8")
    done(run("build", "more.csv", "--to", "led", "--add", "--quiet", real=True))
    latest = json.loads((two_runs / "latest" / "run.json").read_text("utf-8"))
    assert latest["counts"]["responses"] == 5 and latest["rules"][1]["name"] == "fit"

    pruned = done(run("runs", "led", "--prune", "1", real=True))
    assert pruned.startswith(f"removed {plain[0]['run']}") and "1 removed, 2 left" in pruned


def test_mistakes_are_told_without_a_traceback(run: Run, two_runs: Path) -> None:
    assert "no run '9'" in refused_plain(run("compare", "led", "9", real=True), 5)
    assert "never removed" in refused(run("runs", "led", "--prune", "latest", real=True), 2)
    assert "needs to know which" in refused(run("runs", "led", "--prune", real=True), 2)
    assert "chemistri" in refused(run("trace", "led", "--where", "chemistri = 'LFP'", real=True), 2)
    assert "two questions" in refused(run("trace", "led", "--where", "true", "--sql", "SELECT 1", real=True), 2)
    assert "no field 'colour'" in refused(run("trace", "led", "--of", "colour", real=True), 2)
    assert "no field 'colour'" in refused(run("compare", "led", "--field", "colour", real=True), 2)
    assert "two things" in refused(run("rerun", "led", "--rules", "pack", "--no-rules", real=True), 2)
    assert "no such ledger" in refused(run("rerun", "elsewhere", real=True), 2)
    assert len(list((two_runs / "runs").iterdir())) == 2


def refused_plain(result: subprocess.CompletedProcess[str], code: int) -> str:
    assert result.returncode == code and "Traceback" not in result.stderr, result.stderr
    return result.stderr
