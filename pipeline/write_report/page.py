"""The page: all sections in one HTML file that holds everything it shows."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

import pipeline
from pipeline.write_report.palette import dark_rules
from pipeline.write_report.sections import ReportContext, Section, visible

HERE = Path(__file__).parent

MAKERS = (
    "in_short",
    "claims_section",
    "before_you_publish",
    "along_distance",
    "along_age",
    "group_differences",
    "habit_section",
    "how_firm",
    "beside_references",
    "quotes",
    "ask_again",
    "method",
)
"""The modules that make the sections (`make(context)`), in the page's order."""


def sections_of(context: ReportContext) -> list[Section]:
    """The sections that have something to say."""
    made = (import_module(f"{__package__}.{name}").make(context) for name in MAKERS)
    return [section for section in made if section is not None]


def page_html(context: ReportContext, sections: Sequence[Section]) -> str:
    """The whole page; titles and such are escaped by the template, bodies come escaped."""
    from jinja2 import Environment, StrictUndefined

    template = Environment(autoescape=True, undefined=StrictUndefined, keep_trailing_newline=True).from_string(
        (HERE / "page.html.jinja").read_text("utf-8")
    )
    style = (HERE / "page.css").read_text("utf-8")
    dark = f"@media screen and (prefers-color-scheme: dark) {{\n{dark_rules('.chart')}\n}}\n"
    return template.render(
        title=visible(context.options.title),
        lede=_lede(context),
        sections=sections,
        style=style + dark,
        version=pipeline.__version__,
        run=context.run.name,
        written_at=f"{context.written_at:%Y-%m-%d %H:%M} UTC",
    )


def _lede(context: ReportContext) -> str:
    vehicles = context.vehicles
    told = vehicles[vehicles["loss_pct"].notna()]
    return (
        f"{told['person'].nunique():,} people told how much the batteries of {len(told):,} electric vehicles have "
        f"lost. "
        "This page says what their answers show, how firm that is, and what must not be claimed from it."
    )
