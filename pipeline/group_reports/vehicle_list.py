"""The vehicle list that a run may be given: reads it, resolves names, fills the chemistry that it leaves no doubt of.

The list is a CSV file with the columns of `COLUMNS`; `make` and `model` must be there, every other may be missing or
empty.  One line is one variant over a span of model years; an empty `variant` is the plain one, an empty year is open.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from pipeline.dataset_columns import CHEMISTRIES
from pipeline.group_reports.names import common_words
from pipeline.problems import UsageProblem
from pipeline.response import FoundValue, Reading, Report

COLUMNS: dict[str, str] = {
    "make": "maker",
    "model": "model, as people call it",
    "variant": "trim or variant; empty for the plain one",
    "year_from": "first model year of this line; empty where it is not known",
    "year_to": "last model year of this line; empty where it is still made",
    "chemistry": "cathode chemistry: " + ", ".join(CHEMISTRIES),
    "usable_kwh": "usable energy when new, kWh",
    "range_km": "range when new, km",
}
"""The columns of a vehicle list and what each holds."""

PLAIN_WORDS = frozenset({"standard", "base", "basic", "sr", "entry"})
"""Words that say outright that the plain variant is meant."""
_EMPTY_WORDS = frozenset(
    {
        "ev", "bev", "electric", "elektro", "electrique", "electrico", "elektrisk", "elettrica", "car", "auto", "the",
        "a", "my", "our", "model", "new", "old", "white", "black", "red", "blue", "grey", "gray", "green", "silver",
    }
)  # fmt: skip
"""Words beside a name that say nothing of the variant."""
_CHEMISTRY_NAMES = {name.casefold(): name for name in CHEMISTRIES}
_TOKEN = re.compile(r"[a-z]+|\d+(?:\.\d+)?")
_LONGEST_NAME = 120


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of the list; years inclusive, None where open; `line` is its row in the file."""

    make: str
    model: str
    variant: str
    year_from: int | None
    year_to: int | None
    chemistry: str | None
    usable_kwh: float | None
    range_km: float | None
    line: int

    def made_in(self, year: int, slack: int = 0) -> bool:
        """Whether the line covers a model year, give or take `slack` years."""
        return (self.year_from is None or self.year_from - slack <= year) and (
            self.year_to is None or year <= self.year_to + slack
        )


@dataclass(frozen=True, slots=True)
class Resolved:
    """What a name as written means: `variant` is None where none was said, `unlisted` where one that is not listed."""

    make: str
    model: str
    variant: str | None
    unlisted: bool
    exact: bool


@dataclass(frozen=True, slots=True)
class _Alias:
    words: tuple[str, ...]
    make: str
    model: str
    with_make: bool


class VehicleList:
    """A vehicle list, ready to be asked.  `pack` names it in evidence: file name and the start of its SHA-256."""

    def __init__(self, lines: Sequence[Listed], pack: str) -> None:
        self.lines = tuple(lines)
        self.pack = pack
        self._by_model: dict[tuple[str, str], list[Listed]] = {}
        for line in self.lines:
            self._by_model.setdefault((line.make, line.model), []).append(line)
        self._makes = {make: _words(make) for make, _ in self._by_model}
        self._aliases = self._all_aliases()
        self.resolve = lru_cache(maxsize=50_000)(self._resolve)

    def entries(
        self, make: str | None, model: str, variant: str | None, year: int | None, *, slack: int = 0
    ) -> list[Listed]:
        """The lines of a model that a variant (None: any) and a model year (None: any) leave."""
        lines = self._by_model.get((make or "", model), [])
        return [
            line
            for line in lines
            if (variant is None or line.variant == variant) and (year is None or line.made_in(year, slack))
        ]

    def variant_of(self, make: str | None, model: str, vehicle_text: str | None) -> str | None:
        """The variant that a name as written says, or None where it says none or one that is not listed."""
        resolved = self.resolve(vehicle_text) if vehicle_text else None
        if resolved is None or (resolved.make, resolved.model) != (make, model):
            return None
        return resolved.variant

    def chemistry(self, resolved: Resolved, year: int | None) -> Listed | None:
        """A line that holds the one chemistry which year and variant leave; None where they leave none or several."""
        if resolved.unlisted:
            return None
        lines = self.entries(resolved.make, resolved.model, resolved.variant, year)
        if len({line.chemistry for line in lines}) != 1 or lines[0].chemistry is None:
            return None
        return lines[0]

    # -- names ---------------------------------------------------------------------------------------------------

    def _all_aliases(self) -> list[_Alias]:
        aliases: dict[tuple[tuple[str, ...], str, str], _Alias] = {}  # by words, make and model
        for make, model in self._by_model:
            maker, words = _words(make), _words(model)
            if maker and words[: len(maker)] == maker and len(words) > len(maker):
                words = words[len(maker) :]
            aliases[maker + words, make, model] = _Alias(maker + words, make, model, True)
            # a number ("40") is a model's name only behind the make
            if not all(word[0].isdigit() for word in words) and sum(map(len, words)) >= 2:
                aliases.setdefault((words, make, model), _Alias(words, make, model, False))
        return sorted(aliases.values(), key=lambda alias: -len(alias.words))

    def _resolve(self, vehicle_text: str) -> Resolved | None:
        """What a name as written means, or None where it is on no line, or on lines of several models."""
        words = _words(vehicle_text[:_LONGEST_NAME])
        if not words:
            return None
        for exact in (True, False):
            places = [
                (alias, place) for alias in self._aliases if (place := self._place(alias, words, exact)) is not None
            ]
            places = [(alias, place) for alias, place in places if not self._other_make(alias, words)]
            if places:
                longest = max(len(alias.words) for alias, _ in places)
                best = [(alias, place) for alias, place in places if len(alias.words) == longest]
                if len({(alias.make, alias.model) for alias, _ in best}) > 1:
                    return None
                alias, place = best[0]
                rest = words[:place] + words[place + len(alias.words) :]
                return self._with_variant(alias, rest, exact)
        return None

    @staticmethod
    def _place(alias: _Alias, words: tuple[str, ...], exact: bool) -> int | None:
        size = len(alias.words)
        for place in range(len(words) - size + 1):
            span = words[place : place + size]
            if exact:
                if all(_same_word(wanted, word) for wanted, word in zip(alias.words, span, strict=True)):
                    return place
            elif all(_slip(wanted, word, sure=alias.with_make) for wanted, word in zip(alias.words, span, strict=True)):
                return place
        return None

    def _other_make(self, alias: _Alias, words: tuple[str, ...]) -> bool:
        """Whether the name holds another listed make than the alias's: then it is no name of this model."""
        return any(
            make != alias.make and maker and not set(maker) <= set(alias.words) and set(maker) <= set(words)
            for make, maker in self._makes.items()
        )

    def _with_variant(self, alias: _Alias, rest: tuple[str, ...], exact: bool) -> Resolved:
        maker = self._makes[alias.make]
        left = tuple(
            word
            for word in rest
            if not re.fullmatch(r"(?:19|20)\d\d", word) and not any(_slip(part, word, sure=True) for part in maker)
        )
        variants = {line.variant for line in self._by_model[alias.make, alias.model] if line.variant}
        said = [variant for variant in variants if _says(left, _words(variant))]
        if said:
            best = max(said, key=lambda variant: (len(_words(variant)), variant))
            return Resolved(alias.make, alias.model, best, False, exact)
        if PLAIN_WORDS & set(left):
            return Resolved(alias.make, alias.model, "", False, exact)
        unlisted = any(word not in _EMPTY_WORDS and not (len(word) == 1 and word.isalpha()) for word in left)
        return Resolved(alias.make, alias.model, None, unlisted, exact)

    # -- reports -------------------------------------------------------------------------------------------------

    def fill(self, reading: Reading) -> Reading:
        """Adds make, model and, where none was stated and one answer is left, the chemistry to a reading's reports."""
        for report in reading.reports:
            self._fill_report(report)
        return reading

    def _fill_report(self, report: Report) -> None:
        name = report.values.get("vehicle_text")
        if name is None or not isinstance(name.value, str):
            return
        resolved = self.resolve(name.value)
        if resolved is None:
            return
        how = f"{name.raw} -> {resolved.make} {resolved.model}" + ("" if resolved.exact else " (a slip of the pen)")
        sure = 1.0 if resolved.exact else 0.85
        values = report.values
        rule = f"list.{resolved.make} {resolved.model}"
        values.setdefault("make", self._found("make", resolved.make, name, rule, how, sure))
        values.setdefault("model", self._found("model", resolved.model, name, rule, how, sure))
        if "chemistry" in values:
            return
        year = values.get("model_year")
        line = self.chemistry(resolved, int(year.value) if year is not None else None)
        if line is not None and line.chemistry is not None:
            told = " ".join(
                filter(None, (resolved.make, resolved.model, resolved.variant, str(year.value) if year else ""))
            )
            derivation = f"{told}: {line.chemistry} in the vehicle list, line {line.line}"
            values["chemistry"] = self._found("chemistry", line.chemistry, name, rule, derivation, sure)

    def _found(self, field: str, value: str, name: FoundValue, rule: str, how: str, sure: float) -> FoundValue:
        confidence = min(sure, name.confidence)
        return FoundValue(field, value, None, name.raw, name.start, name.end, rule, self.pack, how, confidence, "list")


@lru_cache(maxsize=50_000)
def _words(name: str) -> tuple[str, ...]:
    """A name as plain words: no case, no accents, letters and digits apart ("Ondine40" -> ondine, 40)."""
    plain = unicodedata.normalize("NFKD", name).casefold()
    plain = "".join(sign for sign in plain if not unicodedata.combining(sign)).replace("'s", "").replace("’s", "")
    return tuple(_TOKEN.findall(plain))


def _same_word(wanted: str, word: str) -> bool:
    return word == wanted or (len(wanted) >= 3 and wanted[0].isalpha() and word == wanted + "s")


def _slip(wanted: str, word: str, *, sure: bool) -> bool:
    """Whether a word is the wanted one with one slip of the pen; `sure` where the make stands beside it.

    Numbers must be right; so must the first letter, and words of everyday language are never slips.  Without the make a
    short name takes a missing, doubled or swapped letter, but no other letter in its place ("Dublin" is no "Dunlin").
    """
    if _same_word(wanted, word):
        return True
    if not wanted[0].isalpha() or len(wanted) < (4 if sure else 5):
        return False
    if word[0] != wanted[0] or word in common_words("en"):
        return False
    from rapidfuzz.distance import OSA

    if OSA.distance(wanted, word, score_cutoff=1) > 1:
        return False
    replaced = len(word) == len(wanted) and sorted(word) != sorted(wanted)
    return sure or len(wanted) >= 8 or not replaced


def _says(words: tuple[str, ...], variant: tuple[str, ...]) -> bool:
    """Whether words hold a variant's name: its words in a row, or its first letters ("LR" for Long Range)."""
    size = len(variant)
    if any(words[place : place + size] == variant for place in range(len(words) - size + 1)):
        return True
    return size >= 2 and "".join(word[0] for word in variant) in words


# -- reading the file ----------------------------------------------------------------------------------------------


def load_vehicle_list(path: Path) -> VehicleList:
    """Reads a vehicle list (CSV, UTF-8; comma, semicolon or tab).  Raises `UsageProblem` with row and column."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UsageProblem(
            f"the vehicle list cannot be read: {error.strerror or error}",
            where=str(path),
            todo="give a CSV file to --vehicles",
        ) from None
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UsageProblem("the vehicle list is not UTF-8", where=str(path), todo="save it as CSV UTF-8") from None
    pack = f"{path.name} {hashlib.sha256(content).hexdigest()[:12]}"
    return VehicleList(_read_lines(text, str(path)), pack)


def _read_lines(text: str, where: str) -> list[Listed]:
    head = text.lstrip("\r\n").split("\n", 1)[0]
    mark = max(",;\t", key=head.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    lines: list[Listed] = []
    header: list[str] | None = None
    try:
        for row in rows:
            cells = [cell.strip() for cell in row]
            if not any(cells):
                continue
            if header is None:
                header = _header(cells, where)
                continue
            lines.append(_line(dict(zip(header, cells, strict=False)), rows.line_num, where, mark))
    except csv.Error as error:
        raise UsageProblem(f"no CSV: {error}", where=f"{where}, line {rows.line_num}", todo="mend the line") from None
    if header is None:
        raise UsageProblem("the vehicle list is empty", where=where, todo=f"give the columns {', '.join(COLUMNS)}")
    return lines


def _header(cells: Iterable[str], where: str) -> list[str]:
    header = [cell.casefold().replace(" ", "_") for cell in cells]
    what = [f"the vehicle list has no column {name}" for name in ("make", "model") if name not in header]
    what += [f"two columns are called {name}" for name in COLUMNS if header.count(name) > 1]
    if what:
        raise UsageProblem(
            what[0],
            where=f"{where}, header",
            todo=f"give the columns {', '.join(COLUMNS)}",
        )
    return header


def _line(cells: dict[str, str], number: int, where: str, mark: str) -> Listed:
    def wrong(column: str, what: str) -> UsageProblem:
        return UsageProblem(
            f"{cells.get(column, '')!r} is no {what}",
            where=f"{where}, line {number}, column {column}",
            todo="mend the cell",
        )

    def year(column: str) -> int | None:
        cell = cells.get(column, "")
        if cell and not (re.fullmatch(r"\d{4}(?:\.0)?", cell) and 1990 <= int(cell[:4]) <= 2100):
            raise wrong(column, "year from 1990 to 2100")
        return int(cell[:4]) if cell else None

    def amount(column: str, most: float) -> float | None:
        cell = cells.get(column, "")
        plain = cell.replace(",", ".") if mark != "," else cell
        if cell and not (re.fullmatch(r"\d+(?:\.\d+)?", plain) and 0 < float(plain) <= most):
            raise wrong(column, f"number above 0 and up to {most:g}")
        return float(plain) if cell else None

    for column in ("make", "model"):
        if not _words(cells.get(column, "")):
            raise wrong(column, f"{COLUMNS[column]} (letters or digits)")
    chemistry = cells.get("chemistry", "")
    if chemistry and chemistry.casefold() not in _CHEMISTRY_NAMES:
        raise wrong("chemistry", f"chemistry ({', '.join(CHEMISTRIES)})")
    first, last = year("year_from"), year("year_to")
    if first is not None and last is not None and last < first:
        raise wrong("year_to", f"year from {first} on")
    return Listed(
        make=cells["make"],
        model=cells["model"],
        variant=cells.get("variant", ""),
        year_from=first,
        year_to=last,
        chemistry=_CHEMISTRY_NAMES[chemistry.casefold()] if chemistry else None,
        usable_kwh=amount("usable_kwh", 500.0),
        range_km=amount("range_km", 2000.0),
        line=number,
    )
