"""Finds which responses repeat which, in time close to linear in their number.

    texts -> plain forms -> same plain form: one text
                         -> same figures, shared LSH band: looked at pair by pair
          -> pairs that are copies -> connected components -> the first in time is the original

Whether two responses are a pair depends on these two alone, never on what else is there: so the result is the same
in any order, and rows that come later can only add pairs (that is what makes an incremental build exact).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.join_copies.components import Components
from pipeline.join_copies.orders import NO_ORDERS, Orders
from pipeline.join_copies.plain_text import read_plain
from pipeline.join_copies.same_text import Likeness, likeness
from pipeline.join_copies.shingles import (
    ANY_AUTHOR,
    LONG_FROM,
    ONE_AUTHOR,
    PLACES,
    SHORT_UP_TO,
    Banding,
    MinHasher,
    band_keys,
    sign_shingles,
    word_shingles,
)

if TYPE_CHECKING:
    import pyarrow
    from numpy.typing import NDArray

_CHUNK = 16_384
_NEVER = np.iinfo(np.int64).max


@dataclass(slots=True)
class Texts:
    """The responses as columns: what telling copies needs of them, in the order of time (ties: the smaller id)."""

    ids: list[str]
    plain: list[str]
    authors: NDArray[np.int64]  # one number an author key, -1 for none
    figures: NDArray[np.uint64]
    by_anyone: NDArray[np.bool_]
    fresh: NDArray[np.bool_]  # rows that were not there before

    def leave_out(self, ids: Mapping[str, Any]) -> None:
        """Takes responses out of the search: without a text they have no partner."""
        for row, one in enumerate(self.ids):
            if one in ids:
                self.plain[row] = ""


@dataclass(slots=True)
class Copies:
    """`of` leads from each copy to its original; `links` tells why: id -> (original, likeness)."""

    of: dict[str, str]
    links: dict[str, tuple[str, Likeness]]
    changed: set[str]  # members of clusters that hold a fresh row


def read_texts(responses: pyarrow.Table, fresh_ids: set[str] | None = None) -> Texts:
    """Reads the responses' texts; `fresh_ids` are the new ones (None: all are)."""
    import pyarrow as pa
    import pyarrow.compute as pc

    count = responses.num_rows
    times = responses["posted_at"]
    if pa.types.is_timestamp(times.type):
        times = times.cast(pa.timestamp("us", tz=times.type.tz), safe=False).cast(pa.int64())
    moments = pc.fill_null(times.cast(pa.int64()), int(_NEVER)).to_numpy()
    order = pc.sort_indices(
        pa.table({"at": moments, "id": responses["response_id"]}), sort_keys=[("at", "ascending"), ("id", "ascending")]
    ).to_numpy()
    codes = pc.fill_null(responses["author_key"].combine_chunks().dictionary_encode().indices, -1).to_numpy()
    ids: list[str] = responses["response_id"].to_pylist()
    plain = [""] * count
    figures = np.zeros(count, dtype=np.uint64)
    by_anyone = np.zeros(count, dtype=bool)
    row = 0
    for batch in responses.select(["text"]).to_batches(_CHUNK):
        for text in batch.column(0).to_pylist():
            read = read_plain(text or "")
            plain[row], figures[row], by_anyone[row] = read.plain, read.figures, read.by_anyone
            row += 1
    ids = [ids[row] for row in order]
    fresh = np.ones(count, dtype=bool)
    if fresh_ids is not None:
        fresh = np.fromiter((one in fresh_ids for one in ids), dtype=bool, count=count)
    return Texts(
        ids,
        [plain[row] for row in order],
        codes[order].astype(np.int64),
        figures[order],
        by_anyone[order],
        fresh,
    )


def find_copies(texts: Texts, known: Mapping[str, str], orders: Orders = NO_ORDERS) -> Copies:
    """The copies among the responses; `known` are the copies among those that are not fresh, as found before.

    `orders` go first: a response that was said to be no copy has no partner, one that was said to be a copy is none's
    original as long as its group has another.
    """
    sets = Components(len(texts.ids))
    if orders.not_copies:
        texts.leave_out(orders.not_copies)
    if known:
        place = {one: row for row, one in enumerate(texts.ids)}
        for copy, original in known.items():
            sets.join(place[copy], place[original])
    for one_author in (False, True):
        _join_same(texts, sets, one_author=one_author)
    for one_author in (False, True):
        for left, right in _candidates(texts, one_author=one_author):
            if sets.find(left) != sets.find(right) and likeness(
                texts.plain[left], texts.plain[right], one_author=one_author
            ):
                sets.join(left, right)
    _join_ordered(texts, sets, orders)
    found = Copies({}, {}, set())
    for group in sets.groups():
        first = next((row for row in group if texts.ids[row] not in orders.copies), group[0])
        group = [first, *(row for row in group if row != first)]
        original = texts.ids[first]
        if any(texts.fresh[row] for row in group):
            found.changed.update(texts.ids[row] for row in group)
        for row in group[1:]:
            found.of[texts.ids[row]] = original
            found.links[texts.ids[row]] = (original, _explained(texts, group, row, orders))
    return found


def _join_ordered(texts: Texts, sets: Components, orders: Orders) -> None:
    if not orders.copies:
        return
    named = orders.copies.keys() | set(orders.copies.values())
    place = {one: row for row, one in enumerate(texts.ids) if one in named}
    for copy, original in orders.copies.items():
        sets.join(place[copy], place[original])


def _explained(texts: Texts, group: list[int], row: int, orders: Orders) -> Likeness:
    """Why a row is in its group: its likeness to the original, or to the first other member that it is a copy of."""
    if texts.ids[row] in orders.copies:
        return Likeness(None, orders.reasons[texts.ids[row]])
    for other in group:
        if other == row:
            continue
        same_author = bool(texts.authors[row] == texts.authors[other] >= 0)
        if not same_author and not (texts.by_anyone[row] and texts.by_anyone[other]):
            continue
        if alike := likeness(texts.plain[row], texts.plain[other], one_author=same_author):
            if other == group[0]:
                return alike
            return Likeness(alike.score, f"{alike.reason}; through {texts.ids[other]}")
    for copy, original in sorted(orders.copies.items()):
        if original == texts.ids[row]:
            return Likeness(None, f"{orders.reasons[copy]}; through {copy}")
    raise AssertionError("a member of a group of copies is a copy of none of them")  # pragma: no cover


def _scope(texts: Texts, *, one_author: bool) -> NDArray[np.int64]:
    """The rows that can have a partner in this pass: of known authors, or long enough for any account."""
    told = np.fromiter((bool(text) for text in texts.plain), dtype=bool, count=len(texts.plain))
    return np.flatnonzero(told & ((texts.authors >= 0) if one_author else texts.by_anyone))


def _join_same(texts: Texts, sets: Components, *, one_author: bool) -> None:
    first: dict[Any, int] = {}
    for row in _scope(texts, one_author=one_author).tolist():
        key = (texts.plain[row], int(texts.authors[row])) if one_author else texts.plain[row]
        sets.join(first.setdefault(key, row), row)


def _candidates(texts: Texts, *, one_author: bool) -> Iterator[tuple[int, int]]:
    """Pairs worth a look: the same figures (and author), different plain texts, a shared band, one of them fresh."""
    rows = _scope(texts, one_author=one_author)
    blocks = texts.figures[rows].copy()
    if one_author:
        blocks ^= (texts.authors[rows].astype(np.uint64) + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    rows, blocks = _distinct(texts, rows, blocks)
    banding = ONE_AUTHOR if one_author else ANY_AUTHOR
    sizes = np.fromiter((len(texts.plain[row]) for row in rows), dtype=np.int64, count=len(rows))
    for by_words in (False, True):
        fits = sizes >= LONG_FROM if by_words else sizes <= SHORT_UP_TO
        yield from _in_bands(texts, *_crowded(rows[fits], blocks[fits]), banding, by_words=by_words)


def _distinct(
    texts: Texts, rows: NDArray[np.int64], blocks: NDArray[np.uint64]
) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """One row for each text and block; a fresh one where all of them are (else the pairs are known already)."""
    rows, blocks = _crowded(rows, blocks)
    chosen: dict[tuple[str, int], int] = {}
    for place, (row, block) in enumerate(zip(rows.tolist(), blocks.tolist(), strict=True)):
        key = (texts.plain[row], block)
        if key not in chosen or (texts.fresh[rows[chosen[key]]] and not texts.fresh[row]):
            chosen[key] = place
    kept = np.fromiter(chosen.values(), dtype=np.int64, count=len(chosen))
    return rows[kept], blocks[kept]


def _crowded(rows: NDArray[np.int64], blocks: NDArray[np.uint64]) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """Only the rows whose block holds others too: alone in its block a text has no partner."""
    _, inverse, counts = np.unique(blocks, return_inverse=True, return_counts=True)
    keep = counts[inverse] > 1
    return rows[keep], blocks[keep]


def _in_bands(
    texts: Texts, rows: NDArray[np.int64], blocks: NDArray[np.uint64], banding: Banding, *, by_words: bool
) -> Iterator[tuple[int, int]]:
    """Pairs of rows that share a band, and of whose signatures' places at least `banding.least` agree."""
    if len(rows) < 2:
        return
    hasher = MinHasher.drawn()
    shingles = word_shingles if by_words else sign_shingles
    keys = np.empty((banding.bands, len(rows)), dtype=np.uint64)
    places = np.empty((len(rows), PLACES), dtype=np.uint8)  # one byte of each place tells most unlike ones apart
    for start in range(0, len(rows), _CHUNK):
        part = slice(start, start + _CHUNK)
        signatures = hasher.signatures(*shingles([texts.plain[row] for row in rows[part].tolist()]))
        places[part] = signatures & np.uint32(0xFF)
        for band, key in enumerate(band_keys(signatures, banding, blocks[part])):
            keys[band, part] = key
    fresh = texts.fresh[rows]
    found: list[NDArray[np.int64]] = [np.empty((0, 2), dtype=np.int64)]
    for band in range(banding.bands):
        for left, right in _sharing(keys[band]):
            some = fresh[left] | fresh[right]
            left, right = left[some], right[some]
            alike = np.mean(places[left] == places[right], axis=1) >= banding.least
            left, right = rows[left[alike]], rows[right[alike]]
            found.append(np.stack([np.minimum(left, right), np.maximum(left, right)], axis=1))
    yield from map(tuple, np.unique(np.concatenate(found), axis=0).tolist())


def _sharing(keys: NDArray[np.uint64]) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """All pairs of places with equal keys, in portions: neighbours in sorted order first, then next ones but one."""
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    starts = np.arange(len(keys))
    for apart in range(1, len(keys)):
        starts = starts[starts + apart < len(keys)]
        starts = starts[ordered[starts] == ordered[starts + apart]]
        if not len(starts):
            return
        for part in range(0, len(starts), _CHUNK):
            some = starts[part : part + _CHUNK]
            yield order[some], order[some + apart]
