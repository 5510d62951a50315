"""Whether two plain texts are one text told twice: how alike they are, and what in them differs.

Similarity alone cannot tell a repost from a neighbour's answer: "2022, LFP, no loss" and "2021, LFP, no loss" are
two people.  So after the exact Jaccard similarity every difference is looked at.  Figures must be the same in the
same order; words that carry a value or turn one round may not differ; what may differ is a mended typo, words that
say nothing, a few words before or behind that announce the repeat, and, where the figures are particular enough or
the text is long, a little rewording.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import SequenceMatcher

from rapidfuzz.distance import OSA

from pipeline.join_copies.plain_text import FIGURE, LONG_ENOUGH, figures_of, particular_digits
from pipeline.join_copies.shingles import jaccard
from pipeline.join_copies.telling_words import ANNOUNCING, CHEMISTRY, FILLER, TELLING, VALUES, words_of

LEAST_ALIKE = 0.5
"""Jaccard similarity between texts of two accounts below which they are not looked at further."""
LEAST_ALIKE_ONE_AUTHOR = 0.3
"""The same for one author: a typo in a text of five words halves the similarity."""
LONG_TEXT = 60
"""Words from which on a text of another account may have a word put for another and still be the same text."""
TOO_LONG = 2000
"""Words from which on two texts are compared as a whole and not word by word, which would take too long ..."""
ALIKE_AS_A_WHOLE = 0.9
"""... by their exact Jaccard similarity alone (over word shingles, and with the same figures in the same order)."""
_BEFORE_NAMES = words_of(
    """my our the a an his her their this that same old new with in of mein meine meinen der die das den ein eine ma mon
    notre le la un une mi el nuestro il mio mia lo mijn onze de het een min vores var en et meu minha o"""
)
_UNITS = frozenset(("km", "mi", "kwh", "years", "months"))


@dataclass(frozen=True, slots=True)
class Likeness:
    """How alike two copies are (exact Jaccard, 0 to 1; None where a person decided) and what makes them copies."""

    score: float | None
    reason: str


@dataclass(slots=True)
class _Changes:
    """What differs between two texts, counted in words."""

    typos: int = 0
    filler: int = 0
    outside: int = 0  # words before or behind the common text
    announced: bool = False
    values: bool = False  # some of the words around it could carry a value
    inside: int = 0  # reworded, added or left out within the text
    swaps: int = 0  # words put for others, unlike ones
    names: int = 0  # of these, the ones that stand where a vehicle's name would


def likeness(left: str, right: str, *, one_author: bool) -> Likeness | None:
    """Why two plain texts are copies, or None where they are not; the same whichever comes first.

    `one_author` says that both are by one author, of whom more is believed: the same person mends and repeats.
    """
    if left == right:
        return Likeness(1.0, "the same words and figures")
    if right < left:
        left, right = right, left
    one, two = left.split(" "), right.split(" ")
    if not one_author and _other_words(one, two):
        return None
    score = jaccard(left, right)
    if score < (LEAST_ALIKE_ONE_AUTHOR if one_author else LEAST_ALIKE):
        return None
    figures = figures_of(one)
    if figures != figures_of(two):
        return None
    if max(len(one), len(two)) > TOO_LONG:
        return Likeness(score, "the same figures in a very long text") if score >= ALIKE_AS_A_WHOLE else None
    changes = _compare(one, two, one_author=one_author)
    if changes is None or not _allowed(changes, one, two, figures, score, one_author=one_author):
        return None
    return Likeness(score, _told(changes))


def _other_words(one: list[str], two: list[str]) -> bool:
    """Whether two texts of two accounts are one but for a word put for another: a sentence that many people fill in.

    Says nothing new (`_allowed` refuses these too); it is there because such texts are many and this is quick.
    """
    if len(one) != len(two) or len(one) >= LONG_TEXT:
        return False
    pairs = [(left, right) for left, right in zip(one, two, strict=True) if left != right]
    return len(pairs) <= 3 and any(
        left not in FILLER and right not in FILLER and not is_typo(left, right, one_author=False)
        for left, right in pairs
    )


def _compare(one: list[str], two: list[str], *, one_author: bool) -> _Changes | None:
    """The differences, or None where one of them makes the texts two."""
    changes = _Changes()
    matcher = SequenceMatcher(None, one, two, autojunk=False)
    steps = matcher.get_opcodes()
    for place, (kind, from_one, to_one, from_two, to_two) in enumerate(steps):
        if kind == "equal":
            continue
        old, new = one[from_one:to_one], two[from_two:to_two]
        edge = place in (0, len(steps) - 1)
        swaps = changes.swaps
        if not _weigh(old, new, changes, edge=edge, one_author=one_author):
            return None
        if changes.swaps > swaps and _where_names_stand(one, from_one, to_one):
            changes.names += 1
    return changes


def _weigh(old: list[str], new: list[str], changes: _Changes, *, edge: bool, one_author: bool) -> bool:
    both = old + new
    if "".join(old) == "".join(new):
        return True
    if any(word[0] == FIGURE or word in _UNITS for word in both):
        return False
    if old and new and is_typo("".join(old), "".join(new), one_author=one_author):
        changes.typos += 1
        return True
    if old and new and len(old) == len(new) > 1:
        pairs = [(a, b) for a, b in zip(old, new, strict=True) if a != b]
        if all(is_typo(a, b, one_author=one_author) for a, b in pairs):
            changes.typos += len(pairs)
            return True
    if all(word in FILLER for word in both):
        changes.filler += len(both)
        return True
    if edge and any(all(word in FILLER for word in words) for words in (old, new)):
        changes.announced |= any(word in ANNOUNCING for word in both)
        changes.values |= any(word in VALUES for word in both)
        changes.outside += len(both)
        return not any(word in CHEMISTRY for word in both)
    if any(word in VALUES for word in both) or all(any(word in TELLING for word in words) for words in (old, new)):
        return False
    changes.swaps += all(any(word not in FILLER for word in words) for words in (old, new))
    changes.inside += max(len(old), len(new))
    return True


def _where_names_stand(words: list[str], start: int, end: int) -> bool:
    """Whether a place in a text could be a vehicle's name: at the start, beside a figure, behind an article."""
    before = words[start - 1] if start else FIGURE
    behind = words[end] if end < len(words) else ""
    return before[0] == FIGURE or before in _UNITS or before in _BEFORE_NAMES or behind[:1] == FIGURE


def is_typo(left: str, right: str, *, one_author: bool) -> bool:
    """Whether two unlike words are one word and its slip: one edit, or two in a long word (OSA distance).

    Swapping two neighbouring letters is one edit.  Words that carry a value are never each other's slips, nor are
    words of which one denies ("does", "doesnt") or holds a digit that the other lacks.
    """
    if left in TELLING and right in TELLING:
        return False
    shorter, longer = sorted((left, right), key=len)
    if longer == shorter + "nt" or longer == "un" + shorter or longer == "in" + shorter:
        return False
    if [sign for sign in left if sign.isdigit()] != [sign for sign in right if sign.isdigit()]:
        return False
    distance = OSA.distance(left, right, score_cutoff=2)
    swapped = len(left) == len(right) and sorted(left) == sorted(right)
    if distance == 1:
        if swapped:
            return len(shorter) >= (3 if one_author else 4)
        return len(shorter) >= (4 if one_author else 5)
    return distance == 2 and len(shorter) >= 8


def _allowed(
    changes: _Changes, one: list[str], two: list[str], figures: list[str], score: float, *, one_author: bool
) -> bool:
    words = min(len(one), len(two))
    if changes.typos > max(1, words // 6) or changes.filler > max(2, words // 4):
        return False
    if changes.outside:
        if changes.values and not changes.announced and words < LONG_ENOUGH:
            return False
        most = min(24, words) if changes.announced else 6
        if one_author:
            most = max(most, words // 2) if words >= 5 else (4 if changes.announced else 0)
        if changes.outside > most:
            return False
    if not changes.inside:
        return one_author or score >= LEAST_ALIKE
    particular = particular_digits(figures) if len(figures) > 1 else 0
    if one_author:
        share = 0.25 if particular >= 3 and words >= 8 else 0.2 if words >= 8 else 0.0
        return changes.inside <= share * words and (not changes.names or words >= LONG_TEXT)
    share = 0.15 if particular >= 3 and words >= 14 else 0.1 if words >= 30 else 0.0
    return changes.inside <= share * words and (not changes.swaps or words >= LONG_TEXT)


def _told(changes: _Changes) -> str:
    said = []
    if changes.typos:
        said.append(f"{changes.typos} slip{'s' * (changes.typos > 1)} mended")
    if changes.filler:
        said.append("small words differ")
    if changes.outside:
        said.append(("announced as a repeat, " if changes.announced else "") + f"{changes.outside} words around it")
    if changes.inside:
        said.append(f"{changes.inside} words reworded")
    return "the same figures; " + (", ".join(said) or "word breaks differ")
