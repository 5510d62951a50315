"""Typed quantities: every number of a text with its unit, as slots that rules can name.

A quantity takes the place of its characters in the *abstract text*: "down 3.7 % and" becomes "down PPPPP and" with
one private-use character a kind, so that a rule reads `down {percent}` and offsets stay those of the text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.read_text.language_data import LanguageData, merged, raw_language
from pipeline.read_text.numbers import DIGITS, NumberWords, parse_digits
from pipeline.read_text.slots import KINDS as KINDS
from pipeline.read_text.slots import NAME_OF as NAME_OF
from pipeline.read_text.slots import SLOT_CHARACTERS as SLOT_CHARACTERS
from pipeline.read_text.wordings import ANYTHING, WORD, Phrases, telling_wordings, wordings

LONG_KM = 1000.0
"""A distance from here on is taken for an odometer's; a range or a trip is shorter (common practice, no source)."""


@dataclass(slots=True)
class Quantity:
    """One quantity: `low` and `high` differ for a range; distances are in km, durations in months."""

    kind: str
    start: int
    end: int
    low: float
    high: float
    unit: str | None = None
    said: str = ""  # the number and unit as parsed, for derivations
    marks: frozenset[str] = frozenset()

    @property
    def value(self) -> float:
        """The value, or the midpoint of a range."""
        return (self.low + self.high) / 2


_DIGITS = re.compile(DIGITS)
_DIGIT_OR_WORD = re.compile(r"\d")
_DATE = re.compile(
    r"(?<![\d.])(?:\d{1,2}[./-]\d{1,2}[./-](?:19|20)?\d\d|(?:19|20)\d\d-\d\d?-\d\d?|(?:[01]?\d|2[0-3]):[0-5]\d(?::\d\d)?)(?!\d)"
)
_MONTH_YEAR = re.compile(r"(?<![\d.])(?:0?[1-9]|1[0-2])[/.-]((?:20)\d\d)(?!\d)")
_SHORT_YEAR = re.compile(r"(?<![\w'])'(\d\d)(?![\d%'.,]\d|\d|s\b|%| ?%)")
_MY = re.compile(
    r"(?<!\w)(?:my|modelyear|model year|model-year|mod\.?)\s?'?((?:20)?\d\d)(?!\d|[.,]\d|\s?%|k)"
    r"|(?<!\w)(?:bj|ez|e\.z\.|mj|jg|baujahr|erstzulassung|modelljahr|jahrgang|zugelassen)\.?[ :]{0,2}(?:(?:0?[1-9]|1[0-2])\s?[/.-]\s?)?'?((?:20)?\d\d)(?!\d|/\d|[.,]\d|\s?%|k)"  # noqa: E501
)
_SCORE = re.compile(r"(?<![\d/.,])(\d{1,3}(?:[.,]\d+)?)\s?/\s?100(?![\d/.,]\d| ?k|\d)")
_OF_A_HUNDRED = re.compile(
    r"(?<![\d/.,])(\d{2,3}(?:[.,]\d+)?)\s(?:left\s)?(?:out of|of|from|von|sur|sobre|de|van|av|su)\s(?:a\s|the\s)?(?:hundred|100|hundert|cent|cien|honderd|hundre|cento|cem)(?![\w%])"  # noqa: E501
)
_RATIO = re.compile(r"(?<![\d/.,:])(\d{1,2})\s?[:/]\s?(\d{1,2})(?![\d/:]|[.,]\d)")
_IN_HUNDRED = re.compile(r"\d{1,3}")
_YEAR = re.compile(r"(?:19[89]\d|20[0-3]\d)$")
_CURRENCY_BEFORE = re.compile(r"[$€£¥]\s?$")
_ARROW = re.compile(r"\s?(?:->|=>|→|➡|➔|>|-->)\s?")
_VERSION_BEFORE = re.compile(r"[a-zß-ÿ#_][-]?$")


class SaidWords:
    """The words of what is said without digits: where none of them is in a text, its expression need not be tried."""

    def __init__(self, language: LanguageData) -> None:
        code = language.code
        said = [str(entry["pattern"]).replace("{n}", "#") for entry in merged(code, "frequency")]
        self.frequency = Phrases(wording for source in said for wording in telling_wordings(source))
        plural = str(raw_language(code).get("weekday_plural", "s") or "")
        days = [str(day) for day in merged(code, "weekdays")]
        self.weekday = Phrases(wording for day in days for wording in wordings(f"(?:{day})(?:{re.escape(plural)})?"))
        self.percent_and_half = Phrases(telling_wordings(language.percent_and_half.pattern))
        self.half_percent = Phrases(telling_wordings(language.half_percent.pattern))
        self.fraction = Phrases(telling_wordings(language.fraction.pattern))
        self.a_duration = Phrases(telling_wordings(language.a_duration.pattern))
        self.numbers = Phrases(wording for words in language.number_words for wording in _beginnings(words))


def _beginnings(words: NumberWords) -> Iterable[str]:
    """With what a number in words can begin; a language that writes numbers together leaves that open."""
    if words.compounds:
        return (ANYTHING,)
    return [word for said in (words.ones, words.tens, words.hundreds, words.hundred, words.thousand) for word in said]


class QuantityScanner:
    """Finds the quantities of texts in one language."""

    def __init__(self, language: LanguageData) -> None:
        self.language = language
        self.said = SaidWords(language)
        self._number = language.number
        self._fractions = {re.sub(r"\s", "", word): value for word, value in language.fractions.items()}

    # -- one number -------------------------------------------------------------------------------------------

    def _number_value(self, raw: str, *, thousands: bool) -> tuple[float, bool] | None:
        """Value and whether it was said in words."""
        if raw[0].isdigit() or raw[0] == ".":
            return parse_digits(raw, thousands=thousands), False
        for words in self.language.number_words:
            value = words.parse(raw)
            if value is not None:
                return value, True
        return None

    def _one(self, text: str, match: re.Match[str]) -> Quantity | None:
        """The quantity at a number: its multiplier, its unit, its rate."""
        language = self.language
        raw, start, end = match.group(), match.start(), match.end()
        while raw[-1] == " ":
            raw, end = raw[:-1], end - 1
        word_number = not (raw[0].isdigit() or raw[0] == ".")
        if (  # noqa: SIM102
            not word_number
            and start
            and _VERSION_BEFORE.search(text[max(0, start - 2) : start])
            and text[start - 1] != "~"
        ):
            if not _RANGE_LETTER_OK.search(text[max(0, start - 3) : start]):
                return Quantity("other", start, end, 0, 0, None, raw)
        multiplied = False
        if word_number:
            # "sixty-one thousand" holds its multiplier; halves may follow: "two and a half"
            longest = next((made for words in language.number_words if (made := words.longest(raw))), None)
            if longest is None:
                return None
            raw, value = longest
            end = start + len(raw)
            for words in language.number_words:
                for phrase, plus in [(w, 0.5) for w in words.half] + [(w, 0.25) for w in words.quarter]:
                    if (
                        text.startswith(" " + phrase, end)
                        and not text[end + 1 + len(phrase) : end + 2 + len(phrase)].isalpha()
                    ):
                        value += plus
                        end += 1 + len(phrase)
                        break
                else:
                    continue
                break
            if decimals := language.decimals.match(text, end):
                value += language.number_words[0].ones[decimals.group(1)] / 10
                end = decimals.end()
            thousands_match = language.thousands.match(text, end)
            if thousands_match and value < 1000:
                value *= 1000
                end = thousands_match.end()
            multiplied = value >= 1000
            unit_match = language.unit.match(text, end)
        else:
            thousands_match = language.thousands.match(text, end)
            tkm = _TKM.match(text, end)
            if tkm:
                value = parse_digits(raw, thousands=False) * 1000
                return self._finish(text, "km", value, start, tkm.end(), raw + " tkm", multiplied=True)
            if thousands_match:
                value = parse_digits(raw, thousands=False) * 1000
                end = thousands_match.end()
                multiplied = True
                unit_match = language.unit.match(text, end)
                if unit_match is None and (miles := _M_MILES.match(text, end)):
                    return self._finish(
                        text, "mi", value, start, miles.end(), text[start : miles.end()], multiplied=True
                    )
            else:
                unit_match = language.unit.match(text, end)
                kind = unit_match.lastgroup if unit_match else None
                value = parse_digits(
                    raw, thousands=kind not in ("percent", "kwh", "ah", "years", "months", "points", "volts")
                )
                half_said = next(
                    (
                        w
                        for words in language.number_words
                        for w in words.half
                        if text.startswith(f" {w}", end) and not text[end + 1 + len(w) : end + 2 + len(w)].isalnum()
                    ),
                    "",
                )
                if half_said and value < 100:
                    value += 0.5
                    end += 1 + len(half_said)
                    unit_match = language.unit.match(text, end)
                elif end < len(text) and text[end] in "½¼¾":
                    value += {"½": 0.5, "¼": 0.25, "¾": 0.75}[text[end]]
                    end += 1
                    unit_match = language.unit.match(text, end)
                elif (
                    unit_match is None
                    and "," not in raw
                    and " " not in raw
                    and value >= 10000
                    and (miles := _M_MILES.match(text, end))
                ) or (unit_match is None and value >= 1000 and "," in raw and (miles := _M_MILES.match(text, end))):
                    return self._finish(
                        text, "mi", value, start, miles.end(), text[start : miles.end()], multiplied=True
                    )
        if start and _CURRENCY_BEFORE.search(text[max(0, start - 2) : start]):
            return Quantity(
                "other",
                start,
                unit_match.end() if unit_match and unit_match.lastgroup == "other" else end,
                value,
                value,
                None,
                raw,
            )
        if unit_match:
            kind = (unit_match.lastgroup or "other").replace("other2", "other")
            if (
                kind == "other"
                and multiplied
                and unit_match.group().strip(" -") in ("a", "s", "h", "c", "l", "x", "m", "th")
            ):
                unit_match = None
            else:
                half = language.half_after_unit.match(text, unit_match.end())
                if half and value < 100:
                    value += 0.5
                    return self._finish(
                        text, kind, value, start, half.end(), text[start : half.end()], multiplied=multiplied
                    )
                return self._finish(
                    text, kind, value, start, unit_match.end(), text[start : unit_match.end()], multiplied=multiplied
                )
        return self._bare(text, value, start, end, raw, words=word_number, multiplied=multiplied)

    def _bare(
        self, text: str, value: float, start: int, end: int, raw: str, *, words: bool, multiplied: bool
    ) -> Quantity | None:
        if not words and not multiplied and _YEAR.match(raw):
            if text.startswith("er", end):
                end += 2
            return Quantity("year", start, end, value, value, "a", raw)
        if not words and not multiplied and len(raw) == 2 and (plate := self.language.plate.match(text, end)):
            year = value if value < 50 else value - 50
            return Quantity("year", start, plate.end(), 2000 + year, 2000 + year, "a", text[start : plate.end()])
        if words and value < 10 and value == int(value):
            # "one", "two": pronouns and articles more often than quantities; kept only as part of a range
            return Quantity("number", start, end, value, value, None, raw, frozenset({"words", "small"}))
        kind = (
            "thousands"
            if multiplied or value >= 2000 or (value >= 1000 and not raw.isdigit())
            else "big"
            if value > 100
            else "hundred"
            if value == 100
            else "number"
        )
        if kind in ("thousands", "big", "number"):
            rate = self.language.rate.match(text, end)
            if (
                rate
                and (kind == "thousands" or text[rate.start() : rate.end()].strip().startswith(("a ", "per ", "/")))
                and kind != "number"
            ):
                return Quantity("rate", start, rate.end(), value, value, None, text[start : rate.end()])
        return Quantity(kind, start, end, value, value, None, raw, frozenset({"words"} if words else ()))

    def _finish(
        self, text: str, unit: str, value: float, start: int, end: int, said: str, *, multiplied: bool
    ) -> Quantity:
        """A quantity whose unit is known."""
        if unit in ("km", "mi", "mil"):
            km = value * KM_PER_MILE if unit == "mi" else value
            if unit == "mil":
                km = value * 10 if self.language.mil_is_ten_km else value * 1000
            rate = self.language.rate.match(text, end)
            if rate:
                return Quantity("rate", start, rate.end(), km, km, unit, text[start : rate.end()])
            return Quantity("distance" if km >= LONG_KM else "stretch", start, end, km, km, unit, said)
        if unit == "percent":
            rate = self.language.rate.match(text, end)
            if rate and value < 50 and not _EVERY.match(text, end):
                return Quantity("rate", start, rate.end(), value, value, "%", text[start : rate.end()])
            return Quantity("hundred" if value == 100 else "percent", start, end, value, value, "%", said)
        if unit == "points":
            return Quantity("points", start, end, value, value, "%", said)
        if unit in ("years", "months", "weeks", "days"):
            months = value * {"years": 12.0, "months": 1.0, "weeks": 12 / 52.18, "days": 12 / 365.25}[unit]
            return Quantity("duration", start, end, months, months, unit, said)
        kind = {"kwh": "energy", "ah": "charge", "volts": "voltage"}.get(unit, "other")
        return Quantity(kind, start, end, value, value, {"kwh": "kWh", "ah": "Ah", "volts": "V"}.get(unit), said)

    # -- a whole text -----------------------------------------------------------------------------------------

    def scan(self, text: str) -> list[Quantity]:
        """The quantities of a folded text, in order, none overlapping another."""
        taken: list[Quantity] = []
        words = set(WORD.findall(text))
        taken.extend(self._special(text, words))
        taken.sort(key=lambda quantity: quantity.start)
        busy = [(quantity.start, quantity.end) for quantity in taken]
        found: list[Quantity] = []
        position, block = 0, 0
        finder = self._number if self.said.numbers.possible(words) else _DIGITS
        while match := finder.search(text, position):
            while block < len(busy) and busy[block][1] <= match.start():
                block += 1
            if block < len(busy) and busy[block][0] < match.end():
                position = busy[block][1]
                continue
            quantity = self._one(text, match)
            position = quantity.end if quantity else match.end()
            if quantity:
                found.append(quantity)
        merged = self._ranges(text, sorted([*taken, *found], key=lambda quantity: quantity.start))
        return self._same_reading_twice(text, merged)

    def _special(self, text: str, words: set[str]) -> list[Quantity]:
        """What is more than a number: dates, frequencies, fractions, scores, ratios, short years."""
        language, said = self.language, self.said
        out: list[Quantity] = []
        taken: list[tuple[int, int]] = []

        def add(quantity: Quantity) -> None:
            if all(quantity.end <= start or quantity.start >= end for start, end in taken):
                out.append(quantity)
                taken.append((quantity.start, quantity.end))

        if _DIGIT_OR_WORD.search(text):
            for match in _MONTH_YEAR.finditer(text):
                year = float(match.group(1))
                add(Quantity("year", match.start(), match.end(), year, year, "a", match.group()))
            for match in _DATE.finditer(text):
                add(Quantity("other", match.start(), match.end(), 0, 0, None, match.group(), frozenset({"date"})))
            for pattern in (_SHORT_YEAR, _MY):
                for match in pattern.finditer(text):
                    year = float(next(filter(None, match.groups())))
                    year += 2000 if year < 100 else 0
                    if 1995 <= year <= 2035:
                        add(
                            Quantity(
                                "year", match.start(), match.end(), year, year, "a", match.group(), frozenset({"model"})
                            )
                        )
            for match in language.of_counts.finditer(text):
                part, whole = float(match.group(1)), float(match.group(2))
                if 0 < part < whole and (whole <= 20 or whole >= 30):
                    share = 100 * part / whole
                    add(
                        Quantity(
                            "fraction",
                            match.start(),
                            match.end(),
                            share,
                            share,
                            "%",
                            match.group(),
                            frozenset({"counts"}),
                        )
                    )
            slash = "/" in text
            for match in _SCORE.finditer(text) if slash else ():
                value = parse_digits(match.group(1), thousands=False)
                if value <= 110:
                    add(Quantity("score", match.start(), match.end(), value, value, "%", match.group()))
            for match in _OF_A_HUNDRED.finditer(text):
                value = parse_digits(match.group(1), thousands=False)
                if value <= 110:
                    add(Quantity("score", match.start(), match.end(), value, value, "%", match.group()))
            for match in _RATIO.finditer(text) if slash or ":" in text else ():
                left, right = float(match.group(1)), float(match.group(2))
                if left + right == 100:
                    add(Quantity("ratio", match.start(), match.end(), left, right, "%", match.group()))
                elif 0 < left < right <= 20 and "/" in match.group():
                    add(
                        Quantity(
                            "fraction",
                            match.start(),
                            match.end(),
                            100 * left / right,
                            100 * left / right,
                            "%",
                            match.group(),
                        )
                    )
        for match in language.frequency.finditer(text) if said.frequency.possible(words) else ():
            value = self._frequency(match)
            add(Quantity("frequency", match.start(), match.end(), value, value, "1/week", match.group()))
        for match in language.weekday.finditer(text) if said.weekday.possible(words) else ():
            if quantity := self._weekdays(match):
                add(quantity)
        for match in language.percent_and_half.finditer(text) if said.percent_and_half.possible(words) else ():
            add(Quantity("percent", match.start(), match.end(), 1.5, 1.5, "%", match.group()))
        for match in language.half_percent.finditer(text) if said.half_percent.possible(words) else ():
            if _AND_BEFORE.search(text[max(0, match.start() - 8) : match.start()]):
                continue  # "three and a half percent"
            add(Quantity("percent", match.start(), match.end(), 0.5, 0.5, "%", match.group()))
        for match in language.fraction.finditer(text) if said.fraction.possible(words) else ():
            if _AND_BEFORE.search(text[max(0, match.start() - 8) : match.start()]):
                continue
            value = self._fractions[re.sub(r"\s", "", match.group())]
            add(Quantity("fraction", match.start(), match.end(), value, value, "%", match.group()))
        for match in language.a_duration.finditer(text) if said.a_duration.possible(words) else ():
            months = 12.0 if match.group("years") else 1.0
            end = match.end()
            if half := language.half_after_unit.match(text, end):
                months, end = months * 1.5, half.end()
            add(
                Quantity(
                    "duration",
                    match.start(),
                    end,
                    months,
                    months,
                    "years",
                    text[match.start() : end],
                    frozenset({"article"}),
                )
            )
        return out

    def _frequency(self, match: re.Match[str]) -> float:
        rule = self.language.frequency_values[int((match.lastgroup or "f0")[1:])]
        if rule is None:
            return float("nan")
        if isinstance(rule, (int, float)):
            return float(rule)
        number = self.language.number.search(match.group())
        value = self._number_value(number.group().strip(), thousands=False) if number else None
        n = value[0] if value else float("nan")
        if rule == "n":
            return n
        left, right = rule.split("/")
        if left == "n":
            return n / float(right)
        return float(left) / n if n else float("nan")

    def _weekdays(self, match: re.Match[str]) -> Quantity | None:
        """Weekdays that repeat: "every Sunday", "Tuesdays and Fridays"; a single bare day is no frequency."""
        language, said = self.language, match.group()
        own = [str(day) for day in _weekday_names(language.code)]
        days = [
            day
            for day in re.findall(r"[^\W\d_]+", said)
            if any(day == name or day == name + "s" or day.rstrip("sne") == name.rstrip("sne") for name in own)
        ]
        before = re.match(language.between.pattern, "") is None and any(
            said.startswith(word + " ") for word in _repeat_words(language.code)
        )
        plural = (
            any(day.endswith(_plural(language.code)) and day not in own for day in days)
            if _plural(language.code)
            else False
        )
        if not days or not (before or plural or len(days) >= 2):
            return None
        count = float(len(days))
        return Quantity("frequency", match.start(), match.end(), count, count, "1/week", said)

    def _ranges(self, text: str, found: list[Quantity]) -> list[Quantity]:
        """Joins "60-65k km", "between 20 and 80", "5 to 6 percent"; lends units in "272 to 263 miles"."""
        out: list[Quantity] = []
        index = 0
        while index < len(found):
            left = found[index]
            right = found[index + 1] if index + 1 < len(found) else None
            joined = self._join(text, left, right) if right is not None else None
            if joined is not None:
                out.append(joined)
                index += 2
                continue
            if "small" not in left.marks:
                out.append(left)
            index += 1
        return out

    def _join(self, text: str, left: Quantity, right: Quantity) -> Quantity | None:
        gap = text[left.end : right.start]
        if len(gap) > 12:
            return None
        to = self.language.range_to.fullmatch(gap) is not None
        joins_and = self.language.range_and.fullmatch(gap) is not None
        between = bool(self.language.between.search(text[max(0, left.start - 14) : left.start]))
        arrow = _ARROW.fullmatch(gap) is not None
        if left.kind == "duration" and right.kind == "duration":  # noqa: SIM102
            if (
                left.unit == "years"
                and right.unit == "months"
                and re.fullmatch(r"\s?(?:and|,|&|und|et|y|e|en|og)?\s?", gap)
            ):
                total = left.value + right.value
                return Quantity("duration", left.start, right.end, total, total, "months", text[left.start : right.end])
        if not (to or arrow or (joins_and and between)):
            return None
        if re.fullmatch(r"\s?-\s", gap) and " " in gap and gap != " - ":
            return None
        levels = ("percent", "hundred", "number")
        if left.kind in levels and right.kind in levels and left.unit in (None, "%"):
            if left.unit == "%" and right.unit is None and not (to or between):
                return None
            if left.low >= right.low:
                if right.unit == "%" and left.unit is None and (to or arrow):
                    left.unit, left.kind = "%", "hundred" if left.low == 100 else "percent"
                return None
            if left.unit == "%" and right.unit is None and gap.strip() not in ("-", "") and not between and not to:
                return None
            low, high = left.low, right.low
            if gap == " - " and right.unit is None and left.unit is None and high - low < 5 and high < 20:
                return None
            unit = "%" if "%" in (left.unit, right.unit) else None
            if "small" in left.marks and low < 5 and high >= 45:
                return None  # "both at 80", "one to 80": no window
            is_window = (low <= 65 and high - low >= 15 and high >= 45) or (
                between and low <= 65 and high - low >= 10 and high >= 45
            )
            kind = "window" if is_window else "percent" if unit else "number"
            marks = frozenset({"range"} | left.marks | right.marks) - {"small"}
            return Quantity(kind, left.start, right.end, low, high, unit, text[left.start : right.end], marks)
        far = ("distance", "stretch", "thousands", "big", "number", "hundred")
        if (
            right.kind in ("distance", "stretch", "thousands")
            and left.kind in far
            and not (left.unit and right.unit and left.unit != right.unit)
        ):
            if (
                left.kind == "number"
                and left.unit is None
                and _LEVEL_BEFORE.search(text[max(0, left.start - 24) : left.start])
            ):
                return None  # "SoH 94 à 120 000 km": a level at a distance
            low = left.low
            factor = (
                KM_PER_MILE
                if right.unit == "mi"
                else 10.0
                if right.unit == "mil" and self.language.mil_is_ten_km
                else 1.0
            )
            if left.unit is None and right.unit is not None:
                thousandfold = low < 1000 <= right.low / factor and (
                    _K_TAIL.search(text[right.start : right.end]) or low * 1000 >= 0.8 * right.low / factor
                )
                low = low * (1000 if thousandfold else 1) * factor
            elif (
                left.unit is None
                and right.unit is None
                and low < 1000 <= right.low
                and _K_TAIL.search(text[right.start : right.end])
            ):
                low *= 1000
            near = low < right.low <= 3 * low and left.kind != "stretch"
            beside = low < right.low <= 1.25 * low and (gap.strip() == "-" or between)
            if near or beside:
                return Quantity(
                    right.kind,
                    left.start,
                    right.end,
                    low,
                    right.low,
                    right.unit,
                    text[left.start : right.end],
                    frozenset({"range"}),
                )
            if (
                left.unit is None
                and right.unit is not None
                and 0.3 * low < right.low
                and left.kind in ("big", "number", "hundred", "thousands")
                and low >= 50
            ):
                left.low = left.high = low
                left.unit, left.kind = right.unit, right.kind
                left.said = f"{left.said} {'mi' if right.unit == 'mi' else 'km'}"
            return None
        if right.kind == "duration" and left.kind in ("number", "duration") and right.marks.isdisjoint({"article"}):
            factor = {"years": 12.0, "months": 1.0}.get(right.unit or "", 0.0)
            low = left.low * factor if left.kind == "number" else left.low
            if factor and low < right.low:
                return Quantity(
                    "duration",
                    left.start,
                    right.end,
                    low,
                    right.low,
                    right.unit,
                    text[left.start : right.end],
                    frozenset({"range"}),
                )
        if (
            right.kind == "energy"
            and left.kind in ("number", "energy", "hundred")
            and left.low >= right.low
            and left.unit is None
        ):
            left.unit, left.kind = "kWh", "energy"
        return None

    def _same_reading_twice(self, text: str, found: list[Quantity]) -> list[Quantity]:
        """Drops the second of "73,000 km (45,400 mi)": both units of one reading, the first counts."""
        out: list[Quantity] = []
        for quantity in found:
            last = out[-1] if out else None
            if (
                last
                and last.kind in ("distance", "stretch")
                and quantity.kind in ("distance", "stretch")
                and last.unit != quantity.unit
                and quantity.start - last.end <= 8
                and abs(last.value - quantity.value) <= 0.03 * last.value
            ):
                last.end = quantity.end
                last.marks = last.marks | {"both units"}
                continue
            out.append(quantity)
        return out


_AND_BEFORE = re.compile(r"\w\s(?:and|und|et|y|en|og|e|och)\s(?:a\s|un\s|en\s)?$")
_LEVEL_BEFORE = re.compile(
    r"(?:soh|s\.o\.h\.?|health|santé|salud|gesundheit|gezondheid|helse|hälsa|saúde|salute)\W{0,3}(?:[^\W\d]+\s){0,2}$"
)
_TKM = re.compile(r"\s?(?:tkm|kkm|k\s?km|tsd\.?\s?km|t\.?\s?km)(?![a-z])")
_M_MILES = re.compile(r"\s?m(?![a-z0-9'])")
_EVERY = re.compile(r"\s?(?:every|each|jeden|chaque|cada|elke|hver|ogni)")
_K_TAIL = re.compile(r"\d\s?(?:k(?!m)|tkm|t)|thousand|tausend|mil|tsd|mila|tusen|duizend|mille")
_RANGE_LETTER_OK = re.compile(r"(?:^|[\s(])(?:l'|all'|dell'|al|x)$|[.,;:!?]$")


def _weekday_names(code: str) -> list[str]:
    from pipeline.read_text.language_data import merged

    return [str(day) for day in merged(code, "weekdays")]


def _repeat_words(code: str) -> list[str]:
    from pipeline.read_text.language_data import merged

    return [str(word) for word in merged(code, "weekday_repeat") or ["every", "each"]]


def _plural(code: str) -> str:
    from pipeline.read_text.language_data import raw_language

    return str(raw_language(code).get("weekday_plural", "s") or "")


def abstract(text: str, quantities: list[Quantity]) -> str:
    """The text with every quantity replaced, character for character, by its kind's private-use character."""
    parts: list[str] = []
    position = 0
    for quantity in quantities:
        parts.append(text[position : quantity.start])
        parts.append(KINDS[quantity.kind] * (quantity.end - quantity.start))
        position = quantity.end
    parts.append(text[position:])
    return "".join(parts)
