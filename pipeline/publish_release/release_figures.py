"""The headline figures worked out from published rows alone, and how far they moved from the ledger's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.publish_release.hierarchies import WITHHELD
from pipeline.sum_up.cross_section import DISTANCE_EDGES_KM
from pipeline.sum_up.headline import EVERY, RESAMPLES, Figure, headline

if TYPE_CHECKING:
    import pandas


@dataclass(frozen=True, slots=True)
class Change:
    """One headline figure in the ledger and in the release; `after` and `moved` are None where it is no longer told."""

    chemistry: str
    band: str
    before: float
    after: float | None
    vehicles_before: int
    vehicles_after: int
    people_before: int

    @property
    def moved(self) -> float | None:
        """Percentage points from before to after."""
        return None if self.after is None else self.after - self.before

    def tellable(self, k: int) -> bool:
        """Whether the ledger's figure may be told beside the release's: the vehicles between the two are 0 or many."""
        between = abs(self.vehicles_before - self.vehicles_after)
        return self.people_before >= k and (between == 0 or between >= k)

    @property
    def in_cell(self) -> bool:
        """Whether it is the figure of one distance band and one chemistry (not of a sum of them)."""
        return EVERY not in (self.chemistry, self.band)


def release_figures(reports: pandas.DataFrame, *, resamples: int = RESAMPLES) -> list[Figure]:
    """The headline of published `reports`, sorted as `headline` sorts.

    A row whose distance is told in a wider band than the headline's counts for "all" bands only, and one whose
    chemistry is withheld for "all" chemistries only.
    """
    frame, inside, told = _as_ledger(reports)
    found: list[Figure] = []
    for bands in (False, True):
        for chemistries in (False, True):
            part = frame[(inside | (not bands)) & (told | (not chemistries))]
            if not part.empty:
                found += [
                    one
                    for one in headline(part, resamples=resamples)
                    if (one.chemistry != EVERY) == chemistries and (one.band != EVERY) == bands
                ]
    return sorted(found, key=_place)


def _place(figure: Figure) -> tuple[bool, str, int]:
    band = -1 if figure.band == EVERY else int(figure.band.rstrip("+").split("-")[0])
    return figure.chemistry != EVERY, figure.chemistry, band


def _as_ledger(reports: pandas.DataFrame) -> tuple[pandas.DataFrame, pandas.Series, pandas.Series]:
    """The published rows in the columns that `headline` reads; whether each is in one band; has a told chemistry."""
    import numpy as np
    import pandas as pd

    ends = np.asarray([*DISTANCE_EDGES_KM, np.inf])
    low = reports["odometer_km_low"].to_numpy(float, na_value=np.nan)
    high = reports["odometer_km_high"].to_numpy(float, na_value=np.inf)
    place = np.searchsorted(ends, np.nan_to_num(low, nan=0.0), side="right") - 1
    inside = pd.Series(~np.isnan(low) & (high <= ends[place + 1]), index=reports.index)
    told = reports["chemistry"] != WITHHELD
    frame = pd.DataFrame(
        {
            "report_id": [f"{row:012d}" for row in reports["row"]],
            "author_key": reports["person"],
            "chemistry": reports["chemistry"].where(told),
            "odometer_km": reports["odometer_km_mid"],
            "loss_pct": reports["loss_pct"],
            "usable": reports["latest"] & reports["usable"],
            "vehicle_key": None,  # `latest` has one row a vehicle already, joints or not
            "posted_at": pd.NaT,
            "copy_of": None,
        },
        index=reports.index,
    )
    return frame, inside, told


def changes(before: Sequence[Figure], after: Sequence[Figure]) -> list[Change]:
    """Each figure of the ledger that was told beside the release's."""
    now = {(one.chemistry, one.band): one for one in after}
    found = []
    for one in before:
        if one.median is not None:
            other = now.get((one.chemistry, one.band))
            median, vehicles = (other.median, other.vehicles) if other else (None, 0)
            found.append(Change(one.chemistry, one.band, one.median, median, one.vehicles, vehicles, one.people))
    return found
