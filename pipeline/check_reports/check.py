"""Raises the documented findings of `findings.yaml` on finished reports, and says which rows statistics take.

Each code has one function here that gives a row mask from whole columns (NumPy); `findings.yaml` holds its limits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.check_reports.cell_voltage import off_chemistry
from pipeline.check_reports.findings import Finding, findings
from pipeline.dataset_columns import KM_PER_MILE
from pipeline.group_reports.vehicle_list import VehicleList, load_vehicle_list

if TYPE_CHECKING:
    import numpy
    import pyarrow

    Mask = numpy.ndarray[Any, numpy.dtype[numpy.bool_]]
    Numbers = numpy.ndarray[Any, numpy.dtype[numpy.float64]]

MONTHS_A_YEAR = 12.0
KM_PER_MIL = 10.0
"""Kilometres in one Norwegian or Swedish mil (labelling guide, "Finer points")."""
EARLIEST_SALE_A = 0.5
"""Years before its model year at which a car may have been sold (judgement; the same for every check of an age)."""

Limits = Mapping[str, float]


def check_reports(
    reports: pyarrow.Table, vehicles: str | Path | None, responses: pyarrow.Table | None = None
) -> tuple[list[list[str]], list[bool]]:
    """The findings of each report, and whether statistics take it; `vehicles` is the vehicle list's path, or None.

    `responses` (response_id and text) are looked at for voltages of cells; without them that is left out.
    Codes that the reports already carry in `flags` (raised while reading or joining) count for the second answer;
    copies are the caller's to leave out.
    """
    import numpy as np

    book = findings()
    flags: list[list[str]] = [[] for _ in range(reports.num_rows)]
    out = _already_out(reports, book)
    columns = Columns(reports)
    listed = load_vehicle_list(Path(vehicles)) if vehicles is not None else None
    masks: dict[str, Mask] = {code: rule(columns, book[code].limits) for code, rule in COLUMN_RULES.items()}
    for graver, code in MILDER:
        masks[code] &= ~masks[graver]
    if responses is not None:
        masks[VOLTAGE] = _cell_voltage(reports, responses, book[VOLTAGE].limits)
    if listed is not None:
        masks |= _against_list(reports, listed, book)
    for code in book:
        if code in masks:
            for row in np.flatnonzero(masks[code]).tolist():
                flags[row].append(code)
            if book[code].keeps_out:
                out |= masks[code]
    return flags, (~out).tolist()


class Columns:
    """The columns of a table of reports as NumPy arrays, each made once; numbers are NaN where the report has none."""

    def __init__(self, reports: pyarrow.Table) -> None:
        self._reports = reports
        self._made: dict[str, Any] = {}

    def numbers(self, name: str) -> Numbers:
        """A column as float64, in the unit of `dataset_columns`."""
        import numpy as np
        import pyarrow as pa

        if name not in self._made:
            column = self._reports[name].cast(pa.float64())
            self._made[name] = np.asarray(column.to_numpy(), dtype=np.float64)
        made: Numbers = self._made[name]
        return made

    def equal(self, name: str, *words: str) -> Mask:
        """Whether a word column holds one of the words; false where it holds none."""
        import numpy as np
        import pyarrow as pa
        import pyarrow.compute as pc

        held = pc.fill_null(pc.is_in(self._reports[name], value_set=pa.array(words, pa.string())), False)
        return np.asarray(held.to_numpy(), dtype=np.bool_)

    def posted_a(self) -> Numbers:
        """The time of the posting in years (2025.5), NaN where it is not known."""
        import numpy as np
        import pyarrow as pa
        import pyarrow.compute as pc

        if "posted" not in self._made:
            at = self._reports["posted_at"]
            year = pc.cast(pc.year(at), pa.float64()).to_numpy()
            day = pc.cast(pc.day_of_year(at), pa.float64()).to_numpy()
            self._made["posted"] = np.asarray(year + (day - 1) / 366, dtype=np.float64)
        made: Numbers = self._made["posted"]
        return made

    def ages(self) -> tuple[Numbers, Numbers]:
        """The least and the greatest age in months: as said, else what the model year and the posting leave."""
        import numpy as np

        if "ages" not in self._made:
            said = self.numbers("age_months")
            since = self.posted_a() - self.numbers("model_year")
            least = np.where(np.isnan(said), (since - 1) * MONTHS_A_YEAR, said)
            most = np.where(np.isnan(said), (since + EARLIEST_SALE_A) * MONTHS_A_YEAR, said)
            self._made["ages"] = (np.maximum(least, 0), np.where(most > 0, most, np.nan))
        made: tuple[Numbers, Numbers] = self._made["ages"]
        return made

    def paces(self, least_months: float) -> tuple[Numbers, Numbers]:
        """The least and the greatest distance a year (km) that the odometer can mean; NaN for cars that are too new."""
        import numpy as np

        least, most = self.ages()
        km = self.numbers("odometer_km") * MONTHS_A_YEAR
        old = np.where(most >= least_months, most, np.nan)
        return km / old, km / np.maximum(np.where(np.isnan(old), np.nan, least), least_months)


def _already_out(reports: pyarrow.Table, book: Mapping[str, Finding]) -> Mask:
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    out = np.zeros(reports.num_rows, dtype=np.bool_)
    if "flags" in reports.column_names:
        codes = pa.array([code for code, finding in book.items() if finding.keeps_out], pa.string())
        column = reports["flags"].combine_chunks()
        held = pc.is_in(pc.list_flatten(column), value_set=codes).to_numpy(zero_copy_only=False)
        rows = pc.list_parent_indices(column).to_numpy(zero_copy_only=False)
        out[rows[held.astype(bool)]] = True
    return out


# -- one function a code: columns and limits in, row mask out ---------------------------------------------------------
# Comparisons with NaN are false, so a rule is never met by a report that lacks one of its values.


def _loss_impossible(columns: Columns, limits: Limits) -> Mask:
    loss = columns.numbers("loss_pct")
    return (loss > limits["most_pct"]) | (loss < -limits["gain_pct"])


def _loss_over(columns: Columns, limits: Limits) -> Mask:
    return columns.numbers("loss_pct") > limits["most_pct"]


def _loss_gain(columns: Columns, limits: Limits) -> Mask:
    return columns.numbers("loss_pct") < -limits["gain_pct"]


def most_by_models(age_months: Numbers, odometer_km: Numbers, limits: Limits) -> Numbers:
    """The greatest loss in percent that the limits' models give for an age (months) and a distance (km).

    At rest, `calendar_pct` at `at_months` and growing with the exponent that gives more; in use, one point each
    `km_per_pct`; `display_pct` on top.  An unknown age is taken as `unknown_months`, an unknown distance as none.
    """
    import numpy as np

    relative = np.where(np.isnan(age_months), limits["unknown_months"], age_months) / limits["at_months"]
    grown = np.maximum(relative ** limits["low_exponent"], relative ** limits["high_exponent"])
    driven = np.where(np.isnan(odometer_km), 0.0, np.maximum(odometer_km, 0.0)) / limits["km_per_pct"]
    most: Numbers = limits["calendar_pct"] * grown + driven + limits["display_pct"]
    return most


def _loss_above(columns: Columns, limits: Limits) -> Mask:
    _, most = columns.ages()
    return columns.numbers("loss_pct") > most_by_models(most, columns.numbers("odometer_km"), limits)


def _loss_mirrors_limit(columns: Columns, limits: Limits) -> Mask:
    health = 100.0 - columns.numbers("loss_pct")
    limit = columns.numbers("charge_limit_pct")
    return columns.equal("loss_origin", "health") & (abs(health - limit) < 1e-6) & (limit < 100)


def _odometer_impossible(columns: Columns, limits: Limits) -> Mask:
    km = columns.numbers("odometer_km")
    return (km > limits["most_km"]) | (km < 0)


def _odometer_fast(columns: Columns, limits: Limits) -> Mask:
    least, _ = columns.paces(limits["least_months"])
    return least > limits["most_km_a"]


def _odometer_slow(columns: Columns, limits: Limits) -> Mask:
    least, _ = columns.ages()
    _, most = columns.paces(limits["least_months"])
    return (most < limits["least_km_a"]) & (least >= limits["least_months"])


def _unit_probably_other(columns: Columns, limits: Limits) -> Mask:
    slow, fast = columns.paces(limits["least_months"])
    low, high = limits["low_km_a"], limits["high_km_a"]
    too_little = (fast < low) & (fast * KM_PER_MILE >= low)
    too_much = (slow > high) & (slow / KM_PER_MILE <= high)
    nordic = columns.equal("lang", "nb", "nn", "no", "sv", "nb-NO", "nn-NO", "sv-SE", "sv-FI")
    in_mil = (fast < low) & (slow * KM_PER_MIL >= low) & (fast * KM_PER_MIL <= high)
    from_mil = (slow > high) & (slow / KM_PER_MIL >= low) & (fast / KM_PER_MIL <= high)
    return too_little | too_much | (nordic & (in_mil | from_mil))


def _model_year_future(columns: Columns, limits: Limits) -> Mask:
    import numpy as np

    return columns.numbers("model_year") > np.floor(columns.posted_a()) + limits["ahead_a"]


def _model_year_early(columns: Columns, limits: Limits) -> Mask:
    return columns.numbers("model_year") < limits["first_a"]


def _age_over_year(columns: Columns, limits: Limits) -> Mask:
    left = (columns.posted_a() - columns.numbers("model_year") + EARLIEST_SALE_A) * MONTHS_A_YEAR
    return columns.numbers("age_months") > left + limits["slack_months"]


def _limit_below_floor(columns: Columns, limits: Limits) -> Mask:
    return columns.numbers("charge_limit_pct") <= columns.numbers("charge_floor_pct")


def _habit_against_limit(columns: Columns, limits: Limits) -> Mask:
    limit = columns.numbers("charge_limit_pct")
    full = columns.equal("charge_habit", "full") & (limit < 100)
    return full | (columns.equal("charge_habit", "partial", "mixed") & (limit >= 100))


def _pack_impossible(columns: Columns, limits: Limits) -> Mask:
    kwh = columns.numbers("pack_kwh")
    return (kwh < limits["least_kwh"]) | (kwh > limits["most_kwh"])


COLUMN_RULES: dict[str, Callable[[Columns, Limits], Mask]] = {
    "loss-impossible": _loss_impossible,
    "loss-over-40": _loss_over,
    "loss-gain": _loss_gain,
    "loss-above-models": _loss_above,
    "loss-above-most-models": _loss_above,
    "loss-mirrors-limit": _loss_mirrors_limit,
    "odometer-impossible": _odometer_impossible,
    "odometer-too-fast": _odometer_fast,
    "odometer-fast": _odometer_fast,
    "odometer-slow": _odometer_slow,
    "unit-probably-other": _unit_probably_other,
    "model-year-future": _model_year_future,
    "model-year-too-early": _model_year_early,
    "age-over-model-year": _age_over_year,
    "limit-below-floor": _limit_below_floor,
    "habit-against-limit": _habit_against_limit,
    "pack-impossible": _pack_impossible,
}
MILDER = (
    ("loss-impossible", "loss-over-40"),
    ("loss-impossible", "loss-gain"),
    ("loss-impossible", "loss-above-models"),
    ("loss-impossible", "loss-above-most-models"),
    ("loss-above-models", "loss-above-most-models"),
    ("odometer-too-fast", "odometer-fast"),
)
"""Pairs of a finding and a milder one that says the same of a row again: the milder is then not raised."""
VOLTAGE = "cell-voltage-off-chemistry"
LIST_RULES = ("pack-off-chemistry", "pack-off-list", "chemistry-off-list")

_LIST_COLUMNS = ("make", "model", "vehicle_text", "model_year", "chemistry", "chemistry_origin", "pack_kwh")


def _against_list(reports: pyarrow.Table, listed: VehicleList, book: Mapping[str, Finding]) -> dict[str, Mask]:
    """The masks of the list rules; only reports of listed models that name a chemistry or a pack are looked at."""
    import numpy as np
    import pyarrow.compute as pc

    masks = {code: np.zeros(reports.num_rows, dtype=np.bool_) for code in LIST_RULES}
    told = pc.or_(pc.is_valid(reports["chemistry"]), pc.is_valid(reports["pack_kwh"]))
    wanted = pc.and_(pc.is_valid(reports["model"]), told).to_numpy()
    places = np.flatnonzero(wanted)
    chosen = reports.select(list(_LIST_COLUMNS)).take(places)
    known: dict[tuple[Any, ...], tuple[str, ...]] = {}
    rows = zip(*(column.to_pylist() for column in chosen.columns), strict=True)
    for place, row in zip(places.tolist(), rows, strict=True):
        codes = known.get(row)
        if codes is None:
            codes = known[row] = tuple(_list_findings(listed, book, *row))
        for code in codes:
            masks[code][place] = True
    return masks


def _list_findings(
    listed: VehicleList,
    book: Mapping[str, Finding],
    make: str | None,
    model: str,
    vehicle_text: str | None,
    model_year: int | None,
    chemistry: str | None,
    chemistry_origin: str | None,
    pack_kwh: float | None,
) -> Iterable[str]:
    """The list findings of one combination of values; nothing for a variant or a year that the list does not hold."""
    slack = int(book["chemistry-off-list"].limits["slack_a"])
    entries = listed.entries(make, model, listed.variant_of(make, model, vehicle_text), model_year, slack=slack)
    if not entries:
        return
    stated = chemistry if chemistry_origin != "listed" else None
    chemistries = [entry.chemistry for entry in entries]
    if stated and None not in chemistries and not any(same_chemistry(stated, one) for one in chemistries):
        yield "chemistry-off-list"
    if pack_kwh is None or any(entry.usable_kwh is None for entry in entries):
        return
    limits = book["pack-off-list"].limits
    sized = [
        entry
        for entry in entries
        if limits["low_share"] <= pack_kwh / (entry.usable_kwh or pack_kwh) <= limits["high_share"]
    ]
    if not sized:
        yield "pack-off-list"
    elif stated and all(entry.chemistry and not same_chemistry(stated, entry.chemistry) for entry in sized):
        yield "pack-off-chemistry"


def _cell_voltage(reports: pyarrow.Table, responses: pyarrow.Table, limits: Limits) -> Mask:
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    found = off_chemistry(reports, responses, limits)
    held = pc.is_in(reports["report_id"], value_set=pa.array(sorted(found), pa.string()))
    return np.asarray(held.to_numpy(), dtype=np.bool_)


NICKEL = ("NMC", "NCA", "NMCA", "LNMO", "nickel")
"""What "nickel" can mean (labelling guide, `chemistry`)."""


def same_chemistry(one: str, other: str | None) -> bool:
    """Whether two chemistry words can mean the same cells."""
    return one == other or ("nickel" in (one, other) and one in NICKEL and other in NICKEL)
