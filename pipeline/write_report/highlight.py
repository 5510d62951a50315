"""A response's text as HTML with the words of each value marked; spans may overlap, touch or stand inside another."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from pipeline.write_report.sections import escaped


@dataclass(frozen=True, slots=True)
class Span:
    """The place of some words in a text (code points, `end` is behind the last) and what was read from them."""

    start: int
    end: int
    told: str


def highlighted(text: str, spans: Iterable[Span]) -> str:
    """The text, escaped, with `<mark title="...">` around the words of the spans.

    Where spans overlap the text is cut at each end, and a piece names all that was read from it.  Spans that reach
    beyond the text are cut to it; empty ones mark nothing.
    """
    within = [
        Span(max(0, span.start), min(len(text), span.end), span.told)
        for span in spans
        if max(0, span.start) < min(len(text), span.end)
    ]
    cuts = sorted({0, len(text), *(span.start for span in within), *(span.end for span in within)})
    pieces: list[tuple[str, tuple[str, ...]]] = []
    for start, end in pairwise(cuts):
        told = tuple(dict.fromkeys(span.told for span in within if span.start <= start and end <= span.end))
        if pieces and pieces[-1][1] == told:
            pieces[-1] = (pieces[-1][0] + text[start:end], told)
        else:
            pieces.append((text[start:end], told))
    return "".join(_piece(words, told) for words, told in pieces)


def _piece(words: str, told: tuple[str, ...]) -> str:
    inner = escaped(words).replace("\r\n", "\n").replace("\n", "<br>")
    return f'<mark title="{escaped("; ".join(told))}">{inner}</mark>' if told else inner
