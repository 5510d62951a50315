"""Gathers an author's reports into vehicles, and tells where the readings of one vehicle contradict each other.

Within one author every two readings are weighed (`one_vehicle.weigh`); the pairs that speak most clearly are joined
first, and two groups become one only where no reading of the one rules out one of the other and the readings fit on
the whole.  An author's vehicles depend on that author's reports alone, in any order.
"""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from pipeline.join_copies.one_vehicle import (
    TWO_VEHICLES,
    Weighing,
    days_between,
    enough,
    loss_noise,
    odometer_falls,
    weigh,
)
from pipeline.join_copies.readings import Reading, chemistries_fit

MANY_REPORTS = 300
"""Reports from which on a handle is taken for one that many share ("anonymous"): only equal readings are joined."""

FLAGS: dict[str, str] = {
    "odometer-falls": "a later reading of the same vehicle shows fewer kilometres, by more than rounding explains",
    "loss-heals": "a later reading of the same vehicle shows less loss, by more than reading noise explains",
    "chemistry-changes": "two readings of the same vehicle name cell chemistries that exclude each other",
    "model-year-changes": "two readings of the same vehicle name different model years",
    "vehicle-unclear": "the reading would fit another vehicle of the same author as well",
}
"""The conflict codes and their meaning."""


@dataclass(frozen=True, slots=True)
class Link:
    """Why a row was joined to another, or that it contradicts it."""

    kind: str
    id: str
    other_id: str
    score: float | None
    reason: str


@dataclass(slots=True)
class Vehicles:
    """The vehicles of one author: groups of readings in the order of time, with flags and links."""

    groups: list[list[Reading]] = field(default_factory=list)
    flags: dict[str, set[str]] = field(default_factory=dict)
    links: list[Link] = field(default_factory=list)


def gather(readings: Sequence[Reading], apart: Container[tuple[str, str]] = ()) -> Vehicles:
    """The vehicles of one author's readings (copies left out).

    `apart` holds the pairs of reports (sorted) that a person has said to be of two vehicles.
    """
    ordered = sorted(readings, key=lambda reading: reading.rank)
    if len(ordered) > MANY_REPORTS:
        return _gather_equal(ordered, apart)
    weighed = {
        (one, two): _weighed(ordered[one], ordered[two], apart) for two in range(len(ordered)) for one in range(two)
    }
    found = Vehicles()
    groups = _joined(ordered, weighed)
    for group in groups:
        found.groups.append([ordered[place] for place in group])
        _explain(ordered, group, weighed, found)
        _find_conflicts(found.groups[-1], found)
    _find_unclear(ordered, groups, weighed, found)
    return found


def find_conflicts(group: list[Reading]) -> tuple[dict[str, set[str]], list[Link]]:
    """The flags of each report and the links that tell of them, for the readings of one vehicle in order of time."""
    found = Vehicles()
    _find_conflicts(group, found)
    return found.flags, found.links


def _weighed(one: Reading, two: Reading, apart: Container[tuple[str, str]]) -> Weighing:
    return TWO_VEHICLES if _kept_apart(one, two, apart) else weigh(one, two)


def _kept_apart(one: Reading, two: Reading, apart: Container[tuple[str, str]]) -> bool:
    return (min(one.report, two.report), max(one.report, two.report)) in apart


def _joined(ordered: Sequence[Reading], weighed: dict[tuple[int, int], Weighing]) -> list[list[int]]:
    """Groups of places: the clearest pairs first; ties go by time between them, then by order."""
    groups = {place: [place] for place in range(len(ordered))}
    at = list(range(len(ordered)))

    def order(pair: tuple[int, int]) -> tuple[float, float, int, tuple[int, int]]:
        one, two = ordered[pair[0]], ordered[pair[1]]
        days = days_between(one, two)
        return (-weighed[pair].points, 1e9 if days is None else days, one.number + two.number, pair)

    pairs = [pair for pair, said in weighed.items() if enough(said, ordered[pair[0]], ordered[pair[1]])]
    for one, two in sorted(pairs, key=order):
        left, right = at[one], at[two]
        if left == right or not _fit(groups[left], groups[right], ordered, weighed):
            continue
        groups[left] = sorted(groups[left] + groups.pop(right))
        for place in groups[left]:
            at[place] = left
    return sorted(groups.values())


def _fit(
    left: list[int], right: list[int], ordered: Sequence[Reading], weighed: dict[tuple[int, int], Weighing]
) -> bool:
    """Whether two groups can be one vehicle: nothing rules it out, and on the whole the readings agree."""
    pairs = [(one, two) if one < two else (two, one) for one in left for two in right]
    if any(weighed[pair].settled for pair in pairs):
        return False
    mean = sum(weighed[pair].points for pair in pairs) / len(pairs)
    least = 0.5 if any(weighed[pair].conflict for pair in pairs) else 0.0
    return bool(mean >= least)


def _explain(
    ordered: Sequence[Reading], group: list[int], weighed: dict[tuple[int, int], Weighing], found: Vehicles
) -> None:
    for number, place in enumerate(group[1:], start=1):
        best = max(group[:number], key=lambda earlier: (weighed[earlier, place].points, earlier))
        said, earlier, reading = weighed[best, place], ordered[best], ordered[place]
        days = days_between(earlier, reading)
        later = days is not None and days > 30
        found.links.append(
            Link(
                "follow-up" if later else "one vehicle told twice",
                reading.report,
                earlier.report,
                _score(said.points),
                "; ".join(said.reasons) or "the same author, and nothing speaks against it",
            )
        )


def _score(points: float) -> float:
    """Points as a number from 0 to 1 that grows with them: 0.5 for none."""
    return round(1 - math.exp2(-1 - max(points, -1.0) / 2), 4)


def _find_conflicts(group: list[Reading], found: Vehicles) -> None:
    """Compares each value with the latest one before it; both readings are flagged, none is chosen."""
    for number, later in enumerate(group):
        before = group[:number]
        one = _last(before, "km")
        if one and _timed(one, later) and odometer_falls(one.km or 0.0, _or(later.km, one.km)):
            _conflict("odometer-falls", one, later, f"{one.km:,.0f} km", f"{later.km:,.0f} km", found)
        one = _last(before, "loss")
        if one and _timed(one, later) and (one.loss or 0.0) - _or(later.loss, one.loss) > loss_noise(one, later):
            _conflict("loss-heals", one, later, f"{one.loss:g} % lost", f"{later.loss:g} % lost", found)
        one = _other_chemistry(before, later)
        if one and one.chemistry and later.chemistry:
            _conflict("chemistry-changes", one, later, one.chemistry, later.chemistry, found)
        one = _last(before, "year")
        if one and later.year is not None and one.year != later.year:
            _conflict("model-year-changes", one, later, str(one.year), str(later.year), found)


def _or(value: float | None, other: float | None) -> float:
    return value if value is not None else other or 0.0


def _timed(one: Reading, two: Reading) -> bool:
    return one.at is not None and two.at is not None


def _other_chemistry(before: list[Reading], later: Reading) -> Reading | None:
    """The latest reading that names a chemistry which the later one excludes, unless it was told already."""
    for one in reversed(before):
        if one.chemistry and later.chemistry and not chemistries_fit(one.chemistry, later.chemistry):
            return one
        if one.chemistry == later.chemistry:
            return None
    return None


def _last(before: list[Reading], name: str) -> Reading | None:
    return next((reading for reading in reversed(before) if getattr(reading, name) is not None), None)


def _conflict(code: str, one: Reading, two: Reading, was: str, now: str, found: Vehicles) -> None:
    for reading in (one, two):
        found.flags.setdefault(reading.report, set()).add(code)
    pack = ", after a new pack" if two.replaced else ""
    said = f"{code}: {was} ({_day(one)}), {now} ({_day(two)}{pack})"
    found.links.append(Link("conflict", two.report, one.report, None, said))


def _day(reading: Reading) -> str:
    return "undated" if reading.at is None else datetime.fromtimestamp(reading.at / 1e6, UTC).date().isoformat()


def _find_unclear(
    ordered: Sequence[Reading],
    groups: list[list[int]],
    weighed: dict[tuple[int, int], Weighing],
    found: Vehicles,
) -> None:
    """Flags a nameless reading that fits a second vehicle of the author as well as its own."""
    for group in groups:
        if len(group) < 2:
            continue
        for place in group:
            if ordered[place].name:
                continue
            rest = [other for other in group if other != place]
            mine = max(weighed[min(place, other), max(place, other)].points for other in rest)
            for others in groups:
                if others is group or not _fit([place], others, ordered, weighed):
                    continue
                theirs = max(weighed[min(place, other), max(place, other)].points for other in others)
                if theirs >= mine:
                    reading, other = ordered[place], ordered[others[0]]
                    found.flags.setdefault(reading.report, set()).add("vehicle-unclear")
                    said = f"vehicle-unclear: {_score(mine)} for its own vehicle, {_score(theirs)} for this one"
                    found.links.append(Link("conflict", reading.report, other.report, _score(theirs), said))


def _gather_equal(ordered: Sequence[Reading], apart: Container[tuple[str, str]]) -> Vehicles:
    """For a handle that many share: only readings equal in name, year, chemistry and odometer are one vehicle's."""
    found = Vehicles()
    groups: dict[tuple[object, ...], list[Reading]] = {}
    for reading in ordered:
        told = reading.name and reading.km is not None
        key = (reading.own, reading.name, reading.year, reading.chemistry, reading.km) if told else (reading.report,)
        groups.setdefault(key, []).append(reading)
    for group in groups.values():
        kept: list[Reading] = []
        for reading in group:
            if any(reading.response == other.response or _kept_apart(reading, other, apart) for other in kept):
                found.groups.append([reading])
                continue
            if kept:
                said = "a handle that many share; the same name, year, chemistry and odometer"
                found.links.append(Link("one vehicle told twice", reading.report, kept[0].report, 0.75, said))
            kept.append(reading)
        found.groups.append(kept)
    return found
