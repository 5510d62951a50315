"""What a report works out from audiences whose curves are known; shares, slopes and power against published ones."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from generated_audience import audience, table_of, true_loss
from scipy.stats import norm

from pipeline.sum_up.cross_section import as_frame, cross_section
from pipeline.write_report.compute import compute
from pipeline.write_report.differences import vehicles_needed, visible_difference
from pipeline.write_report.figures import ALL, Difference, Figures, in_axis_unit
from pipeline.write_report.groups import prepared
from pipeline.write_report.references import Reference
from pipeline.write_report.sections import ReportOptions
from pipeline.write_report.sensitivity import PUBLISHED, share, straight_trend


def figures_of(reports: pa.Table, **options: Any) -> Figures:
    return compute(as_frame(reports), prepared(cross_section(reports)), ReportOptions(**options))


@pytest.fixture(scope="module")
def large() -> Figures:
    """The figures of 5 thousand reports."""
    reports = audience(3_200, 21)
    assert reports.num_rows >= 5_000
    return figures_of(reports, resamples=300)


def test_the_report_recovers_the_true_curves_within_its_bands(large: Figures) -> None:
    checked = 0
    for one in large.estimates:
        if one.dimension != "chemistry" or one.axis != "distance":
            continue
        assert one.median is not None and one.low is not None and one.high is not None
        truth = float(true_loss({"nickel": "NMC"}.get(one.group, one.group), in_axis_unit(one.at, one.unit)))
        # Sixteen intervals of 95 %: one or so may just miss; none may miss by a fifth of a point.
        assert one.low - 0.2 <= truth <= one.high + 0.2
        checked += one.low <= truth <= one.high
    assert checked >= 13
    for curve in large.of("distance", "chemistry"):
        truth = true_loss({"nickel": "NMC"}.get(curve.group, curve.group), curve.x)
        assert np.mean((curve.low <= truth) & (truth <= curve.high)) > 0.8
        assert np.abs(curve.median - truth).max() < 0.8


def test_differences_are_the_true_ones(large: Figures) -> None:
    (chemistry,) = [one for one in large.differences if one.dimension == "chemistry"]
    truth = float(true_loss("NMC", chemistry.at) - true_loss("LFP", chemistry.at))
    assert (chemistry.one, chemistry.other) == ("nickel", "LFP")
    assert chemistry.low <= truth <= chemistry.high and chemistry.told_apart
    habit = next(one for one in large.differences if one.dimension == "habit")
    # Who charges to full has iron phosphate more often here: the plain comparison is fooled, and the page says so.
    assert habit.told_apart


def test_habits_are_compared_with_the_chemistry_held_equal(large: Figures) -> None:
    assert large.habit is not None and large.habit.adjusted is not None
    assert large.habit.adjusted.adjusted_for == ("age", "chemistry")
    assert large.habit.adjusted.low <= 0 <= large.habit.adjusted.high
    costly = figures_of(audience(1_500, 5, full_costs=1.0), resamples=200).habit
    assert costly is not None and costly.adjusted is not None and costly.plain is not None
    assert costly.adjusted.low <= 1.0 <= costly.adjusted.high and costly.adjusted.told_apart
    assert not costly.plain.low <= 1.0 <= costly.plain.high
    assert costly.too_few == ""


def test_few_answers_say_how_many_more_are_needed() -> None:
    habit = figures_of(audience(30, 3), resamples=100).habit
    assert habit is not None and habit.adjusted is None
    assert "Too few" in habit.too_few and "more that are charged to full" in habit.too_few
    assert habit.needed and habit.visible and habit.visible > habit.effect


def test_nothing_is_worked_out_for_small_groups() -> None:
    few = figures_of(audience(19, 2), resamples=50)
    assert few.curves == [] and few.differences == [] and few.sensitivity == [] and few.trend is None
    assert all(one.median is None and one.reason for one in few.estimates)
    assert {group for _, group, _ in few.not_drawn} >= {ALL, "LFP", "nickel"}
    enough = figures_of(audience(19, 2), resamples=50, fewest=10)
    assert enough.of("distance", "all")


def test_no_answers_give_no_figures() -> None:
    assert figures_of(table_of([]), resamples=20).curves == []


def test_there_is_no_figure_beyond_the_answers() -> None:
    told = figures_of(audience(40, 9), resamples=50)
    far = [one for one in told.estimates if one.group == ALL and one.at == 200_000]
    (curve,) = told.of("distance", "all")
    assert far[0].median is None and "5 are needed" in far[0].reason
    assert curve.x[-1] < 200_000
    assert far[0].sentence().startswith("all vehicles at 200,000 km: too few")


def test_the_same_rows_give_the_same_figures() -> None:
    reports = audience(80, 4)
    shuffled = reports.take(np.random.default_rng(1).permutation(reports.num_rows))
    assert figures_of(reports, resamples=50).plain() == figures_of(shuffled, resamples=50).plain()


def test_follow_ups_and_second_cars_make_no_answer_surer() -> None:
    reports = audience(90, 6, follow_ups=0.0)
    rows = reports.to_pylist()
    again = [row | {"report_id": f"{row['report_id']}x", "odometer_km": row["odometer_km"] - 100} for row in rows]
    for row in again:
        row["posted_at"] = row["posted_at"].replace(year=2025)
    told, twice = figures_of(reports, resamples=100), figures_of(table_of(rows + again), resamples=100)
    assert [one.median for one in told.estimates] == [one.median for one in twice.estimates]
    # Each vehicle as two vehicles of the same person: as wide as before, where rows of their own would be narrower.
    twins = [row | {"report_id": f"{row['report_id']}t", "vehicle_key": f"{row['vehicle_key']}t"} for row in rows]
    double = figures_of(table_of(rows + twins), resamples=100)
    width = {
        name: [one.high - one.low for one in held.estimates if one.high is not None and one.low is not None]
        for name, held in (("told", told), ("double", double))
    }
    assert np.mean(width["double"][:3]) > 0.9 * np.mean(width["told"][:3])


def test_sensitivity_knows_each_choice() -> None:
    rows = audience(120, 7).to_pylist()
    for number, row in enumerate(rows):
        if number % 10 == 0:  # large losses that a finding keeps out
            row |= {"loss_pct": 85.0, "usable": False, "flags": ["loss-impossible"]}
        if row["loss_origin"] == "range":
            row["loss_pct"] += 3.0
    held = {(one.group, one.choice): one for one in figures_of(table_of(rows), resamples=50).sensitivity}
    published = held[ALL, PUBLISHED]
    assert published.change == 0
    kept_out = held[ALL, "with the rows that findings keep out"]
    assert kept_out.vehicles > published.vehicles and kept_out.change is not None and kept_out.change > 0.2
    ranges = held[ALL, "without losses worked out from displayed ranges"]
    assert ranges.change is not None and ranges.change < -0.3 and ranges.vehicles < published.vehicles
    assert held[ALL, "without any flagged row"].vehicles == published.vehicles
    assert held[ALL, "weighted by how surely each row was read"].vehicles == published.vehicles


def test_a_reference_is_set_beside_the_answers() -> None:
    km = (0.0, 250_000.0)
    same = Reference("Same", "invented", km, (0.0, 250_000 / 100_000 * 6))
    far = Reference("Far", "invented", km, (20.0, 45.0))
    gaps = figures_of(audience(150, 8), resamples=100, references=(same, far)).gaps
    assert {gap.label for gap in gaps} == {"Same", "Far"}
    assert all("points less" in gap.sentence() for gap in gaps if gap.label == "Far")
    assert far.loss_at(125_000) == 32.5 and far.loss_at(300_000) is None


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_shares_have_newcombe_s_wilson_intervals(count: int, of: int, low: float, high: float) -> None:
    # Newcombe 1998, Statistics in Medicine 17:857, table I (method 3).
    told = share("", "", count, of)
    assert (told.low, told.high) == (pytest.approx(low, abs=6e-5), pytest.approx(high, abs=6e-5))


def test_the_straight_trend_is_sen_s() -> None:
    # Sen 1968, J. American Statistical Association 63:1379, the worked example: slope 4, 93 % interval 3.71 to 4.38.
    x, y = np.array([1.0, 2, 3, 4, 10, 12, 18]), np.array([9.0, 15, 19, 20, 45, 55, 78])
    assert straight_trend(x, y, level=0.93) == pytest.approx((4.0, 3.71, 4.38), abs=0.005)


def test_the_power_calculation_finds_what_it_promises() -> None:
    # By hand, from the normal approximation: n = 2 (z.975 + z.80)^2 (s sqrt(pi/2))^2 / d^2.
    expected = 2 * (norm.ppf(0.975) + norm.ppf(0.8)) ** 2 * (3.0**2 * np.pi / 2) / 2.0**2
    assert vehicles_needed(2.0, 3.0) == pytest.approx(expected, abs=1.01)
    assert vehicles_needed(2.0, 3.0, 1.5) == pytest.approx(1.5 * expected, abs=1.51)
    assert visible_difference(vehicles_needed(2.0, 3.0), 3.0) == pytest.approx(2.0, abs=0.02)
    # And by simulation: medians of two normal samples of that size, a true difference of 2.
    each = vehicles_needed(2.0, 3.0)
    draw = np.random.default_rng(3)
    one, other = draw.normal(2, 3, (4_000, each)), draw.normal(0, 3, (4_000, each))
    gap = np.median(one, axis=1) - np.median(other, axis=1)
    seen = np.abs(gap) > norm.ppf(0.975) * 3 * np.sqrt(np.pi / 2) * np.sqrt(2 / each)
    assert np.mean(seen) == pytest.approx(0.8, abs=0.03)


def test_a_difference_says_itself_as_people_do() -> None:
    one = Difference("chemistry", "LFP", "nickel", 70_000, -1.91, -3.62, -0.08, 84, 131)
    assert one.sentence() == (
        "LFP minus nickel at 70,000 km: -1.9 points, 95 % interval -3.6 to -0.1, 84 and 131 vehicles."
    )
    assert one.verdict() == "In these answers LFP lost less."
    assert not replace(one, high=0.3).told_apart
