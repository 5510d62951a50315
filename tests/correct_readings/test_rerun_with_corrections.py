"""Decisions and reruns: a rerun gives what a build gives, and a decision that is taken away leaves nothing behind."""

from __future__ import annotations

from pathlib import Path

from corrected_ledger import CorrectedLedger
from test_apply import bytes_of, decide_all, pack

from pipeline.build import rerun
from pipeline.correct_readings.corrections_file import CORRECTIONS


def test_a_rerun_applies_decisions_as_a_build_does(ledger: CorrectedLedger) -> None:
    decide_all(ledger)
    rerun(ledger.path)
    again = bytes_of(ledger)
    outcomes = ledger.record()["outcomes"]
    ledger.build()
    assert bytes_of(ledger) == again and ledger.record()["outcomes"] == outcomes == {"applied": 8}
    rerun(ledger.path)
    assert bytes_of(ledger) == again, "a rerun of a corrected run starts from the rows as read"


def test_a_decision_that_is_taken_away_leaves_nothing_behind(ledger: CorrectedLedger) -> None:
    before = bytes_of(ledger)
    decide_all(ledger)
    rerun(ledger.path)
    assert bytes_of(ledger) != before
    (ledger.path / CORRECTIONS).unlink()
    rerun(ledger.path)
    assert bytes_of(ledger) == before


def test_decisions_survive_a_rerun_with_other_rules_and_back(ledger: CorrectedLedger, tmp_path: Path) -> None:
    decide_all(ledger)
    rerun(ledger.path)
    first = bytes_of(ledger)
    rules = pack(tmp_path / "pack", "on the clock", "ridge from", "i stop at")
    rerun(ledger.path, rules=[rules])
    assert ledger.report("c1")["loss_pct"] == 4.5 and ledger.report("c1")["odometer_km"] is None
    assert ledger.report("c5")["loss_pct"] == 3 and ledger.report("c5")["usable"]
    assert "overruled" not in ledger.record()["outcomes"]
    rerun(ledger.path, rules=[])
    assert bytes_of(ledger) == first
