"""What a headline rests on: one figure over the vehicles that a condition chooses, or the difference of two of them.

A condition is SQL over the columns of reports.parquet, one row a vehicle (`sum_up.cross_section`), with the further
columns `person`, `chemistry_group` and `distance_band`:

    median loss_pct where "chemistry = 'LFP' and odometer_km between 60000 and 80000"
    share "loss_pct < 5" where "odometer_km > 100000"

Intervals are percentile intervals of a bootstrap over people (Efron and Tibshirani 1993, chapter 13) with a fixed seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any, Literal, get_args

from pipeline.dataset_columns import REPORTS
from pipeline.problems import UsageProblem
from pipeline.sum_up.headline import RESAMPLES, SEED

if TYPE_CHECKING:
    import numpy
    import pandas

    Numbers = numpy.ndarray[Any, numpy.dtype[numpy.float64]]
    Mask = numpy.ndarray[Any, numpy.dtype[numpy.bool_]]

Statistic = Literal["median", "mean", "share"]
STATISTICS: tuple[str, ...] = get_args(Statistic)
LEVEL = 0.95
_UNITS = {column.name: column.unit for column in REPORTS}


@dataclass(frozen=True, slots=True)
class Query:
    """One figure: the median or mean of the column `of`, or the share (%) of vehicles that meet the condition `of`.

    `where` chooses vehicles; with `minus` the figure is that of `where` less that of `minus`.
    """

    statistic: Statistic
    of: str
    where: str = ""
    minus: str | None = None

    @property
    def unit(self) -> str:
        """The figure's unit, "" where there is none."""
        unit = "%" if self.statistic == "share" else _UNITS.get(self.of, "")
        return "points" if self.minus is not None and unit == "%" else unit

    def words(self) -> str:
        """The figure in words, for people."""
        what = f"share with {self.of}" if self.statistic == "share" else f"{self.statistic} of {self.of}"
        chosen = f"vehicles where {self.where}" if self.where else "all vehicles"
        return f"{what}, {chosen}" + (f", minus the same where {self.minus}" if self.minus is not None else "")


@dataclass(frozen=True, slots=True)
class Measured:
    """A figure: its value with the 95 % interval `low` to `high`, and the vehicles and people that it rests on.

    With a difference, `other_vehicles` and `other_people` are those of the second condition.  `value` is None where a
    side has no vehicle, and the interval where fewer than two people are left.
    """

    value: float | None
    low: float | None
    high: float | None
    vehicles: int
    people: int
    other_vehicles: int | None = None
    other_people: int | None = None

    @property
    def fewest(self) -> int:
        """The vehicles of the smaller side."""
        return self.vehicles if self.other_vehicles is None else min(self.vehicles, self.other_vehicles)


def _check_figure(query: Query, vehicles: pandas.DataFrame) -> None:
    """Raises `UsageProblem` for a figure that is none, or of a column that is not there or holds no numbers."""
    from pandas.api.types import is_bool_dtype, is_numeric_dtype

    if query.statistic not in STATISTICS:
        raise UsageProblem(f"there is no figure {query.statistic!r}", todo="use one of: " + ", ".join(STATISTICS))
    numbers = [str(name) for name in vehicles if is_numeric_dtype(vehicles[name]) and not is_bool_dtype(vehicles[name])]
    if query.statistic != "share" and query.of not in numbers:
        raise UsageProblem(
            f"there is no column of numbers {query.of!r}", todo="use one of: " + ", ".join(sorted(numbers))
        )


def require_libraries() -> None:
    """Raises `UsageProblem` with the command to type where a library that claims need is missing (extra `report`)."""
    missing = [name for name in ("pandas", "duckdb") if find_spec(name) is None]
    if missing:
        raise UsageProblem(
            f"claims need libraries that are not installed ({', '.join(missing)})",
            todo='pip install "crowdfade[report]"',
        )


def select(vehicles: pandas.DataFrame, query: Query) -> pandas.DataFrame:
    """The vehicles behind a query, by report_id: columns `value`, `person`, `one`, `other` (bool: which side it is on).

    Vehicles without a value, and (for a share) those for which the condition is unknown, are left out.  Raises
    `UsageProblem` where a condition is no SQL condition over the columns.
    """
    import duckdb

    _check_figure(query, vehicles)
    value = f"CASE WHEN ({query.of}\n) THEN 100.0 WHEN NOT ({query.of}\n) THEN 0.0 END"
    told = value if query.statistic == "share" else f'"{query.of}"'
    one = f"({query.where}\n)" if query.where.strip() else "true"
    other = f"({query.minus}\n)" if query.minus is not None else "false"
    connection = duckdb.connect(config={"threads": 1})
    try:
        connection.register("vehicles", vehicles)
        connection.execute("SET enable_external_access = false")
        for condition in (query.where, query.minus or "", query.of if query.statistic == "share" else ""):
            if condition.strip():
                _check_condition(connection, condition)
        found = connection.execute(
            f"SELECT report_id, CAST({told} AS DOUBLE) AS value, person, coalesce({one}, false) AS one, "
            f"coalesce({other}, false) AS other FROM vehicles"
        ).df()
    except duckdb.Error as error:
        raise UsageProblem(
            f"the claim's query cannot be run: {str(error).splitlines()[0]}",
            where=query.words(),
            todo="write a condition over the columns of reports.parquet: chemistry = 'LFP' and odometer_km > 50000",
        ) from None
    finally:
        connection.close()
    kept = found[found["value"].notna() & (found["one"] | found["other"])]
    return kept.sort_values("report_id").set_index("report_id")


def _check_condition(connection: Any, condition: str) -> None:
    """Refuses what is more than one condition (the query stays one SELECT); raises DuckDB's errors."""
    import duckdb

    statement = f"SELECT 1 FROM vehicles WHERE {condition}"
    kinds = [one.type for one in duckdb.extract_statements(statement)]
    if kinds != [duckdb.StatementType.SELECT]:
        raise duckdb.ParserException("a condition is one expression that is true or false")
    connection.execute(f"EXPLAIN {statement}")


def measure(chosen: pandas.DataFrame, query: Query, *, resamples: int = RESAMPLES) -> Measured:
    """The figure over what `select` chose, with its interval (`resamples` bootstrap samples of people; 0: none)."""
    import numpy as np

    values = chosen["value"].to_numpy(float)
    sides = [chosen["one"].to_numpy(bool)] + ([chosen["other"].to_numpy(bool)] if query.minus is not None else [])
    people, person = np.unique(chosen["person"].to_numpy(str), return_inverse=True)
    sizes = [(int(side.sum()), len(np.unique(person[side]))) for side in sides]
    counts = [size for pair in sizes[1:] for size in pair]
    if not all(size for size, _ in sizes):
        return Measured(None, None, None, *sizes[0], *counts)
    value = _figure(query.statistic, values, sides, np.ones(len(values)))
    assert value is not None
    if resamples == 0 or min(number for _, number in sizes) < 2:
        return Measured(value, None, None, *sizes[0], *counts)
    draw = np.random.default_rng(SEED)
    found = []
    for _ in range(resamples):
        times = np.bincount(draw.integers(0, len(people), len(people)), minlength=len(people))
        told = _figure(query.statistic, values, sides, times[person].astype(float))
        if told is not None:  # a side may be empty in a small resample
            found.append(told)
    tail = 100 * (1 - LEVEL) / 2
    low, high = np.percentile(found, [tail, 100 - tail])
    return Measured(value, float(low), float(high), *sizes[0], *counts)


def _figure(statistic: str, values: Numbers, sides: Sequence[Mask], weights: Numbers) -> float | None:
    figures = [_one(statistic, values[side], weights[side]) for side in sides]
    if any(figure is None for figure in figures):
        return None
    told = [figure for figure in figures if figure is not None]
    return told[0] - told[1] if len(told) == 2 else told[0]


def _one(statistic: str, values: Numbers, weights: Numbers) -> float | None:
    """The mean, or the median with each value taken as often as its weight says; None where all weights are 0."""
    import numpy as np

    total = float(weights.sum())
    if not total:
        return None
    if statistic != "median":
        return float((values * weights).sum() / total)
    order = np.argsort(values, kind="stable")
    steps = np.cumsum(weights[order])
    low = values[order[np.searchsorted(steps, total / 2, side="left")]]
    high = values[order[min(int(np.searchsorted(steps, total / 2, side="right")), len(order) - 1)]]
    return float((low + high) / 2)


def told_value(value: float | None, unit: str = "", *, signed: bool = False) -> str:
    """A figure for people: three significant digits at most two behind the point, with its unit."""
    if value is None:
        return "not known"
    size = abs(value)
    digits = 0 if size >= 100 else 1 if size >= 10 or unit in ("%", "points") else 2
    rounded = round(value, digits) + 0.0
    number = f"{rounded:+,.{digits}f}" if signed else f"{rounded:,.{digits}f}"
    return f"{number} {unit}".rstrip()


def told_measured(measured: Measured, query: Query) -> str:
    """A figure with its interval and what it rests on, as one phrase."""
    signed = query.minus is not None
    told = told_value(measured.value, query.unit, signed=signed)
    interval = ""
    if measured.low is not None:
        ends = [told_value(end, query.unit, signed=signed).split(" ")[0] for end in (measured.low, measured.high)]
        interval = f"95 % interval {' to '.join(ends)}; "
    vehicles = f"{measured.vehicles} {'vehicle' if measured.vehicles == 1 else 'vehicles'}"
    if measured.other_vehicles is not None:
        vehicles = f"{measured.vehicles} and {measured.other_vehicles} vehicles"
    return f"{told} ({interval}{vehicles})"
