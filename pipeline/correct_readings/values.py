"""What a person may write as a field's value, and what it means in the field's unit."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.dataset_columns import FIELDS, KM_PER_MILE, REPORTS, Column
from pipeline.read_text.numbers import DIGITS, parse_digits

ABSENT_WORDS = ("absent", "none said", "-")
"""What in a cell for a new value says that the text says nothing of the field."""

KM_PER_MIL = 10.0
"""Kilometres in one Norwegian or Swedish mil (labelling guide, "Finer points")."""

LIMITS: dict[str, tuple[float, float]] = {
    "model_year": (1990, 2100),
    "odometer_km": (0, 9_999_999),
    "age_months": (0, 600),
    "loss_pct": (-100, 100),
    "loss_max_pct": (0, 100),
    "charge_limit_pct": (0, 100),
    "charge_floor_pct": (0, 100),
    "full_charges_per_week": (0, 100),
    "dc_fast_share_pct": (0, 100),
    "pack_kwh": (1, 2_000),
}
"""What a person may give at all (judgement: wide, since a person has looked; findings still flag what is odd)."""

_UNITS: dict[str, dict[str, float]] = {
    "km": {"km": 1.0, "kms": 1.0, "mi": KM_PER_MILE, "mile": KM_PER_MILE, "miles": KM_PER_MILE, "mil": KM_PER_MIL},
    "%": {"%": 1.0},
    "% SoC": {"%": 1.0},
    "months": {"months": 1.0, "month": 1.0, "years": 12.0, "year": 12.0},
    "kWh": {"kwh": 1.0},
    "1/week": {"per week": 1.0, "per month": 0.25, "per day": 7.0},
}
"""Unit of a column -> the units that may stand behind a number, each with its factor (a month is 4 weeks, as in the
labelling guide)."""

_PLAIN = str.maketrans({"\N{MINUS SIGN}": "-", "\N{NO-BREAK SPACE}": " ", "\N{RIGHT SINGLE QUOTATION MARK}": "'"})
_AMOUNT = re.compile(rf"(?P<sign>[+-]?)\s*(?P<number>{DIGITS})\s*(?P<k>k(?![a-z]))?\s*(?P<unit>[^\d].*)?", re.I)


class BadValue(ValueError):
    """A value that a field does not take; `accepted` says what it takes."""

    def __init__(self, what: str, accepted: str) -> None:
        super().__init__(what)
        self.accepted = accepted


@dataclass(frozen=True, slots=True)
class Given:
    """A value in its column's type and unit; `how` is the conversion ("62,000 mi x 1.609344"), "" where none."""

    value: float | int | str
    how: str = ""


def correctable(more: Sequence[Column] = ()) -> dict[str, Column]:
    """The columns of the reports that a person may correct: the guide's fields, those of packs, make and model."""
    resolved = [column for column in REPORTS if column.name in ("make", "model")]
    return {column.name: column for column in (*FIELDS, *more, *resolved)}


def accepted(column: Column) -> str:
    """What a column takes, in words for a person."""
    if column.values:
        return "one of " + ", ".join(column.values)
    if column.type == "string":
        return "words"
    if column.type == "bool":
        return "yes or no"
    low, high = LIMITS.get(column.name, (None, None))
    number = "a whole number" if column.type.startswith("int") else "a number"
    span = f" from {low:,.10g} to {high:,.10g}" if low is not None and column.name != "model_year" else ""
    span = f" from {low:g} to {high:g}" if column.name == "model_year" else span
    units = [unit for unit in _UNITS.get(column.unit, {column.unit: 1.0}) if unit]
    told = f" in {column.unit}" if column.unit and column.unit != "a" else ""
    also = f" (with its unit behind it: {', '.join(units)})" if len(units) > 1 and column.unit in _UNITS else ""
    return f"{number}{span}{told}{also}"


def read_value(column: Column, given: str | float) -> Given:
    """The meaning of what a person gave for a column.  Raises `BadValue`."""
    if column.type in ("string", "bool"):
        return Given(_word(column, str(given).strip()))
    if isinstance(given, str):
        number, how = _amount(column, given.strip())
    else:
        number, how = float(given), ""
    low, high = LIMITS.get(column.name, (-math.inf, math.inf))
    if not math.isfinite(number) or not low <= number <= high:
        raise BadValue(f"{given!r} is out of bounds", accepted(column))
    if column.type.startswith("int"):
        if not number.is_integer():
            raise BadValue(f"{given!r} is no whole number", accepted(column))
        return Given(int(number), how)
    return Given(number, how)


def _word(column: Column, given: str) -> str | int:
    if column.type == "bool":
        known: Mapping[str, int] = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
        if given.casefold() not in known:
            raise BadValue(f"{given!r} is neither", accepted(column))
        return known[given.casefold()]
    if column.values:
        for word in column.values:
            if word.casefold() == given.casefold():
                return word
        raise BadValue(f"{given!r} is none of them", accepted(column))
    if not given or len(given) > 200:
        raise BadValue("no words, or more than 200 characters", accepted(column))
    return given


def _amount(column: Column, given: str) -> tuple[float, str]:
    plain = (
        given.replace("\N{MINUS SIGN}", "-")
        .replace("\N{NO-BREAK SPACE}", " ")
        .replace("\N{RIGHT SINGLE QUOTATION MARK}", "'")
    )
    found = _AMOUNT.fullmatch(plain)
    if found is None:
        raise BadValue(f"{given!r} is no number", accepted(column))
    number = parse_digits(found["number"], thousands=column.unit == "km") * (1000 if found["k"] else 1)
    number = -number if found["sign"] == "-" else number
    unit = _plain_unit(found["unit"] or "")
    units = _UNITS.get(column.unit, {_plain_unit(column.unit): 1.0})
    if unit and unit not in units:
        raise BadValue(f"{given!r}: the unit {found['unit'].strip()!r} is not known here", accepted(column))
    factor = units[unit] if unit else 1.0
    return number * factor, "" if factor == 1.0 else f"{number:,g} {unit} x {factor:.10g}"


def _plain_unit(unit: str) -> str:
    """A unit in lower case, with "per" for what people write for it ("/", "a" before a time)."""
    plain = " ".join(unit.casefold().replace("/", " per ").split())
    return re.sub(r"(?:^| )a (?=week|month|day)", "per ", plain).strip()
