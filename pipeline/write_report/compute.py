"""All figures of a report, from a run's rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.write_report.differences import all_differences, compare_habits
from pipeline.write_report.estimates import curves_and_estimates, settle_forms
from pipeline.write_report.figures import ALL, Estimate, Figures, ReferenceGap
from pipeline.write_report.median_fit import draw_people
from pipeline.write_report.sensitivity import audience_of, shares, trend_and_lowess, variants

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas

    from pipeline.write_report.references import Reference
    from pipeline.write_report.sections import ReportOptions


def compute(
    reports: pandas.DataFrame,
    vehicles: pandas.DataFrame,
    options: ReportOptions,
    stage: Callable[[str], Any] = lambda name: None,
) -> Figures:
    """The figures of `vehicles` (`groups.prepared`, one row each) of `reports` (`sum_up.as_frame`, all rows).

    Resamples are drawn once, over all people, so that every figure of a resample comes from the same people; the same
    rows, options and seed give the same figures.  `stage` is told what is being done.
    """
    names = sorted(reports["person"].unique())
    people = {name: place for place, name in enumerate(names)}
    draws = draw_people(len(names), options.resamples, options.seed)
    audience = audience_of(vehicles, people, draws, options.fewest)
    stage("choosing the form of the curves")
    bent = settle_forms(audience)
    stage("fitting curves")
    curves, estimates, not_drawn, fits = curves_and_estimates(audience)
    overall = fits.get(("distance", "all", ALL))
    stage("comparing groups")
    differences = all_differences(audience, fits)
    habit = compare_habits(audience, overall)
    stage("trying other choices of rows")
    sensitivity = variants(audience, reports, people)
    trend, gap = trend_and_lowess(audience, overall)
    return Figures(
        estimates=estimates,
        curves=curves,
        differences=differences,
        habit=habit,
        sensitivity=sensitivity,
        shares=shares(audience),
        gaps=reference_gaps(estimates, options.references),
        trend=trend,
        forms={str(axis): form for axis, form in audience.forms.items()},
        bent={str(axis): better for axis, better in bent.items()},
        lowess_gap=gap,
        not_drawn=not_drawn,
    )


def reference_gaps(estimates: Sequence[Estimate], references: Sequence[Reference]) -> list[ReferenceGap]:
    """Each reference series beside the estimates of all vehicles at round kilometres."""
    told = []
    for one in estimates:
        if one.dimension != "all" or one.unit != "km" or one.median is None or one.low is None or one.high is None:
            continue
        for series in references:
            loss = series.loss_at(one.at)
            if loss is not None:
                told.append(ReferenceGap(series.label, series.source, one.at, one.median, one.low, one.high, loss))
    return sorted(told, key=lambda gap: (gap.label, gap.at))
