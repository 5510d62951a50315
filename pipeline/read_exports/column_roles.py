"""Works out which column is what, from its name and from what it holds."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.problems import NoTextColumn
from pipeline.read_exports.column_mapping import ColumnMapping, find_column, listed, missing_column
from pipeline.read_exports.column_names import never_anything, roles_by_name
from pipeline.read_exports.raw_table import ROLES, Cell
from pipeline.read_exports.survey_questions import SurveyPlan, as_written, plan_survey, question_for
from pipeline.read_exports.times import day_comes_first, parse_time

__all__ = ["SAMPLE_ROWS", "ColumnMapping", "Roles", "work_out_roles"]

SAMPLE_ROWS = 300
"""Rows that are looked at before roles are settled."""
ENOUGH = 0.42
"""The least that name and content together must say for a role."""

KIND = re.compile(r"^[A-Za-z]{1,3}\d{0,2}_")
_URL = re.compile(r"(?:https?://|www\.|/)\S+", re.I)
_LANG = re.compile(r"[A-Za-z]{2,3}(?:[-_][A-Za-z0-9]{2,4}){0,2}")
_COUNT = re.compile(r"-?\d[\d.,' \u00a0]*\s?(?:[kKmM]|Tsd\.?|mil)?")
_INTEGER = re.compile(r"-?\d+")


@dataclass(slots=True)
class Roles:
    """Role -> place of its column; how the survey's questions are read; whether dates have the day first.

    `parent_has_kind`: parents carry a kind before the id (`t1_abc` for `abc`), which is taken off.
    """

    columns: list[str]
    places: dict[str, int] = field(default_factory=dict)
    plan: SurveyPlan = field(default_factory=SurveyPlan)
    day_first: bool = True
    parent_has_kind: bool = False

    def line(self) -> str:
        """One line that says which column is what."""
        parts = [f"{role} = {self.columns[self.places[role]]!r}" for role in ROLES if role in self.places]
        for asked in self.plan.asked:
            beside = asked.unit_place
            unit = asked.question.unit if beside is None else f"unit in {self.columns[beside]!r}"
            parts.append(f"{asked.question.field} = {asked.title!r}" + (f" ({unit})" if unit else ""))
        parts.extend(f"read along = {title!r}" for title, _ in self.plan.spoken)
        return ", ".join(parts)


@dataclass(slots=True)
class _Stats:
    """What a column holds in the sample: shares are of its filled cells, 0..1; lengths are means."""

    filled: int = 0
    words: float = 0.0
    length: float = 0.0
    distinct: float = 0.0
    times: float = 0.0
    counts: float = 0.0
    numbers: float = 0.0
    urls: float = 0.0
    langs: float = 0.0
    values: list[str] = field(default_factory=list)


def work_out_roles(
    columns: Sequence[str],
    rows: Sequence[Sequence[Cell]],
    *,
    fixed: Mapping[str, str] | None = None,
    wanted: Mapping[str, str] | None = None,
    where: str = "",
) -> Roles:
    """Roles of a table's columns from its first rows.

    `fixed` (role -> column) are those that the file's format settles, `wanted` those that a person asked for.

    Raises `UsageProblem` for a wanted column that is not there, and `NoTextColumn` where neither a text nor a survey's
    question is found.
    """
    roles = Roles(list(columns))
    for role, name in (wanted or {}).items():
        place = find_column(name, columns)
        if place is None:
            raise missing_column(role, name, columns, where)
        roles.places[role] = place
    for role, name in (fixed or {}).items():
        if role not in roles.places and name in columns:
            roles.places[role] = roles.columns.index(name)
    stats = [_measure(rows, place) for place in range(len(columns))]
    if not fixed or "text" not in roles.places:
        _by_name(roles, stats)
        if not fixed:
            roles.plan = plan_survey(columns, rows, frozenset(roles.places.values()))
        _by_content(roles, stats, rows)
        if roles.plan.asked:
            taken = frozenset(roles.places.values())
            roles.plan.spoken = [item for item in roles.plan.spoken if item[1] not in taken]
    if "text" not in roles.places and not roles.plan.reports():
        raise NoTextColumn(
            f"no column can be told to hold the responses' text; the columns are: {listed(columns)}",
            where=where,
            todo='say which one it is: --columns text="..."',
        )
    if "parent" in roles.places and "id" in roles.places:
        roles.parent_has_kind = _has_kind(rows, roles.places["parent"], roles.places["id"])
    if "time" in roles.places:
        place = roles.places["time"]
        roles.day_first = day_comes_first(row[place] for row in rows if place < len(row))
    return roles


def _measure(rows: Sequence[Sequence[Cell]], place: int) -> _Stats:
    stats = _Stats()
    cells = [row[place] for row in rows if place < len(row)]
    cells = [cell for cell in cells if cell is not None and not (isinstance(cell, str) and not cell.strip())]
    if not cells:
        return stats
    values = [as_written(cell).strip() for cell in cells]
    count = len(values)
    stats.values = values
    stats.filled = count
    stats.words = sum(len(value.split()) for value in values) / count
    stats.length = sum(map(len, values)) / count
    stats.distinct = len(set(values)) / count
    stats.times = sum(_is_time(cell) for cell in cells) / count
    stats.counts = sum(_COUNT.fullmatch(value) is not None for value in values) / count
    stats.numbers = sum(_INTEGER.fullmatch(value) is not None for value in values) / count
    stats.urls = sum(_URL.fullmatch(value) is not None for value in values) / count
    stats.langs = sum(_LANG.fullmatch(value) is not None for value in values) / count
    return stats


def _is_time(cell: Cell) -> bool:
    return parse_time(cell) is not None


def _fit(role: str, stats: _Stats) -> float | None:
    """How well what a column holds fits a role, 0..0.5; None where it cannot be."""
    if not stats.filled:
        return -0.1
    plain_words_only = stats.times < 0.8 and stats.counts < 0.8 and stats.urls < 0.8
    if role == "text":
        return min(0.5, stats.words / 20) if plain_words_only and stats.words > 1.1 else None
    if role == "author":
        return 0.2 if stats.times < 0.8 and stats.length <= 60 and stats.words <= 6 else None
    if role == "time":
        return 0.4 * stats.times if stats.times >= 0.5 else None
    if role == "id":
        return 0.3 * stats.distinct if stats.distinct >= 0.9 and stats.length <= 200 and stats.words < 1.2 else None
    if role == "parent":
        return 0.2 if stats.words < 1.5 and stats.length <= 200 and stats.times < 0.8 else None
    if role == "thread":
        return 0.1 if stats.words <= 15 else None
    if role == "likes":
        return 0.3 if stats.counts >= 0.5 else None
    if role == "source":
        return 0.1 if stats.words <= 8 and stats.counts < 0.8 else None
    if role == "lang":
        return 0.3 if stats.length <= 12 and stats.words <= 1.5 and stats.counts < 0.2 else None
    if role == "profile":
        return 0.1 if plain_words_only else None
    if role == "link":
        return 0.4 if stats.urls >= 0.5 else None
    return None


def _by_name(roles: Roles, stats: list[_Stats]) -> None:
    """Gives roles to columns whose names and contents together say enough, the surest first."""
    found: list[tuple[float, float, int, str]] = []
    for place, name in enumerate(roles.columns):
        by_name = roles_by_name(name)
        question = question_for(name)
        for role, score in by_name.items():
            if question is not None and (question.sure or score < 0.5) and score < 0.95:
                continue
            fit = _fit(role, stats[place])
            if fit is not None and score + fit >= ENOUGH:
                found.append((score + fit, stats[place].filled, -place, role))
    taken = set(roles.places.values())
    for _, _, place, role in sorted(found, reverse=True):
        if role not in roles.places and -place not in taken:
            roles.places[role] = -place
            taken.add(-place)


def _by_content(roles: Roles, stats: list[_Stats], rows: Sequence[Sequence[Cell]]) -> None:
    """Gives roles that no name told, where what a column holds leaves little doubt."""
    asked = {place for item in roles.plan.asked for place in (*item.places, item.unit_place) if place is not None}
    never = {place for place, name in enumerate(roles.columns) if never_anything(name)}

    def free() -> list[int]:
        taken = {*roles.places.values(), *asked, *never}
        return [place for place in range(len(stats)) if place not in taken and stats[place].filled]

    if "text" not in roles.places:
        best = [place for place in free() if _reads_like_text(stats[place])]
        if best:
            roles.places["text"] = max(
                best, key=lambda place: stats[place].length * min(1.0, stats[place].distinct + 0.3)
            )
    if "time" not in roles.places:
        times = [place for place in free() if stats[place].times >= 0.9 and question_for(roles.columns[place]) is None]
        if times:
            roles.places["time"] = times[0]
    if "link" not in roles.places:
        links = [place for place in free() if stats[place].urls >= 0.95 and stats[place].distinct >= 0.9]
        if links:
            roles.places["link"] = links[0]
    if "id" not in roles.places:
        _find_id(roles, stats, rows, free())
    if "parent" not in roles.places and "id" in roles.places:
        parents = [place for place in free() if _points_at(rows, place, roles.places["id"])]
        if parents:
            roles.places["parent"] = parents[0]
    if "author" not in roles.places and all(re.fullmatch(r"column \d+", name) for name in roles.columns):
        authors = [p for p in free() if stats[p].words <= 3 and stats[p].counts < 0.2 and stats[p].langs < 0.8]
        if authors:
            roles.places["author"] = authors[0]


def _reads_like_text(stats: _Stats) -> bool:
    """Long and varied words."""
    return stats.words >= 4 and stats.distinct >= 0.5 and stats.times < 0.5 and stats.urls < 0.5 and stats.counts < 0.5


def _find_id(roles: Roles, stats: list[_Stats], rows: Sequence[Sequence[Cell]], free: list[int]) -> None:
    """An unnamed id: unique, without spaces, and either pointed at by another column or the first of the table."""
    unique = [
        place
        for place in free
        if stats[place].filled == len(rows) >= 5
        and stats[place].distinct == 1.0
        and stats[place].words == 1.0
        and stats[place].times < 0.5
        and stats[place].urls < 0.5
    ]
    for place in unique:
        if any(other != place and _points_at(rows, other, place) for other in free):
            roles.places["id"] = place
            return
    if unique and unique[0] == 0 and any(sign.isdigit() for sign in stats[0].values[0]) and not roles.plan.asked:
        roles.places["id"] = 0


def _points_at(rows: Sequence[Sequence[Cell]], place: int, id_place: int) -> bool:
    """Whether a column's values are ids of other rows."""
    ids = {as_written(row[id_place]).strip() for row in rows if id_place < len(row)} - {""}
    pairs = [
        (as_written(row[place]).strip(), as_written(row[id_place]).strip())
        for row in rows
        if max(place, id_place) < len(row) and as_written(row[place]).strip()
    ]
    if len(pairs) < 3:
        return False
    hits = sum(value in ids for value, _ in pairs)
    own = sum(value == itself for value, itself in pairs)
    return hits >= 0.7 * len(pairs) and own == 0


def _has_kind(rows: Sequence[Sequence[Cell]], place: int, id_place: int) -> bool:
    """Whether parents are found among the ids only without what stands before their first underscore."""
    ids = {as_written(row[id_place]).strip() for row in rows if id_place < len(row)} - {""}
    parents = {as_written(row[place]).strip() for row in rows if place < len(row)} - {""}
    return not parents & ids and any(KIND.sub("", parent) in ids for parent in parents)
