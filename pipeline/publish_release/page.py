"""index.html of a release: one file without scripts or network, for a phone, a keyboard and a screen reader alike.

A chart is a table whose middle cells are drawn, so that it grows and shrinks with the page and is read out as figures.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.publish_release.descriptors import MEDIA, About, citation_line
from pipeline.publish_release.documents import DIVERSITY_WORDS, Facts, environment, style
from pipeline.publish_release.write_tables import DATA
from pipeline.sum_up.headline import EVERY

WHAT = {
    "datapackage.json": "Data Package v2: schema, units, keys",
    "croissant.json": "Croissant 1.0 metadata",
    "datacite.json": "DataCite metadata for an archive",
    "CITATION.cff": "citation file",
    "codebook.md": "codebook",
    "method.md": "method",
    "CHANGELOG.md": "changes",
    "LICENSE.txt": "licence text",
    "release.json": "settings and costs, for checking",
}
ORDER = {"all": "All chemistries", "unknown": "Chemistry not said"}


@dataclass(slots=True)
class Row:
    """One drawn row; places and widths are percents of the drawing."""

    name: str
    text: str
    count: str = ""
    median: float | None = None
    low: float = 0.0
    high: float = 0.0
    bar: float | None = None


@dataclass(slots=True)
class Chart:
    """One chart; `end` is what the right edge stands for."""

    title: str
    rows_are: str
    unit: str
    end: str
    counts: bool
    rows: list[Row] = field(default_factory=list)


def index_page(facts: Facts, folder: Path) -> str:
    """The page of a release whose other files are in `folder` already."""
    made, about = facts.made, facts.about
    people = made.cost.people - made.cost.people_left_out
    told = [
        ("reports", len(made.reports)),
        ("people", people),
        ("groups", made.cost.classes),
        ("people a group, at least", facts.rules.k),
    ]
    return environment().get_template("index.html.jinja").render(
        about=about, style=style(), dataset=_dataset(about, folder), facts=told, charts=_charts(facts), k=facts.rules.k,
        files=_files(folder), tables=[_columns(table) for table in facts.tables], citation=citation_line(about),
        diversity=DIVERSITY_WORDS[facts.rules.diversity.kind].format(level=facts.rules.diversity.level),
        left_out=made.cost.rows_left_out, rows_before=made.cost.rows, moved=f"{made.moved:.2f}",
    )  # fmt: skip


def _columns(table: Any) -> dict[str, Any]:
    return {"title": table.title, "count": len(table.frame), "columns": table.columns}


def _charts(facts: Facts) -> list[Chart]:
    frame = facts.table["figures"].frame
    told = frame[frame["median"].notna()]
    if told.empty:
        return [_cars(frame)]
    end = max(5, 5 * math.ceil(float(told["high"].max()) / 5))
    start = min(0.0, float(told["low"].min()))
    charts = []
    for chemistry in dict.fromkeys(told["chemistry"]):
        part = told[(told["chemistry"] == chemistry)]
        chart = Chart(ORDER.get(chemistry, chemistry), "1000 km", "%", f"{end} %", counts=True)
        for one in part.itertuples():
            place = [100 * (value - start) / (end - start) for value in (one.median, one.low, one.high)]
            chart.rows.append(
                Row("all" if one.band == EVERY else str(one.band), f"{one.median:.1f}", str(one.vehicles),
                    *(round(value, 2) for value in place))
            )  # fmt: skip
        charts.append(chart)
    return [*charts, _cars(frame)]


def _cars(frame: Any) -> Chart:
    part = frame[(frame["chemistry"] == EVERY) & (frame["band"] != EVERY)]
    most = int(part["vehicles"].max()) if part["vehicles"].notna().any() else 1
    chart = Chart("Cars in each distance band", "1000 km", "cars", str(most), counts=False)
    for one in part.itertuples():
        hidden = one.vehicles != one.vehicles or one.hidden
        bar = None if hidden else round(100 * int(one.vehicles) / most, 2)
        chart.rows.append(Row(str(one.band), "hidden" if hidden else str(int(one.vehicles)), bar=bar))
    return chart


def _files(folder: Path) -> list[dict[str, str]]:
    there = [path for path in sorted(folder.rglob("*")) if path.is_file() and path.suffix != ".html"]
    there.sort(key=lambda path: (path.parent.name != DATA, path.name.split(".")[0] != "reports"))
    files = []
    for path in there:
        name = path.relative_to(folder).as_posix()
        what = WHAT.get(name, "table" if path.parent.name == DATA else "")
        files.append({"path": name, "name": path.name, "what": what, "size": size_words(path.stat().st_size)})
    return [*files, {"path": "SHA256SUMS", "name": "SHA256SUMS", "what": "checksums", "size": "text"}]


def size_words(size: int) -> str:
    """A size for people: "512 B", "34 kB", "1.2 MB" (powers of 1000)."""
    if size < 1000:
        return f"{size} B"
    return f"{size / 1000:.0f} kB" if size < 1_000_000 else f"{size / 1_000_000:.1f} MB"


def _dataset(about: About, folder: Path) -> str:
    """schema.org's Dataset for search engines; "<" is written so that it cannot end the script element."""
    told = {
        "@context": "https://schema.org/",
        "@type": "Dataset",
        "name": about.title,
        "description": about.abstract,
        "license": about.licence.address,
        "creator": {"@type": "Organization", "name": about.creator},
        "version": about.version,
        "datePublished": about.version,
        "isAccessibleForFree": True,
        "distribution": [
            {"@type": "DataDownload", "encodingFormat": MEDIA[path.suffix[1:]], "contentUrl": f"{DATA}/{path.name}"}
            for path in sorted((folder / DATA).iterdir())
        ],
    }
    return json.dumps(told, ensure_ascii=False).replace("<", "\\u003c")
