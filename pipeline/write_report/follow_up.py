"""Which vehicles to ask again, and what: those soon near a round distance, and the questions that lack answers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.write_report.survey_form import form_questions

if TYPE_CHECKING:
    import pandas

MARKS_KM = (100_000, 150_000, 200_000)
NEAR_KM = 10_000
"""How near a mark a projected odometer must be (project's choice: most of a year's driving)."""
ASK_AFTER = timedelta(days=365)
A_YEAR_DAYS = 365.25
APART_A = 0.5
"""Years that two readings of a vehicle must lie apart for a pace of its own."""
MOST_KM_A = 100_000
"""A greater distance a year is not projected (the limit of the finding odometer-fast)."""
DOUBTFUL = ("odometer", "unit")
"""How findings begin that make an odometer doubtful: such a reading is not projected."""
FILLED_BY = {
    "health_pct": ("loss_pct", "loss_max_pct"),
    "age_months": ("age_months", "model_year"),
    "model_year": ("model_year", "age_months"),
}
"""Question of the form -> the columns of which one must be filled; the others fill the column of their own name."""


@dataclass(frozen=True, slots=True)
class AskAgain:
    """One vehicle to ask: where it will be on the day `on` (km), by which pace (km a year) and how that is known."""

    vehicle_key: str
    mark_km: int
    projected_km: float
    pace_km_a: float
    pace_from: str
    row: dict[str, Any]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LackingQuestion:
    """A question with the share of vehicles (0 to 1) that lack its answer, and how exports have asked it so far.

    `unread` is how many survey cells under it held no value that could be read, of `cells`.
    """

    field: str
    missing: float
    asked: tuple[str, ...]
    cells: int
    unread: int
    better: str
    why: str


def ask_again(reports: pandas.DataFrame, vehicles: pandas.DataFrame, at: datetime) -> list[AskAgain]:
    """The vehicles that will be near a mark `ASK_AFTER` from `at`: by mark, the nearest first.

    `reports` are all rows (earlier readings give a vehicle its own pace), `vehicles` one row a vehicle with `age_a`.
    """
    on = at + ASK_AFTER
    earlier = _earlier_readings(reports)
    found = []
    for raw in vehicles.to_dict("records"):
        row = {str(name): value for name, value in raw.items()}
        km, posted = row["odometer_km"], row["posted_at"]
        doubtful = any(flag.startswith(DOUBTFUL) for flag in row["flags"])
        if km is None or km != km or posted is None or posted != posted or doubtful or row["whose"] == "other":
            continue
        pace, known_by = _pace(row, earlier.get(str(row["vehicle_key"]), []))
        if pace is None or not 0 < pace <= MOST_KM_A:
            continue
        years = (on - posted).total_seconds() / 86_400 / A_YEAR_DAYS
        projected = km + pace * max(years, 0.0)
        mark = min(MARKS_KM, key=lambda one: abs(one - projected))
        if abs(mark - projected) <= NEAR_KM:
            missing = tuple(question for question in _asked() if not _filled(row, question))
            key = str(row["vehicle_key"] or row["report_id"])
            found.append(AskAgain(key, mark, projected, pace, known_by, row, missing))
    return sorted(found, key=lambda one: (one.mark_km, abs(one.projected_km - one.mark_km), one.vehicle_key))


def _earlier_readings(reports: pandas.DataFrame) -> dict[str, list[tuple[Any, float]]]:
    """vehicle_key -> (time, km) of its readings, oldest first; only of vehicles that were told more than once."""
    known = reports[
        reports["copy_of"].isna()
        & reports["vehicle_key"].notna()
        & reports["odometer_km"].notna()
        & reports["posted_at"].notna()
        & reports["usable"]
    ]
    several = known[known.duplicated("vehicle_key", keep=False)].sort_values(["posted_at", "report_id"])
    readings: dict[str, list[tuple[Any, float]]] = {}
    for key, at, km in zip(several["vehicle_key"], several["posted_at"], several["odometer_km"], strict=True):
        readings.setdefault(str(key), []).append((at, float(km)))
    return readings


def _pace(row: dict[str, Any], readings: list[tuple[Any, float]]) -> tuple[float | None, str]:
    """Kilometres a year and how they are known: two readings of the vehicle, else odometer and age, else model year."""
    for at, km in readings:
        years = (row["posted_at"] - at).total_seconds() / 86_400 / A_YEAR_DAYS
        if years >= APART_A and row["odometer_km"] > km:
            return (row["odometer_km"] - km) / years, "two readings"
    age = row["age_a"]
    if age is None or age != age or age < APART_A:
        return None, ""
    said = row["age_months"] is not None and row["age_months"] == row["age_months"]
    return row["odometer_km"] / age, "odometer and age" if said else "odometer and model year"


def _asked() -> tuple[str, ...]:
    return tuple(question.field for question in form_questions() if question.field not in ("unit", "text"))


def _filled(row: dict[str, Any], question: str) -> bool:
    columns = FILLED_BY.get(question, (question,))
    return any(row[name] is not None and row[name] == row[name] for name in columns)


def lacking_questions(
    vehicles: pandas.DataFrame, marks: pandas.DataFrame, refusals: pandas.DataFrame, lang: str = "en"
) -> list[LackingQuestion]:
    """The form's questions, those that lack most answers first, each with a better wording in `lang`.

    `marks` and `refusals` are the run's tables: which questions the exports asked, and which cells could not be read.
    """
    answers = marks[marks["kind"] == "answer"]
    unread = refusals[refusals["rule_id"].str.startswith("survey.")]
    found = []
    for question in form_questions():
        if question.field in ("unit", "text"):
            continue
        columns = FILLED_BY.get(question.field, (question.field,))
        missing = float(vehicles[list(columns)].isna().all(axis=1).mean()) if len(vehicles) else 1.0
        asking = answers[answers["field"].isin(_parts_of(question.field))]
        asked = tuple(str(one) for one in asking["question"].value_counts().index)
        cells = len(asking)
        lost = int(unread["field"].isin([name for name in columns if name in FIELD_NAMES]).sum())
        found.append(
            LackingQuestion(question.field, missing, asked, cells, min(lost, cells), question.ask[lang], question.why)
        )
    return sorted(found, key=lambda one: (-one.missing, one.field))


def _parts_of(question: str) -> tuple[str, ...]:
    """The fields and parts that survey columns may hold for a question of the form."""
    if question == "health_pct":
        return ("health_pct", "loss_pct", "range_new", "range_now", "energy_new", "energy_now")
    if question == "dc_fast_share_pct":
        return ("dc_fast_share_pct", "ac_share_pct")
    return (question,)
