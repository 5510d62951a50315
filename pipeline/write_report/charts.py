"""The charts as Vega-Lite specifications: every reading a mark, each curve with its band.

Titles and footers are set by `pictures.py` around them, so that one chart serves the page and the pictures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.write_report.chart_parts import Layout, Shown, ceiling, difference_chart, round_steps, style
from pipeline.write_report.estimates import X_COLUMN
from pipeline.write_report.figures import Axis, DrawnCurve, Figures
from pipeline.write_report.groups import DIMENSIONS
from pipeline.write_report.palette import DASHES, INK, PAPER, QUIET, SERIES, SHAPES
from pipeline.write_report.references import REGULATIONS

if TYPE_CHECKING:
    import pandas

    from pipeline.write_report.sections import ReportOptions

TOGETHER = len(SERIES)
"""Groups that are drawn in one panel; more get a panel each."""
MOST_PANELS = 6


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart: `name` for files, `title` for people, `axis` None for the chart of differences."""

    name: str
    title: str
    axis: Axis | None
    dimension: str

    @property
    def units(self) -> tuple[Shown, ...]:
        """The units in which its pictures are made."""
        return ("km", "mi") if self.axis == "distance" else ("years",) if self.axis == "age" else ("km",)


def charts_of(figures: Figures) -> list[Chart]:
    """The charts that the figures can fill, the most telling first."""
    told = []
    for axis, along in (("distance", "distance driven"), ("age", "age")):
        for dimension in ("all", *DIMENSIONS):
            drawn = figures.of(axis, dimension)  # type: ignore[arg-type]
            if not drawn:
                continue
            by = "" if dimension == "all" else f", by {dimension}"
            told.append(
                Chart(f"loss-by-{axis}-{dimension.replace(' ', '-')}", f"Battery loss and {along}{by}", axis, dimension)  # type: ignore[arg-type]
            )
    if figures.differences:
        told.append(Chart("differences", "Differences between groups", None, "all"))
    return told


def specification(
    chart: Chart,
    figures: Figures,
    vehicles: pandas.DataFrame,
    options: ReportOptions,
    layout: Layout,
    shown: Shown,
    most_dots: int | None = None,
) -> dict[str, Any]:
    """The Vega-Lite specification of a chart; `most_dots` thins the readings (evenly along the axis) for the page."""
    import altair as alt
    from altair.utils.schemapi import debug_mode

    alt.data_transformers.disable_max_rows()
    # Checking each part against the schema as it is made takes most of the time; a test checks whole specifications.
    with debug_mode(False):
        if chart.axis is None:
            drawn = difference_chart(figures.differences, layout)
        else:
            curves = figures.of(chart.axis, chart.dimension)
            rows = readings(vehicles, chart.axis, chart.dimension, [one.group for one in curves], most_dots)
            scene = _Scene(chart.axis, layout, shown, rows, curves, options, plain=chart.dimension == "all")
            together = len(curves) <= TOGETHER
            drawn = scene.together() if together else scene.panels(figures.of(chart.axis, "all"))
        told: dict[str, Any] = drawn.configure(**style(layout)).to_dict()
    return told


def readings(
    vehicles: pandas.DataFrame, axis: Axis, dimension: str, groups: Sequence[str], most: int | None = None
) -> pandas.DataFrame:
    """The readings of the groups: columns x (km or years), y (%), group."""
    import numpy as np
    import pandas as pd

    known = vehicles[vehicles["loss_pct"].notna() & vehicles[X_COLUMN[axis]].notna() & (vehicles[X_COLUMN[axis]] >= 0)]
    named = known[DIMENSIONS[dimension]] if dimension != "all" else pd.Series(groups[0], index=known.index)
    rows = pd.DataFrame({"x": known[X_COLUMN[axis]], "y": known["loss_pct"], "group": named})
    rows = rows[rows["group"].isin(groups)].sort_values(["x", "y"]).reset_index(drop=True)
    if most is not None and len(rows) > most:
        rows = rows.iloc[np.linspace(0, len(rows) - 1, most).astype(int)].reset_index(drop=True)
    return rows


class _Scene:
    """Draws curves, bands and readings of one chart."""

    def __init__(
        self,
        axis: Axis,
        layout: Layout,
        shown: Shown,
        rows: pandas.DataFrame,
        curves: list[DrawnCurve],
        options: ReportOptions,
        *,
        plain: bool,
    ) -> None:
        import numpy as np

        self.axis, self.layout, self.shown, self.curves, self.options = axis, layout, shown, curves, options
        self.per = KM_PER_MILE if shown == "mi" else 1.0
        self.plain = plain
        self.lines = plain and axis == "distance"
        self.regulations = [REGULATIONS[key] for key in options.regulations] if plain else []
        highest = max(float(np.max(curve.high)) for curve in curves)
        asked = [loss for one in self.regulations for *_, loss in one.steps]
        if self.lines:
            asked += [max(one.loss_pct) for one in options.references]
        most = float(rows["y"].max())
        top = max(2.0 * highest, float(np.percentile(rows["y"], 97)), *asked, 5.0)
        # A few losses far above would press everything else together: they are drawn at the edge, as such.
        self.top = ceiling(most if most <= 1.25 * top else top)
        self.bottom = min(0.0, -ceiling(-float(rows["y"].min()))) if float(rows["y"].min()) < 0 else 0.0
        self.right = float(np.percentile(rows["x"], 99.5)) * 1.02 / self.per
        self.rows = rows.assign(x=rows["x"] / self.per, above=rows["y"] > self.top)
        self.rows = self.rows[self.rows["x"] <= self.right]
        self.rows["y"] = self.rows["y"].clip(upper=self.top)
        self.opacity = float(np.clip(9 / np.sqrt(max(len(rows), 1)), 0.12, 0.6))

    def x(self, field: str = "x", *, title: bool = True, thousands: bool = False) -> Any:
        import altair as alt

        words = {"km": "distance driven, km", "mi": "distance driven, miles", "both": "distance driven"}
        name = words.get(self.shown, "age, years")
        roomy = self.layout.width / self.layout.words >= 40
        values = round_steps(self.right, 8 if roomy and not thousands else 5)
        axis: dict[str, Any] = {"values": values, "grid": False, "domain": True, "ticks": True, "labelFlush": False}
        if thousands and self.axis == "distance":
            name = f"thousand {'miles' if self.shown == 'mi' else 'km'} driven"
            axis["labelExpr"] = "format(datum.value / 1000, ',')"
        elif self.shown == "both":
            axis["labelExpr"] = (
                "datum.value == 0 ? ['0', ''] : [format(datum.value, ',') + ' km', "
                f"format(round(datum.value / {1000 * KM_PER_MILE}) * 1000, ',') + ' miles']"
            )
        else:
            axis["format"] = ",.0f"
        scale = alt.Scale(domain=[0, self.right], nice=False, zero=True)
        return alt.X(f"{field}:Q", title=name if title else None, axis=alt.Axis(**axis), scale=scale)

    def y(self, field: str = "y", *, title: bool = True, short: bool = False) -> Any:
        import altair as alt

        values = [value for value in round_steps(self.top, 7) if value >= self.bottom]
        return alt.Y(
            f"{field}:Q",
            title=("loss, %" if short else "loss, % of new") if title else None,
            axis=alt.Axis(values=values, format=".0f", grid=True, domain=False, ticks=False),
            scale=alt.Scale(domain=[self.bottom, self.top], nice=False),
        )

    def together(self) -> Any:
        """All groups in one panel, with a legend where there are several."""
        import altair as alt

        names = [curve.group for curve in self.curves]
        labels = {one.group: f"{one.group} ({one.vehicles} vehicles)" for one in self.curves}
        domain = [labels[name] for name in names]
        legend = None if len(names) == 1 else alt.Legend(title=None)
        rows = self.rows.assign(group=self.rows["group"].map(labels))
        color = alt.Color("group:N", scale=alt.Scale(domain=domain, range=list(SERIES[: len(names)])), legend=legend)
        shape = alt.Shape("group:N", scale=alt.Scale(domain=domain, range=list(SHAPES[: len(names)])), legend=legend)
        dash = alt.StrokeDash("group:N", scale=alt.Scale(domain=domain, range=list(DASHES[: len(names)])), legend=None)
        frame = _curve_frame(self.curves, self.per).assign(group=lambda held: held["group"].map(labels))
        layers = [self._dots(rows[~rows["above"]], color, shape), *self._edge(rows[rows["above"]], color)]
        layers += self._curves(frame, color, dash)
        layers += self._regulation_lines() + self._references()
        return (
            alt.layer(*layers)
            .resolve_scale(color="shared", shape="shared", strokeDash="independent")
            .properties(
                width=self.layout.width,
                height=self.layout.height,
                autosize=alt.AutoSizeParams(type="fit", contains="padding"),
            )
        )

    def panels(self, everybody: list[DrawnCurve]) -> Any:
        """A panel a group, each with the curve of all vehicles in grey."""
        import altair as alt

        shown = self.curves[:MOST_PANELS]
        columns = min(self.layout.panels, len(shown))
        lines = -(-len(shown) // columns)
        words = self.layout.words
        # Around each panel stand its numbers, its title and the space between; axis titles only at the outer edge.
        width = int((self.layout.width - 2 * words) / columns - 3.1 * words)
        height = int((self.layout.height - 2 * words) / lines - 4.4 * words)
        made = []
        for number, curve in enumerate(shown):
            rows = self.rows[self.rows["group"] == curve.group]
            blue = alt.value(SERIES[0])
            x = self.x(title=number // columns == lines - 1, thousands=True)
            y = self.y(title=number % columns == 0, short=True)
            base = alt.Chart(rows[~rows["above"]]).mark_point(
                filled=True, size=self.layout.dot, opacity=min(0.7, self.opacity * 1.3)
            )
            layers = [base.encode(x=x, y=y, color=blue), *self._edge(rows[rows["above"]], blue, x=x, y=y)]
            if everybody:
                all_frame = _curve_frame(everybody, self.per)
                layers.append(
                    alt.Chart(all_frame)
                    .mark_line(strokeWidth=words / 8, clip=True)
                    .encode(x=x, y=y, color=alt.value(QUIET))
                )
            low = self.y("low", title=number % columns == 0, short=True)
            layers += self._curves(_curve_frame([curve], self.per), blue, None, x=x, y=y, low=low)
            title = alt.TitleParams(f"{curve.group} ({curve.vehicles})", anchor="start", fontSize=words, color=INK)
            made.append(alt.layer(*layers).properties(width=width, height=height, title=title))
        return alt.concat(*made, columns=columns, spacing=int(words * 0.9))

    def _dots(self, rows: pandas.DataFrame, color: Any, shape: Any) -> Any:
        import altair as alt

        mark = alt.Chart(rows).mark_point(filled=True, size=self.layout.dot, opacity=self.opacity, clip=True)
        return mark.encode(x=self.x(), y=self.y(), color=color, shape=shape)

    def _edge(self, rows: pandas.DataFrame, color: Any, *, x: Any = None, y: Any = None) -> list[Any]:
        """Readings above the chart, as hollow triangles at its upper edge."""
        import altair as alt

        if rows.empty:
            return []
        mark = alt.Chart(rows).mark_point(
            shape="triangle-up", filled=False, size=self.layout.dot * 2, strokeWidth=self.layout.words / 10, opacity=0.9
        )
        return [mark.encode(x=x or self.x(), y=y or self.y(), color=color)]

    def _curves(
        self, frame: pandas.DataFrame, color: Any, dash: Any, *, x: Any = None, y: Any = None, low: Any = None
    ) -> list[Any]:
        import altair as alt

        x, y, low = x or self.x(), y or self.y(), low or self.y("low")
        band = alt.Chart(frame).mark_area(opacity=0.22, clip=True)
        line = alt.Chart(frame).mark_line(strokeWidth=self.layout.words / 5, clip=True)
        under = alt.Chart(frame).mark_line(strokeWidth=self.layout.words / 2.6, clip=True, opacity=0.85)
        encoded = {"x": x, "y": y, "color": color} | ({"strokeDash": dash} if dash is not None else {})
        detail = {"detail": "group:N"}
        return [
            band.encode(x=x, y=low, y2="high:Q", color=color),
            under.encode(x=x, y=y, color=alt.value(PAPER), **detail),
            line.encode(**encoded),
        ]

    def _regulation_lines(self) -> list[Any]:
        import altair as alt
        import pandas as pd

        names: dict[tuple[float, float, float], list[str]] = {}
        for one in self.regulations:
            begun = 0.0
            for km, years, loss in one.steps:
                end = (km / self.per) if self.axis == "distance" else years
                if begun < self.right:
                    names.setdefault((begun, min(end, self.right), loss), []).append(one.label)
                begun = end
        layers: list[Any] = []
        ink = alt.value(INK)
        for (begun, end, loss), labels in names.items():
            late = begun > 0.4 * self.right  # words that begin there would run out of the chart
            told = f"{', '.join(labels)}: {100 - loss:.0f} % must be left"
            step = pd.DataFrame([{"x": begun, "x2": end, "y": loss, "at": end if late else begun, "name": told}])
            rule = alt.Chart(step).mark_rule(strokeWidth=self.layout.words / 8, strokeDash=[8, 5])
            # Where two lines run close together, the words of one go on its other side.
            under = any(loss < other < loss + 0.08 * self.top for *_, other in names)
            text = alt.Chart(step).mark_text(
                align="right" if late else "left", baseline="top" if under else "bottom", dx=-4 if late else 4,
                dy=4 if under else -3, fontSize=self.layout.words * 0.8,
            )  # fmt: skip
            layers += [
                rule.encode(x=self.x(), x2="x2:Q", y=self.y(), color=ink),
                text.encode(x=self.x("at"), y=self.y(), text="name:N", color=ink),
            ]
        return layers

    def _references(self) -> list[Any]:
        import altair as alt
        import pandas as pd

        layers: list[Any] = []
        for one in self.options.references if self.lines else ():
            frame = pd.DataFrame({"x": [km / self.per for km in one.km], "y": one.loss_pct})
            frame = frame[frame["x"] <= self.right]
            if frame.empty:
                continue
            ink = alt.value(INK)
            last = frame.iloc[[-1]].assign(name=one.label)
            line = alt.Chart(frame).mark_line(
                strokeWidth=self.layout.words / 7,
                strokeDash=[2, 4],
                point=alt.OverlayMarkDef(shape="diamond", size=self.layout.dot * 1.6, color=INK),
            )
            text = alt.Chart(last).mark_text(
                align="right", baseline="bottom", dx=-4, dy=-8, fontSize=self.layout.words * 0.8
            )
            layers += [
                line.encode(x=self.x(), y=self.y(), color=ink),
                text.encode(x=self.x(), y=self.y(), text="name:N", color=ink),
            ]
        return layers


def _curve_frame(curves: Sequence[DrawnCurve], per: float) -> pandas.DataFrame:
    import pandas as pd

    frames = [
        pd.DataFrame({"x": one.x / per, "y": one.median, "low": one.low, "high": one.high, "group": one.group})
        for one in curves
    ]
    return pd.concat(frames, ignore_index=True)
