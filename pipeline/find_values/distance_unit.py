"""Which unit a response counts distances in, where a number has none."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.read_text.quantities import Quantity

_MILES_WORD = re.compile(r"(?<!\w)(?:miles|mile|mls|mph|meilen|millas|milhas|miglia|mijlen)(?!\w)")
_KM_WORD = re.compile(r"(?<![a-z])(?:km|kms|klicks|km/h)(?!\w)|kil[oóò]m[eéè]t\w*|quil[oóô]met\w*|chilomet\w*")


def distance_unit(own: str, whole: str, quantities: Sequence[Quantity]) -> str | None:
    """The unit that a response uses for distances; a quoted question's unit serves where the answer has none."""
    counts = {"km": 0, "mi": 0}
    for quantity in quantities:
        if quantity.unit in counts and quantity.kind in ("distance", "stretch", "rate"):
            counts[quantity.unit] += 3
    for text in (own, whole):
        counts["mi"] += len(_MILES_WORD.findall(text))
        counts["km"] += len(_KM_WORD.findall(text))
        if counts["km"] != counts["mi"]:
            return "km" if counts["km"] > counts["mi"] else "mi"
    return None
