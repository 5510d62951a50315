"""Whether two names can be one vehicle's: "Norrvik Tern" and "Tern LR" can, "Ondine 40" and "Ondine 60" cannot.

No list of makes is needed: words before the part that two names share are makers, words behind it are trims.  A maker
or a trim that one name leaves out says nothing; two that differ tell two vehicles.
"""

from __future__ import annotations

import re
from functools import lru_cache

from pipeline.join_copies.plain_text import FIGURE, plain_tokens
from pipeline.join_copies.same_text import is_typo
from pipeline.join_copies.telling_words import CHEMISTRY, FILLER, WHOSE, words_of

_BARE_WORDS = (
    FILLER
    | WHOSE
    | CHEMISTRY
    | words_of(
        """car cars ev evs bev vehicle auto wagen voiture coche bil macchina electric elektro electrique little big
        small trusty faithful lovely dear good poor silly white black red blue silver grey gray green yellow orange
        brown beige weiss weisser weisse schwarz schwarzer rot roter blau blauer grau grauer kleine kleiner alte
        alter neue neuer first second third other another same previous former current company work works taxi cab
        van lease leased pool second-hand model edition year pack battery version all wheel drive awd rwd fwd petit
        petite vieille nouvelle blanche noire rouge bleue s"""
    )
)
_SHORT_TRIMS = {
    "lr": ["long", "range"],
    "sr": ["standard", "range"],
    "er": ["extended", "range"],
    "perf": ["performance"],
}


@lru_cache(maxsize=65536)
def name_words(name: str) -> tuple[str, ...]:
    """The words of a vehicle's name that tell it from others, trims written out."""
    out: list[str] = []
    for word in plain_tokens(name.replace("+", " plus ")):
        bare = word.removeprefix(FIGURE)
        if re.fullmatch(r"(?:199|20[0-3])\d", bare):
            continue
        out += _SHORT_TRIMS.get(bare, [bare])
    return tuple(word for word in out if word not in _BARE_WORDS)


@lru_cache(maxsize=65536)
def names_fit(left: tuple[str, ...], right: tuple[str, ...]) -> float | None:
    """How well two names fit: 0 where one is unknown, 1 and more where they share words, None where they are two."""
    if not left or not right:
        return 0.0
    if left == right:
        return 1.0 + 0.25 * (len(left) > 1)
    shared = _shared(left, right)
    if not shared:
        return 1.0 if "".join(left) == "".join(right) else None
    first, last = shared[0], shared[-1]
    before = (first[0] > 0, first[1] > 0)
    behind = (last[0] < len(left) - 1, last[1] < len(right) - 1)
    inside_left = last[0] - first[0] + 1 - len(shared)
    inside_right = last[1] - first[1] + 1 - len(shared)
    if all(before) or all(behind) or (inside_left and inside_right):
        return None
    return 1.0


def _shared(left: tuple[str, ...], right: tuple[str, ...]) -> list[tuple[int, int]]:
    """Places of the longest run of words, gaps allowed, that both names have in order (slips forgiven)."""
    best: list[list[list[tuple[int, int]]]] = [[[] for _ in range(len(right) + 1)] for _ in range(len(left) + 1)]
    for one in range(len(left) - 1, -1, -1):
        for two in range(len(right) - 1, -1, -1):
            if _same_word(left[one], right[two]):
                best[one][two] = [(one, two), *best[one + 1][two + 1]]
            else:
                best[one][two] = max(best[one + 1][two], best[one][two + 1], key=len)
    return best[0][0]


def _same_word(left: str, right: str) -> bool:
    if left == right:
        return True
    if left[0].isdigit() or right[0].isdigit():
        return False
    shortest = min(len(left), len(right))
    return shortest > 1 and is_typo(left, right, one_author=shortest > 4 or sorted(left) == sorted(right))
