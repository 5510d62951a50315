"""The name model's word on the vehicles of a response, after they were told apart.

Rules find names and tell vehicles apart by them; the model takes away an unsure name where it sees none, and names a
vehicle that the rules found no name for.  What belongs to which vehicle stays as it was.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.find_values.name_model import NameSpan, chance_of_name, likely_names
from pipeline.group_reports.names import Name, NameFinder

if TYPE_CHECKING:
    from pipeline.group_reports.vehicles import Vehicle

SURE_WITHOUT_MODEL = 0.75
"""Rules that are this sure of a name are not asked twice."""
LEAST_NOT_NONE = 0.05
"""A name of unsure rules falls where the model gives its place less."""
LEAST_NEW = 0.5
"""What the model must give a place for a name that the rules did not find."""
BEFORE, BEHIND = 40, 20
"""With several vehicles: how far before or behind what was said of one its new name may stand."""

_WORD = re.compile(r"[^\W_][\w'’-]*")
_SENTENCE_END = re.compile(r"[.!?:\n>*•(]")
_CODE = re.compile(r"(?:[^\W\d_]{1,3}\d{1,3}[^\W\d_]?|\d{1,2}[^\W\d_])")


def settle_names(
    text: str, vehicles: Sequence[Vehicle], blanked: Sequence[tuple[int, int]], finder: NameFinder
) -> None:
    """Drops and fills the names of the vehicles that have values, in place; `blanked` are quotations."""
    made = [vehicle for vehicle in vehicles if vehicle.has_values]
    for vehicle in made:
        name = vehicle.name
        unsure = name is not None and name.sure < SURE_WITHOUT_MODEL
        if name is not None and unsure and chance_of_name(text, name.start, name.end) < LEAST_NOT_NONE:
            vehicle.name = None
    if all(vehicle.name is not None for vehicle in made) or not may_name(text, finder):
        return
    new = [
        span for span in likely_names(text, LEAST_NEW) if not any(start <= span.start < end for start, end in blanked)
    ]
    for vehicle in made:
        if vehicle.name is None and (span := _for_vehicle(vehicle, _free(text, new, vehicles), alone=len(made) == 1)):
            vehicle.name = Name(span.start, span.end, text[span.start : span.end], span.chance)


def may_name(text: str, finder: NameFinder) -> bool:
    """Whether a word of the text can be of a name at all: unknown, a code, or with a capital inside a sentence."""
    behind = 0
    for match in _WORD.finditer(text):
        word, gap, behind = match[0], text[behind : match.start()], match.end()
        low = word.lower().removesuffix("'s").removesuffix("’s")
        if low in finder.not_names:
            continue
        if _CODE.fullmatch(word):
            return True
        if len(low) < 2 or low in finder.trim_words or not low.replace("-", "").isalpha():
            continue
        inside = match.start() > 0 and not _SENTENCE_END.search(gap)
        if (low not in finder.common and len(low) > 2) or (word[0].isupper() and inside and not finder.noun_capitals):
            return True
    return False


def _free(text: str, spans: Sequence[NameSpan], vehicles: Sequence[Vehicle]) -> list[NameSpan]:
    """The places that name none of the vehicles yet, not even by a word of a name."""
    names = [vehicle.name for vehicle in vehicles if vehicle.name is not None]
    words = {word for name in names for word in name.text.lower().split()}
    return [span for span in spans if words.isdisjoint(text[span.start : span.end].lower().split())]


def _for_vehicle(vehicle: Vehicle, spans: Sequence[NameSpan], *, alone: bool) -> NameSpan | None:
    if alone:
        return max(spans, key=lambda span: (round(span.chance, 2), -span.start), default=None)
    said = [taken.start for taken in vehicle.taken]
    if vehicle.owner_words is not None:
        said.append(vehicle.owner_words[1])
    first, last = min(said), max(said)
    near = [span for span in spans if first - BEFORE <= span.start <= last + BEHIND]
    return min(near, key=lambda span: abs(span.start - first), default=None)
