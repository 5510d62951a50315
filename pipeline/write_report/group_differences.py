"""The section of differences between groups."""

from __future__ import annotations

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.write_report.charts import charts_of
from pipeline.write_report.pictures import for_page
from pipeline.write_report.sections import ReportContext, Section, escaped


def make(context: ReportContext) -> Section | None:
    """The section; None where no two groups can be compared."""
    differences = context.figures.differences
    if not differences:
        return None
    chart = next(chart for chart in charts_of(context.figures) if chart.axis is None)
    svg = for_page(chart, context.figures, context.vehicles, context.options)
    items = "".join(
        f"<li>{escaped(one.sentence())} <strong>{escaped(one.verdict())}</strong> "
        f'<span class="small">({_miles(one.at)})</span></li>'
        for one in differences
    )
    by_chance = len(differences) * 0.05
    body = (
        "<p>Each pair is compared at one distance that both groups reach; nothing else is held equal. "
        f"With {len(differences)} comparison{'s' if len(differences) > 1 else ''}, about {by_chance:.1f} would "
        f"look different "
        "by chance alone.</p>"
        f"<figure>{svg}<figcaption>Dot: the difference of the medians; line: its 95 % interval, in points of per cent."
        f"</figcaption></figure><ul>{items}</ul>"
    )
    return Section("differences", "Differences between groups", body)


def _miles(km: float) -> str:
    return f"about {round(km / KM_PER_MILE, -3):,.0f} miles"
