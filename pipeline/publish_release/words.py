"""Looks in a release for what must not be there: authors' handles, and runs of six words of the ledger's texts."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from pipeline.dataset_columns import TABLES
from pipeline.keep_ledger.ledger import open_ledger
from pipeline.keep_ledger.pseudonym import normal_handle
from pipeline.keep_ledger.tables import ledger_errors

RUN = 6
"""Words in a row that count as somebody's words."""

SHORTEST_HANDLE = 3
CUT = " cutcutcut "
"""Stands between texts that are not one (cells of a table, a question that was cut out): no run goes across it."""

WORD = re.compile(r"\w+")
MENTION = re.compile(r"(?<![\w@])@([\w.-]*\w)")
TEXT_FILES = (".html", ".md", ".txt", ".json", ".csv", ".cff", "")


@dataclass(slots=True)
class Found:
    """What was found where, and how many runs of words were looked for."""

    handles: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    runs: int = 0


def exported_handles(exports: Sequence[str]) -> Iterator[str]:
    """The authors of some exports, as `build` reads them, each in its one spelling.  Raises `ExportProblem`."""
    from pipeline.read_exports.read_exports import read_exports
    from pipeline.response import Response

    for export in read_exports(list(exports)):
        if export.problem is not None:
            raise export.problem
        for item in export.items():
            if isinstance(item, Response) and item.author and (name := normal_handle(item.author)):
                yield name


def ledger_handles(ledger: Path) -> tuple[set[str], list[str], set[str]]:
    """Of a ledger's latest run: the handles that texts name ("@name"), the texts, and the words of its vehicles' names.

    Questions that the export asked are cut out of the texts: they are nobody's own words, and the method tells them.
    """
    import pyarrow.parquet as pq

    folder = open_ledger(ledger).latest()
    with ledger_errors(folder, "reading the run", todo="build again"):
        responses = pq.read_table(folder / "responses.parquet", columns=["response_id", "text"]).to_pylist()
        marks = pq.read_table(folder / "marks.parquet", columns=["question"])["question"].to_pylist()
        names = pq.read_table(folder / "reports.parquet", columns=["make", "model"])
    questions = sorted({question for question in marks if question}, key=len, reverse=True)
    asked = re.compile("|".join(re.escape(question) for question in questions)) if questions else None
    texts, mentioned = [], set()
    for row in responses:
        if row["text"]:
            mentioned |= {normal_handle(name) for name in MENTION.findall(row["text"])}
            texts.append(asked.sub(CUT, row["text"]) if asked else row["text"])
    vehicles = {word for column in names.columns for name in column.to_pylist() if name for word in words_of(name)}
    return {name for name in mentioned if name}, texts, vehicles


def words_of(text: str) -> list[str]:
    """The words of a text, folded; signs between them do not count."""
    return WORD.findall(text.casefold())


def words_found(
    folder: Path, handles: set[str], mentioned: set[str], texts: Sequence[str], vehicles: set[str]
) -> Found:
    """Looks through every file of a release; a handle that is an ordinary word of releases counts only after an @."""
    found = Found()
    runs = {run for text in texts for run in _runs(words_of(text))}
    found.runs = len(runs)
    ordinary = own_words() | vehicles
    wanted = {tuple(words_of(name)) for name in handles | mentioned if len(name) >= SHORTEST_HANDLE}
    wanted = {name for name in wanted if name and not (len(name) == 1 and (name[0] in ordinary or name[0].isdigit()))}
    lengths = sorted({len(name) for name in wanted})
    for place, text in _texts(folder):
        words = words_of(text)
        met = {
            tuple(words[start : start + length])
            for length in lengths
            for start in range(len(words) - length + 1)
            if tuple(words[start : start + length]) in wanted
        }
        met |= {(name,) for name in map(normal_handle, MENTION.findall(text)) if name in handles | mentioned}
        found.handles += [f"{place}: holds the handle {' '.join(name)!r}" for name in sorted(met)]
        for run in runs & set(_runs(words)):
            found.words.append(f"{place}: holds the words {' '.join(run)!r}")
    return found


def _runs(words: Sequence[str]) -> Iterable[tuple[str, ...]]:
    return (tuple(words[start : start + RUN]) for start in range(len(words) - RUN + 1))


@cache
def own_words() -> frozenset[str]:
    """The words that a release holds whoever answered: of its templates, licences and columns."""
    from pipeline.publish_release.licences import LICENCES

    here = Path(__file__).parent
    texts = [
        path.read_text("utf-8") for path in (*here.glob("templates/*"), *here.glob("*.py"), here / "hierarchies.yaml")
    ]
    texts += [licence.text for licence in LICENCES.values()]
    texts += [f"{column.name} {column.meaning}" for columns in TABLES.values() for column in columns]
    return frozenset(word for text in texts for word in words_of(text))


def _texts(folder: Path) -> Iterator[tuple[str, str]]:
    import pyarrow.parquet as pq

    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if not path.is_file():
            continue
        if path.suffix == ".parquet":
            try:
                table = pq.read_table(path)
            except Exception:  # told by the check of the schema
                continue
            words = [
                str(value) for column in table.columns for value in column.unique().to_pylist() if value is not None
            ]
            yield name, CUT.join([*words, str(table.schema.metadata), *(str(one.metadata) for one in table.schema)])
        elif path.suffix in TEXT_FILES:
            text = path.read_text("utf-8", errors="replace")
            yield name, text.replace(",", CUT).replace("\n", CUT) if path.suffix == ".csv" else text
