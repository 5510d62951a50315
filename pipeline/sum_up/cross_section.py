"""The rows that statistics take: usable, one a vehicle (its latest), with the person they came from.

A person's two cars and a car's follow-ups are no independent answers.  Statistics therefore take the latest report of
a vehicle, and intervals resample people (`person`), never rows.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas
    import pyarrow

DISTANCE_EDGES_KM = (0, 25_000, 50_000, 75_000, 100_000, 150_000, 200_000, 300_000)
"""Where one distance band ends and the next begins; the last has no end (project's choice: about equal counts)."""

CHEMISTRY_GROUPS = {
    "LFP": "LFP",
    "NMC": "nickel",
    "NCA": "nickel",
    "NMCA": "nickel",
    "LNMO": "nickel",
    "nickel": "nickel",
    "LMO": "LMO",
    "LTO": "LTO",
    "Na-ion": "Na-ion",
}
"""Chemistry as read -> the group that figures are told for; what is not said is "unknown"."""


def as_frame(reports: pyarrow.Table | pandas.DataFrame) -> pandas.DataFrame:
    """`reports.parquet` as a data frame with `person`, `chemistry_group` and `distance_band` added.

    `person` is the author's key, or the report's own id where the author is not known.
    """
    import pandas as pd

    frame = reports.copy() if isinstance(reports, pd.DataFrame) else reports.to_pandas()
    frame["person"] = frame["author_key"].fillna(frame["report_id"])
    frame["chemistry_group"] = frame["chemistry"].map(CHEMISTRY_GROUPS).fillna("unknown")
    frame["distance_band"] = band_names(frame["odometer_km"])
    return frame


def cross_section(reports: pyarrow.Table | pandas.DataFrame, *, all_rows: bool = False) -> pandas.DataFrame:
    """One row a vehicle: the latest usable report by time, then odometer, then id (`all_rows`: flagged ones too).

    Copies are never taken.  The frame has the columns of `as_frame`, in the order of `report_id`.
    """
    frame = as_frame(reports)
    frame = frame[frame["copy_of"].isna()] if all_rows else frame[frame["usable"]]
    vehicle = frame["vehicle_key"].fillna(frame["report_id"]).rename("vehicle")
    by_time = frame.assign(vehicle=vehicle).sort_values(
        ["posted_at", "odometer_km", "report_id"], na_position="first", kind="stable"
    )
    latest = by_time.drop_duplicates("vehicle", keep="last").drop(columns="vehicle")
    return latest.sort_values("report_id").reset_index(drop=True)


def band_names(odometer_km: pandas.Series) -> pandas.Series:
    """The distance band of each odometer reading ("50-75", in thousand km; "300+"), None where there is none."""
    import numpy as np
    import pandas as pd

    starts = [edge // 1000 for edge in DISTANCE_EDGES_KM]
    names = [f"{low}-{high}" for low, high in pairwise(starts)] + [f"{starts[-1]}+"]
    known = odometer_km.notna() & (odometer_km >= 0)
    places = np.searchsorted(DISTANCE_EDGES_KM, odometer_km.where(known, 0).to_numpy(float), side="right") - 1
    told = [names[place] if there else None for place, there in zip(places, known, strict=True)]
    return pd.Series(told, index=odometer_km.index, dtype=object)
