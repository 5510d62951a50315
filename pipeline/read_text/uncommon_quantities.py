"""Uncommon quantities: megawatt hours, millions of kilometres, decades, per mille, read by `quantulum3`.

The fast scanner knows the units that people use of their vehicles.  Where a text names another unit of a distance, an
energy, a time or a share, the few words around it go to `quantulum3`, which knows hundreds.  It is imported when the
first such text is met, reads each snippet once, and is never given more than `MOST_SNIPPET` characters or
`MOST_SNIPPETS` snippets of one text, so that no text can keep it busy.

Only its parser is used.  Its classifier for ambiguous units is left out: the stored one does not load with the
present scikit-learn, and no unit here is ambiguous.  What it is known to misread ("half a million" as 1.5 million,
"120k km") is not asked of it.
"""

from __future__ import annotations

import re
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache, lru_cache
from typing import Any

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.read_text.quantities import LONG_KM, Quantity

MOST_SNIPPET = 72
"""Characters of the longest number in words with its unit that is asked for."""
MOST_SNIPPETS = 4
MOST_KM = 1_000_000.0
"""Millions of kilometres are a fleet's, added up; no single vehicle's distance is said that way."""

_UNITS: dict[str, tuple[str, float, str]] = {
    # name in quantulum3 -> kind of quantity, factor, unit
    "kilometre": ("distance", 1.0, "km"),
    "megametre": ("distance", 1000.0, "km"),
    "gigametre": ("distance", 1e6, "km"),
    "mile": ("distance", KM_PER_MILE, "mi"),
    "watt hour": ("energy", 0.001, "kWh"),
    "kilowatt hour": ("energy", 1.0, "kWh"),
    "megawatt hour": ("energy", 1000.0, "kWh"),
    "gigawatt hour": ("energy", 1e6, "kWh"),
    "decade": ("duration", 120.0, "years"),
    "fortnight": ("duration", 12 * 14 / 365.25, "weeks"),
    "per mille": ("percent", 0.1, "%"),
}
_NUMBER_WORD = (
    "(?:one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve|thirteen|fourteen|fifteen|sixteen|seventeen"
    "|eighteen|nineteen|twenty|thirty|forty|fifty|sixty|seventy|eighty|ninety|hundred|thousand|million|point)"
)
_DISTANCE = "(?:km|kms|kilomet(?:re|er)s?|mi|miles?)"
_UNIT_WORD = re.compile(
    rf"(?<![a-z])(?:million\s{_DISTANCE}|(?:mega|giga)met(?:re|er)s?|[mg]wh|wh(?!\s?/)"
    r"|(?:kilo|mega|giga)?watt[ -]hours?|decades?|fortnights?|per mille"
    rf"|thousand(?: and)?(?:[ -]{_NUMBER_WORD}){{1,8}} {_DISTANCE})(?![a-z/])(?!\s?(?:per|for|each|every|a)\s)|‰"
)
_UNIT_SIGNS = ("million", "met", "wh", "watt", "decade", "fortnight", "mille", "‰", "thousand")
_NUMBER_BEFORE = re.compile(rf"(?<![\w.,])(?:\d[\d,.]*|{_NUMBER_WORD}(?:[ -](?:and |{_NUMBER_WORD}\b)){{0,16}})\s?-?$")


def uncommon_quantities(text: str, known: Sequence[Quantity]) -> list[Quantity]:
    """The quantities of a folded text with the uncommon ones among them, in order; `known` are the scanner's."""
    if not any(sign in text for sign in _UNIT_SIGNS):
        return list(known)
    out = list(known)
    for number, place in enumerate(_UNIT_WORD.finditer(text)):
        if number == MOST_SNIPPETS:
            break
        found = _read_at(text, place)
        if found is None:
            continue
        over = [one for one in out if one.start < found.end and found.start < one.end]
        if all(found.start <= one.start and one.end <= found.end for one in over):
            out = [one for one in out if one not in over] + [found]
    return sorted(out, key=lambda one: one.start)


def _read_at(text: str, place: re.Match[str]) -> Quantity | None:
    """The quantity whose unit stands at `place`, or None where no number stands before it or it makes no sense."""
    low = max(0, place.start() - MOST_SNIPPET + len(place.group()))
    before = _NUMBER_BEFORE.search(text[low : place.start()])
    if before is None or (before.start() == 0 and low > 0):
        return None
    start = low + before.start()
    read = read_snippet(text[start : place.end()])
    if read is None:
        return None
    value, name = read
    kind, factor, unit = _UNITS[name]
    value *= factor
    if kind == "distance":
        if value >= MOST_KM:
            return None
        kind = "distance" if value >= LONG_KM else "stretch"
    return Quantity(kind, start, place.end(), value, value, unit, text[start : place.end()], frozenset({"uncommon"}))


@lru_cache(maxsize=4096)
def read_snippet(snippet: str) -> tuple[float, str] | None:
    """Value and unit name of a snippet that is one number with one unit; None where it is read as anything else."""
    plain = snippet.replace("watt-hour", "watt hour")
    found = parser()(plain)
    if len(found) != 1:
        return None
    quantity = found[0]
    name = str(quantity.unit.name)
    whole = tuple(quantity.span) == (0, len(plain))
    if name not in _UNITS or not whole or quantity.uncertainty or not quantity.value > 0:
        return None
    return float(quantity.value), name


@cache
def parser() -> Callable[[str], list[Any]]:
    """quantulum3's `parse`, its classifier switched off; imported when it is first needed."""
    with _without("joblib"), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that its classifier cannot be used
        from quantulum3 import classifier
        from quantulum3.parser import parse
    classifier.USE_CLF = False
    return parse  # type: ignore[no-any-return]


@contextmanager
def _without(module: str) -> Iterator[None]:
    """Lets a module that is not loaded yet seem not installed."""
    hide = module not in sys.modules
    if hide:
        sys.modules[module] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if hide:
            del sys.modules[module]
