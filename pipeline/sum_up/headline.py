"""The headline: the median loss of each chemistry in each distance band, with an interval that resamples people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.sum_up.cross_section import cross_section

if TYPE_CHECKING:
    import numpy
    import pandas
    import pyarrow

FEWEST = 5
"""Groups of fewer vehicles get no figure (project's choice; the least group size of a release is the same)."""

RESAMPLES = 1000
SEED = 20_260
EVERY = "all"
"""The name of the group that holds every chemistry."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One headline figure: the median loss (%) of `vehicles` vehicles of `people` people, and its 95 % interval.

    `band` is a distance band in thousand km or "all"; `median`, `low` and `high` are None below `FEWEST` vehicles.
    """

    chemistry: str
    band: str
    vehicles: int
    people: int
    median: float | None
    low: float | None
    high: float | None


def headline(reports: pyarrow.Table | pandas.DataFrame, *, resamples: int = RESAMPLES) -> list[Figure]:
    """The figures of `reports.parquet`, sorted by chemistry group and band, "all" of each first.

    Medians are over one row a vehicle (`cross_section`) with both an odometer and a loss.  Intervals are percentile
    intervals of a bootstrap over people (Efron and Tibshirani 1993, chapter 13), with a fixed seed, so that the same
    rows give the same figures.
    """
    frame = cross_section(reports)
    frame = frame[frame["loss_pct"].notna() & frame["odometer_km"].notna()]
    figures = []
    for chemistry in [EVERY, *sorted(frame["chemistry_group"].unique())]:
        of_chemistry = frame if chemistry == EVERY else frame[frame["chemistry_group"] == chemistry]
        figures.append(_figure(chemistry, EVERY, of_chemistry, resamples))
        bands = sorted(of_chemistry["distance_band"].unique(), key=lambda name: int(name.rstrip("+").split("-")[0]))
        for band in bands:
            figures.append(_figure(chemistry, band, of_chemistry[of_chemistry["distance_band"] == band], resamples))
    return figures


def _figure(chemistry: str, band: str, frame: pandas.DataFrame, resamples: int) -> Figure:
    people = int(frame["person"].nunique())
    if len(frame) < FEWEST:
        return Figure(chemistry, band, len(frame), people, None, None, None)
    losses = frame["loss_pct"].to_numpy(float)
    low, high = median_interval(losses, frame["person"].to_numpy(), resamples=resamples)
    return Figure(chemistry, band, len(frame), people, float(_median(losses)), low, high)


def median_interval(
    values: numpy.ndarray, people: numpy.ndarray, *, resamples: int = RESAMPLES, level: float = 0.95
) -> tuple[float, float]:
    """The percentile bootstrap interval of the median of `values` (n), resampling the `people` (n) they came from."""
    import numpy as np

    names, person = np.unique(people, return_inverse=True)
    order = np.argsort(values, kind="stable")
    values, person = values[order], person[order]
    draw = np.random.default_rng(SEED)
    medians = np.empty(resamples)
    for number in range(resamples):
        times = np.bincount(draw.integers(0, len(names), len(names)), minlength=len(names))
        weights = np.cumsum(times[person])
        medians[number] = _weighted_median(values, weights)
    tail = 100 * (1 - level) / 2
    low, high = np.percentile(medians, [tail, 100 - tail])
    return float(low), float(high)


def _weighted_median(values: numpy.ndarray, weights: numpy.ndarray) -> float:
    """The median of sorted `values`, each taken as often as its step in the running sum `weights` says."""
    total = int(weights[-1])
    if not total:  # the people drawn have no value: cannot be, each person has one
        return float(values[len(values) // 2])
    lower = values[weights.searchsorted((total + 1) // 2)]
    upper = values[weights.searchsorted(total // 2 + 1)]
    return float((lower + upper) / 2)


def _median(values: numpy.ndarray) -> float:
    import numpy as np

    return float(np.median(values))
