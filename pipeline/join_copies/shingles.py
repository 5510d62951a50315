"""MinHash and locality-sensitive hashing over shingles, written with numpy.

    shingles of a text -> 32-bit hashes -> one minimum a hash function (the signature) -> one key a band

Two texts share a signature's place with the chance of their Jaccard similarity s; with b bands of r rows they share
a band with the chance 1 - (1 - s^r)^b (Leskovec, Rajaraman, Ullman: Mining of Massive Datasets, ch. 3.3 and 3.4).
The standard error of the similarity that k places estimate is sqrt(s(1 - s)/k).

A library (datasketch) keeps a Python object for each text and an entry for each text and band: 11.8 kB a text with 32
bands of 4 (measured with its version 2.0.0), 12 GB for a million.  Arrays keep the same in about 400 bytes.  The tests
hold the two against each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self
from zlib import crc32

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

SIGNS_A_SHINGLE = 4
"""Characters in a shingle of a short text (the guide for comments of under about 20 words is 3 to 5)."""
WORDS_A_SHINGLE = 3
SHORT_UP_TO = 480
"""Plain texts of up to so many characters are compared by character shingles ..."""
LONG_FROM = 240
"""... and those from here on by word shingles; any two texts of which none is twice as long share one way."""

PLACES = 128
"""Places in a signature: a standard error of at most 0.044."""


@dataclass(frozen=True, slots=True)
class Banding:
    """`bands` bands of `rows` places of a signature.

    Of the pairs that share a band, those are looked at of which at least a share `least` of all places agrees.
    """

    bands: int
    rows: int
    least: float = 0.0

    def chance(self, similarity: float) -> float:
        """The chance that two texts of this Jaccard similarity share a band (the S-curve)."""
        return float(1.0 - (1.0 - similarity**self.rows) ** self.bands)

    @property
    def threshold(self) -> float:
        """Where the S-curve is steepest, about (1/b)^(1/r)."""
        return float((1.0 / self.bands) ** (1.0 / self.rows))


ANY_AUTHOR = Banding(32, 4, least=0.3)
"""Between accounts: 0.87 at similarity 0.5, 0.99 at 0.6, 0.9998 at 0.7; 0.003 at 0.1.  A pair at 0.5 has
less than 0.3 of its places equal with a chance of 3 in a million (4.5 standard errors)."""
ONE_AUTHOR = Banding(42, 3, least=0.15)
"""Between texts of one author, which are few: 0.94 at 0.4, 0.995 at 0.5."""


class MinHasher:
    """Signatures of sets of 32-bit numbers: place i is the least of (a_i x + b_i) mod m over the set.

    The modulus is 2^32 (0 stands for it), for which the a_i are odd; another one can be given.
    """

    def __init__(self, factors: NDArray[np.uint32], addends: NDArray[np.uint32], modulus: int = 0) -> None:
        self.factors = factors
        self.addends = addends
        self.modulus = modulus

    @classmethod
    def drawn(cls, places: int = PLACES, seed: int = 20250314) -> Self:
        """A hasher whose functions are drawn by a seeded generator: the same in every run."""
        random = np.random.Generator(np.random.PCG64(seed))
        factors = random.integers(0, 2**32, places, dtype=np.uint32) | np.uint32(1)
        return cls(factors, random.integers(0, 2**32, places, dtype=np.uint32))

    def signatures(self, hashes: NDArray[np.uint32], starts: NDArray[np.int64]) -> NDArray[np.uint32]:
        """One row a set; set i is `hashes[starts[i]:starts[i + 1]]` and must not be empty."""
        out = np.empty((len(self.factors), len(starts)), dtype=np.uint32)
        work = np.empty_like(hashes)
        for place, (factor, addend) in enumerate(zip(self.factors, self.addends, strict=True)):
            np.multiply(hashes, factor, out=work)
            np.add(work, addend, out=work)
            if self.modulus:
                np.remainder(work, np.uint32(self.modulus), out=work)
            np.minimum.reduceat(work, starts, out=out[place])
        return out.T


def sign_shingles(texts: Sequence[str]) -> tuple[NDArray[np.uint32], NDArray[np.int64]]:
    """Hashes of the character shingles of each text (a blank put before and behind it), and where each text begins."""
    padded = [f" {text} ".ljust(SIGNS_A_SHINGLE) for text in texts]
    lengths = np.fromiter((len(text) for text in padded), dtype=np.int64, count=len(padded))
    signs = np.frombuffer("".join(padded).encode("utf-32-le", "surrogatepass"), dtype=np.uint32)
    rolled = np.zeros(len(signs) - SIGNS_A_SHINGLE + 1, dtype=np.uint32)
    for place in range(SIGNS_A_SHINGLE):
        rolled = rolled * np.uint32(0x01000193) + signs[place : place + len(rolled)]
    ends = np.cumsum(lengths)
    keep = np.ones(len(rolled), dtype=bool)
    for place in range(1, SIGNS_A_SHINGLE):
        crossing = ends[:-1] - place
        keep[crossing] = False
    counts = lengths - SIGNS_A_SHINGLE + 1
    starts = np.concatenate(([0], np.cumsum(counts)[:-1])).astype(np.int64)
    return mixed(rolled[keep]), starts


def word_shingles(texts: Sequence[str]) -> tuple[NDArray[np.uint32], NDArray[np.int64]]:
    """Hashes of the word shingles of each text, and where each text begins."""
    out: list[int] = []
    starts: list[int] = []
    for text in texts:
        starts.append(len(out))
        words = text.split(" ")
        out += [
            crc32(" ".join(words[place : place + WORDS_A_SHINGLE]).encode("utf-8", "surrogatepass"))
            for place in range(max(1, len(words) - WORDS_A_SHINGLE + 1))
        ]
    return mixed(np.array(out, dtype=np.uint32)), np.array(starts, dtype=np.int64)


def mixed(hashes: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """The hashes with every bit spread over all others (the finaliser of MurmurHash3, public domain)."""
    out = hashes.copy()
    for shift, factor in ((16, 0x85EBCA6B), (13, 0xC2B2AE35), (16, None)):
        out ^= out >> np.uint32(shift)
        if factor is not None:
            out *= np.uint32(factor)
    return out


def shingle_set(text: str, *, by_words: bool) -> set[str]:
    """The shingles of one plain text as strings, for the exact similarity."""
    if by_words:
        words = text.split(" ")
        last = max(1, len(words) - WORDS_A_SHINGLE + 1)
        return {" ".join(words[place : place + WORDS_A_SHINGLE]) for place in range(last)}
    padded = f" {text} ".ljust(SIGNS_A_SHINGLE)
    return {padded[place : place + SIGNS_A_SHINGLE] for place in range(len(padded) - SIGNS_A_SHINGLE + 1)}


def jaccard(left: str, right: str) -> float:
    """The exact Jaccard similarity of two plain texts' shingles; of words where both are long, else of characters."""
    by_words = min(len(left), len(right)) >= LONG_FROM
    one, two = shingle_set(left, by_words=by_words), shingle_set(right, by_words=by_words)
    common = len(one & two)
    return common / (len(one) + len(two) - common)


def band_keys(
    signatures: NDArray[np.uint32], banding: Banding, blocks: NDArray[np.uint64]
) -> Iterator[NDArray[np.uint64]]:
    """For each band one key a text: two texts share it where the band and the block (what must be equal) agree."""
    for band in range(banding.bands):
        key = blocks + np.uint64(band)
        for row in range(banding.rows):
            key = (key ^ signatures[:, band * banding.rows + row]) * np.uint64(0x9E3779B97F4A7C15)
            key ^= key >> np.uint64(29)
        yield key
