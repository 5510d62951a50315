"""A whole build, exports in to Parquet out, at several sizes: responses a second, memory, the share of each stage.

    python tests/bench/bench_build.py [--sizes 1000 100000 1000000] [--processes 1 2] [--json FILE]

Each build is a program of its own, as a person starts it, so that its peak memory is its own.  In the same run, before
and after the builds, spaCy's bare tokenizer reads some of the same texts; the ratio to it is what can be compared
between machines.  Also measured: the build of the demo and `crowdfade --help` beside `import spacy`, and `show`, `runs`
and `compare` on the largest ledger.  Not part of the test suite.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]
DEMO = [f"fixtures/demo/{name}" for name in ("thread.csv", "survey-spring.csv", "survey-autumn.xlsx")]
TOKENIZED = 20_000


def write_thread(path: Path, size: int) -> float:
    """Writes an export of `size` responses; gives their characters on average."""
    from generate_thread import responses

    characters = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(["comment_id", "author", "published_at", "comment"])
        for number, text in enumerate(responses(size)):
            characters += len(text)
            at = f"2026-{1 + number % 12:02d}-{1 + number % 28:02d}T{number % 24:02d}:{number % 60:02d}:00Z"
            out.writerow([f"c{number:07d}", f"writer{number * 7919 % max(10, size * 4 // 5)}", at, text])
    return characters / size


def run(words: list[str], folder: Path) -> tuple[float, float, float]:
    """Seconds on the clock, processor seconds and peak memory (MB) of one `crowdfade` program and its children."""
    environment = {**os.environ, "CROWDFADE_KEY": "0" * 64, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    # the program's own process, so that the peak is not that of an earlier one
    script = (
        "import resource, subprocess, sys, time\n"
        "started = time.perf_counter()\n"
        "done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)\n"
        "used = resource.getrusage(resource.RUSAGE_CHILDREN)\n"
        "print(time.perf_counter() - started, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)\n"
        "sys.exit(done.returncode)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *words],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    clock, processor, memory = map(float, done.stdout.split())
    return clock, processor, memory


def crowdfade(*words: str) -> list[str]:
    return [sys.executable, "-m", "pipeline.command_line", *words]


def tokenizer_rate() -> float:
    """Texts a second of processor time through spaCy's bare tokenizer."""
    import spacy
    from generate_thread import texts

    some = texts(TOKENIZED)
    tokenizer = spacy.blank("en").tokenizer
    started = time.process_time()
    for text in some:
        tokenizer(text)
    return TOKENIZED / (time.process_time() - started)


def small_things() -> dict[str, float]:
    """Seconds on the clock of what a person waits for first, the best of three."""
    out: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        ledger = str(Path(folder) / "demo")
        for name, words in {
            "import spacy": [sys.executable, "-c", "import spacy"],
            "crowdfade --help": crowdfade("--help"),
            "build of the demo": crowdfade(
                "build", *DEMO, "--vehicles", "fixtures/demo/vehicles.csv", "--to", ledger, "--quiet"
            ),
        }.items():
            out[name] = round(min(run(words, ROOT)[0] for _ in range(3)), 2)
    return out


def measure(size: int, processes: list[int], folder: Path) -> list[dict[str, Any]]:
    """One build of `size` responses for each number of processes, each into a new ledger."""
    export = folder / f"thread-{size}.csv"
    characters = write_thread(export, size)
    out = []
    for number in processes:
        ledger = folder / f"ledger-{size}-{number}"
        words = ["build", str(export), "--to", str(ledger), "--quiet"]
        words += ["--processes", str(number)] if number > 1 else []
        clock, processor, memory = run(crowdfade(*words), ROOT)
        record = json.loads((ledger / "latest" / "run.json").read_text("utf-8"))
        out.append(
            {
                "responses": size,
                "characters": round(characters, 1),
                "processes": number,
                "reports": record["counts"]["reports"],
                "clock s": round(clock, 2),
                "processor s": round(processor, 2),
                "a second": round(size / clock, 1),
                "ms a response": round(1000 * clock / size, 4),
                "peak MB": round(memory, 1),
                "timings": record["timings"],
            }
        )
        told = out[-1]
        print(
            f"{size:>9,} responses, {number} process{'es' if number > 1 else ''}: {clock:8.1f} s, "
            f"{told['a second']:>8,.0f} a second, {told['ms a response']:.3f} ms each, peak {memory:,.0f} MB"
        )
        print("          " + ", ".join(f"{stage} {seconds:.1f} s" for stage, seconds in record["timings"].items()))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--sizes", type=int, nargs="+", default=[1_000, 100_000, 1_000_000])
    parser.add_argument("--processes", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--json", type=Path, help="also write the figures here")
    given = parser.parse_args()
    result: dict[str, Any] = {"seconds": small_things(), "builds": []}
    print(", ".join(f"{name} {seconds:.2f} s" for name, seconds in result["seconds"].items()))
    before = tokenizer_rate()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for size in given.sizes:
            result["builds"] += measure(size, given.processes, folder)
        largest = folder / f"ledger-{given.sizes[-1]}-{given.processes[0]}"
        for words in (["show", str(largest), "--limit", "5"], ["runs", str(largest)]):
            result["seconds"][f"{words[0]} on {given.sizes[-1]:,}"] = round(run(crowdfade(*words), ROOT)[0], 2)
    rate = (before + tokenizer_rate()) / 2
    result["spaCy's bare tokenizer, a second"] = round(rate)
    print(f"spaCy's bare tokenizer: {rate:,.0f} texts a second")
    for told in result["builds"]:
        told["ratio to the tokenizer"] = round(told["a second"] / rate, 4)
    print(", ".join(f"{n} {seconds:.2f} s" for n, seconds in result["seconds"].items()))
    if given.json:
        given.json.write_text(json.dumps(result, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
