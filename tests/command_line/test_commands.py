from __future__ import annotations

import json
import os
import pty
import re
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from pipeline.problems import EXIT_CODES, Problem

Run = Callable[..., "subprocess.CompletedProcess[str]"]
HEAVY = ("spacy", "pandas", "prefect", "pyarrow", "rich", "numpy", "quantulum3", "duckdb")


@pytest.mark.parametrize("words", [["--help"], ["build", "--help"], ["show", "--help"], ["--version"]])
def test_help_loads_nothing_heavy(environ: dict[str, str], words: list[str]) -> None:
    script = (
        "import sys\nfrom pipeline.command_line import main\n"
        f"try: main({words!r})\nexcept SystemExit as end: assert not end.code\n"
        f"print('LOADED', [name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], env=environ, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().endswith("LOADED []")


def test_help_is_five_times_as_fast_as_loading_spacy(environ: dict[str, str]) -> None:
    def best(*command: str) -> float:
        times = []
        for _ in range(3):
            begin = time.perf_counter()
            subprocess.run([sys.executable, *command], env=environ, check=True, capture_output=True)
            times.append(time.perf_counter() - begin)
        return min(times)

    assert best("-m", "pipeline.command_line", "--help") * 5 < best("-c", "import spacy")


def test_help_names_the_commands_and_every_exit_code(run: Run) -> None:
    shown = run("--help", real=True).stdout
    assert re.search(r"^  build +Read exports", shown, re.M) and re.search(r"^  show +Show reports", shown, re.M)
    for code, meaning in EXIT_CODES.items():
        assert re.search(rf"^  {code} +{re.escape(meaning[:40])}", shown, re.M)


def test_every_problem_has_a_documented_exit_code() -> None:
    kinds = [Problem]
    for kind in kinds:
        kinds += kind.__subclasses__()
        assert kind.exit_code in EXIT_CODES and kind.exit_code
    assert len(kinds) > 5


def test_a_build_tells_what_is_in_the_dataset(run: Run, export: Path, tmp_path: Path) -> None:
    done = run("build", export, tmp_path / "gone.jsonl", "--to", tmp_path / "ledger")
    assert done.returncode == 0
    assert "crowdfade: not read: gone.jsonl: no such file" in done.stderr
    shown = " ".join(done.stdout.split())
    for told in (
        "thread.jsonl (JSON lines): 7 of 8 records kept; text = text, author = author",
        "records read 8 = 7 kept + 1 rejected",
        "responses 7 of them copies 1",
        "reports 9 of them copies 2, flagged 4, usable 6",
        "loss_pct 7",
        "odometer_km 3",
        "1 export could not be read",
        "1 record rejected: bad_json 1",
        "4 flagged reports: repeat 2, odometer-impossible 1, unsure 1",
        "1 report more likely wrong than right",
        f"The dataset is in {tmp_path / 'ledger' / 'latest'}",
    ):
        assert told in shown, told
    assert "model_year" not in shown


def test_json_is_the_record_of_the_run(run: Run, export: Path, tmp_path: Path) -> None:
    done = run("build", export, "--to", tmp_path / "ledger", "--json")
    told = json.loads(done.stdout)
    assert told["counts"]["records"] == {"read": 8, "kept": 7, "rejected": 1}
    assert told["look_first"]
    kept = json.loads((Path(told["folder"]) / "run.json").read_text())
    assert {name: told[name] for name in kept} == kept


def test_nothing_readable_is_exit_3_and_the_ledger_stays(run: Run, ledger: Path, tmp_path: Path) -> None:
    before = os.readlink(ledger / "latest")
    done = run("build", tmp_path / "gone.jsonl", "--to", ledger)
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.startswith("crowdfade: no response could be read; the ledger is as it was\ngone.jsonl: no such")
    assert os.readlink(ledger / "latest") == before


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["build"], 2, "Missing argument"),
        (["build", "x.jsonl"], 2, "Missing option '--to'"),
        (["frobnicate"], 2, "No such command"),
        (["build", "thread.jsonl", "--to", "new", "--vehicles", "gone.csv"], 2, "no such vehicle list"),
        (["build", "thread.jsonl", "--to", "thread.jsonl"], 5, "must be a folder"),
        (["build", "thread.jsonl", "--to", "."], 5, "holds other things"),
        (["show", "gone"], 5, "no such ledger"),
        (["show", "."], 5, "is no ledger"),
        (["show", "ledger", "--response", "zz"], 2, "no response 'zz'"),
        (["show", "ledger", "--report", "zz-1"], 2, "no report 'zz-1'"),
        (["show", "ledger", "--field", "shoe_size"], 2, "no field 'shoe_size'"),
        (["show", "ledger", "--response", "k1", "--field", "loss_pct"], 2, "leave out --report and --field"),
        (["show", "ledger", "--limit", "0"], 2, "0 is not in the range"),
    ],
)
def test_a_mistake_is_told_without_a_traceback(
    run: Run, ledger: Path, words: list[str], code: int, message: str
) -> None:
    done = run(*words)
    assert done.returncode == code
    assert message in done.stderr and "Traceback" not in done.stderr
    assert done.stdout == ""


def test_an_open_key_file_is_exit_6(run: Run, export: Path, tmp_path: Path) -> None:
    key = tmp_path / "key"
    key.write_text("long enough to be a key\n")
    key.chmod(0o644)
    done = run("build", export, "--to", "ledger", CROWDFADE_KEY="", CROWDFADE_KEY_FILE=str(key))
    assert done.returncode == 6
    assert "others can read or change the key file (mode 0644)" in done.stderr and "chmod 600" in done.stderr


def test_without_any_key_one_is_made_and_used_again(run: Run, export: Path, tmp_path: Path) -> None:
    for _ in range(2):
        assert run("build", export, "--to", "ledger", "--quiet", CROWDFADE_KEY="").returncode == 0
    path = tmp_path / "config" / "crowdfade" / "key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.unlink()
    done = run("build", export, "--to", "ledger", CROWDFADE_KEY="")
    assert done.returncode == 6 and "a key that cannot be found" in done.stderr
    assert not path.exists()


@pytest.mark.parametrize("words", [["--debug", "show", "gone"], ["show", "gone", "--debug"]])
def test_debug_shows_the_traceback(run: Run, words: list[str]) -> None:
    done = run(*words)
    assert done.returncode == 1
    assert "Traceback" in done.stderr and "LedgerProblem" in done.stderr


def test_an_interrupt_is_exit_130_and_leaves_the_ledger(ledger: Path, environ: dict[str, str], tmp_path: Path) -> None:
    before = os.readlink(ledger / "latest")
    script = Path(__file__).with_name("with_small_stages.py")
    slow = (
        "import small_stages, time\n"
        "def items(self):\n    print('reading', flush=True)\n    time.sleep(60)\n    yield\n"
        "small_stages.LinesExport.items = items\n"
        f"main(['build', {str(tmp_path / 'thread.jsonl')!r}, '--to', {str(ledger)!r}])"
    )
    command = [sys.executable, "-c", f"import runpy\nglobals().update(runpy.run_path({str(script)!r}))\n{slow}"]
    build = subprocess.Popen(command, env=environ, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert build.stdout is not None and build.stdout.readline() == "reading\n"
    build.send_signal(signal.SIGINT)
    message = build.communicate(timeout=30)[1]
    assert build.returncode == 130
    assert message.strip() == "crowdfade: interrupted; the ledger stays as it was"
    assert os.readlink(ledger / "latest") == before
    assert not list(ledger.glob(".staging-*"))


def test_on_a_terminal_the_build_draws_its_progress_on_stderr(
    export: Path, environ: dict[str, str], tmp_path: Path
) -> None:
    script = Path(__file__).with_name("with_small_stages.py")
    command = [sys.executable, str(script), "build", str(export), "--to", str(tmp_path / "ledger"), "--json"]
    ours, theirs = pty.openpty()
    done = subprocess.run(command, env=environ | {"TERM": "xterm"}, stdout=subprocess.PIPE, stderr=theirs, text=True)
    os.close(theirs)
    drawn = os.read(ours, 100_000).decode(errors="replace")
    os.close(ours)
    assert done.returncode == 0
    assert json.loads(done.stdout)["counts"]["reports"] == 9
    assert "\x1b[" in drawn and "7 responses" in drawn


def test_show_puts_the_words_in_marks(run: Run, ledger: Path) -> None:
    shown = run("show", ledger).stdout
    assert "Tern, [[74,000 km on it]], [[lost 3 %]]. Hers [[lost 2 %]]" in shown
    assert "When new? [[400]] km new, [[380]] km now. [[LFP]]." in shown
    assert re.search(
        r"  odometer_km = 74000 km <- '74,000 km on it'  \[phrases 1 phrase-odometer_km; as written; 0\.90\]", shown
    )
    assert "  loss_pct = 5 % <- '400' + '380'" in shown
    assert "flags: odometer-impossible" in shown
    assert "Great programme" not in shown


def test_marks_stand_around_exactly_the_words_of_the_evidence(run: Run, ledger: Path) -> None:
    for told in json.loads(run("show", ledger, "--json").stdout):
        text = told["response"]["text"]
        for row in (*told["evidence"], *told["parts"]):
            assert text[row["start"] : row["end"]] == row["raw"]
        own = told["response"]["source_response_id"]
        marked = re.findall(r"\[\[(.*?)\]\]", run("show", ledger, "--response", own).stdout)
        places = sorted({(row["start"], row["raw"]) for row in (*told["evidence"], *told["parts"])})
        assert marked == [raw for _, raw in places]


def test_a_long_text_is_cut_to_the_words_unless_it_is_asked_for(run: Run, ledger: Path) -> None:
    listed = run("show", ledger, "--report", "k7-1").stdout
    assert "[...] " in listed and "and it [[lost 6 %]] in the end" in listed
    assert listed.count("long story") < 12
    assert run("show", ledger, "--response", "k7").stdout.count("long story") == 90


def test_colours_on_a_terminal(ledger: Path, environ: dict[str, str]) -> None:
    script = Path(__file__).with_name("with_small_stages.py")
    ours, theirs = pty.openpty()
    command = [sys.executable, str(script), "show", str(ledger), "--limit", "1"]
    subprocess.run(command, env=environ | {"TERM": "xterm-256color"}, stdout=theirs, check=True)
    os.close(theirs)
    shown = os.read(ours, 100_000).decode(errors="replace")
    os.close(ours)
    assert re.search(r"\x1b\[[\d;]*7[\d;]*m74,000 km on it\x1b\[0m", shown)
    assert "[[" not in shown


def test_words_of_an_export_cannot_steer_the_terminal(run: Run, ledger: Path) -> None:
    shown = run("show", ledger, "--response", "k6").stdout
    assert "\x1b" not in shown and "\u202e" not in shown
    assert "\ufffd[31mred\ufffd[0m \ufffd [[5,000,000 km on it]]" in shown


def test_one_response_is_explained(run: Run, ledger: Path) -> None:
    shown = run("show", ledger, "--response", "k2").stdout
    assert "not taken\n  loss_pct: 'warranty 70 %' - a warranty term (no-warranty)" in shown
    ids = {
        row["source_response_id"]: row["response_id"]
        for row in pq.read_table(ledger / "latest/responses.parquet").to_pylist()
    }
    for own in ("k3", "k1"):
        joined = run("show", ledger, "--response", ids[own]).stdout
        assert f"joined\n  copy: {ids['k3']} -> {ids['k1']}, 1.00 alike: the same words" in joined
    assert "no report was read from this response" in run("show", ledger, "--response", "k4").stdout


def test_reports_are_chosen_by_id_field_and_limit(run: Run, ledger: Path) -> None:
    def reports(*words: str) -> list[str]:
        told = json.loads(run("show", ledger, "--json", *words).stdout)
        return [f"{r['source_response_id']}-{r['report_id'].rsplit('-', 1)[1]}" for one in told for r in one["reports"]]

    assert reports() == ["k1-1", "k1-2", "k2-1", "k2-2", "k3-1", "k3-2", "k5-1", "k6-1", "k7-1"]
    assert reports("--limit", "3") == ["k1-1", "k1-2", "k2-1"]
    assert reports("--field", "odometer_km") == ["k1-1", "k3-1", "k6-1"]
    assert reports("--field", "model_year") == []
    assert reports("--report", "k1-2") == ["k1-2"]
    (told,) = json.loads(run("show", ledger, "--json", "--report", "k1-2").stdout)
    assert reports("--report", told["reports"][0]["report_id"]) == ["k1-2"]
    assert reports("--report", "k1") == ["k1-1", "k1-2"]


def test_without_the_text_the_words_are_shown(run: Run, export: Path, tmp_path: Path) -> None:
    run("build", export, "--to", tmp_path / "bare", "--no-keep-text", "--quiet")
    shown = run("show", tmp_path / "bare", "--limit", "1").stdout
    assert "(the text was not kept)" in shown and "odometer_km = 74000 km <- '74,000 km on it'" in shown


def test_a_damaged_table_is_told(run: Run, ledger: Path) -> None:
    (ledger / "latest" / "reports.parquet").write_bytes(b"not a table")
    done = run("show", ledger)
    assert done.returncode == 5 and "this table is damaged" in done.stderr and "Traceback" not in done.stderr


def test_a_reader_of_the_output_that_leaves_early_is_no_error(ledger: Path, environ: dict[str, str]) -> None:
    script = Path(__file__).with_name("with_small_stages.py")
    show = subprocess.Popen(
        [sys.executable, str(script), "show", str(ledger)], env=environ, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert show.stdout is not None and show.stderr is not None
    show.stdout.close()
    assert show.stderr.read() == b""
    assert show.wait() == 0
