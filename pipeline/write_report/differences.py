"""Differences between groups at one distance; charging to full against stopping at 80, adjusted where numbers allow."""

from __future__ import annotations

from itertools import combinations
from math import ceil, pi, sqrt
from typing import TYPE_CHECKING, Any

from pipeline.write_report.estimates import X_COLUMN, Audience
from pipeline.write_report.figures import Difference, HabitComparison
from pipeline.write_report.groups import DIMENSIONS, stops_at_eighty
from pipeline.write_report.median_fit import Curve, fit_resampled, interval_of

if TYPE_CHECKING:
    import pandas

    from pipeline.write_report.median_fit import Mask

ROUND_KM = 10_000
PAIRS_UP_TO = 4
"""Groups of a dimension up to which each pair is compared; with more, each group is compared with all others."""

FULL, EIGHTY = "charged to full", "stopped at about 80 %"
EFFECT_PCT = 2.0
"""The difference in points that the power calculation asks for (project's choice: about what a viewer would notice)."""
POWER, ALPHA = 0.8, 0.05
FEWEST_ADJUSTED = 30
"""People that each habit needs for the adjusted comparison (project's choice: ten for each thing held equal)."""
FEWEST_STRATUM = 5
"""Vehicles that each habit must have of a chemistry for that chemistry to be compared."""
MEDIAN_COST = pi / 2
"""How many more readings a median needs than a mean for the same precision, where readings are normal."""


def all_differences(audience: Audience, fits: dict[tuple[Any, str, str], Curve]) -> list[Difference]:
    """The differences within each dimension, of the groups that have a curve along the distance."""
    told: list[Difference | None] = []
    known = audience.known("distance")
    for dimension, column in DIMENSIONS.items():
        held = audience.frame[column].where(known)
        drawn = [group for axis, name, group in fits if axis == "distance" and name == dimension]
        masks = {group: (held == group).to_numpy(bool) for group in drawn}
        if len(drawn) <= PAIRS_UP_TO:
            for one, other in combinations(drawn, 2):
                pair = fits["distance", dimension, one], fits["distance", dimension, other]
                told.append(_difference(audience, dimension, one, other, masks[one], masks[other], *pair))
            continue
        for one in drawn:
            rest = known & ~masks[one] & held.notna().to_numpy(bool)
            pair = fits["distance", dimension, one], audience.fit("distance", rest)
            told.append(_difference(audience, dimension, one, "all others", masks[one], rest, *pair))
    return [one for one in told if one is not None]


def _difference(
    audience: Audience,
    dimension: str,
    one: str,
    other: str,
    rows: Mask,
    other_rows: Mask,
    fit: Curve,
    other_fit: Curve,
) -> Difference | None:
    """The difference at the round distance in the middle of both groups; None where they have no distance in common."""
    import numpy as np

    at = common_place(audience, rows, other_rows)
    if at is None:
        return None
    where = np.array([at])
    gap = float(fit.at(where)[0] - other_fit.at(where)[0])
    # Both curves come from the same resamples of people, so that somebody with a car in each group counts in both.
    resampled = fit.resamples_at(where) - other_fit.resamples_at(where)
    people = min(fit.people, other_fit.people)
    low, high = interval_of(resampled, people, len(fit.coefficients))
    sizes = int(rows.sum()), int(other_rows.sum())
    return Difference(dimension, one, other, at, gap, float(low[0]), float(high[0]), *sizes)


def common_place(audience: Audience, rows: Mask, other_rows: Mask) -> float | None:
    """The round distance (km) nearest the middle of two groups that both have readings around; None where none is."""
    import numpy as np

    one, other = audience.reach("distance", rows), audience.reach("distance", other_rows)
    low, high = max(one[0], other[0]), min(one[1], other[1])
    x = audience.frame[X_COLUMN["distance"]].to_numpy(float)
    places = np.arange(ROUND_KM, high + 1, ROUND_KM)
    places = places[places >= low]
    if not len(places):
        return None
    middle = (np.median(x[rows]) + np.median(x[other_rows])) / 2
    return float(places[np.argmin(np.abs(places - middle))])


def compare_habits(audience: Audience, overall: Curve | None) -> HabitComparison:
    """Charging to full against stopping at about 80 %; losses spread about `overall`, the curve of all vehicles."""

    frame = audience.frame
    known = audience.known("distance")
    full = known & (frame["charge_habit"] == "full").to_numpy(bool)
    eighty = known & stops_at_eighty(frame).to_numpy(bool)
    spread = _spread(audience, overall, known)
    plain = None
    if min(audience.people(full), audience.people(eighty)) >= audience.fewest:
        fits = audience.fit("distance", full), audience.fit("distance", eighty)
        plain = _difference(audience, "habit", FULL, EIGHTY, full, eighty, *fits)
    complete = frame["age_a"].notna().to_numpy(bool) & frame["chemistry_group"].notna().to_numpy(bool)
    strata = [
        str(group)
        for group, rows in frame[complete].groupby("chemistry_group").groups.items()
        if min(full[frame.index.get_indexer(rows)].sum(), eighty[frame.index.get_indexer(rows)].sum()) >= FEWEST_STRATUM
    ]
    complete &= frame["chemistry_group"].isin(strata).to_numpy(bool)
    sizes = audience.people(full & complete), audience.people(eighty & complete)
    clustered = int(known.sum()) / max(audience.people(known), 1)
    needed = None if spread is None else vehicles_needed(EFFECT_PCT, spread, clustered)
    both = min(int((full & complete).sum()), int((eighty & complete).sum()))
    visible = None if spread is None or both < 2 else visible_difference(both, spread, clustered)
    least = max(FEWEST_ADJUSTED, audience.fewest)
    adjusted, too_few = None, ""
    if min(sizes) >= least:
        adjusted = _adjusted(audience, full & complete, eighty & complete, strata)
    else:
        missing = [f"{least - size} more that are {name}" for size, name in zip(sizes, (FULL, EIGHTY), strict=True)
                   if size < least]  # fmt: skip
        too_few = (
            f"Too few for a comparison with age and chemistry held equal: {sizes[0]} and {sizes[1]} people tell "
            f"everything, {least} of each are needed ({' and '.join(missing)})."
        )
    return HabitComparison(
        int(full.sum()), int(eighty.sum()), int((full & complete).sum()), int((eighty & complete).sum()),
        plain, adjusted, EFFECT_PCT, spread, needed, visible, too_few,
    )  # fmt: skip


def _spread(audience: Audience, overall: Curve | None, known: Mask) -> float | None:
    """The spread of losses about the curve of all vehicles: 1.4826 median absolute deviations (points)."""
    import numpy as np

    if overall is None:
        return None
    x = audience.frame[X_COLUMN["distance"]].to_numpy(float)[known]
    rest = audience.frame["loss_pct"].to_numpy(float)[known] - overall.at(x)
    return float(1.4826 * np.median(np.abs(rest - np.median(rest)))) or None


def _adjusted(audience: Audience, full: Mask, eighty: Mask, strata: list[str]) -> Difference:
    """Median regression on distance (root and straight), age, chemistry and habit; the habit's coefficient."""
    import numpy as np

    rows = full | eighty
    frame: pandas.DataFrame = audience.frame[rows]
    km = frame["odometer_km"].to_numpy(float)
    z = km / km.max()
    groups = frame["chemistry_group"].to_numpy()
    columns = np.column_stack(
        [
            full[rows].astype(float),
            np.ones(len(frame)),
            np.sqrt(z),
            z,
            frame["age_a"].to_numpy(float) / 10,
            *((groups == group).astype(float) for group in strata[1:]),
        ]
    )
    counts = audience.draws[:, audience.person[rows]]
    fitted, resampled = fit_resampled(columns, frame["loss_pct"].to_numpy(float), counts)
    low, high = interval_of(resampled[:, :1], audience.people(rows), columns.shape[1])
    at = common_place(audience, full, eighty) or float(np.median(km))
    held = ("age", "chemistry") if len(strata) > 1 else ("age",)
    return Difference(
        "habit", FULL, EIGHTY, at, float(fitted[0]), float(low[0]), float(high[0]), int(full.sum()), int(eighty.sum()),
        held,
    )  # fmt: skip


def vehicles_needed(effect: float, spread: float, clustered: float = 1.0) -> int:
    """Vehicles that each of two groups needs so that a difference of `effect` points in medians is seen.

    Power 80 % at the 5 % level, two-sided, both groups of one size; `spread` is the standard deviation (points), the
    factor pi / 2 what a median costs against a mean, `clustered` the vehicles for each person (as if a person's
    vehicles told nothing new).
    """
    from statsmodels.stats.power import NormalIndPower

    size = effect / (spread * sqrt(MEDIAN_COST))
    each = float(NormalIndPower().solve_power(effect_size=size, alpha=ALPHA, power=POWER))
    return ceil(each * clustered)


def visible_difference(vehicles: int, spread: float, clustered: float = 1.0) -> float:
    """The difference in points that two groups of `vehicles` each show with 80 % power (see `vehicles_needed`)."""
    from statsmodels.stats.power import NormalIndPower

    size = NormalIndPower().solve_power(nobs1=vehicles / clustered, alpha=ALPHA, power=POWER)
    return float(size * spread * sqrt(MEDIAN_COST))
