"""MinHash and LSH against published values, the exact similarity, and another library."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from datasketch import MinHash
from datasketch.lsh import _optimal_param

from pipeline.join_copies.shingles import (
    ANY_AUTHOR,
    ONE_AUTHOR,
    Banding,
    MinHasher,
    band_keys,
    jaccard,
    shingle_set,
    sign_shingles,
    word_shingles,
)

SAID = "tern skua fell ridge moss odo lost health charge night full limit years miles winter range new old"
WORDS = tuple(SAID.split())


def _text(dice: random.Random, length: int) -> str:
    return " ".join(dice.choice(WORDS) + str(dice.randrange(50)) for _ in range(length))


def _sets(similarity: float, size: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Two sets of random numbers whose Jaccard similarity is `similarity`, and where each begins."""
    random_numbers = np.random.default_rng(seed).integers(0, 2**32, 2 * size, dtype=np.uint32)
    common = round(2 * size * similarity / (1 + similarity))
    left, right = random_numbers[:size], random_numbers[size - common : 2 * size - common]
    return np.concatenate([left, right]), np.array([0, size])


@pytest.mark.parametrize(
    ("similarity", "chance"),
    [(0.2, 0.006), (0.3, 0.047), (0.4, 0.186), (0.5, 0.470), (0.6, 0.802), (0.7, 0.975), (0.8, 0.9996)],
)
def test_s_curve_as_published(similarity: float, chance: float) -> None:
    """Leskovec, Rajaraman, Ullman: Mining of Massive Datasets, ch. 3.4.2, fig. 3.8 (b = 20, r = 5)."""
    digits = 4 if similarity == 0.8 else 3
    assert round(Banding(20, 5).chance(similarity), digits) == chance


def test_threshold_as_published() -> None:
    """Mining of Massive Datasets, ch. 3.4.2: the rise is steepest near (1/b)^(1/r); b = 16, r = 4 gives 1/2."""
    assert Banding(16, 4).threshold == pytest.approx(0.5)


def test_minhash_example_by_hand() -> None:
    """Mining of Massive Datasets, ch. 3.3.5, fig. 3.4: h1 = x + 1 and h2 = 3x + 1, both mod 5."""
    hasher = MinHasher(np.array([1, 3], np.uint32), np.array([1, 1], np.uint32), modulus=5)
    rows = np.array([0, 3, 2, 1, 3, 4, 0, 2, 3], np.uint32)  # S1, S2, S3, S4
    assert hasher.signatures(rows, np.array([0, 2, 3, 6])).tolist() == [[1, 0], [3, 2], [0, 0], [1, 0]]
    s1, s4 = {0, 3}, {0, 2, 3}
    assert len(s1 & s4) / len(s1 | s4) == pytest.approx(2 / 3)  # which the signatures put at 1


@pytest.mark.parametrize("places", [128, 256])
@pytest.mark.parametrize("similarity", [0.2, 0.5, 0.8])
def test_standard_error_of_the_estimate(places: int, similarity: float) -> None:
    """The estimate from k places is binomial: standard error sqrt(J(1 - J)/k), 0.0354 for J = 0.8 and k = 128."""
    error = math.sqrt(similarity * (1 - similarity) / places)
    if (places, similarity) == (128, 0.8):
        assert round(error, 4) == 0.0354
    misses = []
    for seed in range(120):
        signatures = MinHasher.drawn(places, seed=seed).signatures(*_sets(similarity, 400, seed=1000 + seed))
        misses.append(float(np.mean(signatures[0] == signatures[1])) - similarity)
    assert max(abs(miss) for miss in misses) < 4 * error
    assert abs(float(np.mean(misses))) < 4 * error / math.sqrt(len(misses)) + 0.002
    assert 0.75 * error < float(np.std(misses)) < 1.3 * error


@pytest.mark.parametrize("banding", [ANY_AUTHOR, ONE_AUTHOR, Banding(20, 5)])
@pytest.mark.parametrize("similarity", [0.3, 0.5, 0.7])
def test_pairs_share_a_band_as_often_as_the_s_curve_says(banding: Banding, similarity: float) -> None:
    """Mining of Massive Datasets, ch. 3.4.2; 400 pairs, so four standard errors are at most 0.1."""
    shared = 0
    for seed in range(400):
        signatures = MinHasher.drawn(seed=seed).signatures(*_sets(similarity, 300, seed=5000 + seed))
        keys = band_keys(signatures, banding, np.zeros(2, np.uint64))
        shared += any(key[0] == key[1] for key in keys)
    chance = banding.chance(similarity)
    assert shared / 400 == pytest.approx(chance, abs=4 * math.sqrt(chance * (1 - chance) / 400) + 0.005)


def test_own_bands_miss_fewer_pairs_than_the_library_would() -> None:
    """datasketch 2.0.0 at threshold 0.8 takes b = 9, r = 13 and finds 0.399 of the pairs at exactly 0.8."""
    bands, rows = _optimal_param(0.8, 128, 0.5, 0.5)
    assert (bands, rows) == (9, 13)
    assert round(Banding(bands, rows).chance(0.8), 3) == 0.399
    assert ANY_AUTHOR.chance(0.8) > 0.99999
    assert ANY_AUTHOR.chance(0.6) > 0.98
    assert ONE_AUTHOR.chance(0.4) > 0.93


def test_estimates_agree_with_another_library() -> None:
    """datasketch's MinHash on the same shingles: both are within four standard errors of the exact similarity."""
    dice = random.Random(7)
    for _ in range(30):
        words = _text(dice, 25).split(" ")
        other = [word if dice.random() < 0.85 else "else" for word in words]
        left, right = " ".join(words), " ".join(other)
        exact = jaccard(left, right)
        one, two = MinHash(num_perm=256, seed=3), MinHash(num_perm=256, seed=3)
        by_words = min(len(left), len(right)) >= 240
        assert not by_words
        for sketch, text in ((one, left), (two, right)):
            sketch.update_batch([shingle.encode() for shingle in shingle_set(text, by_words=False)])
        signatures = MinHasher.drawn(256).signatures(*sign_shingles([left, right]))
        ours = float(np.mean(signatures[0] == signatures[1]))
        error = 4 * math.sqrt(exact * (1 - exact) / 256) + 1e-9
        assert abs(ours - exact) < error
        assert abs(one.jaccard(two) - exact) < error


@pytest.mark.parametrize("texts", [["a"], ["", "b"], ["me too", "x", "no loss at all", "ßü 漢字 🚗"]])
def test_sign_shingles_are_those_of_each_text_alone(texts: list[str]) -> None:
    hashes, starts = sign_shingles(texts)
    for text, begin, end in zip(texts, starts, [*starts[1:], len(hashes)], strict=True):
        alone, _ = sign_shingles([text])
        assert hashes[begin:end].tolist() == alone.tolist()
        assert len(set(alone.tolist())) == len(shingle_set(text, by_words=False))


def test_word_shingles_are_those_of_each_text_alone() -> None:
    texts = ["one", "one two", "one two three four five", "three four five"]
    hashes, starts = word_shingles(texts)
    parts = [hashes[begin:end].tolist() for begin, end in zip(starts, [*starts[1:], len(hashes)], strict=True)]
    assert [len(part) for part in parts] == [1, 1, 3, 1]
    assert parts[3][0] == parts[2][2]


def test_jaccard_is_that_of_the_sets() -> None:
    assert jaccard("abcd", "abcd") == 1.0
    one, two = shingle_set("tern skua", by_words=False), shingle_set("tern fell", by_words=False)
    assert jaccard("tern skua", "tern fell") == len(one & two) / len(one | two)


def test_bands_differ_where_blocks_differ() -> None:
    """What must be equal is part of the key: the same text with other figures shares no band."""
    signatures = MinHasher.drawn().signatures(*sign_shingles(["same text", "same text", "same text"]))
    for key in band_keys(signatures, ANY_AUTHOR, np.array([5, 5, 6], np.uint64)):
        assert key[0] == key[1] != key[2]
