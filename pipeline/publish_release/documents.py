"""The words of a release: method, codebook, changelog; written once as Markdown and turned into pages."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pipeline
from pipeline.check_reports.findings import findings
from pipeline.publish_release.anonymise import TOLERATED, Anonymised, person_names
from pipeline.publish_release.compare_releases import Compared
from pipeline.publish_release.descriptors import About
from pipeline.publish_release.published_tables import Table, Told
from pipeline.publish_release.sources import Sources
from pipeline.publish_release.split_classes import Rules

if TYPE_CHECKING:
    import jinja2
    import pandas

TEMPLATES = Path(__file__).with_name("templates")
DIVERSITY_WORDS = {
    "distinct": "at least {level:g} different groups of loss",
    "entropy": "an entropy of at least that of {level:g} even groups of loss",
    "closeness": "no further than {level:g} from the whole (ordered earth mover's distance)",
}


@dataclass(frozen=True, slots=True)
class Facts:
    """All that the documents tell."""

    about: About
    rules: Rules
    linkable: bool
    record: dict[str, Any]
    sources: Sources
    months: tuple[str, str] | None
    steps: list[tuple[str, int]]
    made: Anonymised
    tables: list[Table]
    accuracy: dict[str, Any] | None

    @classmethod
    def gather(
        cls, about: About, rules: Rules, linkable: bool, record: dict[str, Any], sources: Sources,
        frame: pandas.DataFrame, made: Anonymised, tables: list[Table], accuracy: Path | None,
    ) -> Facts:  # fmt: skip
        """Gathers them from a run's record, its reports (copies included) and what was made of them."""
        counts = record["counts"]
        originals = frame[frame["copy_of"].isna()]
        steps = [
            ("records read", counts["records"]["read"]),
            ("records kept", counts["records"]["kept"]),
            ("responses that are copies", counts["response_copies"]),
            ("reports", len(frame)),
            ("reports that are copies, left out", len(frame) - len(originals)),
            ("reports left out to protect people", made.cost.rows_left_out),
            ("reports published", len(made.reports)),
            ("of these usable for figures", int(made.reports["usable"].sum())),
            ("of these the latest of their vehicle", int(made.reports["latest"].sum())),
        ]
        measured = _measured(accuracy) if accuracy is not None else None
        months = _months(originals, rules.k)
        return cls(about, rules, linkable, record, sources, months, steps, made, tables, measured)

    @property
    def table(self) -> dict[str, Table]:
        """The tables by name."""
        return {table.name: table for table in self.tables}


def _months(originals: pandas.DataFrame, k: int) -> tuple[str, str] | None:
    """The first and the last month in which at least k people posted."""
    month = originals["posted_at"].dt.strftime("%Y-%m")
    people = person_names(originals).groupby(month).nunique()
    told = sorted(people[people >= k].index)
    return (told[0], told[-1]) if told else None


def _measured(path: Path) -> dict[str, Any]:
    from pipeline.dataset_columns import FIELD_NAMES
    from pipeline.score_readings.saved_run import load_run
    from pipeline.score_readings.score import Estimate, Scorer

    counted = load_run(path)
    scorer = Scorer(counted)

    def told(one: Estimate) -> str:
        if one.value is None:
            return "-"
        return f"{one.value:.2f} ({one.low:.2f} to {one.high:.2f})" if one.low is not None else f"{one.value:.2f}"

    fields = []
    for name in FIELD_NAMES:
        if name != "vehicle_text":
            score = scorer.field(name)
            fields.append(
                {"name": name, "precision": told(score.precision), "recall": told(score.recall), "f1": told(score.f1)}
            )
    return {"responses": len(counted), "fields": fields}


@cache
def environment() -> jinja2.Environment:
    """The templates; HTML is escaped, Markdown is not (`cell` makes a text safe for it)."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=lambda name: name is not None and name.endswith(".html.jinja"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
    )


def _tidy(text: str) -> str:
    """Without the blank lines that a template's own lines leave behind, three or more in a row."""
    lines: list[str] = []
    for line in text.splitlines():
        if line.strip() or (lines and lines[-1]):
            lines.append(line.rstrip())
    return "\n".join(lines).rstrip() + "\n"


def _plain(about: About) -> dict[str, Any]:
    """What the publisher wrote, made fit for Markdown: no line breaks, no sign that begins markup."""
    return {
        name: _cell(getattr(about, name))
        for name in ("title", "creator", "publisher", "question", "sponsor", "contact")
    } | {"version": about.version, "licence": about.licence}


def _cell(text: str) -> str:
    return "".join(f"\\{sign}" if sign in "\\`*_[]<>|#" else sign for sign in " ".join(text.split()))


def method(facts: Facts) -> str:
    """method.md."""
    made = facts.made
    quasi = [name.removesuffix("_band").replace("_", " ") for name in made.quasi]
    diversity = DIVERSITY_WORDS[facts.rules.diversity.kind].format(level=facts.rules.diversity.level)
    text = environment().get_template("method.md.jinja").render(
        about=_plain(facts.about), program=pipeline.__version__, k=facts.rules.k, diversity=diversity,
        first_month=facts.months[0] if facts.months else None, last_month=facts.months[1] if facts.months else None,
        sources=facts.sources.told, small_sources=facts.sources.summed_up, steps=facts.steps,
        rules=facts.record["rules"], accuracy=facts.accuracy, linkable=facts.linkable,
        quasi_words=", ".join(quasi).capitalize(), tolerated=TOLERATED, cost=made.cost, ends=_ends(made),
        changes=made.changes, moved=made.moved, published_rows=len(made.reports),
    )  # fmt: skip
    return _tidy(text)


def _ends(made: Anonymised) -> list[tuple[str, str]]:
    told = []
    for name, (low, high) in made.cost.ends.items():
        words = [
            f"up from {low:g} and below" if low is not None else "",
            f"down from {high:g} and above" if high is not None else "",
        ]
        if any(words):
            told.append((name, ", ".join(word for word in words if word)))
    return told


def codebook(facts: Facts) -> str:
    """codebook.md, drawn from the column list."""
    book = findings()
    used = {code for row in facts.made.reports["flags"].dropna() for code in row.split("; ")}
    flags = [(code, book[code].rule if code in book else "") for code in sorted(used)]

    def filled(table: Table, column: Told) -> str:
        share = table.frame[column.name].notna().mean() if len(table.frame) else 0.0
        return f"{100 * share:.0f}"

    text = (
        environment()
        .get_template("codebook.md.jinja")
        .render(about=_plain(facts.about), tables=facts.tables, filled=filled, flags=flags)
    )
    return _tidy(text)


def changelog(facts: Facts, compared: Compared | None) -> str:
    """CHANGELOG.md, with the entries of the release before under this one's."""
    text = (
        environment()
        .get_template("changelog.md.jinja")
        .render(
            about=_plain(facts.about), compared=compared, k=facts.rules.k, earlier=compared.earlier if compared else ""
        )
    )
    return _tidy(text)


def to_page(markdown: str, about: About) -> str:
    """A Markdown document as a page of its own; markup in it is shown, never run."""
    title = markdown.splitlines()[0].lstrip("# ").strip()
    return (
        environment()
        .get_template("page.html.jinja")
        .render(title=title.split(":")[0], dataset=about.title, body=to_html(markdown), style=style())
    )


def to_html(markdown: str) -> str:
    """Markdown as HTML (CommonMark and tables, no raw HTML); wide tables scroll by themselves."""
    from markdown_it import MarkdownIt

    html = str(MarkdownIt("commonmark", {"html": False}).enable("table").render(markdown))
    opening = '<div class="wide" role="region" aria-label="table" tabindex="0"><table>'
    return html.replace("<table>", opening).replace("</table>", "</table></div>")


def style() -> str:
    """The one style sheet."""
    return (TEMPLATES / "style.css").read_text("utf-8")


def escaped(text: str) -> str:
    """A text as HTML holds it."""
    return escape(text)
