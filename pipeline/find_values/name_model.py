"""Where the shipped model sees vehicles' names in a text: a small spaCy recogniser, trained by `train_names`.

Loaded when first asked.  Each text is read by itself, so that what is read never depends on what it is read with.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from spacy.language import Language

WIDTH, DENSITY = 8, 0.0001
"""Readings of a text that are followed side by side, and the least share of the best one's chance that they keep."""


@dataclass(frozen=True, slots=True)
class NameSpan:
    """A place in a text where the model sees a name, and its chance: the share of the readings that hold it."""

    start: int
    end: int
    chance: float

    def touches(self, start: int, end: int) -> bool:
        """Whether it has a sign in common with another place."""
        return self.start < end and start < self.end


@cache
def _shipped() -> Language | None:
    path = resources.files("pipeline.find_values") / "name_model"
    if not path.is_dir():
        return None
    import spacy

    with resources.as_file(path) as real:
        return spacy.load(real)


@lru_cache(maxsize=4)
def name_spans(text: str) -> tuple[NameSpan, ...]:
    """Every place that some reading of the text holds for a name, likeliest first; they may overlap."""
    nlp = _shipped()
    if nlp is None:
        return ()
    recogniser = nlp.get_pipe("ner")
    doc = nlp.make_doc(text)
    if not len(doc):
        return ()
    (beam,) = recogniser.beam_parse([doc], beam_width=WIDTH, beam_density=DENSITY)  # type: ignore[attr-defined]
    chances: dict[tuple[int, int], float] = {}
    for share, entities in recogniser.moves.get_beam_parses(beam):  # type: ignore[attr-defined]
        for first, last, _ in entities:
            place = (doc[first].idx, doc[last - 1].idx + len(doc[last - 1]))
            chances[place] = chances.get(place, 0.0) + share
    spans = [NameSpan(start, end, min(1.0, round(chance, 4))) for (start, end), chance in chances.items()]
    return tuple(sorted(spans, key=lambda span: (-span.chance, span.start, -span.end)))


def chance_of_name(text: str, start: int, end: int) -> float:
    """The chance that the model sees a name at a place, or over a part of it."""
    return min(1.0, sum(span.chance for span in name_spans(text) if span.touches(start, end)))


def likely_names(text: str, least: float) -> list[NameSpan]:
    """The names of at least a chance, those that overlap a likelier one left out, in the text's order."""
    kept: list[NameSpan] = []
    for span in name_spans(text):
        if span.chance >= least and not any(span.touches(other.start, other.end) for other in kept):
            kept.append(span)
    return sorted(kept, key=lambda span: span.start)
