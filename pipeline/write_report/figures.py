"""The figures of a report as plain records: estimates, curves, differences, sensitivity; with sentences of them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from pipeline.dataset_columns import KM_PER_MILE

if TYPE_CHECKING:
    import numpy

Axis = Literal["distance", "age"]
Unit = Literal["km", "mi", "years"]

ALL = "all vehicles"


def points(value: float) -> str:
    """A loss or a difference with one decimal, as exactly as people tell it; never "-0.0"."""
    return f"{round(value, 1) + 0.0:.1f}"


def place(at: float, unit: Unit) -> str:
    """ "100,000 km", "60,000 miles", "4 years"."""
    return f"{at:,.0f} {'miles' if unit == 'mi' else unit}"


def in_axis_unit(at: float, unit: Unit) -> float:
    """A place on the axis: kilometres for "km" and "mi", years for "years"."""
    return at * KM_PER_MILE if unit == "mi" else at


@dataclass(frozen=True, slots=True)
class Estimate:
    """The median loss (%) of a group at a place, with its 95 % interval.

    `at` is in `unit`; `vehicles` and `people` are those that the group's curve rests on.  `median`, `low` and `high`
    are None where too little is known, and `reason` says why.
    """

    axis: Axis
    dimension: str
    group: str
    at: float
    unit: Unit
    vehicles: int
    people: int
    median: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str = ""

    def sentence(self) -> str:
        """The estimate in words."""
        head = f"{self.group} at {place(self.at, self.unit)}"
        if self.median is None or self.low is None or self.high is None:
            return f"{head}: too few ({self.reason})."
        return (
            f"{head}: half of the vehicles lost {points(self.median)} % or less, 95 % interval "
            f"{points(self.low)} to {points(self.high)} %, {self.vehicles} vehicles."
        )


@dataclass(frozen=True, slots=True)
class DrawnCurve:
    """A group's curve on a grid `x` (km or years), with the ends of its 95 % band, where the group has readings."""

    axis: Axis
    dimension: str
    group: str
    x: numpy.ndarray
    median: numpy.ndarray
    low: numpy.ndarray
    high: numpy.ndarray
    vehicles: int
    people: int
    form: str


@dataclass(frozen=True, slots=True)
class Difference:
    """The median loss of `one` less that of `other` at `at` (km), in points, with its 95 % interval.

    `adjusted_for` names what was held equal besides the distance.
    """

    dimension: str
    one: str
    other: str
    at: float
    points: float
    low: float
    high: float
    vehicles_one: int
    vehicles_other: int
    adjusted_for: tuple[str, ...] = ()

    @property
    def told_apart(self) -> bool:
        """Whether the interval leaves out zero."""
        return self.low > 0 or self.high < 0

    def sentence(self) -> str:
        """The difference in one plain sentence."""
        held = f", {' and '.join(self.adjusted_for)} held equal" if self.adjusted_for else ""
        return (
            f"{self.one[:1].upper()}{self.one[1:]} minus {self.other} at {self.at:,.0f} km{held}: "
            f"{points(self.points)} points, 95 % interval "
            f"{points(self.low)} to {points(self.high)}, {self.vehicles_one} and {self.vehicles_other} vehicles."
        )

    def verdict(self) -> str:
        """What the interval lets one say."""
        if not self.told_apart:
            return "These answers do not tell the two apart."
        return f"In these answers {self.one} lost {'more' if self.points > 0 else 'less'}."


@dataclass(frozen=True, slots=True)
class HabitComparison:
    """Charging to full against stopping at about 80 %: the vehicles, what could be compared, what is missing.

    `spread` is the spread of losses about the curve (points); `needed` the vehicles that each habit needs to see
    `effect` points (None where the spread is not known); `visible` the difference that the numbers could show.
    """

    full: int
    eighty: int
    complete_full: int
    complete_eighty: int
    plain: Difference | None
    adjusted: Difference | None
    effect: float
    spread: float | None
    needed: int | None
    visible: float | None
    too_few: str = ""


@dataclass(frozen=True, slots=True)
class Variant:
    """A figure worked out from another choice of rows; `change` is the median less that of the published choice."""

    group: str
    at: float
    choice: str
    vehicles: int
    median: float | None
    low: float | None
    high: float | None
    change: float | None


@dataclass(frozen=True, slots=True)
class Share:
    """How many of a group's vehicles are so, with the 95 % Wilson interval (shares from 0 to 1)."""

    what: str
    group: str
    count: int
    vehicles: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ReferenceGap:
    """The audience beside a reference series at a place (km): medians and the 95 % interval of the audience (%)."""

    label: str
    source: str
    at: float
    audience: float
    low: float
    high: float
    reference: float

    def sentence(self) -> str:
        """Where the audience's answers lie."""
        gap = self.audience - self.reference
        if self.low <= self.reference <= self.high:
            how = "within the audience's interval: no difference is seen"
        else:
            how = f"the audience reports {points(abs(gap))} points {'more' if gap > 0 else 'less'}"
        return (
            f"At {self.at:,.0f} km {self.label} gives {points(self.reference)} %, the audience "
            f"{points(self.audience)} % ({points(self.low)} to {points(self.high)} %): {how}."
        )


@dataclass(frozen=True, slots=True)
class Figures:
    """All figures of a report.

    `trend` is the straight-line slope in points each 10,000 km with its interval (Theil-Sen); `forms` says which form
    the curves along each axis have; `bent` how many standard errors the spline was better on people left out;
    `lowess_gap` the largest distance (points) between the curve of all vehicles and LOWESS; `not_drawn` the groups that
    are too small, with their numbers of people.
    """

    estimates: list[Estimate] = field(default_factory=list)
    curves: list[DrawnCurve] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    habit: HabitComparison | None = None
    sensitivity: list[Variant] = field(default_factory=list)
    shares: list[Share] = field(default_factory=list)
    gaps: list[ReferenceGap] = field(default_factory=list)
    trend: tuple[float, float, float] | None = None
    forms: dict[str, str] = field(default_factory=dict)
    bent: dict[str, float] = field(default_factory=dict)
    lowess_gap: float | None = None
    not_drawn: list[tuple[str, str, int]] = field(default_factory=list)

    def of(self, axis: Axis, dimension: str) -> list[DrawnCurve]:
        """The curves of a dimension along an axis."""
        return [curve for curve in self.curves if curve.axis == axis and curve.dimension == dimension]

    def plain(self) -> dict[str, Any]:
        """The figures as report.json holds them; the curves are left to the tables."""
        return {
            "estimates": [asdict(one) for one in self.estimates],
            "differences": [{**asdict(one), "sentence": one.sentence()} for one in self.differences],
            "habit": asdict(self.habit) if self.habit else None,
            "sensitivity": [asdict(one) for one in self.sensitivity],
            "shares": [asdict(one) for one in self.shares],
            "references": [asdict(one) for one in self.gaps],
            "trend_points_per_10000_km": list(self.trend) if self.trend else None,
            "forms": self.forms,
            "not_drawn": [list(one) for one in self.not_drawn],
        }
