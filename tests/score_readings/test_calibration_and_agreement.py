from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.score_readings.agreement import agreement, specific_agreement
from pipeline.score_readings.calibration import calibration


def test_the_reliability_table_worked_by_hand() -> None:
    told = calibration([0.95, 0.92, 0.9, 1.0, 0.55, 0.5, 0.05], [True, True, True, False, True, False, False])
    top, middle, bottom = told.bins[9], told.bins[5], told.bins[0]
    assert (top.rows, middle.rows, bottom.rows) == (4, 2, 1) and sum(one.rows for one in told.bins) == 7
    assert top.mean_confidence == pytest.approx(0.9425) and top.share_right == pytest.approx(0.75)
    assert middle.mean_confidence == pytest.approx(0.525) and middle.share_right == pytest.approx(0.5)
    # 4/7 x 0.1925 + 2/7 x 0.025 + 1/7 x 0.05
    assert told.expected_error == pytest.approx(0.87 / 7)
    # 0.0025 + 0.0064 + 0.01 + 1 + 0.2025 + 0.25 + 0.0025
    assert told.brier == pytest.approx(1.4739 / 7)
    assert told.bins[3].mean_confidence is None and told.bins[3].share_right is None


def test_a_known_chance_said_of_all_has_no_calibration_error() -> None:
    told = calibration([0.75] * 4, [True, True, False, True])
    assert told.expected_error == 0 and told.brier == pytest.approx(0.75 * 0.25)


@pytest.mark.parametrize("edge", [place / 10 for place in range(10)])
def test_a_bin_begins_with_its_lower_edge(edge: float) -> None:
    (filled,) = (one for one in calibration([edge], [True]).bins if one.rows)
    assert filled.low == edge


def test_no_rows_no_figures_and_no_confidence_outside_0_to_1() -> None:
    told = calibration([], [])
    assert (told.rows, told.brier, told.expected_error) == (0, None, None)
    for wrong in (-0.01, 1.01, float("nan")):
        with pytest.raises(ValueError, match="outside"):
            calibration([wrong], [True])


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=40))
def test_bounds(rows: list[tuple[float, bool]]) -> None:
    told = calibration([row[0] for row in rows], [row[1] for row in rows])
    assert told.brier is not None and told.expected_error is not None
    # The squared error of a bin's mean is never above the bin's mean squared error, nor ECE^2 above the Brier score.
    assert 0 <= told.expected_error <= 1 and told.expected_error**2 <= told.brier + 1e-12 <= 1 + 1e-9


def test_positive_specific_agreement_of_hripcsak_and_rothschild() -> None:
    assert specific_agreement(40, 10, 15) == pytest.approx(0.7619, abs=5e-5)
    assert specific_agreement(0, 0, 0) is None
    assert specific_agreement(0, 1, 0) == 0


def test_kappa_tends_to_it_as_negatives_grow() -> None:
    a, b, c, d = 40, 10, 15, 10**9
    n = a + b + c + d
    chance = ((a + b) * (a + c) + (c + d) * (b + d)) / n**2
    kappa = ((a + d) / n - chance) / (1 - chance)
    assert kappa == pytest.approx(specific_agreement(a, b, c), abs=1e-6)


def test_two_labellings_worked_by_hand() -> None:
    first = {
        "r1": [{"whose": "own", "loss_pct": 4, "loss_origin": "health", "odometer_km": 74000}],
        "r2": [],
        "r3": [{"whose": "own", "charge_limit_pct": 80, "charge_habit": "partial"}],
        "only here": [{"whose": "own", "loss_pct": 1, "loss_origin": "stated"}],
    }
    second = {
        "r1": [{"whose": "own", "loss_pct": 4.05, "loss_origin": "health"}],
        "r2": [{"whose": "other", "odometer_km": 31000}],
        "r3": [{"whose": "own", "charge_limit_pct": 80, "charge_habit": "mixed"}],
    }
    told = agreement(first, second)
    assert told.responses == 3
    # Core: loss and limit alike; the habit differs, r1's odometer is only in the first and r2's only in the second.
    assert (told.core.both, told.core.only_first, told.core.only_second) == (2, 2, 2) and told.core.f1 == 0.5
    # All: also whose twice and origin alike, whose of r2 only in the second.
    assert (told.scored.both, told.scored.only_first, told.scored.only_second) == (5, 2, 3)
    assert told.scored.f1 == pytest.approx(10 / 15)
    assert told.fields["charge_habit"].f1 == 0 and told.fields["pack_kwh"].f1 is None
    assert told.same_silence == pytest.approx(2 / 3) and told.wholly_alike == 0
    back = agreement(second, first)
    assert back.scored.f1 == told.scored.f1 and back.core.f1 == told.core.f1
