"""The section on how firm the figures are: other choices of rows, other methods."""

from __future__ import annotations

from pipeline.write_report.figures import Variant, points
from pipeline.write_report.sections import ReportContext, Section, escaped, table_html
from pipeline.write_report.sensitivity import PUBLISHED


def make(context: ReportContext) -> Section | None:
    """The section; None where nothing was worked out."""
    held = context.figures.sensitivity
    if not held:
        return None
    groups = list(dict.fromkeys(one.group for one in held))
    body = ""
    for group in groups:
        of_group = [one for one in held if one.group == group]
        moved = [one for one in of_group if one.change is not None and one.choice != PUBLISHED]
        if not moved:
            continue
        most = max(moved, key=lambda one: abs(one.change or 0))
        if abs(most.change or 0) < 0.05:
            body += f"<p>{escaped(f'{group}: no choice moves the median at {most.at:,.0f} km by 0.1 points.')}</p>"
        else:
            named = f"{group[:1].upper()}{group[1:]}"
            told = f"{named}: the choice that moves the median at {most.at:,.0f} km most is “{most.choice}”, by "
            body += f"<p>{escaped(told + points(most.change or 0) + ' points.')}</p>"
    places = {one.group: one.at for one in held}
    by_choice = {(one.choice, one.group): one for one in held}
    rows = [
        [choice, *(_figure(by_choice.get((choice, group))) for group in groups)]
        for choice in dict.fromkeys(one.choice for one in held)
    ]
    headers = ["rows taken", *(f"{group}, {places[group]:,.0f} km" for group in groups)]
    body += table_html(
        "The same figures from other choices: median loss in % (95 % interval; vehicles)", headers, rows,
        numbers=tuple(range(1, len(headers))),
    )  # fmt: skip
    body += (
        "<p>A displayed range is no capacity test: it follows the driving, the season and the display's own reckoning. "
        "Losses worked out from a pair of ranges are therefore left out in one of the choices.</p>"
    )
    figures = context.figures
    if figures.trend is not None and figures.lowess_gap is not None:
        slope, low, high = figures.trend
        body += (
            f"<p>Other methods: the straight trend through all vehicles (Theil-Sen) is {slope:.2f} points each "
            f"10,000 km (95 % interval {low:.2f} to {high:.2f}, each vehicle an answer of its own). The curve of all "
            f"vehicles and "
            f"LOWESS, which follows the mean of the bulk, are at most {points(figures.lowess_gap)} points apart.</p>"
        )
    if figures.shares:
        body += table_html(
            "Shares of vehicles by distance",
            ["distance", "vehicles", "of them", "how many", "95 % Wilson interval"],
            [
                [one.group, one.vehicles, one.what, one.count, f"{100 * one.low:.0f} to {100 * one.high:.0f} %"]
                for one in figures.shares
            ],
            numbers=(1, 3, 4),
        )
    return Section("firm", "How firm the figures are", body)


def _figure(one: Variant | None) -> str:
    if one is None or one.median is None or one.low is None or one.high is None:
        return "too few"
    return f"{points(one.median)} ({points(one.low)} to {points(one.high)}; {one.vehicles})"
