"""Curves of the median loss along distance and age, and what they say at round places."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.write_report.figures import ALL, Axis, DrawnCurve, Estimate, Unit, in_axis_unit, place
from pipeline.write_report.groups import DIMENSIONS
from pipeline.write_report.median_fit import PLAIN, Curve, chosen_form, fit_curve

if TYPE_CHECKING:
    import pandas

    from pipeline.write_report.median_fit import Mask, Numbers, Places

ROUND_PLACES: dict[Axis, tuple[tuple[Unit, tuple[float, ...]], ...]] = {
    "distance": (
        ("km", (50_000, 100_000, 150_000, 200_000)),
        ("mi", (30_000, 60_000, 90_000, 120_000)),
    ),
    "age": (("years", (2, 4, 6, 8)),),
}
X_COLUMN: dict[Axis, str] = {"distance": "odometer_km", "age": "age_a"}

BEYOND = 5
"""Vehicles that a group must have on each side of a place for a figure there, and beyond each end of a drawn curve."""

GRID = 61
DIMENSION_ORDER = ("all", *DIMENSIONS)


@dataclass(frozen=True, slots=True)
class Audience:
    """The vehicles (one row each, `groups.prepared`) with the place of each row's person in the resamples `draws`.

    `fewest` is the least number of people for which anything is worked out.
    """

    frame: pandas.DataFrame
    person: Places
    draws: Numbers
    fewest: int
    forms: dict[Axis, str] = field(default_factory=dict)

    def known(self, axis: Axis) -> Mask:
        """Which rows have both a loss and a place on the axis (a mask)."""
        x = self.frame[X_COLUMN[axis]]
        return (self.frame["loss_pct"].notna() & x.notna() & (x >= 0)).to_numpy(bool)

    def people(self, rows: Mask) -> int:
        """How many people the chosen rows come from."""
        import numpy as np

        return len(np.unique(self.person[rows]))

    def fit(self, axis: Axis, rows: Mask, weights: Numbers | None = None) -> Curve:
        """The curve of the chosen rows (a mask, all of them `known`); `weights` are along the frame."""
        x = self.frame[X_COLUMN[axis]].to_numpy(float)[rows]
        y = self.frame["loss_pct"].to_numpy(float)[rows]
        chosen = None if weights is None else weights[rows]
        return fit_curve(x, y, self.person[rows], self.draws, weights=chosen, form=self.forms.get(axis, PLAIN))

    def reach(self, axis: Axis, rows: Mask) -> tuple[float, float]:
        """Between which places the chosen rows carry a curve: `BEYOND` readings lie at or outside each end."""
        import numpy as np

        x = np.sort(self.frame[X_COLUMN[axis]].to_numpy(float)[rows])
        return float(x[min(BEYOND, len(x)) - 1]), float(x[-min(BEYOND, len(x))])


def settle_forms(audience: Audience) -> dict[str, float]:
    """Chooses the form of the curves along each axis; gives by how many standard errors the spline was better."""
    better: dict[str, float] = {}
    for axis, column in X_COLUMN.items():
        rows = audience.known(axis)
        if audience.people(rows) < audience.fewest:
            audience.forms[axis] = PLAIN
            continue
        x = audience.frame[column].to_numpy(float)[rows]
        y = audience.frame["loss_pct"].to_numpy(float)[rows]
        audience.forms[axis], better[axis] = chosen_form(x, y, audience.person[rows])
    return better


def groups_of(audience: Audience, axis: Axis) -> Iterator[tuple[str, str, Mask]]:
    """Each (dimension, group, mask of the rows known along the axis), the largest group of a dimension first."""
    known = audience.known(axis)
    yield "all", ALL, known
    for dimension, column in DIMENSIONS.items():
        held = audience.frame[column].where(known)
        counts = held.value_counts()
        for group in sorted(counts.index, key=lambda name: (-int(counts[name]), str(name))):
            yield dimension, str(group), (held == group).to_numpy(bool)


def curves_and_estimates(
    audience: Audience,
) -> tuple[list[DrawnCurve], list[Estimate], list[tuple[str, str, int]], dict[tuple[Axis, str, str], Curve]]:
    """The curves, the estimates at round places, the groups that are too small, the fits by axis, dimension, group."""
    curves: list[DrawnCurve] = []
    estimates: list[Estimate] = []
    too_small: list[tuple[str, str, int]] = []
    fits: dict[tuple[Axis, str, str], Curve] = {}
    for axis in X_COLUMN:
        for dimension, group, rows in groups_of(audience, axis):
            vehicles, people = int(rows.sum()), audience.people(rows)
            if people < audience.fewest:
                if axis == "distance":
                    too_small.append((dimension, group, people))
                estimates += _too_few(axis, dimension, group, vehicles, people, audience.fewest)
                continue
            fit = fits[axis, dimension, group] = audience.fit(axis, rows)
            reach = audience.reach(axis, rows)
            curves.append(_drawn(axis, dimension, group, fit, reach, vehicles))
            estimates += _at_round_places(audience, axis, dimension, group, fit, rows)
    return curves, estimates, too_small, fits


def _drawn(axis: Axis, dimension: str, group: str, fit: Curve, reach: tuple[float, float], vehicles: int) -> DrawnCurve:
    import numpy as np

    x = np.linspace(*reach, GRID)
    low, high = fit.interval(x)
    return DrawnCurve(axis, dimension, group, x, fit.at(x), low, high, vehicles, fit.people, fit.form)


def _too_few(axis: Axis, dimension: str, group: str, vehicles: int, people: int, fewest: int) -> Iterator[Estimate]:
    for unit, places in ROUND_PLACES[axis]:
        for at in places:
            reason = f"{people} people, {fewest - people} more are needed"
            yield Estimate(axis, dimension, group, at, unit, vehicles, people, reason=reason)


def _at_round_places(
    audience: Audience, axis: Axis, dimension: str, group: str, fit: Curve, rows: Mask
) -> Iterator[Estimate]:
    import numpy as np

    x = audience.frame[X_COLUMN[axis]].to_numpy(float)[rows]
    for unit, places in ROUND_PLACES[axis]:
        where = np.array([in_axis_unit(at, unit) for at in places])
        medians, (low, high) = fit.at(where), fit.interval(where)
        for number, at in enumerate(places):
            begun, beyond = int((x <= where[number]).sum()), int((x >= where[number]).sum())
            side = "or more" if beyond < BEYOND else "or less"
            estimate = Estimate(axis, dimension, group, at, unit, len(x), fit.people)
            if min(begun, beyond) < BEYOND:
                reason = f"only {min(begun, beyond)} at {place(at, unit)} {side}; {BEYOND} are needed"
                yield _with(estimate, reason=reason)
            else:
                yield _with(estimate, median=float(medians[number]), low=float(low[number]), high=float(high[number]))


def _with(estimate: Estimate, **values: float | str) -> Estimate:
    from dataclasses import replace

    return replace(estimate, **values)  # type: ignore[arg-type]
