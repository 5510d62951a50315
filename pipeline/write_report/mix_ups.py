"""Answers in which something may have been mixed up: what the findings flag, and what only the other answers give away.

`findings.yaml` looks at each answer alone.  Here an answer is set against the others: its loss against what is usual at
its distance, its distance a year against what is usual, its chemistry against that of the same model, its reading
against an earlier one of the same vehicle.  Each suspicion names the mistake that would explain it, where one does.
Nothing is changed and nothing left out: these are reasons to read the words again before somebody else does.

A mix-up that leaves an ordinary answer (a short distance in miles taken for kilometres) cannot be seen by anything.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from pipeline.check_reports.findings import Finding, findings
from pipeline.dataset_columns import KM_PER_MILE
from pipeline.write_report.typical_curve import MAD_TO_SD, against_curve

if TYPE_CHECKING:
    import numpy
    import pandas

    Numbers = numpy.ndarray[Any, numpy.dtype[numpy.float64]]
    Row = Mapping[str, Any]

INFORMATION = ("loss-from-range", "loss-above-most-models")
"""Findings that `findings.yaml` calls information only: nothing to look at."""

FAR_OFF = 4.5
"""Spreads from the usual beyond which a loss or a pace is looked at for itself (1 in 150,000 of a normal sample;
people's answers have heavier tails, so a few honest ones will be among them)."""
FITS = 1.5
"""Spreads within which a mended value counts as ordinary."""
SUSPECT = 3.0
"""Spreads beyond which a loss that repeats the charge limit is suspect."""
LIKELIER, LIKELIER_UNSAID = 5.0, 4.0
"""How much less the squared spreads of pace and loss together must be with the other unit: a likelihood ratio of about
12 (exp(5 / 2)), or 7 where the answer wrote no unit beside its number.  Chosen on generated surveys of 5,000 answers
with ten mix-ups in them: it finds 9 or 10 and lists under 2 % of the answers that are right (tests/write_report)."""
ORDINARY = 2.5
"""Spreads within which pace and loss must lie in the other unit."""
LOSS_SPEAKS_AGAINST = -1.0
"""How far the loss alone (in squared spreads) may speak against the other unit."""
MOST_FAR = 6.0
"""Spreads of a loss beyond which another unit explains nothing."""
YOUNGEST_A = 0.5
"""Years below which a distance a year says little."""
AGE_APART_MONTHS = 24.0
"""Months by which an age may lie below what the model year leaves (a car that stood unsold; time owned from used)."""
BACK_SHARE, BACK_POINTS = 0.03, 5.0
"""By how much an odometer (share) or a loss (points) may go back from one reading of a vehicle to the next."""
SAME_MODEL, ONE_CHEMISTRY = 8, 0.9
"""Answers on a model that must be there, and the share of them of one chemistry, for another one to be suspect."""
NOISE_PCT = 0.6
"""Points within which two percentages are the same number."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One thing that is odd about a report: `code` is a finding's or one of `CODES`, `what` a sentence for a person.

    `weight` orders them: how far off it is, in spreads or what comes near it.
    """

    report_id: str
    code: str
    what: str
    weight: float


CODES: dict[str, str] = {
    "loss-far-off": "the loss lies far from what others say at this distance",
    "pace-far-off": "the distance a year lies far from that of the others",
    "unit-mixed-up": "pace and loss would both be ordinary with miles for km, or km for miles",
    "charge-for-health": "the loss is what a charge limit would look like if it were read as health",
    "against-its-model": "the chemistry is not that of the other answers on this model",
    "against-earlier-reading": "it does not go with another reading of the same vehicle",
    "age-below-model-year": "the age is well below what the model year leaves",
}
"""Every code of this module and what it means."""


def mix_ups(reports: pandas.DataFrame, unsaid: frozenset[str] = frozenset()) -> list[Suspicion]:
    """All suspicions about the reports that are no copies, the gravest first.

    `reports` is `cross_section.as_frame` of all rows (flagged ones too); `unsaid` are the ids of reports that did not
    write a unit beside their odometer.  A report may have several.
    """
    rows = reports[reports["copy_of"].isna()].copy()
    if not len(rows):
        return []
    curve = against_curve(rows)
    rows = rows.join(curve)
    rows["age_a"] = _ages(rows)
    rows["pace"], rows["pace_far"] = _paces(rows)
    found = [
        *_flagged(rows),
        *_loss_off(rows),
        *_pace_off(rows),
        *_other_unit(rows, unsaid),
        *_charge_for_health(rows),
        *_against_model(rows),
        *_against_earlier(rows),
        *_age_below(rows),
    ]
    return sorted(found, key=lambda one: (-one.weight, one.report_id, one.code))


def _records(rows: pandas.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in rows.to_dict("records")]


def _ages(rows: pandas.DataFrame) -> pandas.Series:
    """Years: the age as said, else from the model year to the posting (a year's cars are sold through the year)."""
    posted = rows["posted_at"].dt.year + (rows["posted_at"].dt.day_of_year - 1) / 366
    ages: pandas.Series = (rows["age_months"] / 12).fillna(posted - rows["model_year"] - 0.5)
    return ages.where(ages >= YOUNGEST_A)


def _paces(rows: pandas.DataFrame) -> tuple[pandas.Series, pandas.Series]:
    """Thousand km a year, and how many spreads its logarithm lies from the middle one."""
    import numpy as np

    pace = (rows["odometer_km"].where(rows["odometer_km"] > 0) / 1000 / rows["age_a"]).astype(float)
    logs = pace.map(np.log)
    spread = MAD_TO_SD * float((logs - logs.median()).abs().median()) if pace.notna().sum() >= 10 else float("nan")
    return pace, (logs - logs.median()) / max(spread, 0.1)


def _flagged(rows: pandas.DataFrame) -> Iterator[Suspicion]:
    book = findings()
    for row in _records(rows[rows["flags"].map(len) > 0][["report_id", "flags"]]):
        for code in row["flags"]:
            if code in INFORMATION:
                continue
            finding = book.get(code)
            what = finding.rule.format(**{k: f"{v:,g}" for k, v in finding.limits.items()}) if finding else code
            yield Suspicion(row["report_id"], code, what, _weight(code, finding))


def _weight(code: str, finding: Finding | None) -> float:
    """What keeps a row out is graver than what does not; a cell that was left out harms no figure."""
    if code == "survey-impossible-entry":
        return 3.0
    return 8.0 if finding is None or finding.keeps_out else 6.0


def _loss_off(rows: pandas.DataFrame) -> Iterator[Suspicion]:
    for row in _records(rows[rows["far"].abs() > FAR_OFF]):
        loss, usual, spread = row["loss_pct"], row["usual"], row["spread"]
        guess = ""
        for factor, said in ((0.1, "a slip of the decimal mark"), (10.0, "a slip of the decimal mark")):
            if loss > 0 and abs(loss * factor - usual) <= FITS * spread:
                guess = f"; {loss * factor:.3g} % would be ordinary ({said})"
        if not guess and abs(100 - loss - usual) <= FITS * spread:
            guess = f"; {100 - loss:.3g} % would be ordinary (what is left, taken for what is lost)"
        what = f"lost {loss:.3g} %, where {usual:.3g} % is usual: {abs(row['far']):.1f} spreads off{guess}"
        yield Suspicion(row["report_id"], "loss-far-off", what, min(abs(row["far"]), 30.0) + (5.0 if guess else 0.0))


def _pace_off(rows: pandas.DataFrame) -> Iterator[Suspicion]:
    import numpy as np

    middle = float(rows["pace"].median())
    spread = _log_spread(rows)
    for row in _records(rows[rows["pace_far"].abs() > FAR_OFF]):
        pace = row["pace"]
        guess = ""
        for factor, said in (
            (1 / KM_PER_MILE, "km taken for miles"),
            (KM_PER_MILE, "miles taken for km"),
            (0.1, "a digit too many"),
            (10.0, "a digit too few"),
            (1000.0, "a thousand left out"),
        ):
            if abs(np.log(pace * factor / middle)) <= FITS * spread:
                guess = f"; {_km(row['odometer_km'] * factor)} would be ordinary ({said})"
                break
        what = (
            f"{_km(row['odometer_km'])} at {row['age_a']:.1f} years is {_km(pace * 1000)} a year, "
            f"where {_km(middle * 1000)} is usual{guess}"
        )
        yield Suspicion(row["report_id"], "pace-far-off", what, min(abs(row["pace_far"]), 30.0))


def _log_spread(rows: pandas.DataFrame) -> float:
    import numpy as np

    logs = rows["pace"].map(np.log)
    return max(MAD_TO_SD * float((logs - logs.median()).abs().median()), 0.1)


def _other_unit(rows: pandas.DataFrame, unsaid: frozenset[str]) -> Iterator[Suspicion]:
    """Reports whose pace and loss together are far likelier with the distance in the other unit, and ordinary then."""
    import numpy as np

    told = rows[rows["pace"].notna() & (rows["far"].abs() <= MOST_FAR)].copy()
    if len(told) < 2 * SAME_MODEL:
        return
    spread = _log_spread(rows)
    told["need"] = np.where(told["report_id"].isin(unsaid), LIKELIER_UNSAID, LIKELIER)
    seen: set[str] = set()
    for factor, said in ((KM_PER_MILE, "miles taken for km"), (1 / KM_PER_MILE, "km taken for miles")):
        # The curve at the other distance: the same answers, looked at from there.
        usual = _curve_at(rows, told.assign(odometer_km=told["odometer_km"] * factor))
        far = (told["loss_pct"] - usual["usual"]) / usual["spread"]
        pace_far = told["pace_far"] + np.log(factor) / spread
        by_pace = told["pace_far"] ** 2 - pace_far**2
        by_loss = told["far"] ** 2 - far**2
        likelier = (by_pace + by_loss >= told["need"]) & (by_pace > 0) & (by_loss > LOSS_SPEAKS_AGAINST)
        ordinary = (pace_far.abs() <= ORDINARY) & (far.abs() <= ORDINARY)
        for row in _records(told.assign(gain=by_pace + by_loss)[likelier & ordinary]):
            if row["report_id"] in seen:
                continue
            seen.add(row["report_id"])
            what = (
                f"{_km(row['odometer_km'])} at {row['age_a']:.1f} years with {row['loss_pct']:.3g} % lost is unusual; "
                f"{_km(row['odometer_km'] * factor)} would be ordinary ({said})"
            )
            yield Suspicion(row["report_id"], "unit-mixed-up", what, float(np.sqrt(row["gain"])) + 2.0)


def _curve_at(rows: pandas.DataFrame, moved: pandas.DataFrame) -> pandas.DataFrame:
    """What is usual for rows at distances that they do not have: they are added to the answers and looked up."""
    import pandas as pd

    columns = ["odometer_km", "loss_pct", "chemistry_group"]
    both = pd.concat([rows[columns], moved[columns]], ignore_index=True)
    told = against_curve(both, told_by=both.index.to_numpy() < len(rows)).iloc[len(rows) :]
    return told.set_axis(moved.index)


def _charge_for_health(rows: pandas.DataFrame) -> Iterator[Suspicion]:
    """A loss of 20 with a limit of 80, far from the curve: the limit may have been read as what is left."""
    for row in _records(rows[rows["far"].abs() > SUSPECT]):
        for name, level in (("limit", row["charge_limit_pct"]), ("lower end", row["charge_floor_pct"])):
            if level != level or level is None or not 0 < level < 100:
                continue
            left, same = abs(row["loss_pct"] - (100 - level)), abs(row["loss_pct"] - level)
            if min(left, same) <= NOISE_PCT:
                what = f"lost {row['loss_pct']:.3g} % is what {level:.3g} % ({name} of charging) would give as health"
                yield Suspicion(row["report_id"], "charge-for-health", what, min(abs(row["far"]), 30.0) + 5.0)
                break


def _against_model(rows: pandas.DataFrame) -> Iterator[Suspicion]:
    known = rows[(rows["chemistry_group"] != "unknown") & (rows["chemistry_origin"] != "listed")].copy()
    names = known["model"].where(known["model"].notna(), known["vehicle_text"])
    known["model_name"] = names.str.casefold().str.strip()
    seen: set[str] = set()
    for keys in (["model_name", "model_year"], ["model_name"]):
        for _, group in known.dropna(subset=keys).groupby(keys, sort=True):
            shares = group["chemistry_group"].value_counts()
            if len(group) < SAME_MODEL or shares.iloc[0] / len(group) < ONE_CHEMISTRY:
                continue
            usual = str(shares.index[0])
            for row in _records(group[group["chemistry_group"] != usual]):
                if row["report_id"] not in seen:
                    seen.add(row["report_id"])
                    what = (
                        f"says {row['chemistry']}, where {shares.iloc[0]} of {len(group)} answers on the "
                        f"{row['vehicle_text'] or row['model']} say {usual}"
                    )
                    yield Suspicion(row["report_id"], "against-its-model", what, 7.0)


def _against_earlier(rows: pandas.DataFrame) -> Iterator[Suspicion]:
    ordered = rows[rows["vehicle_key"].notna() & rows["posted_at"].notna()].sort_values(["posted_at", "report_id"])
    several = ordered[ordered.duplicated("vehicle_key", keep=False)]
    for _, group in several.groupby("vehicle_key", sort=True):
        told = _records(group)
        for before, after in pairwise(told):
            what = _clash(before, after)
            if what:
                yield Suspicion(after["report_id"], "against-earlier-reading", what, 7.5)


def _clash(before: Row, after: Row) -> str:
    """What does not go between two readings of one vehicle, "" where all does."""
    then, now = before["odometer_km"], after["odometer_km"]
    if then == then and now == now and then is not None and now is not None and now < then * (1 - BACK_SHARE):
        said = f"{_km(now)} after {_km(then)}: an odometer that goes back"
        if abs(now * KM_PER_MILE / then - 1) <= 0.25:
            said += f" ({_km(now * KM_PER_MILE)} would not: miles taken for km)"
        return said
    groups = {before["chemistry_group"], after["chemistry_group"]} - {"unknown"}
    if len(groups) == 2:
        return f"{after['chemistry']} after {before['chemistry']} for one vehicle"
    lost_then, lost_now = before["loss_pct"], after["loss_pct"]
    if lost_then == lost_then and lost_now == lost_now and lost_now < lost_then - BACK_POINTS:
        return f"lost {lost_now:.3g} % after {lost_then:.3g} %: another pack, or one of the two is no loss"
    return ""


def _age_below(rows: pandas.DataFrame) -> Iterator[Suspicion]:
    told = rows[rows["age_months"].notna() & rows["model_year"].notna() & rows["posted_at"].notna()].copy()
    told["least"] = (told["posted_at"].dt.year - told["model_year"] - 1) * 12
    for row in _records(told[told["age_months"] < told["least"] - AGE_APART_MONTHS]):
        said = f"{row['age_months']:.0f} months old, but of model year {row['model_year']:.0f}"
        what = f"{said}: the time owned of a used car, or another car's year"
        yield Suspicion(row["report_id"], "age-below-model-year", what, 5.5)


def _km(distance: float) -> str:
    return f"{float(f'{distance:.3g}'):,.0f} km"
