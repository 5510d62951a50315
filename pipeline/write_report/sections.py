"""The page's sections: what a maker of one is given, and what it gives back.

A maker is a function `make(context: ReportContext) -> Section | None` (None: nothing to say, the page leaves it out).
`page.MAKERS` lists them in the page's order.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas

    from pipeline.write_report.figures import Figures
    from pipeline.write_report.references import Reference


@dataclass(frozen=True, slots=True)
class Section:
    """One section: `id` is its anchor, `title` plain text, `body` HTML in which everything from outside is escaped.

    `files` are further files of the report's folder, relative path -> content ("ask-again/follow-up.csv").
    """

    id: str
    title: str
    body: str
    files: Mapping[str, str | bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """What the command was asked for.

    `fewest` is the least number of people for which anything is drawn; `handles` are the exports given with
    `--show-handles` (empty: no handle is shown); `regulations` are the keys of `references.REGULATIONS`; `audience`
    says in pictures whose answers they show.
    """

    fewest: int = 20
    resamples: int = 600
    seed: int = 20_260
    references: tuple[Reference, ...] = ()
    regulations: tuple[str, ...] = ()
    handles: tuple[Path, ...] = ()
    title: str = "What the audience says about its batteries"
    audience: str = "Answers of the audience"


@dataclass(slots=True)
class ReportContext:
    """All that a section can draw on.

    `ledger` is the ledger's folder, `run` the folder of the run in it; `vehicles` the rows that statistics take (one a
    vehicle, `sum_up.cross_section`), with `age_a` (years), `year_band`, `habit_group` and `vehicle_name` added;
    `figures` the estimates; `earlier` is report.json of the newest earlier report in the same folder, or None.
    """

    ledger: Path
    run: Path
    record: Mapping[str, Any]
    reports: pandas.DataFrame
    vehicles: pandas.DataFrame
    figures: Figures
    options: ReportOptions
    written_at: datetime
    earlier: Mapping[str, Any] | None = None
    _tables: dict[str, pandas.DataFrame] = field(default_factory=dict)

    def table(self, name: str) -> pandas.DataFrame:
        """A table of the run ("responses", "evidence", "parts" ...), read once.  Raises `LedgerProblem`."""
        from pipeline.write_report.load import run_table

        if name not in self._tables:
            self._tables[name] = run_table(self.run, name).to_pandas()
        return self._tables[name]


Maker = Callable[[ReportContext], Section | None]


def escaped(text: object) -> str:
    """Any text made safe for HTML, in text and quoted attributes; see `visible`."""
    return html.escape(visible(str(text)), quote=True)


def visible(text: str) -> str:
    """The text with U+FFFD for each control character and each sign that turns the writing direction around."""
    return text.translate(_STEERING)


_STEERING = dict.fromkeys(
    [*range(0x09), *range(0x0B, 0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A),
     0x200E, 0x200F, 0x061C],
    "\ufffd",
)  # fmt: skip
"""Control characters and those that turn the writing direction around -> a sign that shows that one stood there."""


def table_html(
    caption: str, headers: Sequence[str], rows: Sequence[Sequence[object]], *, numbers: Sequence[int] = ()
) -> str:
    """A table with a caption in a box that scrolls sideways by keyboard; all cells are escaped.

    `numbers` are the places of the columns that hold numbers (set to the right); the first column heads its row.
    """
    head = "".join(f'<th scope="col"{_right(at, numbers)}>{escaped(name)}</th>' for at, name in enumerate(headers))
    body = []
    for row in rows:
        cells = [
            f'<th scope="row">{escaped(cell)}</th>' if at == 0 else f"<td{_right(at, numbers)}>{escaped(cell)}</td>"
            for at, cell in enumerate(row)
        ]
        body.append(f"<tr>{''.join(cells)}</tr>")
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{escaped(caption)}"><table>'
        f"<caption>{escaped(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table></div>"
    )


def _right(at: int, numbers: Sequence[int]) -> str:
    return ' class="number"' if at in numbers else ""
