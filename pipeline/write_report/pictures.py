"""Charts as pictures: SVG and PNG for video and vertical video, light and dark, in kilometres and in miles.

Vega draws each chart without any network (vl-convert); a frame with title, note and source is set around it here, so
that a picture that is passed on alone still says what it is.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.write_report.chart_parts import FONT, Layout
from pipeline.write_report.charts import Chart, specification
from pipeline.write_report.estimates import X_COLUMN
from pipeline.write_report.figures import Figures
from pipeline.write_report.groups import DIMENSIONS
from pipeline.write_report.palette import INK, PAPER, QUIET, darkened
from pipeline.write_report.sections import escaped

if TYPE_CHECKING:
    import pandas

    from pipeline.write_report.chart_parts import Shown
    from pipeline.write_report.sections import ReportOptions

CAPTION = (
    "Each mark is one vehicle as its driver tells it; line: median, band: 95 % interval. The people chose "
    "themselves to answer: this is no measurement and not all drivers."
)
DIFFERENCE_CAPTION = (
    "Dot: difference of medians, line: 95 % interval. The people chose themselves to answer: this is no "
    "measurement and not all drivers."
)


@dataclass(frozen=True, slots=True)
class Frame:
    """A picture's size (pixels), margin, and the sizes of its words."""

    name: str
    width: int
    height: int
    margin: int
    title: int
    note: int
    words: int
    panels: int


FRAMES = (
    Frame("1920x1080", 1920, 1080, 64, 60, 36, 34, 3),
    Frame("1080x1920", 1080, 1920, 56, 58, 38, 36, 2),
)

PAGE_WIDE = Layout("wide", 860, 480, 16, 3)
PAGE_NARROW = Layout("narrow", 350, 400, 13, 1)
"""The page's own two drawings of a chart: a phone shows the narrow one at its full size."""
DOTS_WIDE, DOTS_NARROW = 1200, 500


def drawn(
    chart: Chart,
    figures: Figures,
    vehicles: pandas.DataFrame,
    options: ReportOptions,
    layout: Layout,
    shown: Shown,
    most_dots: int | None = None,
) -> str:
    """A chart as SVG in the light colours, without background."""
    import vl_convert

    told = specification(chart, figures, vehicles, options, layout, shown, most_dots)
    return _plainer(str(vl_convert.vegalite_to_svg(told)), f"{chart.name}-{layout.name}")


def for_page(chart: Chart, figures: Figures, vehicles: pandas.DataFrame, options: ReportOptions) -> str:
    """A chart for the page, as two SVG drawings of which the style sheet shows the one that fits."""
    shown: Shown = "both" if chart.axis == "distance" else chart.units[0]
    pieces = []
    for layout, dots in ((PAGE_WIDE, DOTS_WIDE), (PAGE_NARROW, DOTS_NARROW)):
        fitted = _fitted(chart, figures, layout)
        svg = drawn(chart, figures, vehicles, options, fitted, shown, dots)
        named = svg.replace("<svg ", f'<svg role="img" aria-label="{escaped(chart.title)}" ', 1)
        pieces.append(f'<div class="chart {layout.name}">{named}</div>')
    return "".join(pieces)


def _fitted(chart: Chart, figures: Figures, layout: Layout) -> Layout:
    """The page's layout, higher or lower where the number of panels or of differences asks for it."""
    from dataclasses import replace

    from pipeline.write_report.charts import MOST_PANELS, TOGETHER

    if chart.axis is None:
        each = layout.words * (3.2 if layout is PAGE_WIDE else 5.4)
        return replace(layout, height=int(len(figures.differences) * each + layout.words * 7))
    count = min(len(figures.of(chart.axis, chart.dimension)), MOST_PANELS)
    if count <= TOGETHER:
        return layout
    lines = -(-count // layout.panels)
    return replace(layout, height=int(lines * layout.words * 15))


def framed_pictures(
    chart: Chart, figures: Figures, vehicles: pandas.DataFrame, options: ReportOptions
) -> Iterator[tuple[str, str]]:
    """A chart's pictures as (name without ending, SVG): each size and unit, light and dark."""
    for frame in FRAMES:
        for shown in chart.units:
            svg = _framed(chart, figures, vehicles, options, frame, shown)
            unit = f"-{shown}" if chart.axis == "distance" else ""
            yield f"{chart.name}{unit}-light-{frame.name}", svg
            yield f"{chart.name}{unit}-dark-{frame.name}", darkened(svg)


def png_of(svg: str) -> bytes:
    """An SVG picture as PNG, pixel for pixel."""
    import vl_convert

    return bytes(vl_convert.svg_to_png(svg, scale=1.0, ppi=72.0))


def source_line(chart: Chart, figures: Figures, vehicles: pandas.DataFrame, options: ReportOptions) -> str:
    """Whose answers a picture shows, and how many."""
    if chart.axis is None:
        return f"{options.audience}: each pair at one distance, nothing else held equal"
    column = DIMENSIONS.get(chart.dimension)
    drawn = {curve.group for curve in figures.of(chart.axis, chart.dimension)}
    rows = vehicles[vehicles["loss_pct"].notna() & vehicles[X_COLUMN[chart.axis]].notna()]
    if column is not None:
        rows = rows[rows[column].isin(drawn)]
    return f"{options.audience}: {len(rows):,} vehicles of {rows['person'].nunique():,} people"


def _framed(
    chart: Chart, figures: Figures, vehicles: pandas.DataFrame, options: ReportOptions, frame: Frame, shown: Shown
) -> str:
    inner = frame.width - 2 * frame.margin
    title = _wrapped(chart.title, inner, frame.title)
    note = _wrapped(source_line(chart, figures, vehicles, options), inner, frame.note)
    caption = _wrapped(CAPTION if chart.axis else DIFFERENCE_CAPTION, inner, frame.note * 0.78)
    y = frame.margin + frame.title
    pieces = []
    for line in title:
        pieces.append(_text(line, frame.margin, y, frame.title, INK, weight=700))
        y += int(frame.title * 1.15)
    y += int(frame.note * 0.1)
    for line in note:
        pieces.append(_text(line, frame.margin, y, frame.note, QUIET))
        y += int(frame.note * 1.3)
    size = round(frame.note * 0.78)
    bottom = frame.height - frame.margin - int((len(caption) - 1) * size * 1.35)
    for number, line in enumerate(caption):
        pieces.append(_text(line, frame.margin, bottom + int(number * size * 1.35), size, QUIET))
    top, end = y - frame.note // 2, bottom - int(size * 1.9)
    layout = Layout(frame.name, inner, end - top, frame.words, frame.panels)
    held = drawn(chart, figures, vehicles, options, layout, shown)
    pieces.append(_placed(held, frame.margin, top, inner, end - top))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{frame.width}" height="{frame.height}" '
        f'viewBox="0 0 {frame.width} {frame.height}" role="img" aria-label="{escaped(chart.title)}">'
        f'<rect width="{frame.width}" height="{frame.height}" fill="{PAPER}"/>{"".join(pieces)}</svg>'
    )


def _placed(svg: str, left: int, top: int, width: int, height: int) -> str:
    """A drawing inside another, at its place, as large as it fits."""
    attributes = f'x="{left}" y="{top}" width="{width}" height="{height}" preserveAspectRatio="xMidYMin meet"'
    return re.sub(r'^<svg([^>]*?) width="[^"]*" height="[^"]*"', rf"<svg\1 {attributes}", svg, count=1)


def _text(words: str, x: int, y: int, size: float, colour: str, weight: int = 400) -> str:
    return (
        f'<text x="{x}" y="{y}" font-family="{escaped(FONT)}" font-size="{size}" font-weight="{weight}" '
        f'fill="{colour}">{escaped(words)}</text>'
    )


def _wrapped(words: str, width: float, size: float) -> list[str]:
    """Lines that fit into a width: letters of such fonts are half as wide as high on average, here with some room."""
    return textwrap.wrap(words, max(10, int(width / (size * 0.49))))


_LONG_NUMBER = re.compile(r"(\d+\.\d)\d+")


_CLIP = re.compile(r"\bclip(\d+)\b")


def _plainer(svg: str, name: str) -> str:
    """The drawing with coordinates to a tenth of a pixel, and names of its own for what Vega numbers through.

    Several drawings stand on one page, where a name may occur only once; and the same chart shall be the same file.
    """
    numbers = {number: str(place) for place, number in enumerate(dict.fromkeys(_CLIP.findall(svg)), 1)}
    return _CLIP.sub(lambda found: f"{name}-clip{numbers[found[1]]}", _LONG_NUMBER.sub(r"\1", svg))
