"""Recognises survey columns that answer a question by themselves, and reads their cells with the question.

What questions there are, and in which words, stands in `survey_questions.yaml`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache, lru_cache

from pipeline.read_exports.column_names import load_yaml, never_anything, plain_words
from pipeline.read_exports.raw_table import Cell

DIGIT_SHARE = 0.4
"""Share of a column's answers that must hold a digit where its question asks for a number."""

_IN_BRACKETS = re.compile(r"[(\[]([^)\]]*)[)\]]")
_SWEDISH_IS = re.compile(r"\bär\b", re.I)  # without its dots it would be a Norwegian year
_UNIT_STARTS = (["unit"], ["units"], ["einheit"], ["unite"], ["unidad"], ["eenheid"], ["enhet"], ["unita"], ["unidade"])


@dataclass(frozen=True, slots=True)
class Question:
    """What a header asks for: the field, whether it says so outright (`sure`), the unit it names, the kind of unit.

    `reports` tells an answer that makes a report by itself (an odometer) from one that only helps (a chemistry).
    """

    field: str
    sure: bool
    holds: str
    unit: str | None
    unit_kind: str
    reports: bool


@dataclass(slots=True)
class Asked:
    """A question column of a table: `places` are its columns (several where a name is spread: make, model).

    `answered` tells whether any of the first rows holds an answer.
    """

    question: Question
    title: str
    places: list[int]
    unit_place: int | None = None
    answered: bool = True


@dataclass(slots=True)
class SurveyPlan:
    """How a survey's rows are read: the columns that answer questions, and those whose words only join the text."""

    asked: list[Asked] = field(default_factory=list)
    spoken: list[tuple[str, int]] = field(default_factory=list)

    def reports(self) -> bool:
        """Whether the questions alone, without a free text, make reports."""
        return any(asked.question.reports and asked.question.sure and asked.answered for asked in self.asked)


@dataclass(frozen=True, slots=True)
class _Entry:
    field: str
    reports: bool
    holds: str
    unit_kind: str
    sure: tuple[tuple[str, ...], ...]
    perhaps: tuple[tuple[str, ...], ...]
    never: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Book:
    entries: tuple[_Entry, ...]
    units: dict[str, dict[str, str]]
    unit_columns: frozenset[str]
    no_answer: frozenset[str]
    no_number: frozenset[str]
    about: tuple[str, ...]


@cache
def _book() -> _Book:
    data = load_yaml("survey_questions.yaml")
    entries = tuple(
        _Entry(
            field=str(entry["field"]),
            reports=bool(entry.get("reports")),
            holds=str(entry["holds"]),
            unit_kind=str(entry.get("unit", "")),
            sure=_phrases(entry["ask"]),
            perhaps=_phrases(entry.get("perhaps", {})),
            never=tuple(_pattern(word) for word in entry.get("never", ())),
        )
        for entry in data["questions"]
    )
    units = {
        kind: {plain_words(str(word)): str(unit) for unit, words in names.items() for word in words}
        for kind, names in data["units"].items()
    }
    return _Book(
        entries=entries,
        units=units,
        unit_columns=frozenset(plain_words(str(name)) for name in data["unit_column"]),
        no_answer=frozenset(_bare(str(words)) for words in (*data["no_answer"], *data["no_number"])),
        no_number=frozenset(_bare(str(words)) for words in data["no_number"]),
        about=tuple(_pattern(word) for word in data["about_batteries"]),
    )


def _pattern(word: object) -> str:
    text = str(word)
    return plain_words(text.rstrip("*")) + ("*" if text.endswith("*") else "")


def _phrases(by_language: dict[str, list[object]]) -> tuple[tuple[str, ...], ...]:
    return tuple(
        tuple(_pattern(word) for word in str(phrase).split()) for phrases in by_language.values() for phrase in phrases
    )


def _stands(pattern: str, words: frozenset[str]) -> bool:
    if pattern.endswith("*"):
        return any(word.startswith(pattern[:-1]) for word in words)
    return pattern in words


@lru_cache(maxsize=2048)
def question_for(header: str) -> Question | None:
    """The question that a header asks, or None.  `sure` is False where it counts only beside a sure one."""
    if never_anything(header):
        return None
    plain = plain_words(header)
    words = frozenset(plain.split())
    if plain in _book().unit_columns or plain.split()[:1] in _UNIT_STARTS:
        return None
    best: tuple[int, int, int, _Entry] | None = None
    for number, entry in enumerate(_book().entries):
        if any(_stands(word, words) for word in entry.never):
            continue
        for sure, phrases in ((1, entry.sure), (0, entry.perhaps)):
            for phrase in phrases:
                if all(_stands(word, words) for word in phrase):
                    rank = (sure, len(phrase), sum(map(len, phrase)) * 100 - number, entry)
                    if best is None or rank[:3] > best[:3]:
                        best = rank
    if best is None:
        return None
    entry = best[3]
    unit = unit_named(header, entry.unit_kind)
    other = any(unit_named(header, kind) for kind in ("distance", "energy"))
    if entry.unit_kind == "percent" and unit is None and other:
        return None
    if not best[0] and len(words) > 6:
        return None
    return Question(entry.field, bool(best[0]), entry.holds, unit, entry.unit_kind, entry.reports)


def unit_named(text: str, kind: str) -> str | None:
    """The one unit of that kind that a header or a cell names: km, mi, mil, %, years, months, kWh, per week ..."""
    names = _book().units.get(kind)
    if not names:
        return None
    brackets = " ".join(_IN_BRACKETS.findall(text))
    for part in (brackets, text):
        padded = f" {plain_words(_SWEDISH_IS.sub(' ', part))} "
        found = {unit for word, unit in names.items() if f" {word} " in padded}
        if found:
            return found.pop() if len(found) == 1 else None
    return None


def is_no_answer(text: str) -> bool:
    """Whether an answer says that there is none ("don't know", "n/a", "-"), in any of the languages."""
    return _bare(text) in _book().no_answer


def is_no_number(text: str) -> bool:
    """Whether an answer says by hand that there is none ("idk"): an entry that cannot be where a number is asked."""
    return _bare(text) in _book().no_number


def _bare(text: str) -> str:
    return plain_words(text) or text.strip()


def plan_survey(columns: Sequence[str], rows: Sequence[Sequence[Cell]], taken: frozenset[int]) -> SurveyPlan:
    """The plan for a table with these columns; empty where no column asks anything outright.

    `rows` are the first few hundred, `taken` the places of columns that are something else (ids, times, the text).
    """
    found: dict[int, Question] = {}
    for place, name in enumerate(columns):
        question = None if place in taken else question_for(name)
        if question is not None and _holds(question, rows, place):
            found[place] = question
    if not any(question.sure for question in found.values()):
        return SurveyPlan()
    plan = SurveyPlan()
    units = _unit_columns(columns, rows, taken, found)
    for place, question in sorted(found.items()):
        earlier = next((asked for asked in plan.asked if asked.question.field == question.field), None)
        title = _title(columns[place])
        if earlier is None:
            plan.asked.append(Asked(question, title, [place], units.get(place), bool(_column(rows, place))))
        elif question.field == "vehicle_text" and not question.sure:
            earlier.places.append(place)
            earlier.title = f"{earlier.title} / {title}"
        else:
            plan.spoken.append((title, place))
    used = {*found, *units.values(), *taken}
    for place, name in enumerate(columns):
        if place not in used and not never_anything(name) and _is_spoken(name, rows, place):
            plan.spoken.append((_title(name), place))
    plan.spoken.sort(key=lambda item: item[1])
    return plan


def _title(name: str) -> str:
    return " ".join(name.split()).rstrip(": ")


def _column(rows: Sequence[Sequence[Cell]], place: int) -> list[Cell]:
    cells = [row[place] for row in rows if place < len(row)]
    return [cell for cell in cells if cell is not None and not (isinstance(cell, str) and not cell.strip())]


def _holds(question: Question, rows: Sequence[Sequence[Cell]], place: int) -> bool:
    """Whether what the column holds fits the question."""
    cells = [cell for cell in _column(rows, place) if not (isinstance(cell, str) and is_no_answer(cell))]
    if not cells:
        return True
    if question.holds == "number":
        digits = sum(not isinstance(cell, str) or any(sign.isdigit() for sign in cell) for cell in cells)
        return digits >= DIGIT_SHARE * len(cells) and _median_length(cells) <= 40
    if question.field in ("vehicle_text", "chemistry"):
        worded = sum(isinstance(cell, str) and any(sign.isalpha() for sign in cell) for cell in cells)
        return worded >= 0.5 * len(cells) and _median_length(cells) <= 60
    return _median_length(cells) <= 80


def _median_length(cells: Sequence[Cell]) -> int:
    lengths = sorted(len(str(cell)) for cell in cells)
    return lengths[len(lengths) // 2]


def _is_spoken(name: str, rows: Sequence[Sequence[Cell]], place: int) -> bool:
    """Whether a column is worth reading though it answers no question known: about batteries, or free words."""
    cells = [cell for cell in _column(rows, place) if isinstance(cell, str)]
    if not cells:
        return False
    words = frozenset(plain_words(name).split())
    if any(_stands(word, words) for word in _book().about):
        return True
    spaces = sum(cell.count(" ") for cell in cells) / len(cells)
    return spaces >= 4 and len(set(cells)) >= 0.5 * len(cells)


def _unit_columns(
    columns: Sequence[str], rows: Sequence[Sequence[Cell]], taken: frozenset[int], found: dict[int, Question]
) -> dict[int, int]:
    """Question column -> the column beside it that only holds its unit."""
    units: dict[int, int] = {}
    for place, question in found.items():
        if question.unit_kind in ("", "percent", "frequency"):
            continue
        for beside in (place + 1, place - 1):
            if not 0 <= beside < len(columns) or beside in taken or beside in found or beside in units.values():
                continue
            cells = _column(rows, beside)
            named = sum(isinstance(cell, str) and _only_unit(cell, question.unit_kind) for cell in cells)
            called = plain_words(columns[beside])
            is_called = called in _book().unit_columns or called.split()[:1] in _UNIT_STARTS
            if (cells and named >= 0.8 * len(cells)) or (is_called and named >= 0.5 * len(cells)):
                units[place] = beside
                break
    return units


def _only_unit(cell: str, kind: str) -> bool:
    return plain_words(cell) in _book().units.get(kind, {})


def as_written(cell: Cell) -> str:
    """A cell as a person would write it: whole numbers without `.0`, dates without a midnight."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else format(cell, ".15g")
    if isinstance(cell, datetime):
        midnight = not (cell.hour or cell.minute or cell.second or cell.microsecond)
        return cell.strftime("%Y-%m-%d") if midnight else cell.isoformat(sep=" ", timespec="seconds")
    return str(cell)
