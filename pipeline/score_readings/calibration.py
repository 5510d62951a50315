"""Whether confidence means what it says: of the rows said to be right with chance p, a share p should be right.

Brier score                  mean of (p - right)^2, 0 is best; always saying 0.5 gives 0.25
                             (G. W. Brier, Monthly Weather Review 78, 1950)
expected calibration error   sum over bins of (rows in bin / rows) x |mean p - share right|
                             (M. P. Naeini, G. F. Cooper and M. Hauskrecht, AAAI 2015)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

BINS = 10


@dataclass(frozen=True, slots=True)
class Bin:
    """Rows with `low` <= confidence < `high` (the last bin holds 1 too); means are None where there are none."""

    low: float
    high: float
    rows: int
    mean_confidence: float | None
    share_right: float | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """The reliability table, and the two figures over all rows; None where there are no rows."""

    bins: tuple[Bin, ...]
    rows: int
    brier: float | None
    expected_error: float | None


def calibration(confidences: Sequence[float], right: Sequence[bool]) -> Calibration:
    """The calibration of rows: the confidence of each (0 to 1), and whether the row was wholly right; equal lengths.

    Raises `ValueError` for a confidence outside 0 to 1.
    """
    pairs = list(zip(map(float, confidences), map(bool, right), strict=True))
    if any(not 0 <= confidence <= 1 for confidence, _ in pairs):
        raise ValueError("a confidence lies outside 0 to 1")
    places = [min(int(confidence * BINS), BINS - 1) for confidence, _ in pairs]
    bins = []
    error = 0.0
    for place in range(BINS):
        rows = [pair for pair, at in zip(pairs, places, strict=True) if at == place]
        low, high = place / BINS, (place + 1) / BINS
        if not rows:
            bins.append(Bin(low, high, 0, None, None))
            continue
        mean = sum(confidence for confidence, _ in rows) / len(rows)
        share = sum(was_right for _, was_right in rows) / len(rows)
        error += len(rows) / len(pairs) * abs(mean - share)
        bins.append(Bin(low, high, len(rows), mean, share))
    if not pairs:
        return Calibration(tuple(bins), 0, None, None)
    brier = sum((confidence - was_right) ** 2 for confidence, was_right in pairs) / len(pairs)
    return Calibration(tuple(bins), len(pairs), brier, error)
