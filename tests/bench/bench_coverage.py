"""Measures how often the 95 % intervals of reports hold the truth, on simulated audiences with clustered answers.

`python tests/bench/bench_coverage.py [AUDIENCES]` (1,000 where nothing is said; some minutes), with the extra `report`.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent / "write_report")]

from coverage import held_by  # noqa: E402

SIZES = (60, 150, 600)
"""People in an audience; about 0.6 of the vehicles are nickel, 0.4 iron phosphate."""


def main(audiences: int) -> None:
    """Prints the share of intervals that held the truth, for each figure and size."""
    for people in SIZES:
        begun = time.perf_counter()
        told = held_by(people, audiences, 400, seed=1_000 * people)
        took = time.perf_counter() - begun
        print(f"{people} people, {audiences} audiences ({took:.0f} s)")
        for name, held in told.items():
            print(f"  {name:24} {100 * sum(held) / len(held):5.1f} %")
        everything = [one for held in told.values() for one in held]
        print(f"  {'all':24} {100 * sum(everything) / len(everything):5.1f} %", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000)
