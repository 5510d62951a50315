"""Slot scores of MUC-5 and SemEval-2013 task 9.1: how well the words that values were read from fit the labels' words.

A slot is a stretch of text with a type (here a field).  Each labelled slot meets at most one slot that was read:

    met as                     strict      exact       partial     type
    same words, same type      correct     correct     correct     correct
    same words, other type     incorrect   correct     correct     incorrect
    overlap, same type         incorrect   incorrect   partial     correct
    overlap, other type        incorrect   incorrect   partial     incorrect
    labelled, not read         missing     missing     missing     missing
    read, not labelled         spurious    spurious    spurious    spurious

    precision = (correct + 0.5 partial) / (correct + incorrect + partial + spurious)
    recall    = (correct + 0.5 partial) / (correct + incorrect + partial + missing)

Strict and exact know no partial slots, so that the half drops out of them.

Sources: N. Chinchor and B. Sundheim, "MUC-5 evaluation metrics", MUC-5 (1993); I. Segura-Bedmar, P. Martinez and
M. Herrero-Zazo, "SemEval-2013 Task 9", SemEval 2013, task 9.1.  Several fields may be read from the same words here
("100 every night": limit, frequency, habit), which those tasks do not know: slots of one type are therefore matched
before those of different types.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pipeline.response import Reading

Mode = Literal["strict", "exact", "partial", "type"]
MODES: tuple[Mode, ...] = ("strict", "exact", "partial", "type")

WORDLESS = ("whose", "loss_origin")
"""Fields whose words a label may leave out; no slots are made of them."""

_COLUMNS: dict[str, tuple[str, str, str, str]] = {
    "same": ("correct", "correct", "correct", "correct"),
    "same words": ("incorrect", "correct", "correct", "incorrect"),
    "same type": ("incorrect", "incorrect", "partial", "correct"),
    "overlap": ("incorrect", "incorrect", "partial", "incorrect"),
    "missing": ("missing", "missing", "missing", "missing"),
    "spurious": ("spurious", "spurious", "spurious", "spurious"),
}


@dataclass(frozen=True, order=True, slots=True)
class Slot:
    """Words `text[start:end]` (code points) and the type that they were given."""

    start: int
    end: int
    type: str

    def shared(self, other: Slot) -> int:
        """Characters that both slots hold."""
        return max(0, min(self.end, other.end) - max(self.start, other.start))


@dataclass(slots=True)
class SlotCounts:
    """Counts in one mode, and what follows from them; None where nothing was read or nothing was labelled."""

    correct: int = 0
    incorrect: int = 0
    partial: int = 0
    missing: int = 0
    spurious: int = 0

    @property
    def precision(self) -> float | None:
        """Share of the slots read that are right; a partial one counts half."""
        return self._share(self.spurious)

    @property
    def recall(self) -> float | None:
        """Share of the labelled slots that are right; a partial one counts half."""
        return self._share(self.missing)

    @property
    def f1(self) -> float | None:
        """Harmonic mean of precision and recall; 0 where nothing is right, None where there are no slots at all."""
        right = self.correct + 0.5 * self.partial
        both = 2 * (self.correct + self.incorrect + self.partial) + self.missing + self.spurious
        return 2 * right / both if both else None

    def _share(self, extra: int) -> float | None:
        whole = self.correct + self.incorrect + self.partial + extra
        return (self.correct + 0.5 * self.partial) / whole if whole else None


def slot_scores(gold: Iterable[Sequence[Slot]], got: Iterable[Sequence[Slot]]) -> dict[Mode, SlotCounts]:
    """Counts in the four modes over texts; `gold` and `got` hold each text's slots, in the same order of texts."""
    met: Counter[str] = Counter()
    for labelled, read in zip(gold, got, strict=True):
        met.update(_meetings(labelled, read))
    scores: dict[Mode, SlotCounts] = {}
    for place, mode in enumerate(MODES):
        told: Counter[str] = Counter()
        for meeting, number in met.items():
            told[_COLUMNS[meeting][place]] += number
        scores[mode] = SlotCounts(**told)
    return scores


def _meetings(gold: Sequence[Slot], got: Sequence[Slot]) -> list[str]:
    free_gold, free_got = sorted(gold), sorted(got)
    met: list[str] = []
    for meeting in ("same", "same type", "same words", "overlap"):
        close = [
            (-here.shared(there), i, j)
            for i, here in enumerate(free_gold)
            for j, there in enumerate(free_got)
            if _meets(meeting, here, there)
        ]
        used_gold: set[int] = set()
        used_got: set[int] = set()
        for _, i, j in sorted(close):
            if i not in used_gold and j not in used_got:
                used_gold.add(i)
                used_got.add(j)
                met.append(meeting)
        free_gold = [slot for i, slot in enumerate(free_gold) if i not in used_gold]
        free_got = [slot for j, slot in enumerate(free_got) if j not in used_got]
    return met + ["missing"] * len(free_gold) + ["spurious"] * len(free_got)


def _meets(meeting: str, here: Slot, there: Slot) -> bool:
    same_words = (here.start, here.end) == (there.start, there.end)
    same_type = here.type == there.type
    if meeting == "same":
        return same_words and same_type
    if meeting == "same words":
        return same_words
    return here.shared(there) > 0 and (same_type or meeting == "overlap")


def read_slots(reading: Reading) -> list[Slot]:
    """The slots that a reading was made from: each value's words, and the further words of those read from several."""
    slots: set[tuple[int, Slot]] = set()
    for number, report in enumerate(reading.reports):
        for name, found in report.values.items():
            if name in WORDLESS:
                continue
            for start, end in ((found.start, found.end), *((start, end) for _, start, end in found.parts)):
                if start < end:
                    slots.add((number, Slot(start, end, name)))
    return sorted(slot for _, slot in slots)


def label_slots(text: str, reports: Sequence[dict[str, Any]], near: Sequence[Slot] = ()) -> list[Slot]:
    """The slots of the words in a response's labels; labels name words, not places.

    Where the words stand in the text several times, the place that shares most with a slot of the field in `near` (the
    slots that were read) is meant, else the first; one place serves as often as reports name it.
    """
    slots: list[Slot] = []
    for report in reports:
        for name, words in (report.get("words") or {}).items():
            if name in WORDLESS or report.get(name) is None:
                continue
            for piece in words if isinstance(words, list) else [words]:
                places = _places(text, piece, name)
                if places:
                    slots.append(max(places, key=lambda place: _nearness(place, near)))
    return slots


def _nearness(place: Slot, near: Sequence[Slot]) -> int:
    return max((place.shared(slot) for slot in near if slot.type == place.type), default=0)


def _places(text: str, piece: str, name: str) -> list[Slot]:
    places: list[Slot] = []
    start = text.find(piece) if piece else -1
    while start >= 0:
        places.append(Slot(start, start + len(piece), name))
        start = text.find(piece, start + 1)
    return places
