"""Bounds that keep one response from stalling a build: how much of it is read, and what is too long to mean anything.

The expressions of rules and word lists look a bounded number of words far, so their work grows with the text's length
alone, as long as no run of signs, blanks or digits is long: within such a run one word's worth of an expression can
be laid in very many ways.  `calm` breaks these runs.  The bounds are counts and lengths, never times, so that the same
text gives the same reading on any machine.
"""

from __future__ import annotations

import re

import regex

MOST_CHARACTERS = 20_000
"""So much of a response is read, twice the longest comment that platforms usually allow; what comes behind is not."""
MOST_QUANTITIES = 300
"""A response with more quantities is a table or a dump, in which nobody can tell which figure is whose."""
MOST_MATCHES = 3_000
"""So many matches of rules in one response are worked on; more are no sentence of anybody."""
LONG_QUOTATION = 1_000
"""Blanked passages longer than this are broken as runs of signs are."""
MOST_SIGNS = 12
MOST_LETTERS = 60
BREAK = "\x1f"
"""Stands in the place of what was broken out of a run: no word, no blank, and no sign that a rule knows."""

_RUN = regex.compile(
    rf"(?P<signs>[^\w\n\x1f]{{{MOST_SIGNS + 1},}}|\n{{{MOST_SIGNS + 1},}}|(?:[ \t]*\n){{{MOST_SIGNS + 1},}})"
    rf"|(?P<letters>[^\s\x1f]{{{MOST_LETTERS + 1},}})"
    r"|(?P<digits>\d{16,}|\d{1,3}(?:[ .,']\d{3}){6,})"
)
_SUSPECT = re.compile(rf"[^\w\n]{{{MOST_SIGNS + 1}}}|\n\s{{{MOST_SIGNS}}}|\d{{16}}|\d{{1,3}}(?:[ .,']\d{{3}}){{6}}")
TIMEOUT = 10.0
"""Seconds after which the search for runs gives up; it is linear, so this is for a machine that has come to a halt."""


class TooMuch(Exception):
    """A response goes over one of these bounds; the message says which."""


def calm(text: str) -> str:
    """The text with every overlong run broken, character for character: offsets stay what they were."""
    longest = max(map(len, text.split()), default=0)
    if longest <= MOST_LETTERS and _SUSPECT.search(text) is None:
        return text
    return str(_RUN.sub(_broken, text, timeout=TIMEOUT))


def _broken(run: regex.Match[str]) -> str:
    said = str(run.group())
    if run.lastgroup == "signs":  # a sentence's end and its beginning stay
        half = MOST_SIGNS // 2
        return said[:half] + BREAK * (len(said) - 2 * half) + said[-half:]
    return BREAK * len(said)
