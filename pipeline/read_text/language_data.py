"""A language's number words, units, times and frequencies, loaded once from `languages/<code>.yaml`.

English words are known in every language, because audiences mix them ("SoH", "miles", "weekly").
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from pipeline.declarative_files import parse_yaml
from pipeline.problems import RuleProblem
from pipeline.read_text.numbers import DIGITS, NumberWords

_CONSUMPTION = r"(?:k?wh)\s?(?:/|per|pro|por|auf|på|op|sur|aux|a|ogni|cada|je)\s?(?:les\s|los\s|die\s|i\s)?(?:100|hundred|cien|cent|hundert|honderd|hundre|cento|cem|mil|km|mi\b|mile)\s?(?:km|kms|mi|miles|kilometer)?(?![a-z])|(?:mi|miles|km|m)\s?(?:/|per|pro|por|par|pr)\s?kwh?(?![a-z])|km\s?/\s?h(?![a-z])"  # noqa: E501
"""Consumption and speed, in any language: never a distance."""

UNIT_KINDS = ("km", "mi", "mil", "percent", "kwh", "ah", "years", "months", "weeks", "days", "volts", "points")


@dataclass(frozen=True, slots=True)
class LanguageData:
    """The compiled word lists of one language (with English as its second)."""

    code: str
    number_words: tuple[NumberWords, ...]
    number: re.Pattern[str]  # a number in digits or words
    unit: re.Pattern[str]  # matched right behind a number; group name = kind of unit
    thousands: re.Pattern[str]
    half_after_unit: re.Pattern[str]
    decimals: re.Pattern[str]  # "virgule cinq" right behind a number word
    rate: re.Pattern[str]  # "a year", "per month" right behind a distance or a percentage
    frequency: re.Pattern[str]
    frequency_values: tuple[str | float | None, ...]
    fraction: re.Pattern[str]
    fractions: dict[str, float]
    half_percent: re.Pattern[str]
    percent_and_half: re.Pattern[str]  # "a percent and a half"
    range_to: re.Pattern[str]
    range_and: re.Pattern[str]
    between: re.Pattern[str]
    year_prefix: re.Pattern[str]
    plate: re.Pattern[str]
    a_duration: re.Pattern[str]
    of_counts: re.Pattern[str]  # "9 of 10", "31 out of 402"
    weekday: re.Pattern[str]
    mil_is_ten_km: bool


def available() -> list[str]:
    """Codes of the languages that have a word list."""
    folder = resources.files("pipeline.read_text") / "languages"
    return sorted(entry.name[:-5] for entry in folder.iterdir() if entry.name.endswith(".yaml"))


@cache
def raw_language(code: str) -> dict[str, Any]:
    """The word lists of `languages/<code>.yaml` as they stand."""
    path = resources.files("pipeline.read_text") / "languages" / f"{code}.yaml"
    try:
        text = path.read_text("utf8")
    except FileNotFoundError:
        raise RuleProblem(f"no word list for language {code!r}", todo=f"known: {', '.join(available())}") from None
    data = parse_yaml(text, f"languages/{code}.yaml")
    return dict(data)


def _alternatives(words: list[str]) -> str:
    return "|".join(
        re.escape(str(word)).replace(r"\ ", r"\s?") for word in sorted(words, key=lambda w: (-len(str(w)), str(w)))
    )


def _bounded(words: list[str]) -> str:
    """Alternatives that end where a word ends; signs such as % need no word end."""
    return rf"(?:{_alternatives(words)})(?![a-zß-ÿœ])" if words else r"(?!)"


def merged(code: str, key: str) -> list[Any]:
    """A list of the language's own words with English behind it."""
    own = list(raw_language(code).get(key) or [])
    return own + [word for word in (raw_language("en").get(key) or []) if word not in own] if code != "en" else own


def _number_words(code: str, without: frozenset[str] = frozenset()) -> NumberWords:
    words = dict(raw_language(code).get("number_words") or {})
    for key in ("hundred", "thousand", "one"):
        words[key] = [word for word in words.get(key) or () if str(word) not in without]
    return NumberWords(
        ones=words.get("ones") or {},
        tens=words.get("tens") or {},
        hundreds=words.get("hundreds") or {},
        hundred=tuple(words.get("hundred") or ()),
        thousand=tuple(words.get("thousand") or ()),
        one=tuple(words.get("one") or ()),
        joiners=tuple(words.get("and") or ()),
        half=tuple(words.get("half") or ()),
        quarter=tuple(words.get("quarter") or ()),
        tens_after_ones=bool(words.get("tens_after_ones")),
        compounds=bool(words.get("compounds")),
    )


def _decimals(words: dict[str, Any]) -> re.Pattern[str]:
    """One decimal in words ("virgule cinq"), where the language's list of `ones` has it."""
    points = [str(word) for word in words.get("point") or ()]
    digits = [str(word) for word, value in (words.get("ones") or {}).items() if 0 <= value < 10]
    if not points or not digits:
        return re.compile(r"(?!)")
    return re.compile(
        rf"\s(?:{_alternatives(points)})\s({_alternatives(digits)})(?!\w|[ -](?:{_alternatives(digits)})(?!\w))"
    )


@cache
def language_data(code: str) -> LanguageData:
    """The compiled lists of a language; `RuleProblem` where there are none."""
    own = raw_language(code)
    codes = [code] if code == "en" else [code, "en"]
    not_numbers = frozenset(
        str(word) for word in own.get("not_numbers") or ()
    )  # number words of English that mean something else in this language
    number_words = tuple(
        words for c in codes if (words := _number_words(c, not_numbers if c != code else frozenset())).source
    )
    number = re.compile("|".join([DIGITS, *(words.source for words in number_words)]))
    number_source = rf"(?:{number.pattern})"

    not_units = {
        str(word) for word in own.get("not_units") or ()
    }  # unit words of English that mean something else in this language
    units = []
    for kind in UNIT_KINDS:
        of_kind = [
            word
            for c in codes
            for word in (raw_language(c).get("units") or {}).get(kind, [])
            if str(word) not in not_units
        ]
        if of_kind:
            units.append(rf"(?P<{kind}>{_bounded(of_kind)})")
    others = [str(word) for word in merged(code, "other_units") if str(word) not in not_units]
    letters = [word for word in others if len(word) == 1 and word.isalpha()]
    other = (
        rf"(?P<other>{_CONSUMPTION}|(?:{_alternatives([word for word in others if word not in letters])})(?![a-zß-ÿœ])"
        rf"|(?<=\d)\s?(?:{_alternatives(letters)})(?![a-zß-ÿœ']))"
    )
    unit = re.compile(rf"(?:{other}|[ ]?-?[ ]?(?:{other.replace('<other>', '<other2>')}|{'|'.join(units)}))")

    frequency_sources, frequency_values = [], []
    for entry in merged(code, "frequency"):
        value = entry["per_week"]
        frequency_values.append(value)
        name = f"f{len(frequency_values) - 1}"
        source = entry["pattern"].replace("{n}", rf"(?:{number_source})")
        frequency_sources.append(rf"(?P<{name}>{source})")
    frequency = re.compile(rf"(?<!\w)(?:{'|'.join(frequency_sources)})(?!\w)")

    weekdays = "|".join(str(w) for w in sorted(merged(code, "weekdays"), key=lambda w: -len(str(w))))
    before = _alternatives([str(w) for w in merged(code, "weekday_before")])
    tail = _alternatives([str(w) for w in merged(code, "weekday_tail")])
    join = _alternatives([str(w) for w in merged(code, "weekday_join")])
    plural = re.escape(str(own.get("weekday_plural", "s") or ""))
    plural_group = rf"(?:{plural})" if plural else ""
    day = rf"(?:{weekdays})"
    weekday = re.compile(
        rf"(?<!\w)(?:(?:{before})\s)?{day}{plural_group + '?' if plural_group else ''}(?:\s(?:{tail}))?"
        rf"(?:\s?(?:{join})\s?(?:(?:{before})\s)?{day}{plural_group + '?' if plural_group else ''}(?:\s(?:{tail}))?)*(?!\w)"  # noqa: E501
    )

    fractions = {**(raw_language("en").get("fractions") or {}), **(own.get("fractions") or {})}
    years = [w for c in codes for w in (raw_language(c).get("units") or {}).get("years", [])]
    months = [w for c in codes for w in (raw_language(c).get("units") or {}).get("months", [])]
    articles = [w for c in codes for w in (raw_language(c).get("number_words") or {}).get("one", [])]
    percent = [w for c in codes for w in (raw_language(c).get("units") or {}).get("percent", [])]
    half_words = own.get("half_words") or ["half a", "half of a", "half an", "half"]
    per = own.get("per") or ["a", "per", "each", "every", "/", "p.", "an", "p"]
    per_units = merged(code, "per_units") or []
    rate_units = per_units or [
        "year",
        "yr",
        "annum",
        "month",
        "week",
        "day",
        "winter",
        "decade",
        "mo",
        "wk",
        "a",
        "anum",
        "charge",
        "hour",
        "h",
        "night",
    ]
    year_prefix = (own.get("years_plain") or {}).get("prefix") or ["my", "my."]
    plate = (own.get("years_plain") or {}).get("plate") or ["plate"]
    of_words = own.get("of_words") or ["of", "out of", "in", "from"]
    return LanguageData(
        code=code,
        number_words=number_words,
        number=number,
        unit=unit,
        thousands=re.compile(
            rf"\s?(?:{_alternatives([str(w) for w in merged(code, 'thousands') if str(w) not in not_numbers])})(?![a-zß-ÿœ])"  # noqa: E501
        ),
        half_after_unit=re.compile(
            rf"\s(?:{_alternatives([w for c in codes for w in (raw_language(c).get('number_words') or {}).get('half_after_unit', [])]) or '(?!)'})(?!\w)"  # noqa: E501
        ),
        decimals=_decimals(own.get("number_words") or {}),
        rate=re.compile(
            rf"\s?(?:{_alternatives([str(w) for w in per])})\s?(?:single\s)?(?:{_alternatives(rate_units)})(?!\w)|\s?(?:{_alternatives([str(w) for w in own.get('rate_words') or ['yearly', 'annually', 'annual', 'pa', 'p.a.', 'daily']])})(?!\w)"  # noqa: E501
        ),
        frequency=frequency,
        frequency_values=tuple(frequency_values),
        fraction=re.compile(rf"(?<!\w)(?:{_alternatives(list(fractions))})(?!\w)"),
        fractions={str(k): float(v) for k, v in fractions.items()},
        half_percent=re.compile(rf"(?<!\w)(?:{_alternatives(half_words)})\s(?:{_bounded(percent)})"),
        percent_and_half=re.compile(
            rf"(?<!\w)(?:{_alternatives([*articles, 'one']) or '(?!)'})\s(?:{_bounded(percent)})\s(?:{_alternatives([w for c in codes for w in (raw_language(c).get('number_words') or {}).get('half_after_unit', [])]) or '(?!)'})(?!\w)"  # noqa: E501
        ),
        range_to=re.compile(rf"\s?(?:{_alternatives([str(w) for w in own.get('range_to') or ['-', 'to']])})\s?"),
        range_and=re.compile(rf"\s(?:{_alternatives([str(w) for w in own.get('range_and') or ['and']])})\s?"),
        between=re.compile(
            rf"(?<!\w)(?:{_alternatives([str(w) for w in own.get('range_between') or ['between']])})\s?(?:\w+\s)?$"
        ),
        year_prefix=re.compile(rf"(?<!\w)(?:{_alternatives(year_prefix)})\s?$"),
        plate=re.compile(rf"[ -]?(?:{_alternatives(plate)})(?!\w)"),
        a_duration=re.compile(
            rf"(?<!\w)(?:{_alternatives(articles) or '(?!)'})\s(?:(?P<years>{_bounded(years)})|(?P<months>{_bounded(months)}))"  # noqa: E501
        ),
        of_counts=re.compile(
            rf"(?<![\d.,/])(\d{{1,4}})\s(?:{_alternatives(of_words)})\s(?:(?:the|my|every)\s)?(\d{{1,4}})(?![\d.,]|\s?(?:km|kwh|mi|miles|%|k\b))"
        ),
        weekday=weekday,
        mil_is_ten_km=bool(own.get("mil_is_ten_km")),
    )
