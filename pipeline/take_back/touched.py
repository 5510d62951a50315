"""Which kept responses a change can touch: told from the words that the changed rules need, before any is read.

The test is sound, never narrow: a pattern matches only where words of each of its parts stand in the folded text as
the reader makes it ready.  They are looked for as runs of characters, not as words, since a quantity that is cut out of
a text can leave a word that was a part of a longer one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.read_text.blanks import evened
from pipeline.read_text.fold import fold
from pipeline.take_back.changes import Changes, Phrases, RuleChange
from pipeline.take_back.fingerprints import Readings

if TYPE_CHECKING:
    import numpy
    import pyarrow
    from numpy.typing import NDArray

_CHUNK = 4096


def touched_rows(
    changes: Changes, old: Readings | None, new: Readings, responses: pyarrow.Table, reports: pyarrow.Table
) -> NDArray[numpy.bool_]:
    """For each row of `responses` (lang as it will be in the new run) whether it has to be read again.

    `reports` are the kept run's.  The languages that responses had are compared by the caller, who knows both.
    """
    import numpy as np
    import pyarrow.compute as pc

    rows = responses.num_rows
    if changes.everything or old is None:
        return np.ones(rows, bool)
    again = np.zeros(rows, bool)
    if changes.vehicles:
        again |= pc.is_in(responses["response_id"], pc.unique(reports["response_id"])).to_numpy(zero_copy_only=False)
    langs = pc.fill_null(responses["lang"], "").combine_chunks().dictionary_encode()
    codes = langs.indices.to_numpy()
    names = langs.dictionary.to_pylist()
    was = np.array([old.reader_of.get(name, "?") for name in names], object)
    now = np.array([new.reader_of[name] for name in names], object)
    if not rows:
        return again
    again |= (was != now)[codes]
    read_as = now[codes]
    for code in changes.languages:
        again |= read_as == code
    for code in sorted({change.language for change in changes.rules} - changes.languages.keys()):
        asked = np.flatnonzero((read_as == code) & ~again)
        some = [change for change in changes.rules if change.language == code]
        again[asked[_holding(some, responses["text"], asked)]] = True
    return again


def _holding(changes: Sequence[RuleChange], texts: pyarrow.ChunkedArray, asked: NDArray[Any]) -> NDArray[Any]:
    """The places in `asked` (row numbers) of the texts that hold what a pattern of the changes needs."""
    import numpy as np
    import pyarrow as pa

    patterns = [_by_length(parts) for change in changes for parts in change.needs]
    found: list[int] = []
    for start in range(0, len(asked), _CHUNK):
        some = texts.take(pa.array(asked[start : start + _CHUNK])).to_pylist()
        found.extend(start + place for place, text in enumerate(some) if may_touch(patterns, text))
    return np.array(found, np.int64)


def may_touch(patterns: Iterable[Sequence[Phrases]], text: str) -> bool:
    """Whether a text holds what one of the patterns needs; `patterns` hold the phrases of their parts."""
    folded = fold(evened(text).text)
    return any(all(_holds(phrases, folded) for phrases in parts) for parts in patterns)


def _holds(phrases: Phrases, folded: str) -> bool:
    return any(all(word in folded for word in phrase) for phrase in phrases)


def _by_length(parts: Sequence[Phrases]) -> list[Phrases]:
    """The parts of a pattern, those first that are quickest to rule out: few phrases, long words."""
    return sorted(parts, key=lambda phrases: (len(phrases), -max(map(len, phrases[0]))))
