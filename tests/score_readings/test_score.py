from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_reports import REPORT

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.find_values.labelled import Labelled
from pipeline.problems import UsageProblem
from pipeline.response import FoundValue, Reading, Report, Response
from pipeline.score_readings.compare import SCORED, compare
from pipeline.score_readings.labelled_run import calibration_of, count, groups, said, score_gold, slots_of
from pipeline.score_readings.misses import find_misses
from pipeline.score_readings.saved_run import load_run, save_run
from pipeline.score_readings.score import MEASURES, Scorer, Tally, changes, resamples, tally

OWN = {"whose": "own"}


def _tally(*pairs: tuple[list[Any], list[Any]], names: str = "r") -> Tally:
    return tally([f"{names}{place}" for place in range(len(pairs))], [compare(got, wanted) for got, wanted in pairs])


HAND = _tally(
    ([OWN | {"loss_pct": 4, "odometer_km": 50000}], [OWN | {"loss_pct": 4, "odometer_km": 51000}]),
    ([OWN | {"loss_pct": 2}], [OWN | {"loss_pct": 2, "pack_kwh": 60}]),
    ([], [OWN | {"odometer_km": 9000}]),
    ([OWN | {"loss_pct": 30}], []),
    ([], []),
    ([OWN | {"vehicle_text": "Tern", "loss_pct": 1}], [OWN | {"vehicle_text": "Tern LR", "loss_pct": 1}]),
)
"""Core: 3 correct, 2 missing (both odometers), 2 spurious (an odometer, a loss)."""


def test_figures_worked_by_hand() -> None:
    scorer = Scorer(HAND)
    assert scorer.measure("core_precision").value == pytest.approx(3 / 5)
    assert scorer.measure("core_recall").value == pytest.approx(3 / 5)
    assert scorer.measure("core_f1").value == pytest.approx(3 / 5)
    # All: whose 3 correct, 1 missing, 1 spurious; pack 1 missing.
    assert scorer.measure("all_precision").value == pytest.approx(6 / 9)
    assert scorer.measure("all_recall").value == pytest.approx(6 / 10)
    assert scorer.measure("all_f1").value == pytest.approx(12 / 19)
    silent = scorer.measure("silent")
    assert (silent.value, silent.responses) == (0.5, 2)
    heard = scorer.measure("heard")
    assert (heard.value, heard.responses) == (0.75, 4)
    assert scorer.measure("wholly_right").value == pytest.approx(2 / 6)
    assert scorer.measure("wholly_right_with_name").value == pytest.approx(1 / 6)
    loss = scorer.field("loss_pct")
    assert (loss.correct, loss.missing, loss.spurious, loss.wrong) == (3, 0, 1, 0)
    assert (loss.precision.value, loss.recall.value, loss.f1.value) == (0.75, 1.0, pytest.approx(6 / 7))
    odometer = scorer.field("odometer_km")
    assert (odometer.correct, odometer.missing, odometer.spurious, odometer.wrong) == (0, 2, 1, 1)
    assert scorer.field("chemistry").f1.value is None and scorer.field("chemistry").f1.low is None


def test_a_share_has_the_interval_that_the_binomial_gives() -> None:
    # 60 of 100 silent: the percentile interval lies within a point of 0.6 -+ 1.96 sqrt(0.6 x 0.4 / 100).
    told = Scorer(_tally(*[([], [])] * 60, *[([OWN], [])] * 40)).measure("silent")
    assert told.value == 0.6 and told.low is not None and told.high is not None
    assert told.low == pytest.approx(0.6 - 0.096, abs=0.011) and told.high == pytest.approx(0.6 + 0.096, abs=0.011)


def test_intervals_are_the_same_each_time_and_hold_the_value() -> None:
    for name in MEASURES:
        one, again = Scorer(HAND).measure(name), Scorer(HAND).measure(name)
        assert one == again
        assert one.value is not None and one.low is not None and one.high is not None
        assert one.low <= one.value <= one.high
    drawn = resamples(6)
    assert (drawn.sum(axis=1) == 6).all() and drawn.shape == (2000, 6)


def test_a_change_is_measured_on_the_responses_in_both() -> None:
    better = _tally(*[([OWN | {"loss_pct": 4}], [OWN | {"loss_pct": 4}])] * 30)
    worse = _tally(*[([OWN | {"loss_pct": place % 2 * 4}], [OWN | {"loss_pct": 4}]) for place in range(40)])
    told = changes(better, worse)
    assert told.paired and told.responses == 30
    (core,) = (line for line in told.lines if line.name == "core_f1")
    assert core.before == pytest.approx(0.5) and core.now == 1.0 and core.change.value == pytest.approx(0.5)
    assert core.change.low is not None and 0.3 < core.change.low < 0.5
    assert all(line.change.value == line.change.low == line.change.high == 0 for line in changes(worse, worse).lines
               if line.before is not None)  # fmt: skip
    apart = changes(better, _tally(([OWN | {"loss_pct": 4}], [OWN | {"loss_pct": 4}]), names="other"))
    assert not apart.paired and apart.responses == 0


def test_a_saved_run_comes_back_as_it_was(tmp_path: Path) -> None:
    save_run(HAND, tmp_path / "run.json")
    again = load_run(tmp_path / "run.json")
    assert again.keys == HAND.keys
    assert np.array_equal(again.fields, HAND.fields) and np.array_equal(again.marks, HAND.marks)
    assert "Tern" not in (tmp_path / "run.json").read_text("utf8")


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"format": "other"}', '{"format": "crowdfade-score-1"}', "\xff"])
def test_what_is_no_saved_run_is_said_to_be_none(tmp_path: Path, content: str) -> None:
    (tmp_path / "run.json").write_bytes(content.encode("latin1"))
    with pytest.raises(UsageProblem, match=r"no file of scores(.|\n)*--save"):
        load_run(tmp_path / "run.json")
    with pytest.raises(UsageProblem, match="cannot be read"):
        load_run(tmp_path / "none.json")


class Parrot:
    """Reads of each response what its labels say."""

    def __init__(self, gold: list[Labelled]) -> None:
        self.reports = {one.id: one.reports for one in gold}

    def read(self, responses: list[Response]) -> list[Reading]:
        return [Reading([self._report(one, told) for told in self.reports[one.response_id]]) for one in responses]

    def _report(self, response: Response, told: dict[str, Any]) -> Report:
        values = {}
        for name, value in told.items():
            if name != "words" and value is not None:
                raw = (told.get("words") or {}).get(name, "")
                start = response.text.find(raw)
                values[name] = FoundValue(name, value, None, raw, start, start + len(raw), "rule", "pack", "")
        return Report(values)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.lists(REPORT, max_size=3), min_size=1, max_size=8))
def test_labels_scored_against_themselves_are_right_everywhere(sets: list[list[dict[str, Any]]]) -> None:
    gold = []
    for place, reports in enumerate(sets):
        pieces: list[str] = []
        worded = []
        for number, report in enumerate(reports):
            words = {name: f"{name} {number} is {value}" for name, value in report.items() if name != "whose"}
            pieces += words.values()
            worded.append(report | {"words": words})
        gold.append(Labelled(f"g{place}", "; ".join(pieces), "en", "w", worded, file="here.jsonl"))
    scored = score_gold(gold, Parrot(gold))  # type: ignore[arg-type]
    scorer = Scorer(count(scored))
    for name in (*MEASURES, *(f"{field} {kind}" for field in FIELD_NAMES for kind in ("precision", "recall", "f1"))):
        one = scorer.measure(name)
        assert (one.value, one.low, one.high) in ((1, 1, 1), (None, None, None))
    held = {name for reports in sets for report in reports for name in report}
    assert all((scorer.field(name).f1.value == 1) == (name in held) for name in FIELD_NAMES)
    slots = slots_of(scored)
    if slots is not None:
        assert all(one.f1 in (1, None) for one in slots.values())
    told = calibration_of(scored)
    assert told.rows == sum(map(len, sets)) and told.brier in (0, None)
    assert find_misses(scored, "all") == find_misses(scored, "core") == find_misses(scored, "vehicle_text") == []


def test_a_chemistry_from_the_vehicle_list_is_not_what_the_responder_said() -> None:
    found = FoundValue("chemistry", "LFP", None, "", 0, 0, "list", "list", "", origin="list")
    name = FoundValue("vehicle_text", "Tern", None, "Tern", 0, 4, "list", "list", "", origin="list")
    assert said(Report({"chemistry": found, "vehicle_text": name})) == {"vehicle_text": "Tern"}


def test_groups_by_language_and_tag() -> None:
    gold = [Labelled(f"g{n}", "", "en" if n % 3 else "de", "w", [], ["range-pair" if n % 2 else "range pair"])
            for n in range(12)]  # fmt: skip
    parts = groups(score_gold(gold, Parrot(gold)))  # type: ignore[arg-type]
    assert {name: len(places) for name, places in parts["lang"].items()} == {"en": 8, "de": 4}
    assert {name: len(places) for name, places in parts["tag"].items()} == {"range pair": 12}


def test_misses_are_those_asked_for() -> None:
    gold = [
        Labelled("a", "lost 4, 80", "en", "w", [{"whose": "own", "loss_pct": 4, "words": {"loss_pct": "lost 4"}}]),
        Labelled("b", "chatter", "en", "w", []),
    ]
    wrong = [gold[0], Labelled("b", "chatter", "en", "w", [{"whose": "own", "pack_kwh": 60}])]
    wrong[0] = Labelled("a", "lost 4, 80", "en", "w", [{"whose": "own", "loss_pct": 80}])
    scored = score_gold(gold, Parrot(wrong))  # type: ignore[arg-type]
    (loss,) = find_misses(scored, "loss_pct")
    (outcome,) = loss.outcomes
    assert (outcome.kind, outcome.got, outcome.wanted, loss.words_wanted(outcome)) == ("wrong", 80, 4, "lost 4")
    assert [miss.scored.labelled.id for miss in find_misses(scored, "core")] == ["a"]
    assert [miss.scored.labelled.id for miss in find_misses(scored, "silent")] == ["b"]
    assert [miss.scored.labelled.id for miss in find_misses(scored, "all")] == ["a", "b"]
    assert {one.field for miss in find_misses(scored, "all") for one in miss.outcomes} <= set(SCORED)
    with pytest.raises(UsageProblem, match="no misses of 'los'"):
        find_misses(scored, "los")
