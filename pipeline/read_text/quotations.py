"""Words that are not the responder's own: quoted lines and blocks.  Signatures and profiles are found here too."""

from __future__ import annotations

import re
from dataclasses import dataclass

_QUOTED_LINE = re.compile(r"(?m)^[ ]*(?:>|&gt;)[^\n]*$")
_QUOTE_BLOCK = re.compile(r"\[quote[^\]]*\].*?(?:\[/quote\]|\Z)", re.DOTALL)
_SAID_BLOCK = re.compile(
    r"(?m)^[ ]*[@\w.\- ]{2,40} (?:said|wrote|writes|posted|schrieb|a écrit|a dit|escribió|dijo|schreef|skrev|ha scritto|escreveu|disse):[ ]*\n(?:[^\n]+(?:\n|\Z))+"  # noqa: E501
)
_SIGNATURE = re.compile(r"(?m)^[ ]*(?:-- ?|_{3,}|-{3,}|={3,})[ ]*\n")
_PROFILE = re.compile(
    r"(?im)^[ ]*(?:vehicles?|car|cars|flair|my car|garage|signature|sig|profile|driving|drives|fahrzeuge?|véhicules?|voitures?|coche|vehículos?|auto's|voertuig|bil|kjøretøy|veicolo|veículos?)\s?:[^\n]*$"  # noqa: E501
)


@dataclass(frozen=True, slots=True)
class Quotations:
    """Spans of quoted words, and of a signature or profile at the end, each (start, end)."""

    quoted: tuple[tuple[int, int], ...]
    profile: tuple[int, int] | None


def find_quotations(text: str) -> Quotations:
    """The quoted passages and the profile of a folded text."""
    spans: list[tuple[int, int]] = []
    if ">" in text or "&gt;" in text:
        spans.extend(match.span() for match in _QUOTED_LINE.finditer(text))
    if "[quote" in text:
        spans.extend(match.span() for match in _QUOTE_BLOCK.finditer(text))
    if ":" in text:
        spans.extend(match.span() for match in _SAID_BLOCK.finditer(text))
    profile = None
    if match := _SIGNATURE.search(text):
        profile = (match.start(), len(text))
    spans.sort()
    return Quotations(tuple(spans), profile)


def blank(text: str, spans: tuple[tuple[int, int], ...]) -> str:
    """The text with the spans' characters replaced by line breaks, so that nothing is read there or across them."""
    for start, end in spans:
        text = text[:start] + "\n" * (end - start) + text[end:]
    return text
