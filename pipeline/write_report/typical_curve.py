"""How far each answer lies from what is usual for its group: a running median over the distance, with its spread.

Quotes and warnings need to know of a single answer whether it is ordinary.  That asks for no smooth curve and for no
assumption on its shape: the usual loss at a distance is the median of the answers nearest in the square root of the
distance, and the spread their median absolute deviation (times 1.4826, so that it is the standard deviation of a normal
sample: Rousseeuw and Croux 1993), which a few mistakes among them hardly move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy
    import pandas

    Numbers = numpy.ndarray[Any, numpy.dtype[numpy.float64]]
    Mask = numpy.ndarray[Any, numpy.dtype[numpy.bool_]]

FEWEST = 30
"""Answers below which a chemistry is measured against all answers (judgement: three times the narrowest window)."""
NARROWEST, WIDEST = 11, 151
"""Answers in the window: an eighth of the group, within these ends."""
MAD_TO_SD = 1.4826
LEAST_SPREAD_PCT = 0.75
"""Points below which no spread is believed, since people round to whole per cents."""


def against_curve(vehicles: pandas.DataFrame, *, told_by: Mask | None = None) -> pandas.DataFrame:
    """For each row (same index) `usual` (%), `spread` (points), `far` (spreads above the usual) and `measured_by`.

    `vehicles` needs `odometer_km`, `loss_pct` and `chemistry_group`.  NaN where a row has no distance or no loss, or
    too few answers are there to tell; `measured_by` is the group, or "all".  `told_by` (a mask over the rows)
    says which rows the usual is taken from, where that is not all of them.
    """
    import numpy as np
    import pandas as pd

    told = pd.DataFrame({"usual": np.nan, "spread": np.nan, "far": np.nan, "measured_by": "all"}, index=vehicles.index)
    vehicles = vehicles.assign(chemistry_group=vehicles["chemistry_group"].fillna("unknown"))
    known = vehicles[vehicles["odometer_km"].notna() & vehicles["loss_pct"].notna() & (vehicles["odometer_km"] >= 0)]
    base = known if told_by is None else vehicles[told_by].loc[lambda rows: rows.index.isin(known.index)]
    if len(base) < NARROWEST:
        return told
    sizes = base["chemistry_group"].value_counts()
    own = [str(group) for group, size in sizes.items() if size >= FEWEST and group != "unknown"]
    measures = [(name, known["chemistry_group"] == name, base["chemistry_group"] == name) for name in own]
    measures.append(("all", ~known["chemistry_group"].isin(own), base["chemistry_group"].notna()))
    for name, chosen, chosen_base in measures:
        rows, against = known[chosen], base[chosen_base]
        if not len(rows):
            continue
        usual, spread = usual_at(against, rows["odometer_km"].to_numpy(float))
        told.loc[rows.index, "usual"] = usual
        told.loc[rows.index, "spread"] = spread
        told.loc[rows.index, "measured_by"] = name
    told["far"] = (vehicles["loss_pct"] - told["usual"]) / told["spread"]
    return told


def usual_at(answers: pandas.DataFrame, odometer_km: Numbers) -> tuple[Numbers, Numbers]:
    """What is usual (%) and the spread (points) at some distances (km), from answers that hold distance and loss."""
    import numpy as np

    distances, losses = answers["odometer_km"].to_numpy(float), answers["loss_pct"].to_numpy(float)
    return _running(np.sqrt(distances), losses, np.sqrt(odometer_km))


def _running(x: Numbers, y: Numbers, at: Numbers) -> tuple[Numbers, Numbers]:
    """The median and the spread of y among the readings nearest to each place."""
    import numpy as np

    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    window = min(len(y), int(np.clip(len(y) // 8, NARROWEST, WIDEST)))
    windows = np.lib.stride_tricks.sliding_window_view(y, window)
    medians = np.median(windows, axis=1)
    spreads = MAD_TO_SD * np.median(np.abs(windows - medians[:, None]), axis=1)
    starts = np.clip(np.searchsorted(x, at) - window // 2, 0, len(medians) - 1)
    return medians[starts], np.maximum(spreads[starts], LEAST_SPREAD_PCT)
