"""The judge of other languages learns from what the gates turn down."""

from __future__ import annotations

from pipeline.find_values.labelled import Labelled
from pipeline.find_values.reader import LanguageReader
from pipeline.find_values.train_judge import judged

COLD = "Bei minus zwölf waren 30 % Reichweite weg."
REPORT = "Mein Tern hat 64.000 km und 4 % verloren."


def test_what_a_gate_turns_down_is_met_with_and_without_the_gate() -> None:
    assert LanguageReader("de", (), model=None).possible(COLD, False)[1] == []
    rows, is_report = judged([Labelled("1", COLD, "de", "w", [])])
    assert is_report == [0, 0]
    assert set(rows[1]) < set(rows[0])  # without what the gate says


def test_a_report_is_met_twice_as_it_is() -> None:
    wanted = [{"whose": "own", "odometer_km": 64_000, "loss_pct": 4}]
    rows, is_report = judged([Labelled("1", REPORT, "de", "w", wanted)])
    assert is_report == [1, 1]
    assert rows[0] == rows[1]
