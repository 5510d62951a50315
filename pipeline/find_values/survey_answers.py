"""Reads a survey row's answers with their questions, and joins them with what its free text told: one report a row.

cell -> `survey_cells` -> Taken -> the policies of free text (`group_reports.settle`) -> values of origin column
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from types import MappingProxyType

from pipeline.find_values import survey_cells as cells
from pipeline.find_values.match_rules import Taken
from pipeline.find_values.rule_files import BUILT_IN, Rule, pack_info
from pipeline.find_values.survey_cells import KM_PER_UNIT, Cell, Unreadable, words
from pipeline.group_reports.settle import Settler
from pipeline.read_exports.survey_questions import is_no_answer, unit_named
from pipeline.read_text.fold import fold
from pipeline.read_text.quantities import Quantity
from pipeline.response import FoundValue, Refusal, Response, SurveyAnswer

IMPOSSIBLE = "survey.impossible-entry"
UNCLEAR = "survey.unclear-entry"
FLAG = "survey-impossible-entry"
"""The finding (check_reports/findings.yaml) of a report whose row holds what cannot be."""

FIELD_OF = MappingProxyType(
    {
        "range_new": "loss_pct", "range_now": "loss_pct", "energy_new": "loss_pct", "energy_now": "loss_pct",
        "health_pct": "loss_pct", "ac_share_pct": "dc_fast_share_pct",
    }
)  # fmt: skip
"""The field that a part makes."""

HABIT_FIELDS = ("charge_limit_pct", "charge_floor_pct", "full_charges_per_week", "dc_fast_share_pct", "ac_share_pct")
"""Questions that can be answered in words ("it depends"): such an answer is unclear, not impossible."""

_MILES = re.compile(r"(?<![a-z])(?:miles|mile|mi|mls|meilen|millas|milhas|miglia|mijlen)(?![a-z])")
_KM = re.compile(r"(?<![a-z])(?:km|kms|kilomet\w+|kilómet\w+|quilómet\w+|chilomet\w+)(?!\w)")
_YEAR_AT_END = re.compile(r"^(?:19|20)\d\d\s+|[\s,(]+(?:19|20)\d\d\)?$")
_TWO_LEVELS = re.compile(r"\D*(\d{2,3})\s?%?\s?(?:/|or|oder|ou|o|of|eller|and|und)\s?(\d{2,3})\s?%?\D*")
WINDOW_LEAST = 15.0
"""Points between the ends of "20-80" that make it a window, and not a limit said roughly ("80-90"); judgement."""
WINDOW_LOW_MOST = 45.0


@cache
def _rule(field: str) -> Rule:
    info = pack_info(BUILT_IN)
    pack = f"{info.name} {info.version}"
    return Rule(id=f"survey.{field}", topic="survey", patterns=(), pack=pack, file="survey_answers.yaml")


def read_answers(response: Response, language: str) -> tuple[dict[str, FoundValue], list[Refusal]]:
    """Field -> value of a survey row's answers, and the cells that were not taken, each with its reason."""
    reader = _RowOfAnswers(response, language)
    for answer in response.answers:
        reader.read(answer)
    return reader.settle(), reader.refusals


def answer_lines(response: Response) -> tuple[tuple[int, int], ...]:
    """The stretches of a survey row's text that are no free words: the lines of answers and of empty answers."""
    if not response.answers:
        return ()
    text = response.text
    spans: list[tuple[int, int]] = []
    for answer in response.answers:
        start = text.rfind("\n", 0, max(0, answer.start - len(answer.question))) + 1
        end = text.find("\n", answer.end)
        spans.append((start, len(text) if end < 0 else end))
    for match in re.finditer(r"[^\n:]+: ([^\n]+)", text):
        if is_no_answer(match[1]) and not any(start <= match.start() < end for start, end in spans):
            spans.append(match.span())
    return tuple(sorted(spans))


class _RowOfAnswers:
    """One row: what was taken from its answers, as the policies of `Settler` want it."""

    def __init__(self, response: Response, language: str) -> None:
        self.response = response
        self.language = language
        self.refusals: list[Refusal] = []
        self.taken: list[Taken] = []
        self.values: dict[str, FoundValue] = {}
        self.ranges: dict[str, tuple[SurveyAnswer, Cell, str | None]] = {}
        self.readers: dict[str, Callable[[SurveyAnswer, str], None]] = {
            "odometer_km": self._odometer,
            "loss_pct": self._loss,
            "health_pct": self._health,
            "chemistry": self._chemistry,
            "vehicle_text": self._vehicle,
            "model_year": self._year,
            "age_months": self._age,
            "range_new": self._range,
            "range_now": self._range,
            "energy_new": self._energy,
            "energy_now": self._energy,
            "charge_limit_pct": self._limit,
            "charge_floor_pct": self._floor,
            "full_charges_per_week": self._often,
            "dc_fast_share_pct": self._share,
            "ac_share_pct": self._share,
            "pack_kwh": self._pack,
        }

    def read(self, answer: SurveyAnswer) -> None:
        """Takes one answer, or refuses it."""
        cell = self.response.text[answer.start : answer.end]
        reader = self.readers.get(answer.field)
        if reader is None:
            return
        try:
            reader(answer, cell)
        except Unreadable as why:
            self._refuse(answer, why)

    def settle(self) -> dict[str, FoundValue]:
        """The row's fields."""
        self._range_pair("range_new", "range_now")
        self._range_pair("energy_new", "energy_now")
        values = Settler(self.response.text, self.taken, None).settle()
        for value in values.values():
            value.origin = "column"
        return {**self.values, **values}

    # -- helpers --------------------------------------------------------------------------------------------------

    def _refuse(self, answer: SurveyAnswer, why: Unreadable) -> None:
        raw = self.response.text[answer.start : answer.end]
        wordy = why.wordy and answer.field in HABIT_FIELDS
        rule = IMPOSSIBLE if why.impossible and not wordy else UNCLEAR
        field = FIELD_OF.get(answer.field, answer.field)
        reason = f"{why.reason} (asked: {answer.question})"
        self.refusals.append(Refusal(field, raw, answer.start, answer.end, rule, reason))

    def _take(self, role: str, answer: SurveyAnswer, cell: Cell, unit: str | None = None) -> None:
        start, end = answer.start + cell.start, answer.start + cell.end
        number = Quantity("percent", start, end, cell.low, cell.high)  # tells a number from a word ("none")
        quantity = number if role == "loss" else None
        self.taken.append(Taken(role, cell.low, cell.high, start, end, _rule(answer.field), unit, None, quantity))

    def _say(self, role: str, answer: SurveyAnswer, text: str | None = None, value: float = 0.0) -> None:
        self.taken.append(Taken(role, value, value, answer.start, answer.end, _rule(answer.field), None, text))

    @staticmethod
    def _check(name: str, cell: Cell, unit: str, shift: float = 1.0) -> None:
        low, high = words().limits[name]
        if not (low <= cell.low * shift and cell.high * shift <= high):
            what = f"{cell.value * shift:,.10g} {unit} cannot be (from {low:,.10g} to {high:,.10g})"
            raise Unreadable(what, impossible=True)

    @staticmethod
    def _exact(cell: Cell) -> None:
        if cell.bound:
            raise Unreadable(f"only a bound is said (at {cell.bound})")

    def _unit_elsewhere(self) -> str | None:
        """The one unit of distance that the row's other questions and its free text use."""
        used = {answer.unit for answer in self.response.answers if answer.unit in ("km", "mi")}
        if len(used) == 1:
            return used.pop()
        text = fold(self.response.text)
        for start, end in answer_lines(self.response):
            text = text[:start] + " " * (end - start) + text[end:]
        miles, km = bool(_MILES.search(text)), bool(_KM.search(text))
        return None if miles == km else "mi" if miles else "km"

    # -- fields ---------------------------------------------------------------------------------------------------

    def _odometer(self, answer: SurveyAnswer, text: str) -> None:
        cell = cells.read_distance(text, self.language)
        if cell.bound == "most":
            raise Unreadable("only an upper bound is said")
        unit = cell.unit
        if unit is None:
            unit = unit_named(text, "distance") or answer.unit or self._unit_elsewhere()
            if unit not in KM_PER_UNIT:
                raise Unreadable("no unit is said, neither with the question nor elsewhere in the row")
            factor = KM_PER_UNIT[unit]
            cell = Cell(cell.low * factor, cell.high * factor, cell.start, cell.end, unit)
        self._check("odometer_km", cell, "km")
        self._take("odometer", answer, cell, unit)

    def _loss(self, answer: SurveyAnswer, text: str) -> None:
        if words().says("nothing", text):
            self._say("loss", answer)
            return
        cell = cells.read_percent(text, self.language)
        self._check("loss_pct", cell, "%")
        if cell.low < 0:
            raise Unreadable("a minus in a column of losses can mean a loss or a gain")
        if cell.bound == "least":
            raise Unreadable("only a lower bound is said")
        self._take("loss_max" if cell.bound else "loss", answer, cell)

    def _health(self, answer: SurveyAnswer, text: str) -> None:
        cell = cells.read_percent(text, self.language)
        self._exact(cell)
        self._check("health_pct", cell, "% health")
        self._take("health", answer, cell)

    def _chemistry(self, answer: SurveyAnswer, text: str) -> None:
        self._say("chemistry", answer, cells.read_chemistry(text))

    def _vehicle(self, answer: SurveyAnswer, text: str) -> None:
        """The name as written, without a model year at either end."""
        start, end = answer.start, answer.end
        while match := _YEAR_AT_END.search(text):
            start, end = (start + match.end(), end) if match.start() == 0 else (start, end - len(match[0]))
            text = self.response.text[start:end]
        if not any(sign.isalnum() for sign in text):
            raise Unreadable("no name")
        rule = _rule(answer.field)
        self.values["vehicle_text"] = FoundValue(
            "vehicle_text", text, None, text, start, end, rule.id, rule.pack, text, origin="column"
        )

    def _year(self, answer: SurveyAnswer, text: str) -> None:
        posted = self.response.posted_at
        self._take("year", answer, cells.read_year(text, posted.year + 1 if posted else None))

    def _age(self, answer: SurveyAnswer, text: str) -> None:
        cell = cells.read_months(text, answer.unit, self.language)
        self._exact(cell)
        self._check("age_months", cell, "months")
        self._take("age", answer, cell)

    def _range(self, answer: SurveyAnswer, text: str) -> None:
        cell = cells.read_distance(text, self.language)
        self._exact(cell)
        unit = cell.unit or answer.unit
        if cell.unit is not None:
            factor = KM_PER_UNIT[cell.unit]  # back to the number as written
            cell = Cell(cell.low / factor, cell.high / factor, cell.start, cell.end, cell.unit)
        # one that cannot be is told with its pair, since either of the two may be the wrong one
        self.ranges[answer.field] = (answer, cell, unit)

    def _energy(self, answer: SurveyAnswer, text: str) -> None:
        cell = cells.read_energy(text, self.language)
        self._exact(cell)
        self.ranges[answer.field] = (answer, cell, "kWh")

    def _range_pair(self, new: str, now: str) -> None:
        """Takes a pair of full-charge ranges or energies as roles of one claim; refuses a pair that cannot be."""
        if new not in self.ranges or now not in self.ranges:
            return
        (asked_new, cell_new, unit_new), (asked_now, cell_now, unit_now) = self.ranges[new], self.ranges[now]
        if unit_new != unit_now and unit_new in KM_PER_UNIT and unit_now in KM_PER_UNIT:
            factor = KM_PER_UNIT[unit_now or "km"] / KM_PER_UNIT[unit_new or "km"]
            cell_now = Cell(cell_now.low * factor, cell_now.high * factor, cell_now.start, cell_now.end)
        factor = KM_PER_UNIT.get(unit_new or "", 1.0)
        name = "range_km" if new == "range_new" else "energy_kwh"
        try:
            self._check(name, cell_new, "km" if name == "range_km" else "kWh", factor)
            ratio = cell_now.value / cell_new.value
            if not words().within("range_ratio", ratio):
                raise Unreadable(f"{cell_now.value:,g} now of {cell_new.value:,g} new cannot be", impossible=True)
        except Unreadable as why:
            self._refuse(asked_new, why)
            self._refuse(asked_now, why)
            return
        self._take(new, asked_new, cell_new)
        self._take(now, asked_now, cell_now)

    def _limit(self, answer: SurveyAnswer, text: str) -> None:
        if words().says("full", text):
            self._say("limit_full", answer, value=100.0)
            return
        if (levels := _TWO_LEVELS.fullmatch(fold(text))) and int(levels[1]) < int(levels[2]) == 100:
            self._say("habit", answer, "mixed")
            return
        cell = cells.read_percent(text, self.language)
        self._exact(cell)
        if cell.high - cell.low >= WINDOW_LEAST and cell.low <= WINDOW_LOW_MOST:
            self._check("charge_floor_pct", Cell(cell.low, cell.low, 0, 0), "%")
            self._check("charge_limit_pct", Cell(cell.high, cell.high, 0, 0), "%")
            self._take("window", answer, cell)
            return
        self._check("charge_limit_pct", cell, "%")
        self._take("limit", answer, cell)

    def _floor(self, answer: SurveyAnswer, text: str) -> None:
        cell = cells.read_percent(text, self.language)
        self._exact(cell)
        self._check("charge_floor_pct", cell, "%")
        self._take("floor", answer, cell)

    def _often(self, answer: SurveyAnswer, text: str) -> None:
        """How often to 100 %: a count; never and hardly ever also say a habit (labelling guide, `charge_habit`)."""
        if words().says("never", text):
            self._say("full_charges", answer)
            self._say("habit", answer, "partial")
            return
        if words().says("seldom", text):
            self._say("habit", answer, "partial")
            raise Unreadable("how often is said too vaguely to be counted")
        cell = cells.read_per_week(text, answer.unit, self.language)
        self._check("full_charges_per_week", cell, "times a week")
        if cell.high == 0:
            self._say("full_charges", answer)
            self._say("habit", answer, "partial")
        else:
            self._take("full_freq", answer, cell)

    def _share(self, answer: SurveyAnswer, text: str) -> None:
        role = "dc" if answer.field == "dc_fast_share_pct" else "ac"
        for name, value in (("nothing", 0.0), ("never", 0.0), ("everything", 100.0)):
            if words().says(name, text):
                self._say(role, answer, value=value)
                return
        cell = cells.read_percent(text, self.language)
        self._exact(cell)
        if 0 < cell.value < 1:
            raise Unreadable("a share below 1 can be a percentage or a fraction of one")
        self._check("share_pct", cell, "%")
        self._take(role, answer, cell)

    def _pack(self, answer: SurveyAnswer, text: str) -> None:
        cell = cells.read_energy(text, self.language)
        self._exact(cell)
        self._check("energy_kwh", cell, "kWh")
        self._take("pack", answer, cell)
