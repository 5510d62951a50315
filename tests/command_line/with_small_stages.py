"""`crowdfade` with the small stages of tests/keep_ledger in place of the real ones; the rest is the program's own."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "keep_ledger"), str(Path(__file__).parents[2])]

import small_stages  # noqa: E402

import pipeline.build  # noqa: E402
from pipeline.command_line import main  # noqa: E402

pipeline.build._real_read = lambda: small_stages.read_lines
pipeline.build._real_reader = small_stages.PhraseReader
pipeline.build._real_join = lambda: small_stages.join_exact
pipeline.build._real_check = lambda: small_stages.check_far

if __name__ == "__main__":
    main()
