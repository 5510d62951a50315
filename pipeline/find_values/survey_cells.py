"""Reads one cell of a survey: the one value that it holds in the unit that its question asks for, or why it has none.

What can be, and which words stand for a value, is in `survey_answers.yaml`; quantities are found by the same scanner as
in free text.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.declarative_files import parse_yaml
from pipeline.read_text.fold import fold
from pipeline.read_text.language_data import available, language_data
from pipeline.read_text.numbers import parse_digits
from pipeline.read_text.quantities import Quantity, QuantityScanner

KM_PER_UNIT = {"km": 1.0, "mi": KM_PER_MILE, "mil": 10.0}
"""Kilometres in a unit of distance (NIST SP 811, B.8; a mil is 10 km: labelling guide, "Finer points")."""
MONTHS_PER_UNIT = {"months": 1.0, "years": 12.0}
WEEKLY_PER_UNIT = {"per day": 7.0, "per week": 1.0, "per month": 0.25, "per year": 1 / 52}
"""Times a week (a month = 4 weeks: labelling guide, `full_charges_per_week`)."""
NUMBER_KINDS = ("number", "hundred", "big", "thousands", "year")
PERCENT_KINDS = ("percent", "fraction", "window", "points", "score", *NUMBER_KINDS)
DISTANCE_KINDS = ("distance", "stretch")


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell's value in its own unit: `low` and `high` differ for a range; `bound` is "most" or "least" or "".

    `start` and `end` point into the cell; `unit` is the unit that the cell itself names.
    """

    low: float
    high: float
    start: int
    end: int
    unit: str | None = None
    bound: str = ""

    @property
    def value(self) -> float:
        """The value, or the midpoint of a range (labelling guide)."""
        return (self.low + self.high) / 2


class Unreadable(Exception):
    """Why a cell holds no value: `impossible` where it holds what cannot be, `wordy` where it only holds words."""

    def __init__(self, reason: str, *, impossible: bool = False, wordy: bool = False) -> None:
        super().__init__(reason)
        self.reason = reason
        self.impossible = impossible
        self.wordy = wordy


@dataclass(frozen=True)
class Words:
    """The word lists and limits of `survey_answers.yaml`, made plain."""

    limits: dict[str, tuple[float, float]]
    lists: dict[str, frozenset[str]]
    chemistries: tuple[tuple[str, re.Pattern[str]], ...]
    nickel: re.Pattern[str]
    nickel_names: frozenset[str]
    at_most: re.Pattern[str]
    at_least: re.Pattern[str]

    def says(self, name: str, cell: str) -> bool:
        """Whether a whole cell is one of a list's phrases."""
        return plain(cell).strip(" .!,") in self.lists[name]

    def within(self, name: str, value: float) -> bool:
        """Whether a value lies within the limits of that name."""
        low, high = self.limits[name]
        return low <= value <= high


@cache
def words() -> Words:
    """The lists of `survey_answers.yaml`."""
    where = "find_values/survey_answers.yaml"
    text = resources.files("pipeline.find_values").joinpath("survey_answers.yaml").read_text("utf-8")
    data: dict[str, Any] = parse_yaml(text, where)
    names = ("nothing", "everything", "full", "never", "seldom")
    return Words(
        limits={str(name): (float(low), float(high)) for name, (low, high) in data["limits"].items()},
        lists={name: frozenset(plain(str(word)) for word in data[name]) for name in names},
        chemistries=tuple((str(name), _any_of(phrases)) for name, phrases in data["chemistries"].items()),
        nickel=_any_of(data["nickel_words"]),
        nickel_names=frozenset(data["nickel_chemistries"]),
        at_most=re.compile(rf"(?:{_any_of(data['at_most']).pattern})\W*$"),
        at_least=re.compile(rf"(?:{_any_of(data['at_least']).pattern})\W*$"),
    )


def _any_of(phrases: list[Any]) -> re.Pattern[str]:
    ordered = sorted((plain(str(phrase)) for phrase in phrases), key=lambda phrase: (-len(phrase), phrase))
    return re.compile("|".join(rf"(?<!\w){re.escape(phrase)}(?!\w)" for phrase in ordered))


def plain(cell: str) -> str:
    """A cell in lower case with plain dashes and no accents, character for character where that is possible."""
    return "".join(_bare(sign) for sign in fold(cell))


@cache
def _bare(sign: str) -> str:
    base = unicodedata.normalize("NFKD", sign)[:1]
    return base if base.isalpha() else sign


@cache
def scanner(language: str) -> QuantityScanner:
    """The quantity scanner of a language, or English where there is no word list."""
    return QuantityScanner(language_data(language if language in available() else "en"))


def one_quantity(cell: str, language: str, kinds: tuple[str, ...]) -> Quantity:
    """The one quantity of a cell.  Raises `Unreadable` where it holds none, or several that could be meant."""
    found = [quantity for quantity in scanner(language).scan(fold(cell)) if quantity.kind != "other"]
    if not found:
        wordy = not any(sign.isdigit() for sign in cell)
        reason = "the answer holds no number" if wordy else "the answer holds no number that can be read"
        raise Unreadable(reason, impossible=wordy, wordy=wordy)
    fitting = [quantity for quantity in found if quantity.kind in kinds]
    if len(fitting) > 1:
        named = [quantity for quantity in fitting if quantity.kind not in NUMBER_KINDS]
        fitting = named if len(named) == 1 else fitting
    if len(fitting) != 1:
        if fitting:
            raise Unreadable("the answer holds several values")
        raise Unreadable(f"the answer is of another kind than asked ({found[0].kind})", impossible=True)
    return fitting[0]


def _number(cell: str, quantity: Quantity, *, thousands: bool) -> Cell:
    """A quantity as a cell's value, with the sign and the bound that stand before it."""
    low, high = quantity.low, quantity.high
    if not thousands and quantity.kind in NUMBER_KINDS and re.fullmatch(r"\d+[.,]\d{3}", quantity.said):
        low = high = parse_digits(quantity.said, thousands=False)
    before = plain(cell)[: quantity.start]
    if before.rstrip().endswith(("-", "minus")):
        low, high = -high, -low
    return Cell(low, high, quantity.start, quantity.end, quantity.unit, _bound(before))


def _bound(before: str) -> str:
    """What the words before a number make of it; the longer phrase counts ("no more than" is an upper bound)."""
    most, least = words().at_most.search(before), words().at_least.search(before)
    if most is None or least is None:
        return "most" if most else "least" if least else ""
    return "most" if most.start() <= least.start() else "least"


def read_distance(cell: str, language: str) -> Cell:
    """A distance: in km with `unit` where the cell names one, else as the bare number with no unit."""
    return _number(cell, one_quantity(cell, language, (*DISTANCE_KINDS, *NUMBER_KINDS)), thousands=True)


def read_percent(cell: str, language: str) -> Cell:
    """A percentage, with or without its sign; "98/100", "a third"."""
    return _number(cell, one_quantity(cell, language, PERCENT_KINDS), thousands=False)


def read_energy(cell: str, language: str) -> Cell:
    """An energy in kWh."""
    return _number(cell, one_quantity(cell, language, ("energy", *NUMBER_KINDS)), thousands=False)


def read_months(cell: str, unit: str | None, language: str) -> Cell:
    """An age in months; `unit` is that of the question, for a bare number."""
    quantity = one_quantity(cell, language, ("duration", *NUMBER_KINDS))
    read = _number(cell, quantity, thousands=False)
    if quantity.kind == "duration":
        return read
    if unit not in MONTHS_PER_UNIT:
        raise Unreadable("neither the answer nor its question says months or years")
    factor = MONTHS_PER_UNIT[unit]
    return Cell(read.low * factor, read.high * factor, read.start, read.end, unit, read.bound)


_YEAR = re.compile(r"(?<!\d)(\d+)(?!\d)")


def read_year(cell: str, latest: int | None) -> Cell:
    """A model year in four digits ("2021", "June 2021", "2021-06-15"); `latest` is the last one that can be."""
    low, high = words().limits["model_year"]
    most = min(int(high), latest) if latest is not None else int(high)
    numbers = [(int(match[1]), *match.span(1)) for match in _YEAR.finditer(cell) if len(match[1]) == 4]
    if not numbers:
        raise Unreadable("no year in four digits", impossible=True)
    years = {number for number, _, _ in numbers}
    if len(years) > 1:
        raise Unreadable("the answer holds several years")
    year, start, end = numbers[0]
    if not low <= year <= most:
        raise Unreadable(f"no model year from {low:g} to {most}", impossible=True)
    return Cell(year, year, start, end)


def read_per_week(cell: str, unit: str | None, language: str) -> Cell:
    """How often, in times a week; `unit` ("per month") is that of the question, for a bare number.

    "1-2 times a week" is 1.5.  Raises `Unreadable` for what is no count ("sometimes").
    """
    found = [quantity for quantity in scanner(language).scan(fold(cell)) if quantity.kind != "other"]
    often = [quantity for quantity in found if quantity.kind == "frequency"]
    if len(often) > 1 or (not often and len(found) > 1):
        raise Unreadable("the answer holds several values")
    if often:
        quantity = often[0]
        if quantity.value != quantity.value:  # NaN: "every year", told apart but not counted
            raise Unreadable("how often is said too vaguely to be counted")
        start, low = quantity.start, quantity.low
        first = next((one for one in found if one.kind == "number" and one.end <= quantity.start), None)
        second = re.match(r"\d+", cell[quantity.start :])
        between = plain(cell)[first.end : quantity.start] if first else ""
        if first and second and int(second[0]) and re.fullmatch(r"\s?(?:-|to|or|bis|a|tot|til)\s?", between):
            start, low = first.start, quantity.low * first.value / int(second[0])
        return Cell(low, quantity.high, start, quantity.end, "1/week")
    if not found:
        raise Unreadable("how often is said too vaguely to be counted")
    read = _number(cell, found[0], thousands=False)
    if read.value and unit not in WEEKLY_PER_UNIT:
        raise Unreadable("neither the answer nor its question says a day, a week or a month")
    factor = WEEKLY_PER_UNIT.get(unit or "", 0.0)
    return Cell(read.low * factor, read.high * factor, read.start, read.end, "1/week")


def read_chemistry(cell: str) -> str:
    """The chemistry that a cell names.  Raises `Unreadable` where it names none ("lithium-ion") or several."""
    text = " ".join(re.findall(r"\w+", plain(cell)))
    named = {name for name, pattern in words().chemistries if pattern.search(text)}
    if len(named) > 1 and named <= words().nickel_names:
        return "nickel"
    if len(named) > 1:
        raise Unreadable("the answer names several chemistries")
    if named:
        return named.pop()
    if words().nickel.search(text):
        return "nickel"
    raise Unreadable("the answer names no chemistry")
