"""The groups that figures are told for: chemistry, habit, vehicle, model years; and each vehicle's age."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.write_report.sections import visible

if TYPE_CHECKING:
    import pandas

DIMENSIONS = {
    "chemistry": "chemistry_group",
    "habit": "habit_group",
    "vehicle": "vehicle_name",
    "model year": "year_band",
}
"""What vehicles are grouped by -> the column that holds the group."""

HABITS = {"full": "charged to full", "partial": "stopped below full", "mixed": "both habits"}
EIGHTY = (70.0, 85.0)
"""Everyday limits (% of charge) that count as stopping at about 80 (project's choice)."""

YEARS_A_BAND = 3
FIRST_YEAR = 2008
AGE_FROM_YEAR_A = 0.25
"""Years by which the model year lies before the middle of when such a car was new (sold from half a year before to a
year after its turn, as `check_reports` takes it)."""


def prepared(frame: pandas.DataFrame) -> pandas.DataFrame:
    """The frame of `sum_up.cross_section` with the columns of `DIMENSIONS` and the age added.

    `age_a` (years) is the age as said, else the posting's date less the model year, give or take nine months;
    `age_said` says which.  Groups are None where a row belongs to none.
    """
    import numpy as np

    told = frame.copy()
    posted = told["posted_at"].dt.year + (told["posted_at"].dt.day_of_year - 1) / 365.25
    said = told["age_months"].astype(float) / 12
    since = posted - told["model_year"].astype(float) - AGE_FROM_YEAR_A
    told["age_said"] = said.notna()
    told["age_a"] = said.where(said.notna(), since.where(since > 0, np.nan))
    told["chemistry_group"] = _words(told["chemistry_group"].where(told["chemistry_group"] != "unknown"))
    told["habit_group"] = _words(told["charge_habit"].map(HABITS))
    name = told["make"].fillna("").astype(str) + " " + told["model"].fillna("").astype(str)
    told["vehicle_name"] = _words(name.str.strip().where(told["model"].notna()))
    first = (told["model_year"].astype(float) - FIRST_YEAR) // YEARS_A_BAND * YEARS_A_BAND + FIRST_YEAR
    bands = {year: f"{int(year)} to {int(year) + YEARS_A_BAND - 1}" for year in first.dropna().unique()}
    told["year_band"] = _words(first.map(bands))
    return told


def _words(column: pandas.Series) -> pandas.Series:
    """The column as plain objects: words without signs that could steer a display, and None where there is none."""
    plain = column.astype(object)
    named = plain.map(lambda word: visible(str(word)), na_action="ignore")
    return named.where(plain.notna(), None)


def stops_at_eighty(frame: pandas.DataFrame) -> pandas.Series:
    """Which rows stop charging at about 80 %: the habit is to stop below full, the limit within `EIGHTY`."""
    return (frame["charge_habit"] == "partial") & frame["charge_limit_pct"].between(*EIGHTY)
