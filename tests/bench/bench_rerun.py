"""How much faster a rerun after a changed rule is than a full build, and whether it gives the same bytes.

    python tests/bench/bench_rerun.py [COUNT] [--json FILE]

COUNT (100,000) invented responses (`generate_thread`) are built; one rule is added in a pack; the ledger is rerun with
it, and another ledger is built from the export with it.  Not part of the test suite.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import random
import sys
import tempfile
import time
from itertools import islice
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

RULE = """rules:
  - id: loss.so-far
    priority: 60
    set: {loss_origin: stated}
    patterns: ["degradation is {loss:percent} so far"]
    examples:
      - "My Tern has 74,000 km. Degradation is 6 % so far.": {odometer_km: 74000, loss_pct: 6, loss_origin: stated}
"""


def write_export(path: Path, count: int) -> None:
    """A CSV thread: most people write once, some up to six times, over two years."""
    from generate_thread import Thread

    pick = random.Random(3)
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(("comment_id", "author", "published_at", "comment"))
        for number, (text, _) in enumerate(islice(iter(Thread()), count)):
            day = f"2025-{pick.randrange(1, 13):02d}-{pick.randrange(1, 29):02d}T08:{number % 60:02d}:00Z"
            out.writerow((f"c{number}", f"listener{pick.randrange(int(count * 0.7))}", day, text))


def write_pack(folder: Path) -> Path:
    """A pack of one rule."""
    (folder / "loss").mkdir(parents=True)
    (folder / "pack.yaml").write_text('name: bench\nversion: "1"\n', "utf-8")
    (folder / "loss" / "en.yaml").write_text(RULE, "utf-8")
    return folder


def measure(count: int, work: Path) -> dict[str, Any]:
    """Seconds of both builds and of the rerun, and whether the tables are equal, byte for byte."""
    from pipeline.build import Built, build, rerun

    def timed(make: Any) -> tuple[Built, float]:
        begin = time.perf_counter()
        built = make()
        return built, time.perf_counter() - begin

    export, pack = work / "thread.csv", write_pack(work / "pack")
    write_export(export, count)
    first, first_seconds = timed(lambda: build([str(export)], work / "ledger"))
    again, again_seconds = timed(lambda: rerun(work / "ledger", rules=[pack]))
    whole, whole_seconds = timed(lambda: build([str(export)], work / "other", rules=[pack]))
    tables = sorted(path.name for path in whole.folder.glob("*.parquet"))
    unequal = [name for name in tables if (again.folder / name).read_bytes() != (whole.folder / name).read_bytes()]
    return {
        "responses": count,
        "full build, s": round(first_seconds, 2),
        "full build with the changed rule, s": round(whole_seconds, 2),
        "rerun, s": round(again_seconds, 2),
        "times as fast": round(whole_seconds / again_seconds, 1),
        "read again": again.record.options["rerun"]["read_again"],
        "tables that differ": unequal,
        "stages of the build": first.record.timings,
        "stages of the rerun": again.record.timings,
    }


def main() -> None:
    """Prints the measures; exits with 1 where a table differs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", nargs="?", type=int, default=100_000)
    parser.add_argument("--json", type=Path)
    chosen = parser.parse_args()
    os.environ.setdefault("CROWDFADE_KEY", "a key for measuring, nobody's secret")
    with tempfile.TemporaryDirectory() as work:
        told = measure(chosen.count, Path(work))
    print(json.dumps(told, indent=1))
    if chosen.json:
        chosen.json.write_text(json.dumps(told, indent=1) + "\n", "utf-8")
    sys.exit(1 if told["tables that differ"] else 0)


if __name__ == "__main__":
    main()
