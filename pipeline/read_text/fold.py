"""Folds a text character by character, so that every offset into the folded text is an offset into the original.

Look-alike quotes, dashes, spaces and digits become their plain forms, and letters become lower case.  Unicode's own
normal forms change lengths; a one-to-one table keeps `text[start:end] == raw` true without an offset map.
"""

from __future__ import annotations

import re
import unicodedata

_SAME_LENGTH: dict[int, str] = {
    **dict.fromkeys(map(ord, "‘’‚‛′´`ʼ＇"), "'"),
    **dict.fromkeys(map(ord, "“”„‟″«»〝〞"), '"'),
    **dict.fromkeys(map(ord, "‐‑‒–—―−﹣－~∼～"), "-"),
    **dict.fromkeys(
        map(ord, "\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000\t"), " "
    ),
    **dict.fromkeys(map(ord, "％﹪"), "%"),
    **dict.fromkeys(map(ord, "：﹕"), ":"),
    **dict.fromkeys(map(ord, "\u200b\u200c\u200d\ufeff\u00ad"), " "),
    ord("_"): " ",
    ord("≈"): "~",
    ord("∼"): "~",
    ord("～"): "~",
    ord("~"): "~",
    ord("…"): ".",
    ord("\r"): " ",
    ord("İ"): "i",
    ord("×"): "x",
}

# Letters and digits of other scripts and styles that look like ASCII ones (fullwidth, mathematical) fold to them.
for _code in [*range(0xFF10, 0xFF1A), *range(0xFF21, 0xFF3B), *range(0xFF41, 0xFF5B), *range(0x1D7CE, 0x1D800)]:
    _plain = unicodedata.normalize("NFKC", chr(_code))
    if len(_plain) == 1:
        _SAME_LENGTH[_code] = _plain.lower()


_HANDLE = re.compile(r"(?<!\w)@[\w.-]*\w")


def fold(text: str) -> str:
    """The text in lower case and plain punctuation; `len(fold(text)) == len(text)` always holds.

    Letters and digits of an @handle become x: a number in somebody's handle is no reading.
    """
    if "@" in text:
        text = _HANDLE.sub(lambda match: "@" + "x" * (len(match.group()) - 1), text)
    folded = text.translate(_SAME_LENGTH)
    lowered = folded.lower()
    if len(lowered) == len(text):
        return lowered
    return "".join(low if len(low := character.lower()) == 1 else character for character in folded)
