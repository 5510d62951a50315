"""The colours of charts and page, light and dark.

Groups have the colours of Okabe and Ito, "Color Universal Design" (2008), which people with any common kind of colour
blindness tell apart; besides, each group has a shape and a dash of its own.  Every light colour stands for one role, so
that a picture is made dark by exchanging them.
"""

from __future__ import annotations

import re

PAPER, INK, QUIET, GRID = "#fffffe", "#1b1f24", "#545d68", "#dfe3e8"
SERIES = ("#0072b2", "#d55e00", "#009e73")
"""Blue, vermilion, bluish green."""
SHAPES = ("circle", "square", "triangle-up")
DASHES: tuple[list[int], ...] = ([1, 0], [14, 6], [4, 5])

DARK = {
    PAPER: "#14171c",
    INK: "#f2f4f6",
    QUIET: "#b4bdc8",
    GRID: "#343b45",
    SERIES[0]: "#56b4e9",
    SERIES[1]: "#e69f00",
    SERIES[2]: "#f0e442",
}
"""Light -> dark: sky blue, orange and yellow of the same palette are bright enough on a dark ground."""

_ANY = re.compile("|".join(DARK))


def darkened(picture: str) -> str:
    """An SVG picture drawn in the light colours, in the dark ones."""
    return _ANY.sub(lambda found: DARK[found[0]], picture)


def dark_rules(selector: str) -> str:
    """Style rules that show the pictures under `selector` in the dark colours, whatever attribute has them."""
    return "\n".join(
        f'{selector} [{what}="{light}"] {{ {what}: {dark}; }}'
        for light, dark in DARK.items()
        for what in ("fill", "stroke")
    )
