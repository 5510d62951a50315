"""How often a report's 95 % intervals hold a truth that is known, over many simulated audiences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from generated_audience import audience, true_loss

from pipeline.sum_up.cross_section import cross_section
from pipeline.write_report.differences import all_differences
from pipeline.write_report.estimates import Audience
from pipeline.write_report.figures import place
from pipeline.write_report.groups import prepared
from pipeline.write_report.median_fit import draw_people

PLACES = (50_000.0, 100_000.0, 150_000.0)
CHEMISTRY = {"LFP": "LFP", "nickel": "NMC"}


def held_by(people: int, audiences: int, resamples: int, *, seed: int = 0) -> dict[str, list[bool]]:
    """For each figure, whether its interval held the truth in each audience of `people` people.

    Figures: the median of each chemistry at `PLACES` and the difference of the two at the distance that a report takes.
    """
    told: dict[str, list[bool]] = {}
    for number in range(audiences):
        for name, held in _one(people, seed + number, resamples):
            told.setdefault(name, []).append(held)
    return told


def _one(people: int, seed: int, resamples: int) -> Iterator[tuple[str, bool]]:
    frame = prepared(cross_section(audience(people, seed)))
    names, person = np.unique(frame["person"], return_inverse=True)
    whole = Audience(frame, person, draw_people(len(names), resamples, seed), fewest=10)
    fits = {}
    for group, chemistry in CHEMISTRY.items():
        rows = whole.known("distance") & (frame["chemistry_group"] == group).to_numpy()
        fit = fits["distance", "chemistry", group] = whole.fit("distance", rows)
        where = np.array(PLACES)
        truth = true_loss(chemistry, where)
        low, high = fit.interval(where)
        for at, held in zip(PLACES, (low <= truth) & (truth <= high), strict=True):
            yield f"{group} at {place(at, 'km')}", bool(held)
    (difference,) = all_differences(replace(whole), fits)
    gap = float(
        true_loss(CHEMISTRY[difference.one], difference.at) - true_loss(CHEMISTRY[difference.other], difference.at)
    )
    yield "difference", bool(difference.low <= gap <= difference.high)
