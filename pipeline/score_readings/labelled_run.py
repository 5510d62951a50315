"""Reads labelled responses with the extraction as it stands and sets each reading beside its labels."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.find_values.labelled import Labelled, read_labelled
from pipeline.problems import ExportProblem
from pipeline.response import Reading, Report, Response
from pipeline.score_readings.calibration import Calibration, calibration
from pipeline.score_readings.compare import Comparison, Declared, compare
from pipeline.score_readings.score import Tally, tally
from pipeline.score_readings.slots import Mode, SlotCounts, label_slots, read_slots, slot_scores

NUMBERS = tuple(name for name in FIELD_NAMES if name.endswith(("_pct", "_km", "_kwh", "_months", "_week", "_year")))
"""Fields whose labels are numbers."""

BESIDE = ("words", "vehicle")
"""What a labelled report may hold beside its fields: the words of each, and which physical vehicle it tells of."""


class Reader(Protocol):
    """What reads responses: `find_values.reader.ResponseReader`, or a stand-in of it."""

    def read(self, responses: Sequence[Response]) -> list[Reading]:
        """One `Reading` a response, in the order given."""


@dataclass(frozen=True, slots=True)
class Scored:
    """One labelled response, what was read from it, and the two side by side; `key` names it in saved runs."""

    key: str
    labelled: Labelled
    reading: Reading
    comparison: Comparison


def read_gold(paths: Iterable[str | Path], declared: Sequence[Declared] = ()) -> list[Labelled]:
    """The labelled responses of files and folders; `ExportProblem` names what no label can be.

    `declared` are the fields of rule packs, which labels may hold as well.
    """
    gold = list(read_labelled(paths))
    if not gold:
        raise ExportProblem(
            "no labelled responses", where=", ".join(map(str, paths)), todo="give files of JSON lines (*.jsonl)"
        )
    for one in gold:
        fault = _fault(one, {field.name: field for field in declared})
        if fault:
            raise ExportProblem(
                fault, where=f"{one.file}, response {one.id}", todo="the labelling guide lists fields and their values"
            )
    return gold


def _fault(one: Labelled, declared: Mapping[str, Declared]) -> str:
    """What is wrong with a labelled response, or nothing."""
    if not isinstance(one.text, str):
        return "its text is no string"
    for report in one.reports:
        if not isinstance(report, dict):
            return "a report is no JSON object"
        for name, value in report.items():
            if name == "words":
                if not isinstance(value, dict | None):
                    return "the words of a report are no JSON object"
            elif name not in FIELD_NAMES and name not in BESIDE and name not in declared:
                return f"there is no field {name!r}"
            elif value is None:
                continue
            elif (number := declared[name].is_number if name in declared else name in NUMBERS) and (
                isinstance(value, bool) or not isinstance(value, int | float)
            ):
                return f"{name} is no number: {value!r}"
            elif not number and not isinstance(value, str):
                return f"{name} is no string: {value!r}"
    return ""


def labelled_fields(gold: Sequence[Labelled], declared: Sequence[Declared]) -> list[Declared]:
    """Those of the declared fields that any label holds: of the others the labels say nothing, right or wrong."""
    held = {name for one in gold for report in one.reports for name in report}
    return [field for field in declared if field.name in held]


def score_gold(gold: Sequence[Labelled], reader: Reader, declared: Sequence[Declared] = ()) -> list[Scored]:
    """Every labelled response read in one go, as an export would be, and compared; `declared` as in `compare`."""
    readings = reader.read([_response(one) for one in gold])
    keys = _keys(gold)
    return [
        Scored(key, one, reading, compare([said(report) for report in reading.reports], one.wanted(), declared))
        for key, one, reading in zip(keys, gold, readings, strict=True)
    ]


def said(report: Report) -> dict[str, Any]:
    """The report's values that the responder said; a chemistry filled in from a vehicle list is none of them."""
    listed = {name for name, found in report.values.items() if name == "chemistry" and found.origin == "list"}
    return {name: value for name, value in report.plain().items() if name not in listed}


def _response(one: Labelled) -> Response:
    return Response(
        response_id=one.id,
        source=Path(one.file).stem,
        source_response_id=one.id,
        text=one.text,
        parent_id=one.parent_id,
        lang=one.lang,
    )


def _keys(gold: Sequence[Labelled]) -> list[str]:
    """File name and id of each response; a number behind the later ones where two would be the same."""
    seen: Counter[str] = Counter()
    keys = []
    for one in gold:
        key = f"{Path(one.file).name}:{one.id}"
        seen[key] += 1
        keys.append(key if seen[key] == 1 else f"{key}#{seen[key]}")
    return keys


def count(scored: Sequence[Scored], declared: Sequence[Declared] = ()) -> Tally:
    """The counts of all responses."""
    names = [field.name for field in declared]
    return tally([one.key for one in scored], [one.comparison for one in scored], names)


def slots_of(scored: Sequence[Scored]) -> dict[Mode, SlotCounts] | None:
    """Slot scores of the words read against the labels' words; None where no label gives words.

    Only responses whose reports all give words count, and those without a report.
    """
    worded = [one for one in scored if all(report.get("words") for report in one.labelled.reports)]
    if not any(one.labelled.reports for one in worded):
        return None
    read = [read_slots(one.reading) for one in worded]
    gold = [label_slots(one.labelled.text, one.labelled.reports, near) for one, near in zip(worded, read, strict=True)]
    return slot_scores(gold, read)


def calibration_of(scored: Sequence[Scored]) -> Calibration:
    """Confidence of every report that was read, against whether all of it is right."""
    rows = [
        (report.confidence, one.comparison.report_right(place))
        for one in scored
        for place, report in enumerate(one.reading.reports)
    ]
    return calibration([confidence for confidence, _ in rows], [right for _, right in rows])


def groups(scored: Sequence[Scored], least: int = 10) -> dict[str, dict[str, list[int]]]:
    """Indices of the responses by language and by tag, largest first; tags of fewer than `least` responses left out.

    A tag's hyphens count as spaces: writers spell "range pair" both ways.
    """
    languages: dict[str, list[int]] = {}
    tags: dict[str, list[int]] = {}
    for place, one in enumerate(scored):
        languages.setdefault(one.labelled.lang, []).append(place)
        for tag in sorted({str(tag).replace("-", " ").strip() for tag in one.labelled.tags}):
            tags.setdefault(tag, []).append(place)
    return {"lang": _largest_first(languages, 1), "tag": _largest_first(tags, least)}


def _largest_first(parts: dict[str, list[int]], least: int) -> dict[str, list[int]]:
    return {
        name: places
        for name, places in sorted(parts.items(), key=lambda part: (-len(part[1]), part[0]))
        if len(places) >= least
    }
