"""What charts have in common: layouts, the style of words and lines, round ticks; and the chart of differences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pipeline.write_report.figures import Difference
from pipeline.write_report.palette import GRID, INK, QUIET, SERIES

FONT = "Roboto, Helvetica, Arial, sans-serif"

SHORT = 25
"""Letters of a comparison that fit beside a narrow chart."""

Shown = Literal["km", "mi", "both", "years"]


@dataclass(frozen=True, slots=True)
class Layout:
    """Width and height of the chart (pixels), the size of its words, how many panels stand side by side."""

    name: str
    width: int
    height: int
    words: int
    panels: int

    @property
    def dot(self) -> float:
        """The area of a reading's mark (square pixels)."""
        return (self.words / 2.6) ** 2


def difference_chart(differences: Sequence[Difference], layout: Layout) -> Any:
    """Each difference as a dot with its interval, beside the line of no difference."""
    import altair as alt
    import pandas as pd

    words = layout.words
    narrow = layout.width / words < 40
    frame = pd.DataFrame(
        [
            {
                "name": _pair(one, narrow),
                "points": one.points,
                "low": one.low,
                "high": one.high,
                "apart": "told apart" if one.told_apart else "not told apart",
            }
            for one in differences
        ]
    )
    reach = ceiling(max(frame["high"].max(), -frame["low"].min(), 1.0))
    along: dict[str, Any] = {
        "title": "difference in loss, points",
        "scale": alt.Scale(domain=[-reach, reach], nice=False),
        "axis": alt.Axis(
            values=[-reach, -reach / 2, 0, reach / 2, reach] if reach % 2 == 0 else [-reach, 0, reach],
            labelExpr="datum.value > 0 ? '+' + datum.label : datum.label",
            format=".0f",
            grid=True,
            ticks=False,
        ),
    }
    x = alt.X("points:Q", **along)
    y = alt.Y(
        "name:N",
        title=None,
        sort=None,
        axis=alt.Axis(
            labelLimit=layout.width // 2,
            labelExpr="split(datum.label, '|')",
            ticks=False,
            domain=False,
            labelPadding=words / 2,
        ),
    )
    domain = ["told apart", "not told apart"]
    legend = alt.Legend(title=None)
    color = alt.Color("apart:N", scale=alt.Scale(domain=domain, range=[SERIES[0], QUIET]), legend=legend)
    shape = alt.Shape("apart:N", scale=alt.Scale(domain=domain, range=["circle", "square"]), legend=legend)
    base = alt.Chart(frame)
    zero = alt.Chart(pd.DataFrame({"points": [0.0]})).mark_rule(strokeWidth=words / 9, strokeDash=[6, 5])
    return alt.layer(
        zero.encode(x=x, color=alt.value(INK)),
        base.mark_rule(strokeWidth=words / 5).encode(x=alt.X("low:Q", **along), x2="high:Q", y=y, color=color),
        base.mark_point(filled=True, size=layout.dot * 5, opacity=1).encode(x=x, y=y, color=color, shape=shape),
    ).properties(width=layout.width, height=layout.height, autosize=alt.AutoSizeParams(type="fit", contains="padding"))


def _pair(one: Difference, narrow: bool) -> str:
    """What is compared, with "|" where a narrow chart breaks the line."""
    named = f"{one.one} minus {one.other}"
    if not narrow:
        return f"{named}, at {one.at:,.0f} km"
    return (named if len(named) <= SHORT else f"{one.one} minus|{one.other}") + f"|at {one.at:,.0f} km"


def ceiling(value: float) -> float:
    """The next round number at or above a positive value."""
    for step in (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 35, 40, 50, 60, 80, 100):
        if value <= step:
            return float(step)
    return float(value)


def round_steps(top: float, most: int) -> list[float]:
    """Round tick values from 0 to `top`, at most `most` steps; whole numbers, since people tell no finer ones."""
    step = 1.0
    while top / step > most:
        mantissa = int(str(step)[0])
        step = step * 2 if mantissa == 1 else step * 2.5 if mantissa == 2 else step * 2
        step = float(round(step)) if step != 12.5 else 10.0
    count = int(top / step)
    return [number * step for number in range(count + 1)]


def style(layout: Layout) -> dict[str, Any]:
    """The look of words, axes and legends, by the layout's size of words."""
    words = layout.words
    return {
        "font": FONT,
        "aria": False,
        "background": "transparent",
        "view": {"stroke": None},
        "axis": {
            "labelFontSize": words, "titleFontSize": words, "titleFontWeight": "normal", "labelColor": QUIET,
            "titleColor": QUIET, "gridColor": GRID, "domainColor": QUIET, "tickColor": QUIET, "gridWidth": words / 16,
            "domainWidth": words / 14, "tickWidth": words / 14, "tickSize": words / 3,
            "titlePadding": words * 0.6, "labelPadding": words / 4,
        },
        "legend": {
            "orient": "top", "direction": "horizontal" if layout.width / words >= 40 else "vertical",
            "labelFontSize": words, "labelColor": INK, "symbolSize": (words * 0.8) ** 2, "symbolOpacity": 1,
            "labelLimit": 0,
            "columnPadding": words, "rowPadding": words / 4, "offset": words / 2, "symbolStrokeWidth": 0,
        },
    }  # fmt: skip
