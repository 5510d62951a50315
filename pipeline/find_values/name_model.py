"""Where the shipped model sees vehicles' names in a text: a small spaCy recogniser, trained by `train_names`.

Loaded when first asked.  Each text is read by itself, so that what is read never depends on what it is read with.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.find_values.name_lattice import NameLattice


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
def _shipped() -> NameLattice | None:
    path = resources.files("pipeline.find_values") / "name_model"
    if not path.is_dir():
        return None
    import spacy

    from pipeline.find_values.name_lattice import NameLattice

    with resources.as_file(path) as real:
        return NameLattice(spacy.load(real))


@lru_cache(maxsize=4)
def name_spans(text: str) -> tuple[NameSpan, ...]:
    """Every place that some reading of the text holds for a name, likeliest first; they may overlap."""
    lattice = _shipped()
    if lattice is None:
        return ()
    spans = [NameSpan(start, end, round(chance, 4)) for start, end, chance in lattice.names(text)]
    return tuple(
        sorted((span for span in spans if span.chance), key=lambda span: (-span.chance, span.start, -span.end))
    )


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
