"""How much the figures hang on choices: which rows are taken, how they are weighed, which method is used."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.sum_up.cross_section import cross_section
from pipeline.write_report.differences import ROUND_KM
from pipeline.write_report.estimates import X_COLUMN, Audience, groups_of
from pipeline.write_report.figures import Axis, Share, Variant
from pipeline.write_report.groups import prepared

if TYPE_CHECKING:
    import pandas

    from pipeline.write_report.median_fit import Curve, Mask, Numbers

PUBLISHED = "as published"
RANGE_FLAG = "loss-from-range"
"""A finding that only says where a loss comes from; it has a choice of its own."""
LOSS_MARKS = (10.0, 20.0)
"""Losses (%) for which the share of vehicles beyond is told."""
RESAMPLES = 300
"""Resamples for the intervals of other choices, of which there are many."""
TREND_VEHICLES = 1500
"""Vehicles of which the straight trend is taken (a choice at random where there are more: every pair has a slope)."""


def audience_of(
    frame: pandas.DataFrame, people: dict[str, int], draws: Numbers, fewest: int, forms: dict[Axis, str] | None = None
) -> Audience:
    """The audience of some rows; `people` is the place of each person in the resamples `draws`."""
    import numpy as np

    person = np.array([people[name] for name in frame["person"]], dtype=np.int64)
    return Audience(frame, person, draws, fewest, {} if forms is None else forms)


def variants(audience: Audience, reports: pandas.DataFrame, people: dict[str, int]) -> list[Variant]:
    """The medians of all vehicles and of each chemistry, from other choices of rows and weights.

    `reports` are all rows (`sum_up.as_frame`); `people` the place of each person in the resamples.
    """
    import numpy as np

    audience = replace(audience, draws=audience.draws[:RESAMPLES])
    frame = audience.frame
    flagged = np.array([any(flag != RANGE_FLAG for flag in flags) for flags in frame["flags"]], dtype=bool)
    confident = frame["confidence"].to_numpy(float)
    no_range = (frame["loss_origin"] != "range").to_numpy(bool)
    choices: list[tuple[str, Audience, Mask | None, Numbers | None]] = [
        (PUBLISHED, audience, None, None),
        (
            "with the rows that findings keep out",
            audience_of(
                prepared(cross_section(reports, all_rows=True)), people, audience.draws, audience.fewest, audience.forms
            ),
            None,
            None,
        ),
        ("without any flagged row", audience, ~flagged, None),
        ("without losses worked out from displayed ranges", audience, no_range, None),
        ("weighted by how surely each row was read", audience, None, confident),
        ("only rows read with confidence 0.5 or more", audience, confident >= 0.5, None),
        ("only vehicles of the writers' own", audience, (frame["whose"] != "other").to_numpy(bool), None),
    ]
    told: list[Variant] = []
    published: dict[str, tuple[float, float]] = {}
    for choice, chosen, kept, weights in choices:
        for dimension, group, rows in groups_of(chosen, "distance"):
            if dimension not in ("all", "chemistry"):
                break
            found = _variant(chosen, choice, group, rows if kept is None else rows & kept, weights, published)
            if found is not None:
                told.append(found)
    return told


def _variant(
    audience: Audience,
    choice: str,
    group: str,
    rows: Mask,
    weights: Numbers | None,
    published: dict[str, tuple[float, float]],
) -> Variant | None:
    """A group's figure from the chosen rows, at the place of its published one; None for a group without such a one."""
    import numpy as np

    enough = audience.people(rows) >= audience.fewest
    if choice == PUBLISHED:
        if not enough:
            return None
        x = audience.frame[X_COLUMN["distance"]].to_numpy(float)[rows]
        place = float(max(ROUND_KM, round(float(np.median(x)) / ROUND_KM) * ROUND_KM))
    elif group in published:
        place = published[group][0]
    else:
        return None
    vehicles = int(rows.sum())
    if not enough:
        return Variant(group, place, choice, vehicles, None, None, None, None)
    fit = audience.fit("distance", rows, weights)
    where = np.array([place])
    low, high = fit.interval(where)
    median = float(fit.at(where)[0])
    if choice == PUBLISHED:
        published[group] = (place, median)
    change = median - published[group][1]
    return Variant(group, place, choice, vehicles, median, float(low[0]), float(high[0]), change)


def shares(audience: Audience) -> list[Share]:
    """The shares of vehicles that lost more than `LOSS_MARKS`, a distance band; bands of too few people have none.

    Wilson intervals (Wilson 1927; Newcombe 1998), which take each vehicle as an answer of its own.
    """
    told = []
    known = audience.known("distance")
    bands = audience.frame["distance_band"].where(known)
    for band in sorted(bands.dropna().unique(), key=lambda name: int(name.rstrip("+").split("-")[0])):
        rows = (bands == band).to_numpy(bool)
        if audience.people(rows) < audience.fewest:
            continue
        losses = audience.frame["loss_pct"].to_numpy(float)[rows]
        for mark in LOSS_MARKS:
            beyond = int((losses > mark).sum())
            told.append(share(f"lost more than {mark:.0f} %", f"{band} thousand km", beyond, len(losses)))
    return told


def share(what: str, group: str, count: int, vehicles: int) -> Share:
    """A share with its 95 % Wilson interval."""
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(count, vehicles, alpha=0.05, method="wilson")
    return Share(what, group, count, vehicles, float(low), float(high))


def straight_trend(x: Numbers, y: Numbers, level: float = 0.95) -> tuple[float, float, float]:
    """The Theil-Sen slope of y on x, the median of all pairs' slopes, with its interval (Theil 1950; Sen 1968)."""
    import numpy as np
    from scipy.stats import theilslopes

    if len(x) > TREND_VEHICLES:
        chosen = np.random.default_rng(len(x)).choice(len(x), TREND_VEHICLES, replace=False)
        x, y = x[chosen], y[chosen]
    slope, _, low, high = theilslopes(y, x, alpha=level)
    return float(slope), float(low), float(high)


def trend_and_lowess(
    audience: Audience, overall: Curve | None
) -> tuple[tuple[float, float, float] | None, float | None]:
    """The trend of all vehicles (points each 10,000 km); the largest gap between their curve and LOWESS (points)."""
    import numpy as np

    from pipeline.write_report.median_fit import lowess_curve

    if overall is None:
        return None, None
    rows = audience.known("distance")
    x = audience.frame[X_COLUMN["distance"]].to_numpy(float)[rows]
    y = audience.frame["loss_pct"].to_numpy(float)[rows]
    grid = np.linspace(*audience.reach("distance", rows), 41)
    gap = float(np.max(np.abs(overall.at(grid) - lowess_curve(x, y, grid))))
    return straight_trend(x / 10_000, y), gap
