"""Writes a report: reads a run, works out the figures, makes page, pictures and tables, and puts them in place."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.util import find_spec
from multiprocessing import get_context
from os import cpu_count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pipeline
from pipeline.keep_ledger.ledger import open_ledger
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.problems import UsageProblem
from pipeline.write_report.load import run_folder, run_table
from pipeline.write_report.report_folder import FIGURES, earlier_figures, put_in_place, writing_reports
from pipeline.write_report.sections import ReportContext, ReportOptions, Section

if TYPE_CHECKING:
    from pipeline.write_report.figures import Figures

LIBRARIES = ("altair", "jinja2", "pandas", "scipy", "statsmodels", "vl_convert")
"""What a report needs besides what a build needs: the extra `report`."""

PAGE = "index.html"
MOST_PROCESSES = 4

Stage = Callable[[str], Any]


@dataclass(frozen=True, slots=True)
class WrittenReport:
    """A report in place: its folder, its page, the sections of the page, the number of picture files."""

    folder: Path
    page: Path
    sections: tuple[Section, ...]
    figures: Figures
    pictures: int


def write_report(
    ledger: Path,
    to: Path,
    *,
    run: str | None = None,
    options: ReportOptions | None = None,
    pictures: bool = True,
    at: datetime | None = None,
    stage: Stage = lambda name: None,
) -> WrittenReport:
    """Writes a report of a run (the latest where `run` is None) of `ledger` into the folder of reports `to`.

    `at` is the moment that the report tells (now, UTC); `stage` is told what is being done.  The same run, options and
    moment give the same files.  Raises `UsageProblem` (a library is missing, no such run), `LedgerProblem` (no ledger,
    a damaged table, a folder of other things).
    """
    require_libraries()
    moment = at or datetime.now(UTC)
    options = options or ReportOptions()
    folder = run_folder(open_ledger(ledger), run)
    with writing_reports(to):
        context = context_of(ledger, folder, options, moment, earlier_figures(to), stage)
        from pipeline.write_report.page import page_html, sections_of

        stage("writing the page")
        sections = sections_of(context)
        files: list[tuple[str, str | bytes]] = [(PAGE, page_html(context, sections))]
        files += [(FIGURES, _figures_text(context)), *_tables(context)]
        files += [(name, content) for section in sections for name, content in section.files.items()]
        count = [0]

        def everything() -> Iterator[tuple[str, str | bytes]]:
            yield from files
            for name, content in _pictures(context, stage) if pictures else ():
                count[0] += 1
                yield name, content

        place = put_in_place(to, everything(), moment)
    return WrittenReport(place, place / PAGE, tuple(sections), context.figures, count[0])


def require_libraries() -> None:
    """Raises `UsageProblem` with the command to type where a library of the extra `report` is missing."""
    missing = [name for name in LIBRARIES if find_spec(name) is None]
    if missing:
        raise UsageProblem(
            f"a report needs libraries that are not installed ({', '.join(missing)})",
            todo='pip install "crowdfade[report]"',
        )


def context_of(
    ledger: Path,
    run: Path,
    options: ReportOptions,
    at: datetime,
    earlier: Any = None,
    stage: Stage = lambda name: None,
) -> ReportContext:
    """The context of a run, with all figures worked out."""
    from pipeline.sum_up.cross_section import as_frame, cross_section
    from pipeline.write_report.compute import compute
    from pipeline.write_report.groups import prepared

    stage("reading the run")
    table = run_table(run, "reports")
    reports, vehicles = as_frame(table), prepared(cross_section(table))
    figures = compute(reports, vehicles, options, stage)
    return ReportContext(ledger, run, read_run_record(run), reports, vehicles, figures, options, at, earlier)


def _figures_text(context: ReportContext) -> str:
    options = context.options
    told = {
        "what": "crowdfade report",
        "version": pipeline.__version__,
        "run": context.run.name,
        "written_at": f"{context.written_at:%Y-%m-%dT%H:%M:%SZ}",
        "options": {
            "fewest": options.fewest, "resamples": options.resamples, "seed": options.seed, "title": options.title,
            "references": sorted({one.label for one in options.references}), "regulations": list(options.regulations),
        },
        **context.figures.plain(),
    }  # fmt: skip
    return json.dumps(told, indent=1, ensure_ascii=False) + "\n"


def _tables(context: ReportContext) -> Iterator[tuple[str, str]]:
    """The figures as CSV files: estimates, curves, differences, sensitivity."""
    from dataclasses import asdict

    from pipeline.write_report.report_files import csv_text

    figures = context.figures
    for name, held in (
        ("estimates", figures.estimates),
        ("differences", figures.differences),
        ("sensitivity", figures.sensitivity),
        ("shares", figures.shares),
    ):
        rows: Sequence[Any] = held
        if rows:
            plain = [asdict(one) for one in rows]
            cells = [[_cell(value) for value in row.values()] for row in plain]
            yield f"tables/{name}.csv", csv_text(list(plain[0]), cells)
    headers = ["axis", "dimension", "group", "x", "unit", "median_pct", "low_pct", "high_pct"]
    points = [
        [curve.axis, curve.dimension, curve.group, round(float(x), 3), "km" if curve.axis == "distance" else "years",
         round(float(median), 2), round(float(low), 2), round(float(high), 2)]
        for curve in figures.curves
        for x, median, low, high in zip(curve.x, curve.median, curve.low, curve.high, strict=True)
    ]  # fmt: skip
    if points:
        yield "tables/curves.csv", csv_text(headers, points)


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 2)
    return ", ".join(map(str, value)) if isinstance(value, tuple) else value


def _pictures(context: ReportContext, stage: Stage) -> Iterator[tuple[str, bytes]]:
    """The charts' files.  PNGs are drawn by processes of their own, since that is nearly all of the time."""
    from pipeline.write_report.charts import charts_of
    from pipeline.write_report.pictures import framed_pictures, png_of

    charts = charts_of(context.figures)
    if not charts:
        return
    workers = max(1, min(MOST_PROCESSES, cpu_count() or 1))
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        waiting = []
        for number, chart in enumerate(charts, 1):
            stage(f"drawing pictures ({number} of {len(charts)})")
            for stem, svg in framed_pictures(chart, context.figures, context.vehicles, context.options):
                waiting.append((stem, pool.submit(png_of, svg)))
                yield f"pictures/{stem}.svg", svg.encode()
        stage("drawing pictures (PNG)")
        for stem, drawn in waiting:
            yield f"pictures/{stem}.png", drawn.result()
