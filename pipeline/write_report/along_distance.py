"""The sections of loss along distance and along age: a chart and a table for each way of grouping."""

from __future__ import annotations

from pipeline.write_report.charts import MOST_PANELS, TOGETHER, charts_of
from pipeline.write_report.figures import ALL, Axis, Estimate, place, points
from pipeline.write_report.pictures import for_page
from pipeline.write_report.sections import ReportContext, Section, escaped, table_html

HEADINGS = {"all": ALL.capitalize(), "chemistry": "By chemistry", "habit": "By charging habit", "vehicle": "By vehicle",
            "model year": "By model year"}  # fmt: skip
REMARKS = {
    "habit": (
        "Those who charge to full often have cells, cars and distances of another kind than those who stop "
        "earlier: the curves do not tell what a habit does. See “Charging to full”."
    ),
    "model year": "Older cars have also driven further: bands of years differ in age as well.",
}


def make(context: ReportContext) -> Section | None:
    """The section along the distance."""
    return along(context, "distance", "Loss and distance")


def along(context: ReportContext, axis: Axis, title: str, opening: str = "") -> Section | None:
    """The section of one axis; None where nothing can be drawn."""
    charts = [chart for chart in charts_of(context.figures) if chart.axis == axis]
    if not charts:
        return None
    body = opening
    for chart in charts:
        drawn = context.figures.of(axis, chart.dimension)
        heading = HEADINGS[chart.dimension]
        body += f"<h3>{escaped(heading)}</h3>"
        if chart.dimension in REMARKS:
            body += f"<p>{escaped(REMARKS[chart.dimension])}</p>"
        svg = for_page(chart, context.figures, context.vehicles, context.options)
        body += f"<figure>{svg}<figcaption>{escaped(_caption(len(drawn), chart.dimension))}</figcaption></figure>"
        body += _table(context, axis, chart.dimension, heading)
    return Section(axis, title, body)


def _caption(groups: int, dimension: str) -> str:
    told = "Each mark is one vehicle; the line is the median of the answers, the band its 95 % interval"
    if groups > TOGETHER:
        told += "; the grey line is the median of all vehicles"
    if groups > MOST_PANELS:
        told += f". The {MOST_PANELS} largest groups are drawn, the table has all {groups}"
    return told + ". A hollow triangle at the upper edge is a larger loss."


def _table(context: ReportContext, axis: Axis, dimension: str, heading: str) -> str:
    held = [one for one in context.figures.estimates if one.axis == axis and one.dimension == dimension]
    drawn = {curve.group for curve in context.figures.of(axis, dimension)}
    told = [one for one in held if one.group in drawn]
    places = list(dict.fromkeys((one.at, one.unit) for one in told))
    by_place = {(one.group, one.at, one.unit): one for one in told}
    groups = list(dict.fromkeys(one.group for one in told))
    rows = [
        [place(at, unit), *(_cell(by_place[group, at, unit]) for group in groups)]
        for at, unit in places
        if any(by_place[group, at, unit].median is not None for group in groups)
    ]
    if not rows:
        return ""
    sizes = {one.group: one.vehicles for one in told}
    headers = ["at", *(f"{group} ({sizes[group]})" for group in groups)]
    return table_html(
        f"{heading}: median loss in % (95 % interval)", headers, rows, numbers=tuple(range(1, len(headers)))
    )


def _cell(one: Estimate) -> str:
    if one.median is None or one.low is None or one.high is None:
        return "too few"
    return f"{points(one.median)} ({points(one.low)} to {points(one.high)})"
