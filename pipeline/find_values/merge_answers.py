"""Joins a survey row's answers with the reading of its free text: one report for the row's vehicle.

Answers win over the free text; the free text fills what they leave open.  Fields that are said together (loss, its
origin and its bound; limit, full charges and habit) are joined together.  A report of the free text stays apart only
where it clearly tells of a second vehicle.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache

from pipeline.find_values.survey_answers import FLAG, IMPOSSIBLE, answer_lines
from pipeline.group_reports.anchors import AnchorFinder, tracker_data
from pipeline.group_reports.settle import MONTHLY, is_report
from pipeline.read_text.fold import fold
from pipeline.response import FoundValue, Reading, Refusal, Report, Response

_LOSS = ("loss_pct", "loss_max_pct", "loss_origin")
_DIFFERENT_BY = {"odometer_km": 0.03, "model_year": 0.0, "loss_pct": 0.1}
"""Share of the larger value by which two values of one vehicle may differ; judgement (rounding of free text)."""
LOSS_POINTS = 1.0
"""Points by which two losses of one vehicle may differ besides; judgement."""
_WORD = re.compile(r"\w+")


def merge_answers(
    reading: Reading, values: Mapping[str, FoundValue], refusals: Sequence[Refusal], response: Response
) -> Reading:
    """The reading of a whole survey row: `reading` is that of its free words, the others are from `read_answers`."""
    if not response.answers:
        return reading
    same, apart = _sorted_reports(reading.reports, values)
    joined = dict(values)
    for report in same:
        _fill(joined, report.values)
    flags = [FLAG] if any(refusal.rule_id == IMPOSSIBLE for refusal in refusals) else []
    reports = list(apart)
    if same or is_report(joined):
        _owner(joined, same, apart, response)
        confidence = min([1.0, *(report.confidence for report in same)])
        flags += [flag for report in same for flag in report.flags]
        reports.insert(0, Report(joined, confidence, sorted(set(flags))))
    ordered = sorted([*reading.refusals, *refusals], key=lambda refusal: (refusal.start, refusal.end))
    return Reading(reports, ordered)


def _sorted_reports(reports: Sequence[Report], values: Mapping[str, FoundValue]) -> tuple[list[Report], list[Report]]:
    """The reports of the row's own vehicle, and those that clearly tell of another."""
    same: list[Report] = []
    apart: list[Report] = []
    for report in reports:
        owner = report.values.get("whose")
        others = owner is not None and owner.value == "other"
        names = _same_name(report.values.get("vehicle_text"), values.get("vehicle_text"))
        unlike = any(_conflict(report.values, values, field) for field in (*_DIFFERENT_BY, "chemistry"))
        second = names is False and (unlike or len(reports) > 1)
        (apart if others or second else same).append(report)
    return same, apart


def _same_name(one: FoundValue | None, other: FoundValue | None) -> bool | None:
    """Whether two names can be of one vehicle; None where one is missing.  A shared first word may be the make."""
    if one is None or other is None:
        return None
    first, second = (_WORD.findall(fold(str(name.value))) for name in (one, other))
    if not first or not second or set(first) <= set(second) or set(second) <= set(first):
        return True
    shared = set(first) & set(second)
    return bool(shared - ({first[0]} if first[0] == second[0] else set()))


def _conflict(one: Mapping[str, FoundValue], other: Mapping[str, FoundValue], field: str) -> bool:
    if field not in one or field not in other:
        return False
    left, right = one[field].value, other[field].value
    if isinstance(left, str) or isinstance(right, str):
        return left != right and "nickel" not in (left, right)
    slack = _DIFFERENT_BY[field] * max(abs(left), abs(right)) + (LOSS_POINTS if field == "loss_pct" else 0.0)
    return abs(left - right) > slack


def _fill(joined: dict[str, FoundValue], text: Mapping[str, FoundValue]) -> None:
    """Fills what the answers leave open from the free text's values."""
    free = dict(text)
    if "loss_pct" in joined:
        free = {field: value for field, value in free.items() if field not in _LOSS}
    elif "loss_pct" in free:
        joined.pop("loss_max_pct", None)
    charging = any(field in free for field in ("charge_limit_pct", "full_charges_per_week", "charge_habit"))
    limit, said = joined.get("charge_limit_pct"), free.get("charge_limit_pct")
    if limit is not None and said is not None and _only_implied(limit) and float(said.value) < 100:
        joined["charge_limit_pct"] = said  # "once a month to 100 %" implies 100 only where no other limit is said
        joined.pop("charge_habit", None)
    if _stops_below(joined.get("charge_limit_pct")) or joined.get("charge_habit") is not None:
        free.pop("charge_habit", None)
    habit = joined.get("charge_habit")
    if habit is not None and habit.value != "full" and said is not None and _only_implied_full(text):
        free.pop("charge_limit_pct", None)
    for field, value in free.items():
        joined.setdefault(field, value)
    if charging:
        _settle_habit(joined)


def _only_implied(limit: FoundValue) -> bool:
    return limit.rule_id == "survey.full_charges_per_week"


def _only_implied_full(text: Mapping[str, FoundValue]) -> bool:
    """Whether the free text's limit of 100 is only implied by how often it is charged to full."""
    limit, often = text.get("charge_limit_pct"), text.get("full_charges_per_week")
    return limit is not None and often is not None and (limit.start, limit.end) == (often.start, often.end)


def _stops_below(limit: FoundValue | None) -> bool:
    return limit is not None and float(limit.value) < 100


def _settle_habit(joined: dict[str, FoundValue]) -> None:
    """The habit that limit and full charges make together (labelling guide, `charge_habit`; monthly = 0.25 a week)."""
    limit, often = joined.get("charge_limit_pct"), joined.get("full_charges_per_week")
    if limit is None or float(limit.value) >= 100:
        return
    mixed = often is not None and float(often.value) >= MONTHLY - 1e-6
    said = f"limit {float(limit.value):g}" + (f", full {float(often.value):g} a week" if often is not None else "")
    parts = ((often.raw, often.start, often.end),) if often is not None else ()
    confidence = min(limit.confidence, often.confidence if often is not None else 1.0)
    joined["charge_habit"] = FoundValue(
        "charge_habit", "mixed" if mixed else "partial", None, limit.raw, limit.start, limit.end, limit.rule_id,
        limit.rule_pack, said, confidence, limit.origin, parts,
    )  # fmt: skip


@cache
def _anchors(language: str) -> AnchorFinder:
    return AnchorFinder(tracker_data(language) or tracker_data("en"))


def _owner(joined: dict[str, FoundValue], same: Sequence[Report], apart: Sequence[Report], response: Response) -> None:
    """Whose the row's vehicle is: as its free text says of it, else own.

    A free text that opens with somebody else's vehicle ("my brother's, he asked me to fill it in"), and tells nothing
    of it that would make a report of its own, speaks of the row's.
    """
    if "whose" in joined:
        return
    rule, pack = "whose.own-by-default", next(iter(joined.values())).rule_pack
    raw, start, end, whose = "", 0, 0, "own"
    if not same and not apart:
        text = fold(response.text)
        for first, last in answer_lines(response):
            text = text[:first] + "\n" * (last - first) + text[last:]
        anchors = _anchors((response.lang or "en")[:2].lower())
        found = [anchor for anchor in anchors.find(text, text) if anchor.whose is not None]
        if found and found[0].whose == "other" and not any(anchor.whose == "own" for anchor in found):
            anchor = found[0]
            start = anchor.start + len(text[anchor.start : anchor.end]) - len(text[anchor.start : anchor.end].lstrip())
            if not _WORD.search(text[:start]):
                raw, end, rule, whose = response.text[start : anchor.end], anchor.end, "whose.said", "other"
            else:
                start = 0
    joined["whose"] = FoundValue("whose", whose, None, raw, start, end, rule, pack, whose)
